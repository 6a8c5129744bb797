"""A case from its opening to its last picture, through the one seam."""

import hashlib
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests import standins
from tests.standins import png
from tracker.errors import InputError, InvalidCase, NotFound, UnreadableImage
from tracker.service import Service, Terms
from tracker.values import Reason


@pytest.fixture(autouse=True)
def _quick_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    with Service(tmp_path / "record") as opened:
        yield opened


@pytest.fixture
def marked(service: Service) -> Service:
    """A service with the case p1, its first picture marked."""
    service.open_case(standins.setup())
    service.add_picture("p1", png(0), "000.png")
    service.accept_proposed("p1")
    return service


def removed(service: Service) -> list[float | None]:
    return [
        picture.result.removal.recession_mm.value
        if picture.result and picture.result.removal
        else None
        for picture in service.case("p1").stills
    ]


def test_the_first_picture_gets_proposed_marks_and_waits_for_agreement(service: Service) -> None:
    service.open_case(standins.setup())
    added = service.add_picture("p1", png(0), "000.png")
    assert (added.number, added.is_new, added.result) == (0, True, None)
    case = service.case("p1")
    assert case.first is not None
    assert case.reference is None
    assert case.proposal is not None
    assert case.proposal.marks is not None
    case = service.accept_proposed("p1")
    assert case.reference is not None
    assert case.reference.lcea_deg is not None
    assert case.setup.marks is not None
    assert case.setup.marks.source == "proposed"


def test_a_picture_is_measured_and_timed(marked: Service) -> None:
    added = marked.add_picture("p1", png(18), "001.png")
    assert added.result is not None
    assert added.result.removal is not None
    assert added.result.removal.recession_mm.value == pytest.approx(1.8)
    assert added.result.elapsed_ms > 0
    assert added.result.message == "more to go"


def test_the_same_bytes_add_nothing(marked: Service) -> None:
    marked.add_picture("p1", png(18), "001.png")
    before = marked.case("p1").last_event
    again = marked.add_picture("p1", png(18), "copy.png")
    assert not again.is_new
    assert again.number == 1
    assert again.result is not None
    assert marked.case("p1").last_event == before
    assert len(marked.case("p1").stills) == 1


def test_a_picture_that_cant_be_measured_changes_no_total(marked: Service) -> None:
    marked.add_picture("p1", png(18), "001.png")
    added = marked.add_picture("p1", png(255), "002.png")
    assert added.result is not None
    assert added.result.reasons[0].reason == Reason.RIM_HIDDEN
    assert removed(marked) == [pytest.approx(1.8), None]


def test_pictures_that_come_before_the_marks_are_kept_and_measured_after(service: Service) -> None:
    service.open_case(standins.setup())
    service.add_picture("p1", png(0), "000.png")
    early = service.add_picture("p1", png(9), "001.png")
    assert early.result is None
    assert len(service.case("p1").waiting) == 1
    service.accept_proposed("p1")
    assert removed(service) == [pytest.approx(0.9)]
    assert service.case("p1").waiting == ()


def test_new_marks_measure_again_and_keep_what_was(marked: Service) -> None:
    marked.add_picture("p1", png(18), "001.png")
    case = marked.set_marks("p1", standins.marks(shift_px=1.0))
    assert removed(marked) == [pytest.approx(1.8)]
    kinds = [result.kind for result in marked._store.results(case.row)]
    assert kinds == ["reference", "still", "reference", "still"]


def test_a_restart_keeps_everything_and_goes_on(tmp_path: Path) -> None:
    with Service(tmp_path) as service:
        service.open_case(standins.setup())
        service.add_picture("p1", png(0), "000.png")
        service.accept_proposed("p1")
        service.add_picture("p1", png(18), "001.png")
        service.judge_outline("p1", 1, wrong=True)
        service.add_picture("p1", png(22), "002.png")
    with Service(tmp_path) as service:
        case = service.case("p1")
        assert removed(service) == [pytest.approx(1.8), pytest.approx(2.2)]
        assert [picture.distrusted for picture in case.stills] == [True, False]
        assert [row.row.id for row in service.cases()] == ["p1"]
        added = service.add_picture("p1", png(30), "003.png")
        assert added.result is not None
        assert removed(service)[-1] == pytest.approx(3.0)
        trail = service._ledger._trails["p1"]
        assert [result.file for result in trail.states[-1].results] == ["002.png", "003.png"]


