"""Many cases together: rows from journals, the choice of cases, CSV, charts, damaged cases."""

import csv
import io
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from tests import standins
from tests.standins import png
from tracker import arrival, bare, cohort_table, heads, plots, roll, spread, summary, wholecase
from tracker.arrival import Arrival
from tracker.cohort import Cohort, Wanted, cohort
from tracker.derived import FOLDER, Lines, forget
from tracker.many import Many
from tracker.record import from_text, to_text
from tracker.service import Service
from tracker.summary import CaseSummary
from tracker.values import CAUTION, HeaderFacts, Plan, Quantity, Removal, StillResult

START = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


class Clock:
    """A clock that the test moves."""

    def __init__(self) -> None:
        self.at = START

    def __call__(self) -> datetime:
        return self.at

    def on(self, **by: float) -> None:
        self.at += timedelta(**by)


@pytest.fixture(autouse=True)
def _quick_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def service(tmp_path: Path, clock: Clock) -> Iterator[Service]:
    with Service(tmp_path / "record", clock=clock) as opened:
        yield opened


def bring(service: Service, case_id: str, *tenths: int, every_min: float = 4.0) -> None:
    """Open a case whose pictures show that much removed, one every few minutes."""
    clock = service.now
    assert isinstance(clock, Clock)
    service.open_case(standins.setup(case_id))
    service.add_picture(case_id, png(0), "000.png")
    service.accept_proposed(case_id)
    for k, removed in enumerate(tenths, 1):
        clock.on(minutes=every_min)
        service.add_picture(case_id, png(removed, noise=k), f"{k:03}.png")


def row_of(service: Service, case_id: str) -> CaseSummary:
    rows = service.many.cohort(Wanted(cases="all")).rows
    return next(row for row in rows if row.case_id == case_id)


# --- one case ----------------------------------------------------------------------------


def test_a_row_says_what_was_planned_and_reached(service: Service) -> None:
    bring(service, "p1", 10, 255, 25, 34)
    service.close_case("p1")
    row, case = row_of(service, "p1"), service.case("p1")
    last = case.stills[-1].result
    assert last is not None
    assert last.removal is not None
    assert row.removed_mm == last.removal.recession_mm
    assert row.left_mm == last.removal.remaining_mm
    assert row.planned_mm == pytest.approx(row.removed_mm.value + row.left_mm.value)
    # The plan is 8 degrees under the start: on any radius that is what is planned.
    assert row.planned_deg == pytest.approx(8.0)
    assert row.removed_deg is not None
    assert row.removed_deg.value == pytest.approx(41.0 - last.removal.lcea_deg.value)
    assert [one.removed_mm.value for one in row.passes] == pytest.approx([1.0, 1.5, 0.9])
    assert [one.minutes for one in row.passes] == [None, pytest.approx(8), pytest.approx(4)]
    assert sum(one.removed_mm.value for one in row.passes) == pytest.approx(row.removed_mm.value)
    assert (row.pictures, row.measured, row.not_measured, row.copies) == (5, 3, 1, 0)
    assert row.reasons == (("rim-hidden", 1),)
    assert (row.final, row.after_last, row.standing, row.origin) == (4, 0, "closed", "live")


def test_a_row_needs_no_drawings(service: Service) -> None:
    """The quick way of reading gives what the whole result gives."""
    bring(service, "p1", 10, 255)
    store = service._ledger.store
    for row in store.results(store.case("p1")):
        quick = bare.bare(row)
        if not isinstance(quick, StillResult):
            continue
        whole = from_text(StillResult, row.body)
        assert (quick.verdict, quick.message, quick.limits) == (
            whole.verdict,
            whole.message,
            whole.limits,
        )
        if quick.removal is not None:
            assert whole.removal is not None
            for name in ("recession_mm", "running_mm", "lcea_deg", "remaining_mm", "to_floor_mm"):
                assert getattr(quick.removal, name) == getattr(whole.removal, name)
            assert quick.removal.budgets == whole.removal.budgets
            assert len(quick.removal.overlay.outline_px) == 0


