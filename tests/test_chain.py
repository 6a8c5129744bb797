"""The chain's hash hangs on everything that an entry says and on all that was said before."""

import hashlib
import json

from hypothesis import given
from hypothesis import strategies as st

from tracker import chain

ENTRY = st.lists(st.text(), min_size=len(chain.FIELDS), max_size=len(chain.FIELDS))


@given(ENTRY, st.integers(0, len(chain.FIELDS) - 1), st.text(min_size=1))
def test_each_field_counts(entry: list[str], place: int, more: str) -> None:
    before = chain.start("p1", "2031-05-04")
    other = [*entry]
    other[place] += more
    assert chain.link(before, entry) != chain.link(before, other)


@given(st.lists(ENTRY, min_size=2, max_size=4, unique_by=tuple))
def test_the_order_counts(entries: list[list[str]]) -> None:
    def head(order: list[list[str]]) -> str:
        before = chain.start("p1", "2031-05-04")
        for entry in order:
            before = chain.link(before, entry)
        return before

    assert head(entries) != head(entries[::-1])
    assert head(entries) != head(entries[:-1])


@given(st.text(min_size=1), st.text(min_size=1))
def test_nothing_can_slip_from_one_field_into_the_next(a: str, b: str) -> None:
    rest = ["", "", "", "", ""]
    before = chain.start("p1", "")
    assert chain.link(before, [a + b, "", *rest]) != chain.link(before, [a, b, *rest])


def test_the_hash_is_what_the_reference_says() -> None:
    """Anybody can walk a chain with a JSON writer and SHA-256: the form stands in the reference."""
    text = json.dumps(["case", "p1", "2031-05-04T09:12:01.000000+00:00"], separators=(",", ":"))
    start = hashlib.sha256(text.encode()).hexdigest()
    assert chain.start("p1", "2031-05-04T09:12:01.000000+00:00") == start
    fields = ["at", "note", "{}", "0.1.0", "abc", "theatre", ""]
    text = json.dumps([start, *fields], separators=(",", ":"))
    assert chain.link(start, fields) == hashlib.sha256(text.encode()).hexdigest()


def test_a_picture_and_a_result_are_never_taken_for_each_other() -> None:
    picture = chain.picture(1, "a", "b", 2, "c")
    result = chain.result(1, 2, "b", "c", "a", "", "", "")
    assert picture != result
    assert chain.picture(1, "a", "b", 3, "c") != picture
    assert chain.result(1, 2, "b", "c", "a", "", "", "x") != result