def test_a_picture_that_was_kept_and_not_measured_is_measured_after_a_restart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("power lost")

    with Service(tmp_path) as service:
        service.open_case(standins.setup())
        service.add_picture("p1", png(0), "000.png")
        service.accept_proposed("p1")
        with monkeypatch.context() as patch:
            patch.setattr(standins, "measure_still", broken)
            with pytest.raises(RuntimeError, match="power lost"):
                service.add_picture("p1", png(18), "001.png")
    with Service(tmp_path) as service:
        assert removed(service) == [pytest.approx(1.8)]


def test_a_file_that_is_no_picture_is_refused_and_written_down(marked: Service) -> None:
    with pytest.raises(UnreadableImage):
        marked.add_picture("p1", b"Dear sir, this is a letter.", "letter.png")
    case = marked.case("p1")
    assert [note.name for note in case.unreadable] == ["letter.png"]
    assert len(case.pictures) == 1


def test_a_wrong_outline_is_taken_back_and_nothing_builds_on_it(marked: Service) -> None:
    marked.add_picture("p1", png(18), "001.png")
    case = marked.judge_outline("p1", 1, wrong=True)
    assert not case.stills[0].counts
    assert case.believed == ()
    at = case.last_event
    assert marked.judge_outline("p1", 1, wrong=True).last_event == at
    assert marked.judge_outline("p1", 1, wrong=False).stills[0].counts


def test_a_first_picture_can_be_exchanged_while_nothing_is_measured(service: Service) -> None:
    service.open_case(standins.setup())
    service.add_picture("p1", png(253), "000.png")
    case = service.accept_proposed("p1")
    assert case.reference is not None
    assert not case.reference.usable
    refused = service.add_picture("p1", png(9), "001.png")
    assert refused.result is not None
    assert refused.result.reasons[0].reason == Reason.REFERENCE_UNUSABLE
    service.replace_first("p1")
    service.add_picture("p1", png(0), "002.png")
    service.accept_proposed("p1")
    service.add_picture("p1", png(9), "001.png")
    case = service.case("p1")
    assert case.first is not None
    assert case.first.row.name == "002.png"
    assert removed(service) == [pytest.approx(0.9)]
    with pytest.raises(InputError, match="it stays"):
        service.replace_first("p1")


def test_a_first_picture_without_a_hip_says_so(service: Service) -> None:
    service.open_case(standins.setup())
    service.add_picture("p1", png(254), "000.png")
    proposal = service.case("p1").proposal
    assert proposal is not None
    assert proposal.reason is not None
    assert proposal.reason.reason == Reason.NO_ANATOMY
    with pytest.raises(InputError, match="No marks"):
        service.accept_proposed("p1")


@pytest.mark.parametrize("name", ["a/b", ".hidden", " p1", ""])
def test_a_name_that_cant_be_an_address_is_refused(service: Service, name: str) -> None:
    plain = {
        "id": name,
        "side": "left",
        "view": "AP",
        "scale": {"head_diameter_mm": 48.0},
        "plan": {"target_lcea_deg": 33, "floor_lcea_deg": 25},
    }
    with pytest.raises(InvalidCase):
        service.open_hip(plain, Terms(), {})
    assert service.cases() == ()


def test_an_unknown_case_or_picture_is_not_found(marked: Service) -> None:
    with pytest.raises(NotFound):
        marked.add_picture("p9", png(0), "000.png")
    with pytest.raises(NotFound):
        marked.judge_outline("p1", 7, wrong=True)
    with pytest.raises(NotFound):
        marked.still("p1", 7)


