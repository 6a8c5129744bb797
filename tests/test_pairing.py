"""Codes: what can be one, how long it lasts, what wrong ones cost."""

from datetime import UTC, datetime, timedelta

import pytest
from argon2 import extract_parameters
from argon2.low_level import Type
from hypothesis import given
from hypothesis import strategies as st

from tracker import pairing
from tracker.pairing import Code, Tries

NOW = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)


def code(digits: str = "48310957", role: str = "theatre", minutes: float = 10) -> Code:
    return Code(role, pairing.hashed(digits), NOW + timedelta(minutes=minutes))  # type: ignore[arg-type]


@pytest.mark.parametrize("text", ["48310957", "4831 0957", " 4831-0957\n", "4 8 3 1 0 9 5 7"])
def test_a_code_is_read_however_it_is_spaced(text: str) -> None:
    assert pairing.typed(text) == "48310957"


@pytest.mark.parametrize(
    "text", ["", "4831", "483109571", "4831o957", "４８３１０９５７", "-1234567", "1e7"]
)
def test_what_is_no_code_is_none(text: str) -> None:
    assert pairing.typed(text) is None


@given(st.text(max_size=200))
def test_whatever_is_typed_is_a_code_or_none(text: str) -> None:
    digits = pairing.typed(text)
    assert digits is None or (len(digits) == 8 and digits.isdecimal())


def test_codes_are_eight_digits_that_differ() -> None:
    made = {pairing.new_digits() for _ in range(200)}
    assert len(made) > 190
    assert all(pairing.typed(pairing.shown(digits)) == digits for digits in made)


def test_the_hash_is_argon2id_and_holds_no_digits() -> None:
    digest = code().digest
    assert extract_parameters(digest).type is Type.ID
    assert "48310957" not in digest


def test_the_code_says_the_role() -> None:
    codes = (code("11111111", "theatre"), code("22222222", "look"))
    assert pairing.which(codes, "22222222") == codes[1]
    assert pairing.which(codes, "33333333") is None


def test_a_code_ends_at_its_time() -> None:
    tries = Tries((code(minutes=10),))
    assert tries.usable(NOW + timedelta(minutes=9, seconds=59)) == tries.codes
    assert tries.usable(NOW + timedelta(minutes=10)) == ()


def test_the_fifth_wrong_code_closes_pairing_and_withdraws_the_codes() -> None:
    tries = Tries((code(),))
    for _ in range(4):
        tries = pairing.after_wrong(pairing.tried(tries), NOW)
        assert not tries.is_closed(NOW)
        assert tries.codes
    tries = pairing.after_wrong(pairing.tried(tries), NOW)
    assert tries.is_closed(NOW)
    assert tries.codes == ()
    assert tries.is_closed(NOW + timedelta(minutes=14, seconds=59))
    assert not tries.is_closed(NOW + timedelta(minutes=15))


def test_a_start_forgives_nothing_and_a_person_does() -> None:
    closed = Tries((), 0, NOW + timedelta(minutes=15))
    new = code()
    assert pairing.with_start(closed, (new,)).is_closed(NOW)
    assert pairing.with_start(Tries(wrong=3), (new,)).wrong == 3
    assert not pairing.with_code(closed, new).is_closed(NOW)
    assert pairing.with_code(Tries(wrong=3), new).wrong == 0


def test_a_right_code_is_used_up_and_the_other_role_s_stays() -> None:
    theatre, look = code("11111111"), code("22222222", "look")
    assert pairing.after_right(Tries((theatre, look), 3), theatre) == Tries((look,))
