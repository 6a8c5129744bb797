"""An archive measured again: bit for bit by whomever, resumed, added to, with failures told."""

import json
import os
import shutil
import signal
import time
from collections.abc import Generator, Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from tests import phantom_case, standins
from tests.standins import png
from tracker import build, decoding, farm, moved, order, remeasure, worker
from tracker.child import ChildLost
from tracker.cli import main
from tracker.cluster import Cluster
from tracker.derived import Lines
from tracker.errors import InputError, NotFound, Unwritable
from tracker.farm import Alone, Done, Farm, Job, Processes
from tracker.order import Measured
from tracker.record import Stamp, decode, from_text, to_text
from tracker.remeasure import Outcome, Progress, Remeasuring, Wish
from tracker.service import Service
from tracker.settings import DEFAULTS
from tracker.store import Store
from tracker.values import StillResult
from tracker.verifying import verify

STAMP = Stamp("0.2.0", DEFAULTS.digest())


def opened(folder: Path, *, reads_only: bool = False) -> Store:
    return Store(folder, STAMP, reads_only=reads_only)


def ignore(_: Progress) -> None: ...


def moving_by(mm: float) -> SimpleNamespace:
    """The pipeline of the stand-ins, by which a later one reads that much more."""

    def measure_still(*given: Any) -> Any:
        result, state = standins.measure_still(*given)
        if result.removal is None:
            return result, state
        more = replace(result.removal.recession_mm, value=result.removal.recession_mm.value + mm)
        result = replace(result, removal=replace(result.removal, recession_mm=more))
        return result, state

    return SimpleNamespace(**{**vars(standins), "measure_still": measure_still})


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three cases measured by the stand-ins; the last one is open."""
    folder = tmp_path_factory.mktemp("built") / "record"
    with pytest.MonkeyPatch.context() as patch, Service(folder) as service:
        patch.setattr("tracker.ledger.pipeline", standins)
        for name in ("a", "b", "open"):
            service.open_case(standins.setup(name))
            service.add_picture(name, png(0), "000.png")
            service.accept_proposed(name)
            service.add_picture(name, png(10, noise=1), "001.png")
            service.add_picture(name, png(255, noise=2), "002.png")
            service.add_picture(name, png(25, noise=3), "003.png")
            if name != "open":
                service.close_case(name)
    return folder


@pytest.fixture
def archive(built: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of it, which every test has for itself."""
    monkeypatch.setattr("tracker.ledger.pipeline", standins)
    monkeypatch.setattr("tracker.sequence.pipeline", standins)
    return Path(shutil.copytree(built, tmp_path / "record"))


def run(
    folder: Path,
    wish: Wish | None = None,
    by: Farm | None = None,
    *,
    told: list[Progress] | None = None,
) -> Outcome:
    wish = wish or Wish()
    with opened(folder, reads_only=not wish.add) as store:
        work = Remeasuring(store, DEFAULTS, Lines(folder.parent / "progress"), wish)
        return work.run(by or Alone(), ignore if told is None else told.append)


def results_of(folder: Path, name: str) -> list[tuple[str, str, str]]:
    with opened(folder, reads_only=True) as store:
        rows = store.results(store.case(name))
        return [(row.kind, row.software, row.body) for row in rows]


# --- comparing ---------------------------------------------------------------------------


def test_the_same_software_finds_the_same_to_the_last_bit(archive: Path) -> None:
    out = run(archive)
    assert (out.total, out.done, out.failed, out.nothing) == (3, 3, [], [])
    sums = moved.tally(move for _, move in out.moves)
    assert (sums.pictures, sums.same, sums.messages) == (12, 12, 0)
    assert [case for case, _ in out.moves] == ["a"] * 4 + ["b"] * 4 + ["open"] * 4


def test_comparing_writes_nothing_into_the_record(archive: Path) -> None:
    def whole() -> dict[str, bytes]:
        files = (path for path in archive.rglob("*") if path.is_file())
        return {str(path): path.read_bytes() for path in files}

    before = whole()
    run(archive)
    assert whole() == before


def test_comparing_goes_beside_a_running_service(archive: Path) -> None:
    with Service(archive) as service:
        assert run(archive).done == 3
        assert len(service.cases()) == 3