def test_a_kept_picture_comes_back_pixel_for_pixel(marked: Service) -> None:
    marked.add_picture("p1", png(18), "001.png")
    still = marked.still("p1", 1)
    assert still.grey.shape == (standins.SIDE_PX, standins.SIDE_PX)
    assert np.isclose(still.grey[0, 0] * 255, 18)


def test_everyone_who_listens_hears_of_every_change(marked: Service) -> None:
    heard: list[tuple[str, int]] = []
    stop = marked.listen(lambda case_id, event: heard.append((case_id, event)))
    marked.add_picture("p1", png(18), "001.png")
    marked.add_picture("p1", png(18), "001.png")
    marked.judge_outline("p1", 1, wrong=True)
    stop()
    marked.add_picture("p1", png(20), "002.png")
    assert [case_id for case_id, _ in heard] == ["p1", "p1"]
    assert heard[0][1] < heard[1][1]


def test_many_hands_at_once_lose_nothing_and_add_nothing_twice(marked: Service) -> None:
    """Four hands bring the same twelve pictures, each in another order."""

    def bring(start: int) -> None:
        for k in range(12):
            marked.add_picture("p1", png((start + k) % 12), f"{k}.png")

    marked.add_picture("p1", png(12), "start.png")
    hands = [threading.Thread(target=bring, args=(3 * k,)) for k in range(4)]
    for hand in hands:
        hand.start()
    for hand in hands:
        hand.join()
    case = marked.case("p1")
    # The picture with nothing removed is the first one's twin, byte for byte.
    assert len(case.stills) == 12
    assert len({picture.row.sha256 for picture in case.pictures}) == 13
    assert all(picture.result is not None for picture in case.stills)


BRINGING = """
import sys
from pathlib import Path
import tracker.ledger
from tests import standins
from tracker.service import Service
tracker.ledger.pipeline = standins
with Service(Path(sys.argv[1])) as service:
    service.open_case(standins.setup())
    service.add_picture("p1", standins.png(0), "000.png")
    service.accept_proposed("p1")
    for k in range(1, 200):
        added = service.add_picture("p1", standins.png(k % 60, noise=k), f"{k}.png")
        print(added.number, added.result.verdict, flush=True)
"""


@pytest.mark.parametrize("taken", [1, 4, 9])
def test_nothing_that_was_acknowledged_is_lost_when_the_service_is_killed(
    tmp_path: Path, taken: int
) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", BRINGING, str(tmp_path)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[1],
    ) as bringing:
        assert bringing.stdout is not None
        acknowledged = [bringing.stdout.readline().split() for _ in range(taken)]
        bringing.kill()
    with Service(tmp_path) as service:
        case = service.case("p1")
        numbers = [picture.number for picture in case.pictures]
        assert numbers == sorted(set(numbers))
        for number, verdict in acknowledged:
            [picture] = [one for one in case.stills if one.number == int(number)]
            assert picture.result is not None
            assert picture.result.verdict == verdict
            service.still("p1", picture.number)
        # One more may have been kept without being acknowledged: it is measured as well.
        assert len(case.stills) - taken in (0, 1, 2)
        assert case.waiting == ()


def test_a_case_folder_comes_in_one_picture_after_another(service: Service, tmp_path: Path) -> None:
    folder = tmp_path / "p7"
    folder.mkdir()
    (folder / "case.toml").write_text(
        'id = "p7"\nside = "left"\nview = "AP"\n[scale]\nhead_diameter_mm = 48.6\n'
        "[plan]\ntarget_lcea_deg = 33\nfloor_lcea_deg = 25\n"
        '[distortion]\ngrid = "grid.png"\nbead_spacing_mm = 10.0\n'
    )
    for k, tenths in enumerate([0, 9, 255, 20]):
        (folder / f"{k:03}.png").write_bytes(png(tenths))
    (folder / "004.png").write_bytes(png(21)[:500])
    (folder / "grid.png").write_bytes(png(77))
    numbers = []
    for added in service.import_folder(folder):
        numbers.append(added.number)
        stills = service.case("p7").stills
        assert len(stills) == min(len(numbers) - 1, 3)
    assert numbers == [1, 2, 3, 4, None]
    case = service.case("p7")
    verdicts = [picture.result.verdict for picture in case.stills if picture.result]
    assert verdicts == ["measured", "refused", "measured"]
    assert [note.name for note in case.unreadable] == ["004.png"]
    plate = case.aside("plate")
    assert plate is not None
    assert plate.row.name == "grid.png"


