"""The list says of each case what the whole case says, and reads far less."""

import hashlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import standins
from tests.records import fill
from tests.test_store import STAMP
from tracker import lightly
from tracker.service import Service
from tracker.store import Store

STANDING = (
    "empty",
    "marks",
    "ready",
    "measured",
    "refused",
    "repeated",
    "wrong",
    "looked",
    "closed",
)


@pytest.fixture
def record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Cases that stand in different ways."""
    monkeypatch.setattr("tracker.ledger.pipeline", standins)
    with Service(tmp_path) as service:
        for name in STANDING:
            service.open_case(standins.setup(name))
            if name == "empty":
                continue
            service.add_picture(name, standins.png(0), "000.png")
            if name == "marks":
                continue
            service.accept_proposed(name)
            if name == "ready":
                continue
            service.add_picture(name, standins.png(5), "001.png")
            service.add_picture(name, standins.png(9), "002.png")
            if name in ("refused", "looked"):
                service.add_picture(name, standins.png(255), "003.png")
            if name == "repeated":
                service.add_picture(name, standins.png(254), "003.png")
        service.judge_outline("wrong", 2, wrong=True)
        service.keep_to_look_at("looked", 3)
        service.close_case("closed")
    return tmp_path


@pytest.fixture
def service(record: Path) -> Iterator[Service]:
    with Service(record) as opened:
        yield opened


def test_each_line_says_what_the_whole_case_says(service: Service) -> None:
    listed = {one.case_id: one for one in service.listing.page().lines}
    assert len(listed) == 9
    for case_id, line in listed.items():
        case = service.case(case_id)
        assert line.standing == case.standing, case_id
        assert (line.side, line.view) == (case.setup.side, case.setup.view)
        assert line.opened_at == case.row.opened_at
    assert len({line.standing for line in listed.values()}) >= 7


def test_few_results_are_opened(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[int] = []
    real = lightly.body

    def counted(store: Store, case: object, serial: int) -> str:
        opened.append(serial)
        return real(store, case, serial)  # type: ignore[arg-type]

    monkeypatch.setattr(lightly, "body", counted)
    service.listing.page()
    assert len(opened) <= 2
    service.listing.page()
    assert len(opened) <= 2


def test_the_list_follows_the_cases(service: Service) -> None:
    def standing() -> dict[str, object]:
        return {one.case_id: one.standing for one in service.listing.page().lines}

    before = standing()
    assert before["ready"] == "ready"
    service.add_picture("ready", standins.png(7), "001.png")
    service.close_case("measured")
    assert standing() == before | {"ready": "measured", "measured": "closed"}


def test_the_list_comes_in_parts(service: Service) -> None:
    whole = [one.case_id for one in service.listing.page().lines]
    assert whole[0] == "closed"
    first = service.listing.page(limit=4)
    assert first.total == 9
    second = service.listing.page(limit=4, before=first.older)
    third = service.listing.page(limit=4, before=second.older)
    assert [one.case_id for part in (first, second, third) for one in part.lines] == whole
    assert third.older is None
    assert service.listing.page(limit=9).older is None


def test_a_name_is_found(service: Service) -> None:
    found = service.listing.page(find="RE")
    assert [one.case_id for one in found.lines] == ["repeated", "refused", "measured", "ready"]
    assert service.listing.page(find="%").lines == ()


def test_one_damaged_case_leaves_the_others_readable(record: Path) -> None:
    with Store(record, STAMP) as store, store.writing() as link:
        link.exec_driver_sql("DROP TRIGGER events_no_update")
        link.exec_driver_sql(
            "UPDATE events SET body = '{' WHERE kind = 'marks' AND case_key = "
            "(SELECT key FROM cases WHERE id = 'measured')"
        )
        link.exec_driver_sql(
            "UPDATE events SET at = 'soon' WHERE kind = 'marks' AND case_key = "
            "(SELECT key FROM cases WHERE id = 'wrong')"
        )
    with Service(record) as service:
        standing = {one.case_id: one.standing for one in service.listing.page().lines}
        assert standing["measured"] is None
        assert standing["wrong"] is None
        assert standing["refused"] == "not measured"


def test_pictures_that_are_lost_keep_nobody_from_the_list(record: Path) -> None:
    digest = hashlib.sha256(standins.png(0)).hexdigest()
    (record / "pictures" / digest[:2] / digest).unlink()
    with Service(record) as service:
        assert len(service.listing.page().lines) == 9


def test_bodies_are_left_out(tmp_path: Path) -> None:
    fill(tmp_path, "p1", "p2")
    with Store(tmp_path, STAMP) as store:
        cases = store.cases()
        light = lightly.journals(store, cases)
        assert [one.row for one in light] == list(cases)
        for one in light:
            whole = store.whole(one.row)
            assert (one.events, one.pictures) == (whole.events, whole.pictures)
            assert {row.body for row in one.results} == {""}
            assert lightly.body(store, one.row, 2) == whole.results[1].body
        last = lightly.last_bodies(store, light)
        assert last[cases[0].key, 3] == store.results(cases[0])[-1].body
        assert lightly.heads(store, cases) == {case.key: store.head(case) for case in cases}
        assert lightly.journals(store, ()) == ()
        assert lightly.last_bodies(store, ()) == {}