def test_what_moved_is_told_against_u(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.sequence.pipeline", moving_by(0.3))
    sums = moved.tally(move for _, move in run(archive).moves)
    # u is 0.2 mm: 0.3 mm is 0.75 U.
    assert (sums.same, sums.within, sums.beyond) == (6, 6, 0)
    assert sums.largest == pytest.approx(0.75)
    monkeypatch.setattr("tracker.sequence.pipeline", moving_by(0.5))
    (archive.parent / "progress").unlink()
    out = run(archive)
    sums = moved.tally(move for _, move in out.moves)
    assert (sums.within, sums.beyond) == (0, 6)
    _, one = next(pair for pair in out.moves if pair[1].picture == 1)
    assert one.difference == pytest.approx(0.5)
    assert "1.000 mm (u 0.200)" in moved.move_line("a", one)
    assert moved.move_line("a", one)[4:6] == ("+0.500", "1.25 U")


def test_another_verdict_and_another_message_are_told(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def measure_still(still: Any, state: Any, settings: Any = DEFAULTS) -> Any:
        result, after = standins.measure_still(still, state, settings)
        if still.name == "002.png":
            seen = replace(still, grey=still.grey * 0 + 12 / 255)
            return replace(standins._measure(seen, state), file=still.name), after
        if still.name == "003.png" and result.removal is not None:
            return replace(result, message="past the plan"), after
        return result, after

    changed = SimpleNamespace(**{**vars(standins), "measure_still": measure_still})
    monkeypatch.setattr("tracker.sequence.pipeline", changed)
    out = run(archive, Wish(cases=("a",)))
    changes = {move.picture: move.change for _, move in out.moves}
    assert changes == {0: "same", 1: "same", 2: "verdict", 3: "moved"}
    sums = moved.tally(move for _, move in out.moves)
    assert (sums.verdicts, sums.messages, sums.other) == (1, 2, 1)
    assert {move.picture for _, move in out.moves if move.is_seen} == {2, 3}
    line = moved.move_line("a", out.moves[2][1])
    assert line[2] == "rim-hidden"
    assert "1.200 mm" in line[3]


def test_details_alone_are_counted_and_not_listed(
    archive: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def measure_still(*given: Any) -> Any:
        result, state = standins.measure_still(*given)
        return replace(result, notes=("another remark",)), state

    changed = SimpleNamespace(**{**vars(standins), "measure_still": measure_still})
    monkeypatch.setattr("tracker.sequence.pipeline", changed)
    assert main(["remeasure", str(archive), "--workers", "0", "--only", "a"]) == 0
    said = capsys.readouterr().out
    assert "3 with other details only" in said
    assert "against U" not in said


# --- adding ------------------------------------------------------------------------------


def test_added_results_are_new_entries_and_earlier_ones_stay(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tracker.sequence.pipeline", moving_by(0.3))
    before = results_of(archive, "a")
    out = run(archive, Wish(add=True))
    after = results_of(archive, "a")
    assert after[: len(before)] == before
    assert {software for _, software, _ in after[len(before) :]} == {"0.2.0"}
    assert len(after) == 2 * len(before)
    assert out.added == 8
    assert out.not_added == ["open"]
    assert len(results_of(archive, "open")) == len(before)
    with opened(archive, reads_only=True) as store:
        verify(store, lambda _: None)
        last = store.events(store.case("a"))[-1]
        assert last.kind == remeasure.REMEASURED
        assert json.loads(last.body)["build"] == build.digest()
    with Service(archive) as service:
        removed = [
            picture.result.removal.recession_mm.value
            for picture in service.case("a").stills
            if picture.result and picture.result.removal
        ]
    assert removed == pytest.approx([1.3, 2.8])


def test_a_result_is_not_added_twice(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.sequence.pipeline", moving_by(0.3))
    run(archive, Wish(add=True, open_too=True))
    before = results_of(archive, "open")
    (archive.parent / "progress").unlink()
    out = run(archive, Wish(add=True, open_too=True))
    assert (out.added, out.done) == (0, 3)
    assert results_of(archive, "open") == before


def test_results_of_the_same_numbers_are_added_once_for_new_software(archive: Path) -> None:
    """The record then says that this software, too, gives these numbers."""
    out = run(archive, Wish(add=True))
    assert out.added == 8
    assert moved.tally(move for _, move in out.moves).same == 12


def test_a_comparison_that_is_finished_does_not_stand_for_adding(archive: Path) -> None:
    assert run(archive).done == 3
    out = run(archive, Wish(add=True))
    assert (out.done, out.earlier, out.added) == (2, 1, 8)


# --- stopping and failing ----------------------------------------------------------------


class Stopping(Alone):
    """Somebody presses Ctrl-C after so many cases."""

    def __init__(self, after: int) -> None:
        self._after = after

    def run(self, jobs: Iterator[Job]) -> Generator[Done]:
        for k, one in enumerate(super().run(jobs)):
            if k == self._after:
                raise KeyboardInterrupt
            yield one


def test_a_run_that_was_stopped_goes_on_where_it_was(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tracker.sequence.pipeline", moving_by(0.3))
    whole = run(archive)
    (archive.parent / "progress").unlink()
    with pytest.raises(KeyboardInterrupt):
        run(archive, by=Stopping(1))
    # A kill in the middle of a line.
    with (archive.parent / "progress").open("ab") as file:
        file.write(b'{"case": "b", "wo')
    told: list[Progress] = []
    out = run(archive, told=told)
    assert (out.done, out.earlier) == (2, 1)
    assert out.moves == whole.moves
    assert [(one.case_id, one.again) for one in told] == [("a", False), ("b", True), ("open", True)]
    assert [one.finished for one in told] == [1, 2, 3]
    assert run(archive).earlier == 3


def test_a_kill_between_results_and_progress_adds_nothing_twice(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tracker.sequence.pipeline", moving_by(0.3))
    add_result, count = Store.add_result, iter(range(100))

    def killed(*given: Any) -> Any:
        if next(count) == 2:
            raise KeyboardInterrupt
        return add_result(*given)

    with monkeypatch.context() as patch:
        patch.setattr(Store, "add_result", killed)
        with pytest.raises(KeyboardInterrupt):
            run(archive, Wish(add=True))
    out = run(archive, Wish(add=True))
    assert out.added == 6
    assert [kind for kind, *_ in results_of(archive, "a")] == 2 * ["reference", *3 * ["still"]]


def test_what_a_case_says_anew_is_measured_again(archive: Path) -> None:
    run(archive)
    with Service(archive) as service:
        service.judge_outline("open", 1, wrong=True)
    out = run(archive)
    assert (out.done, out.earlier) == (1, 2)


def test_other_software_does_not_use_what_this_one_finished(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run(archive)
    monkeypatch.setattr("tracker.build.digest", lambda: "another")
    assert run(archive).done == 3
    lines = Lines(archive.parent / "progress").read()
    assert {line["build"] for line in lines} == {"another"}


def test_one_cases_failure_is_told_and_the_others_go_on(archive: Path) -> None:
    with opened(archive, reads_only=True) as store:
        digest = store.pictures(store.case("a"))[1].sha256
    # The same bytes stand in every case here, so only one file's damage hits all of them.
    path = archive / "pictures" / digest[:2] / digest
    good = path.read_bytes()
    path.chmod(0o600)
    path.write_bytes(b"damaged")
    out = run(archive)
    assert [name for name, _ in out.failed] == ["a", "b", "open"]
    assert "damaged" in out.failed[0][1]
    path.write_bytes(good)
    assert run(archive).done == 3


def test_a_broken_step_fails_its_case_only(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def measure_still(still: Any, state: Any, settings: Any) -> Any:
        if state.reference.setup.id == "b":
            raise ZeroDivisionError("a secret of a library")
        return standins.measure_still(still, state, settings)

    broken = SimpleNamespace(**{**vars(standins), "measure_still": measure_still})
    monkeypatch.setattr("tracker.sequence.pipeline", broken)
    out = run(archive)
    assert out.failed == [("b", "Internal error, ZeroDivisionError.")]
    assert (out.done, out.finished) == (2, 3)


def test_a_case_that_cant_be_read_fails_alone(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = Store.whole

    def cut(length: int) -> Any:
        def read(store: Store, case: Any) -> Any:
            found = whole(store, case)
            return replace(found, events=found.events[:length]) if case.id == "a" else found

        return read

    told: list[Progress] = []
    with monkeypatch.context() as patch:
        patch.setattr(Store, "whole", cut(2))
        out = run(archive, told=told)
    assert out.nothing == ["a"]
    (archive.parent / "progress").unlink()
    with monkeypatch.context() as patch:
        patch.setattr(Store, "whole", cut(0))
        out = run(archive, told=told)
    assert out.failed == [("a", "It can't be read.")]
    assert out.done == 2
    assert "It can't be read." in {one.failed for one in told}


def test_a_file_that_no_longer_reads_as_a_picture_is_a_verdict(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tracker.errors import UnreadableImage

    def refusing(data: bytes, name: str, *rest: Any) -> Any:
        if name == "001.png":
            raise UnreadableImage(f"{name}: no picture any more")
        return decoding.SHARED.decode(data, name, *rest)

    monkeypatch.setattr(order, "SHARED", SimpleNamespace(decode=refusing))
    out = run(archive, Wish(cases=("a",)))
    (move,) = [move for _, move in out.moves if move.change != "same"]
    assert (move.picture, move.change, move.after.verdict) == (1, "verdict", "unreadable")


def test_progress_that_cant_be_kept_ends_the_run(archive: Path) -> None:
    (archive.parent / "progress").mkdir()
    with pytest.raises(Unwritable, match="Progress"):
        run(archive)


def test_a_case_that_is_not_there_is_named(archive: Path) -> None:
    with pytest.raises(NotFound):
        run(archive, Wish(cases=("z",)))


def test_a_case_that_changed_meanwhile_gets_no_results(archive: Path) -> None:
    with opened(archive) as store:
        work = Remeasuring(store, DEFAULTS, Lines(archive.parent / "progress"), Wish(add=True))

        class Meddling(Alone):
            def run(self, jobs: Iterator[Job]) -> Generator[Done]:
                for one in super().run(jobs):
                    if one.key == "a":
                        store.append(store.case("a"), "note", to_text({"text": "late"}))
                    yield one

        out = work.run(Meddling(), ignore)
    assert out.failed == [("a", remeasure.CHANGED)]
    assert len(results_of(archive, "a")) == 4


# --- what a case needs -------------------------------------------------------------------


def test_cases_without_marks_or_pictures_need_nothing(archive: Path) -> None:
    with Service(archive) as service:
        service.open_case(standins.setup("empty"))
        service.open_case(standins.setup("unmarked"))
        service.add_picture("unmarked", png(0), "000.png")
    out = run(archive)
    assert out.nothing == ["empty", "unmarked"]
    assert out.finished == out.total == 5


def test_every_series_is_measured_with_its_own_marks(archive: Path) -> None:
    with Service(archive) as service:
        service.begin_series("open", nothing_burred=True)
        service.add_picture("open", png(0, noise=50), "010.png")
        service.set_marks("open", standins.marks(shift_px=3.0))
        service.add_picture("open", png(9, noise=51), "011.png")
        service.judge_outline("open", 1, wrong=True)
        service.set_phase("open", "repair")
        service.add_picture("open", png(11, noise=52), "012.png")
    with opened(archive, reads_only=True) as store:
        work = Remeasuring(store, DEFAULTS, Lines(archive.parent / "other"), Wish())
        wanted = work._begin(store.case("open")).order
    assert [one.first.number for one in wanted.series] == [0, 4]
    shift = wanted.series[1].setup.marks.head_px - wanted.series[0].setup.marks.head_px  # type: ignore[union-attr]
    assert shift.max() == shift.min() == 3.0
    assert [part.number for one in wanted.series for part in one.stills if not part.believed] == [1]
    assert [part.number for one in wanted.series for part in one.stills if part.quiet] == [6]
    out = run(archive, Wish(cases=("open",)))
    assert [move.picture for _, move in out.moves] == [0, 1, 2, 3, 4, 5, 6]
    assert all(move.same for _, move in out.moves)


def test_nothing_builds_on_what_is_not_believed_or_was_quiet(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Service(archive) as service:
        service.judge_outline("open", 1, wrong=True)
        service.set_phase("open", "repair")
        service.add_picture("open", png(30, noise=9), "009.png")
        service.set_phase("open", "burring")
        service.add_picture("open", png(31, noise=10), "010.png")
    built_on: dict[str, list[str]] = {}

    def measure_still(still: Any, state: Any, settings: Any) -> Any:
        built_on[still.name] = [one.file for one in state.results]
        return standins.measure_still(still, state, settings)

    watched = SimpleNamespace(**{**vars(standins), "measure_still": measure_still})
    monkeypatch.setattr("tracker.sequence.pipeline", watched)
    run(archive, Wish(cases=("open",)))
    assert built_on["003.png"] == ["002.png"]
    assert built_on["010.png"] == ["002.png", "003.png"]


def test_an_order_comes_through_as_it_was(archive: Path) -> None:
    with opened(archive, reads_only=True) as store:
        work = Remeasuring(store, DEFAULTS, Lines(archive.parent / "other"), Wish())
        wanted = work._begin(store.case("a")).order
    plain = json.loads(json.dumps(order.plain_of(wanted)))
    again = decode(order.Order, plain)
    assert to_text(again) == to_text(wanted)
    assert again.digest() == wanted.digest()
    assert wanted.pictures == 4


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"results": [{}]}', '{"results": 3}', "\x00"])
def test_an_answer_that_is_none_fails_its_case(archive: Path, text: str) -> None:
    class Mumbling(Alone):
        def run(self, jobs: Iterator[Job]) -> Generator[Done]:
            for job in jobs:
                yield Done(job.key, text)

    out = run(archive, by=Mumbling())
    assert len(out.failed) == 3
    assert not out.moves


def test_an_answer_of_another_case_is_not_taken(archive: Path) -> None:
    class Confused(Alone):
        def run(self, jobs: Iterator[Job]) -> Generator[Done]:
            for job in jobs:
                yield Done(job.key, json.dumps({"results": []}))

    assert {why for _, why in run(archive, by=Confused()).failed} == {
        "The worker's answer does not fit the case."
    }


# --- who does it -------------------------------------------------------------------------


class Keeping:
    """A farm whose answers are kept as they came."""

    def __init__(self, by: Farm) -> None:
        self._by = by
        self.answers: dict[str, str] = {}

    @property
    def workers(self) -> int:
        return self._by.workers

    def run(self, jobs: Iterator[Job]) -> Generator[Done]:
        for one in self._by.run(jobs):
            self.answers[one.key] = timeless(one.answer)
            yield one


def timeless(answer: str) -> str:
    """An answer without how long it took."""
    plain = json.loads(answer)
    for one in plain["results"]:
        assert one.pop("elapsed_ms") > 0
    return json.dumps(plain)


@pytest.fixture(scope="module")
def hips(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record of three cases of phantom pictures, measured by the real pipeline."""
    folder = tmp_path_factory.mktemp("hips")
    pictures = phantom_case.PICTURES
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(phantom_case, "PICTURES", dict(list(pictures.items())[:3]))
        written = phantom_case.write(folder / "case").folder
    text = (written / "case.toml").read_text(encoding="utf-8")
    with Service(folder / "record") as service:
        for name in ("h1", "h2", "h3"):
            named = text.replace('"phantom"', f'"{name}"')
            (written / "case.toml").write_text(named, encoding="utf-8")
            list(service.import_folder(written))
    return folder / "record"


@pytest.fixture(scope="module")
def serial(hips: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    kept = Keeping(Alone())
    out = measured_by(kept, hips, tmp_path_factory.mktemp("serial"))
    # The way of the service and this one are the same, to the last bit.
    assert moved.tally(move for _, move in out.moves).same == 9
    return kept.answers


def measured_by(by: Farm, record: Path, folder: Path) -> Outcome:
    with opened(record, reads_only=True) as store:
        return Remeasuring(store, DEFAULTS, Lines(folder / "progress"), Wish()).run(by, ignore)


@pytest.mark.slow
def test_processes_give_what_one_gives_bit_for_bit(
    hips: Path, serial: dict[str, str], tmp_path: Path
) -> None:
    kept = Keeping(Processes(2))
    out = measured_by(kept, hips, tmp_path)
    assert out.done == 3
    assert kept.answers == serial


@pytest.mark.slow
def test_a_process_that_dies_is_replaced_and_its_case_done_again(
    hips: Path, serial: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = farm._asked
    killed: list[int] = []

    def deadly(child: Any, job: Job, data: bytes) -> Done:
        if not killed:
            killed.append(child.pid)
            os.kill(child.pid, signal.SIGKILL)
        return asked(child, job, data)

    monkeypatch.setattr(farm, "_asked", deadly)
    kept = Keeping(Processes(1))
    out = measured_by(kept, hips, tmp_path)
    assert len(killed) == 1
    assert (out.done, out.failed) == (3, [])
    assert kept.answers == serial


def jobs(count: int) -> Iterator[Job]:
    for k in range(count):
        yield Job(f"c{k}", {"build": "none"}, 1, lambda: b"")


def test_a_case_that_ends_its_process_every_time_is_given_up(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked = farm._asked
    tries: list[int] = []

    def lost(child: Any, job: Job, data: bytes) -> Done:
        if job.key == "c1":
            tries.append(child.pid)
            raise ChildLost(late=False)
        return asked(child, job, data)

    monkeypatch.setattr(farm, "_asked", lost)
    found = {one.key: one.failed for one in Processes(1).run(jobs(3))}
    assert found == {"c0": "", "c1": farm.LOST, "c2": ""}
    assert len(set(tries)) == farm.TRIES


def test_who_stops_asking_leaves_no_process_behind() -> None:
    many = Processes(2)
    answers = many.run(jobs(500))
    next(answers)
    pids = many.pids()
    assert pids
    answers.close()
    assert many.pids() == ()
    deadline = time.monotonic() + 10
    while any(Path(f"/proc/{pid}").exists() for pid in pids):
        assert time.monotonic() < deadline
        time.sleep(0.05)


def test_a_worker_with_other_software_does_not_answer() -> None:
    """Two versions would give numbers that can't be told apart."""
    answer = worker.done({"build": "another"}, b"")
    assert order.results_in(answer) == ((), order.OTHER_SOFTWARE)
    assert {order.results_in(one.answer)[1] for one in Processes(1).run(jobs(2))} == {
        order.OTHER_SOFTWARE
    }


def test_an_error_of_the_source_ends_the_processes_and_is_raised() -> None:
    def broken() -> Iterator[Job]:
        yield from jobs(1)
        raise Unwritable("The record's disk is gone.")

    with pytest.raises(Unwritable, match="gone"):
        list(Processes(2).run(broken()))


def test_as_many_processes_as_cores() -> None:
    assert Processes().workers == len(os.sched_getaffinity(0))


# --- a cluster ---------------------------------------------------------------------------


@pytest.fixture(scope="module")
def scheduler() -> Iterator[Any]:
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        host="127.0.0.1",
        dashboard_address=None,
        silence_logs=50,
    ) as cluster:
        yield cluster


@pytest.mark.slow
def test_a_cluster_of_two_gives_what_one_gives_bit_for_bit(
    scheduler: Any, hips: Path, serial: dict[str, str], tmp_path: Path
) -> None:
    cluster = Cluster(scheduler.scheduler_address)
    try:
        kept = Keeping(cluster)
        assert cluster.workers == 2
        out = measured_by(kept, hips, tmp_path)
    finally:
        cluster.close()
    assert out.done == 3
    assert kept.answers == serial


@pytest.mark.slow
def test_a_case_whose_machine_is_lost_is_sent_again(
    scheduler: Any, hips: Path, serial: dict[str, str], tmp_path: Path
) -> None:
    cluster = Cluster(scheduler.scheduler_address)
    killed: list[int] = []

    def kill(_: Progress) -> None:
        if not killed:
            _, nanny = next(iter(scheduler.workers.items()))
            killed.append(nanny.pid)
            os.kill(nanny.pid, signal.SIGKILL)

    try:
        kept = Keeping(cluster)
        with opened(hips, reads_only=True) as store:
            progress = Lines(tmp_path / "progress")
            out = Remeasuring(store, DEFAULTS, progress, Wish()).run(kept, kill)
    finally:
        cluster.close()
    assert killed
    assert (out.done, out.failed) == (3, [])
    assert kept.answers == serial


def test_a_scheduler_that_is_not_there_is_named() -> None:
    pytest.importorskip("distributed")
    with pytest.raises(InputError, match="No scheduler answers"):
        Cluster("tcp://127.0.0.1:9", wait_s=0.5)
    with pytest.raises(InputError, match="No scheduler answers"):
        Cluster("nonsense://", wait_s=0.5)


# --- the command line --------------------------------------------------------------------


def test_the_command_compares_then_adds_then_has_nothing_to_do(
    archive: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("tracker.sequence.pipeline", moving_by(0.3))
    table = archive.parent / "moved.csv"
    given = ["remeasure", str(archive), "--workers", "0"]
    assert main([*given, "--csv", str(table)]) == 0
    said = capsys.readouterr()
    assert "6 moved within U" in said.out
    assert "0.75 U" in said.out
    assert "Nothing was written into the record" in said.out
    assert "3/3 open: 4 pictures, 2 changed" in said.err
    assert table.read_text(encoding="utf-8").count("\n") == 13
    assert main([*given, "--add"]) == 0
    said = capsys.readouterr()
    # Of the same version only what moved is added.
    assert "4 results added" in said.out
    assert "Nothing was added to 1 cases" in said.out
    assert main([*given, "--add"]) == 0
    assert "0 results added" in capsys.readouterr().out
    assert main([*given, "--afresh"]) == 0
    assert "12 the same to the last bit" not in capsys.readouterr().out


def test_the_command_ends_with_3_where_a_case_failed(
    archive: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    broken = SimpleNamespace(**{**vars(standins), "measure_still": None})
    monkeypatch.setattr("tracker.sequence.pipeline", broken)
    assert main(["remeasure", str(archive), "--workers", "0", "--only", "a"]) == 3
    said = capsys.readouterr()
    assert "failed: a: Internal error, TypeError." in said.out
    assert "1 of 1 cases could not be measured again" in said.err


@pytest.mark.parametrize(
    "given",
    [
        ["remeasure", "RECORD", "--open-too"],
        ["remeasure", "RECORD", "--workers", "x"],
        ["remeasure", "RECORD", "--workers", "2", "--scheduler", "tcp://127.0.0.1:9"],
        ["cohort", "RECORD", "--since", "2026-13-01"],
        ["cohort", "RECORD", "--since", "2026-02-01", "--until", "2026-01-01"],
        ["cohort", "RECORD", "--side", "middle"],
    ],
)
def test_options_that_cant_be_are_named(
    archive: Path, given: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([str(archive) if one == "RECORD" else one for one in given]) == 2
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize("command", ["cohort", "remeasure"])
def test_a_record_that_is_not_there_is_named(
    tmp_path: Path, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([command, str(tmp_path / "none")]) in (2, 3)
    assert "none" in capsys.readouterr().err
    assert not (tmp_path / "none").exists()


def test_ctrl_c_says_that_the_same_command_goes_on(
    archive: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(farm, "Alone", lambda: Stopping(1))
    assert main(["remeasure", str(archive), "--workers", "0"]) == 130
    assert "goes on where it was" in capsys.readouterr().err


def test_cohort_on_the_command_line(archive: Path, capsys: pytest.CaptureFixture[str]) -> None:
    cases, passes = archive.parent / "cases.csv", archive.parent / "passes.csv"
    given = ["cohort", "--data", str(archive), "--csv", str(cases), "--passes", str(passes)]
    assert main(given) == 0
    said = capsys.readouterr().out
    assert "3 cases (live)" in said
    assert "Don't rank" in said
    assert cases.read_text(encoding="utf-8").count("\n") == 4
    assert passes.read_text(encoding="utf-8").count("\n") == 7
    assert main([*given[:3], "--cases", "demo"]) == 0
    assert "0 cases (demo)" in capsys.readouterr().out
    assert main([*given[:3], "--csv", str(archive.parent / "no" / "x.csv")]) == 3


# --- pieces ------------------------------------------------------------------------------


def test_a_still_gets_the_time_it_took() -> None:
    body = to_text(standins._measure(standins_still(), standins.open_case(prepared())))
    text = remeasure._timed(Measured(1, "still", body, 12.5))
    assert from_text(StillResult, text).elapsed_ms == 12.5
    assert remeasure._timed(Measured(0, "reference", "{}", 3.0)) == "{}"


def standins_still() -> Any:
    from tracker import images

    return images.decode(png(12), "012.png", DEFAULTS.images)


def prepared() -> standins.PreparedReference:
    return standins.prepare_reference(standins_still(), standins.setup())


def test_the_digest_of_the_software_follows_its_bytes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = build.digest()
    assert len(first) == 12
    for text in ("x = 1\n", "x = 2\n"):
        (tmp_path / "room.py").write_text(text, encoding="utf-8")
        monkeypatch.setattr(build, "__file__", str(tmp_path / "build.py"))
        build.digest.cache_clear()
        second = build.digest()
        assert second != first
        first = second
    monkeypatch.undo()
    build.digest.cache_clear()