# --- phase -------------------------------------------------------------------------------


def test_burring_begins_with_the_marks_unless_somebody_says_otherwise(service: Service) -> None:
    case = service.open_case(standins.setup())
    assert (case.phase, case.paused, case.aloud) == ("before burring", False, False)
    service.add_picture("p1", png(0), "000.png")
    case = service.accept_proposed("p1")
    assert (case.phase, case.aloud) == ("burring", True)
    assert not service.set_phase("p1", "before burring").aloud
    assert service.set_marks("p1", standins.marks(1.0)).phase == "before burring"


def test_a_phase_is_said_paused_and_resumed_and_outlives_a_restart(tmp_path: Path) -> None:
    with Service(tmp_path) as service:
        service.open_case(standins.setup())
        service.set_phase("p1", "burring")
        case = service.set_phase("p1", "burring", paused=True)
        assert (case.phase, case.paused, case.aloud) == ("burring", True, False)
        assert service.set_phase("p1", "burring", paused=True).last_event == case.last_event
    with Service(tmp_path) as service:
        assert service.case("p1").paused
        assert service.set_phase("p1", "burring").aloud
        assert not service.set_phase("p1", "repair").aloud


def test_pictures_are_kept_and_measured_in_every_phase(marked: Service) -> None:
    marked.set_phase("p1", "repair")
    marked.add_picture("p1", png(18), "001.png")
    assert removed(marked) == [pytest.approx(1.8)]


# --- the same bytes again ----------------------------------------------------------------


def test_the_same_unreadable_bytes_are_written_down_once(marked: Service) -> None:
    for data in (b"no picture", b"no picture", b"another"):
        with pytest.raises(UnreadableImage):
            marked.add_picture("p1", data, "x.png")
    assert len(marked.case("p1").unreadable) == 2


def test_what_has_come_before_is_known_in_whatever_role(marked: Service) -> None:
    def seen(data: bytes) -> bool:
        return marked.has_seen("p1", hashlib.sha256(data).hexdigest())

    with pytest.raises(UnreadableImage):
        marked.add_picture("p1", b"no picture", "x.png")
    assert seen(png(0))
    assert not seen(b"no picture")
    assert not seen(png(18))
    marked.replace_first("p1")
    assert seen(png(0))


def test_looking_at_bytes_writes_nothing(marked: Service) -> None:
    before = marked.case("p1").last_event
    marked.check_picture(png(18), "001.png")
    with pytest.raises(UnreadableImage):
        marked.check_picture(b"no picture", "x.png")
    assert marked.case("p1").last_event == before


def test_cases_that_nobody_looks_at_leave_the_memory(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tracker.ledger._MOST_READ", 2)
    for k in range(5):
        service.open_case(standins.setup(f"p{k}"))
        service.add_picture(f"p{k}", png(0), "000.png")
        service.accept_proposed(f"p{k}")
        service.add_picture(f"p{k}", png(10 + k), "001.png")
    ledger = service._ledger
    assert list(ledger._cases) == ["p3", "p4"]
    assert set(ledger._results) == {"p3", "p4"}
    for k in range(5):
        [still] = service.case(f"p{k}").stills
        assert still.counts
    assert service.add_picture("p0", png(20), "002.png").number == 2
    assert len(ledger._cases) == 2