def test_words_in_a_result_cant_mislead_the_quick_way(service: Service) -> None:
    bring(service, "p1", 10)
    store = service._ledger.store
    row = [row for row in store.results(store.case("p1")) if row.kind == "still"][-1]
    whole = from_text(StillResult, row.body)
    trap = 'x,"overlay":{},"recession_mm":{'
    assert isinstance(whole.removal, Removal)
    for changed in (replace(whole, file=trap), replace(whole, notes=(trap,))):
        quick = bare.bare(replace(row, body=to_text(changed)))
        assert isinstance(quick, StillResult)
        assert (quick.file, quick.notes) == (changed.file, changed.notes)
        assert quick.removal is not None
        assert quick.removal.recession_mm == whole.removal.recession_mm


def test_a_zero_picture_and_pictures_of_the_repair_are_no_passes(service: Service) -> None:
    service.open_case(standins.setup())
    service.add_picture("p1", png(0), "000.png")
    service.accept_proposed("p1")
    service.add_picture("p1", png(1, noise=1), "001.png", as_zero=True)
    service.now.on(minutes=5)  # type: ignore[attr-defined]
    service.add_picture("p1", png(20, noise=2), "002.png")
    service.set_phase("p1", "repair")
    service.add_picture("p1", png(23, noise=3), "003.png")
    service.add_picture("p1", png(255, noise=4), "004.png")
    row = row_of(service, "p1")
    assert [one.number for one in row.passes] == [2]
    assert row.passes[0].minutes == pytest.approx(5)
    assert row.passes[0].removed_mm.value == pytest.approx(1.9)
    assert (row.final, row.after_last) == (2, 0)


def test_what_was_carried_into_a_new_series_is_in_the_total(service: Service) -> None:
    bring(service, "p1", 10, 18)
    service.begin_series("p1", nothing_burred=False)
    service.add_picture("p1", png(0, noise=90), "010.png")
    service.accept_proposed("p1")
    service.add_picture("p1", png(7, noise=91), "011.png")
    row = row_of(service, "p1")
    assert row.removed_mm is not None
    assert row.removed_mm.value == pytest.approx(1.8 + 0.7)
    assert not row.whole
    found = service.many.cohort(Wanted())
    assert found.at_least == 1
    assert "removed_mm" not in {one.key for one in found.distributions}
    assert "left_mm" in {one.key for one in found.distributions}


def test_an_outline_found_wrong_is_in_no_number(service: Service) -> None:
    bring(service, "p1", 10, 30)
    service.judge_outline("p1", 2, wrong=True)
    row = row_of(service, "p1")
    assert (row.final, row.after_last, row.wrong_outline, row.measured) == (1, 1, 1, 1)


def test_dose_and_the_c_arms_clock_come_from_headers(service: Service) -> None:
    bring(service, "p1", 10, 20, 30)
    ledger, case = service._ledger, service.case("p1")
    for number, dose, at in (
        (0, 1.5, "2026-03-02T08:00:00"),
        (1, 2.25, "2026-03-02T08:10:00"),
        (2, None, "2026-03-02T08:12:30"),
        (3, None, "no time"),
    ):
        facts = HeaderFacts("XA", dose_area_dgycm2=dose, acquired=at)
        came = Arrival(case.pictures[number].row.sha256, facts)
        ledger.append(case, arrival.ARRIVED, came)
    row = row_of(service, "p1")
    assert row.dose_dgycm2 == pytest.approx(3.75)
    assert row.dose_pictures == 2
    # Live pictures go by when they came; what was read from a folder has the C-arm's times only.
    assert [one.minutes for one in row.passes] == [None, pytest.approx(4), pytest.approx(4)]
    service.many.note_origin(case, "folder")
    row = row_of(service, "p1")
    assert row.origin == "folder"
    assert [one.minutes for one in row.passes] == [None, pytest.approx(2.5), None]


def test_a_dose_that_may_be_a_running_total_is_in_no_distribution(service: Service) -> None:
    bring(service, "p1", 10, 20)
    ledger, case = service._ledger, service.case("p1")
    for number, dose in ((0, 1.5), (1, 2.5), (2, 4.0)):
        facts = HeaderFacts("XA", dose_area_dgycm2=dose)
        came = Arrival(case.pictures[number].row.sha256, facts)
        ledger.append(case, arrival.ARRIVED, came)
    row = row_of(service, "p1")
    assert (row.dose_dgycm2, row.dose_last_dgycm2) == (8.0, 4.0)
    found = service.many.cohort(Wanted())
    assert (found.with_dose, found.unsure_dose) == (1, 1)
    assert "dose_dgycm2" not in {one.key for one in found.distributions}


def test_the_surgeons_own_estimate_stands_beside_the_measurement(service: Service) -> None:
    service.open_case(standins.setup())
    service.add_picture("p1", png(0), "000.png")
    service.accept_proposed("p1")
    assert row_of(service, "p1").eye == ()
    service.around.ask_estimates("p1", asked=True)
    service.add_picture("p1", png(20, noise=1), "001.png")
    service.around.estimate("p1", 1, 2.5)
    (pair,) = row_of(service, "p1").eye
    assert (pair.number, pair.eye_mm) == (1, 2.5)
    assert pair.measured_mm.value == pytest.approx(2.0)
    found = service.many.cohort(Wanted())
    assert found.eye is not None
    assert found.eye.mean.value == pytest.approx(0.5)
    assert found.eye_pairs == ((2.5, pair.measured_mm.value),)


def test_cases_at_every_stage_have_a_row(service: Service) -> None:
    service.open_case(standins.setup("bare"))
    service.open_case(standins.setup("unmarked"))
    service.add_picture("unmarked", png(0), "000.png")
    service.add_picture("unmarked", png(9), "001.png")
    service.open_case(standins.setup("unusable"))
    service.add_picture("unusable", png(253), "000.png")
    service.accept_proposed("unusable")
    service.add_picture("unusable", png(9), "001.png")
    bring(service, "refused", 255)
    found = service.many.view(Wanted())
    rows = {row.case_id: row for row in found.cohort.rows}
    assert {name: row.final for name, row in rows.items()} == dict.fromkeys(rows)
    assert rows["unusable"].reasons == (("reference-unusable", 1),)
    assert rows["unmarked"].not_measured == 0
    assert found.cohort.ended == 0
    assert found.cohort.not_measured is not None
    assert found.cohort.not_measured.value == 1.0
    assert found.spreads == ()
    assert cohort_table.text_lines(found.cohort)[-1] == CAUTION


# --- the record --------------------------------------------------------------------------


def test_an_empty_record_has_no_cohort(service: Service) -> None:
    found = service.many.cohort(Wanted(cases="all"))
    assert found.rows == ()
    assert all(one.estimate is None for one in found.shares)
    assert found.not_measured is None
    assert "not recorded" in "\n".join(cohort_table.text_lines(found))
    (header,) = csv.reader(io.StringIO(service.many.cases_csv(Wanted())))
    assert header == [column.name for column in cohort_table.COLUMNS]


def test_a_case_is_put_together_again_only_when_its_journal_grows(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[str] = []

    def counted(*given: object) -> CaseSummary:
        row = summary.summarise(*given)  # type: ignore[arg-type]
        made.append(row.case_id)
        return row

    monkeypatch.setattr(roll, "summarise", counted)
    bring(service, "p1", 10)
    bring(service, "p2", 10)
    first = service.many.cohort(Wanted())
    assert service.many.cohort(Wanted()) is first
    assert sorted(made) == ["p1", "p2"]
    service.take_note("p2", "seen")
    service.many.cohort(Wanted())
    assert sorted(made) == ["p1", "p2", "p2"]


def test_rows_outlive_a_restart_and_other_software_makes_its_own(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(roll, "_WORTH_WRITING", 1)
    bring(service, "p1", 10)
    store = service._ledger.store
    _, rows, _ = roll.Roll(store).rows()

    def never(*_: object) -> CaseSummary:
        raise AssertionError("a row was made again")

    with monkeypatch.context() as patch:
        patch.setattr(roll, "summarise", never)
        assert roll.Roll(store).rows()[1] == rows
        patch.setattr("tracker.build.digest", lambda: "another")
        with pytest.raises(AssertionError, match="again"):
            roll.Roll(store).rows()
    forget(store.folder)
    assert roll.Roll(store).rows()[1] == rows


def test_deleting_a_case_deletes_what_was_made_from_it(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(roll, "_WORTH_WRITING", 1)
    bring(service, "p1", 10)
    bring(service, "p2", 10)
    store = service._ledger.store
    rows = roll.Roll(store)
    assert len(rows.rows()[1]) == 2
    assert any(b"p1" in path.read_bytes() for path in (store.folder / FOLDER).iterdir())
    wholecase.delete(store, store.case("p1"), "asked for")
    assert list((store.folder / FOLDER).iterdir()) == []
    # Also one who still had its row forgets it, and writes it nowhere.
    assert [row.case_id for row in rows.rows()[1]] == ["p2"]
    assert not any(b"p1" in path.read_bytes() for path in (store.folder / FOLDER).iterdir())


@pytest.mark.parametrize("damage", [b"", b"\n", b'{"build": ', b"[]\n", b"\xff\xfe\n", b"{}\n{}\n"])
def test_a_damaged_file_of_rows_is_made_again(service: Service, damage: bytes) -> None:
    bring(service, "p1", 10)
    path = service._ledger.store.folder / FOLDER / roll.FILE
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(damage)
    assert [row.case_id for row in roll.Roll(service._ledger.store).rows()[1]] == ["p1"]


def test_a_line_that_was_cut_short_is_left_out(tmp_path: Path) -> None:
    lines = Lines(tmp_path / "new" / "file.jsonl")
    assert lines.read() == []
    lines.add({"a": 1})
    with lines.path.open("ab") as file:
        file.write(b'{"b": ')
    assert lines.read() == [{"a": 1}]
    lines.add({"c": 3})
    assert lines.read() == [{"a": 1}, {"c": 3}]


def test_one_damaged_case_does_not_take_the_others_away(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    bring(service, "p1", 10)
    bring(service, "p2", 10)
    read = roll.bare_case

    def broken(store: object, case: object) -> object:
        if getattr(case, "id", "") == "p1":
            raise KeyError("result")
        return read(store, case)  # type: ignore[arg-type]

    monkeypatch.setattr(roll, "bare_case", broken)
    found = service.many.cohort(Wanted())
    assert [row.case_id for row in found.rows] == ["p2"]
    assert found.unread == ("p1",)
    assert "p1" in "\n".join(cohort_table.text_lines(found))
    monkeypatch.setattr(roll, "bare_case", read)
    found = service.many.cohort(Wanted())
    assert (len(found.rows), found.unread) == (2, ())


def test_a_heads_hash_changes_with_every_entry(service: Service) -> None:
    bring(service, "p1")
    store = service._ledger.store
    before, mark = heads.heads(store), heads.mark(store)
    service.take_note("p1", "seen")
    after = heads.heads(store)
    assert before.keys() == after.keys()
    assert before != after
    assert heads.mark(store) != mark


# --- choosing ----------------------------------------------------------------------------


def made_row(case_id: str, **changes: object) -> CaseSummary:
    row = CaseSummary(
        case_id, START.isoformat(), "left", "AP", "live", "closed", Plan(25.0, target_lcea_deg=33.0)
    )
    left = Quantity(0.2, 0.2, "mm")
    row = replace(
        row,
        final=3,
        left_mm=left,
        removed_mm=Quantity(3.0, 0.2, "mm"),
        removed_deg=Quantity(7.0, 0.4, "deg"),
        planned_mm=3.2,
        planned_deg=7.5,
        message="may be at the plan",
        measured=3,
        pictures=4,
    )
    return replace(row, **changes)  # type: ignore[arg-type]


CHOICES: list[tuple[Wanted, set[str]]] = [
    (Wanted(), {"a", "b", "c"}),
    (Wanted(cases="demo"), {"demo"}),
    (Wanted(cases="all"), {"a", "b", "c", "demo", "read"}),
    (Wanted(side="right"), {"b"}),
    (Wanted(plan="depth"), {"b"}),
    (Wanted(plan="both"), {"c"}),
    (Wanted(since=date(2026, 3, 3)), {"c"}),
    (Wanted(until=date(2026, 3, 2)), {"a", "b"}),
    (Wanted(since=date(2027, 1, 1)), set()),
]


@pytest.mark.parametrize(("wanted", "expected"), CHOICES)
def test_cases_are_chosen_by_day_side_plan_and_origin(wanted: Wanted, expected: set[str]) -> None:
    later = (START + timedelta(days=30)).isoformat()
    rows = [
        made_row("c", opened=later, plan=Plan(25.0, target_lcea_deg=33.0, depth_mm=3.0)),
        made_row("b", side="right", plan=Plan(25.0, depth_mm=3.0)),
        made_row("a"),
        made_row("demo", origin="demo"),
        made_row("read", origin="folder"),
    ]
    found = cohort(rows, wanted)
    assert {row.case_id for row in found.rows} == expected
    if wanted == Wanted():
        assert found.by_origin == (("live", 3), ("folder", 1), ("demo", 1))


def test_live_demo_and_folder_are_told_apart(service: Service, tmp_path: Path) -> None:
    from tests import phantom_case

    folder = phantom_case.write(tmp_path / "case").folder
    text = (folder / "case.toml").read_text(encoding="utf-8")
    bring(service, "p1", 10)
    list(service.import_folder(folder))
    (folder / "case.toml").write_text(text.replace('"phantom"', '"shown"'), encoding="utf-8")
    list(service.import_folder(folder, "demo"))
    origins = {row.case_id: row.origin for row in service.many.cohort(Wanted(cases="all")).rows}
    assert origins == {"p1": "live", "phantom": "folder", "shown": "demo"}
    assert [row.case_id for row in service.many.cohort(Wanted()).rows] == ["p1"]
    # What was read afterwards has no times of its own.
    assert all(one.minutes is None for one in row_of(service, "phantom").passes)


def test_trends_go_by_month_quarter_or_year() -> None:
    def over(days: int) -> Cohort:
        rows = [
            made_row(
                f"c{k}",
                opened=(START + timedelta(days=days * k / 9)).isoformat(),
                left_mm=Quantity(0.1 * k, 0.2, "mm"),
            )
            for k in range(10)
        ]
        return cohort(list(reversed(rows)), Wanted())

    trends = {days: over(days).trends[0] for days in (200, 1500, 4000)}
    assert {days: trend.step for days, trend in trends.items()} == {
        200: "month",
        1500: "quarter",
        4000: "year",
    }
    for days, trend in trends.items():
        assert sum(point.estimate.cases for point in trend.points) == 10
        assert [point.label for point in trend.points] == sorted(p.label for p in trend.points)
        assert trend.a_year is not None
        assert trend.a_year.value == pytest.approx(0.9 * 365.25 / days, rel=1e-3)


# --- tables and charts -------------------------------------------------------------------


def test_csv_gives_every_digit_and_leaves_empty_what_is_not_there(service: Service) -> None:
    bring(service, "p1", 10, 255, 25)
    service.open_case(standins.setup("=HYPERLINK(1)"))
    lines = list(csv.DictReader(io.StringIO(service.many.cases_csv(Wanted()))))
    assert [line["case"] for line in lines] == ["p1", "'=HYPERLINK(1)"]
    row = row_of(service, "p1")
    assert row.removed_mm is not None
    assert float(lines[0]["removed_mm"]) == row.removed_mm.value
    assert float(lines[0]["u_removed_mm"]) == row.removed_mm.u
    assert lines[0]["dose_dgycm2"] == ""
    assert lines[1]["removed_mm"] == ""
    passes = list(csv.DictReader(io.StringIO(service.many.passes_csv(Wanted()))))
    assert [float(line["removed_mm"]) for line in passes] == [
        one.removed_mm.value for one in row.passes
    ]


def test_column_names_are_unique_and_say_what_they_mean() -> None:
    for columns in (cohort_table.COLUMNS, cohort_table.PASS_COLUMNS):
        names = [column.name for column in columns]
        assert len(set(names)) == len(names)
        assert all(column.meaning for column in columns)


def test_the_text_says_what_kind_the_intervals_are_and_that_nobody_is_ranked() -> None:
    rows = [made_row(f"c{k}", left_mm=Quantity(0.1 * k, 0.2, "mm")) for k in range(8)]
    text = "\n".join(cohort_table.text_lines(cohort(rows, Wanted())))
    for words in ("Clopper and Pearson", "Student", "order statistics", "Don't rank", CAUTION):
        assert words in text
    assert "0.00 to 0.70" in text
    few = "\n".join(cohort_table.text_lines(cohort(rows[:1], Wanted())))
    assert "too few" in few


def drawn(text: str) -> ElementTree.Element:
    return ElementTree.fromstring(text)


CHARTS: list[Callable[[list[CaseSummary]], list[str]]] = [
    lambda rows: [
        plots.spread_chart(560, 300, one, "how", plan_at=0.0)
        for one in cohort(rows, Wanted()).distributions
    ],
    lambda rows: [
        plots.trend_chart(700, 300, one, "how", zero="plan")
        for one in cohort(rows, Wanted()).trends
    ],
]


@pytest.mark.parametrize("count", [1, 2, 7, 400])
@pytest.mark.parametrize("make", CHARTS)
def test_charts_are_whole_and_keep_within_their_frame(
    make: Callable[[list[CaseSummary]], list[str]], count: int
) -> None:
    rows = [
        made_row(
            f"c{k}",
            opened=(START + timedelta(days=20 * k)).isoformat(),
            left_mm=Quantity(((k * 7) % 13 - 6) / 4, 0.2, "mm"),
            dose_dgycm2=1e3 * (k + 1),
        )
        for k in range(count)
    ]
    charts = make(list(reversed(rows)))
    assert charts
    for text in charts:
        root = drawn(text)
        width, height = (float(x) for x in root.attrib["viewBox"].split()[2:])
        assert root[0].tag == "title"
        for part in root.iter("circle"):
            assert 0 <= float(part.attrib["cx"]) <= width
            assert 0 <= float(part.attrib["cy"]) <= height
        for part in root.iter("text"):
            assert -30 <= float(part.attrib["x"]) <= width
            assert 0 <= float(part.attrib["y"]) <= height
        assert "nan" not in text
        assert "script" not in text


def test_the_chart_of_agreement_has_a_dot_for_each_pair() -> None:
    pairs = [(1.0 + 0.1 * k, 1.0 + 0.08 * k) for k in range(40)]
    found = spread.agreement([[pair] for pair in pairs])
    assert found is not None
    text = plots.agreement_chart(700, 300, pairs, found, "eye")
    path = next(p for p in drawn(text).iter("path") if p.attrib.get("class") == "pairs")
    assert path.attrib["d"].count("M") == 40
    one = spread.agreement([pairs[:1]])
    assert one is not None
    assert "nan" not in plots.agreement_chart(700, 300, pairs[:1], one, "eye")


def test_many_answers_are_not_all_kept(service: Service) -> None:
    many = service.many
    assert isinstance(many, Many)
    for k in range(40):
        many.cohort(Wanted(since=date(2026, 1, 1) + timedelta(days=k)))
    assert len(many._known) <= 16
