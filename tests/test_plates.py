"""Several bead plates: each picture is straightened by the one nearest to its C-arm position."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests import fakes, phantom_case
from tests.dicom_files import as_file, dataset_of
from tracker import phantom, pipeline, plates
from tracker.casefolder import read_case
from tracker.casetoml import parse_case
from tracker.errors import InvalidCase
from tracker.images import decode
from tracker.phantom import Plate
from tracker.settings import DEFAULTS
from tracker.values import CaseSetup, HeaderFacts, NotMeasurable, Reason, Still, StillResult

STRAIGHT = Plate(pincushion=0.02, swirl_deg=1.0)
TILTED = Plate(pincushion=0.05, swirl_deg=-3.0)


def at(still: Still, primary: float | None, secondary: float | None = 0.0) -> Still:
    facts = HeaderFacts("XA", primary_deg=primary, secondary_deg=secondary)
    return replace(still, facts=facts)


PLATE_STILLS = (
    at(replace(phantom.bead_plate(STRAIGHT, 0), name="a.png"), 0.0),
    at(replace(phantom.bead_plate(TILTED, 1), name="b.png"), 28.0),
)


@pytest.fixture(scope="module")
def known() -> tuple[plates.Plate, ...]:
    found = plates.read(PLATE_STILLS, DEFAULTS)
    assert not isinstance(found, NotMeasurable)
    return found


@pytest.mark.parametrize(
    ("primary", "secondary", "name"),
    [(0, 0, "a.png"), (13, 0, "a.png"), (15, 0, "b.png"), (40, 10, "b.png"), (-170, 0, "b.png")],
)
def test_the_plate_nearest_to_the_picture_s_angles_is_taken(
    known: tuple[plates.Plate, ...], primary: float, secondary: float, name: str
) -> None:
    still = at(phantom.bead_plate(STRAIGHT), primary, secondary)
    used = plates.for_picture(known, still)

    assert isinstance(used, plates.Plate)
    assert used.name == name
    (said,) = plates.remark(known, used, still)
    assert name in said


def test_without_angles_the_first_plate_is_taken_and_that_is_said(
    known: tuple[plates.Plate, ...],
) -> None:
    still = phantom.bead_plate(STRAIGHT)
    for one in (still, at(still, 20.0, None)):
        used = plates.for_picture(known, one)
        assert isinstance(used, plates.Plate)
        assert used.name == "a.png"
        assert "angles are not known" in plates.remark(known, used, one)[0]
    without = tuple(replace(plate, angles_deg=None) for plate in known)
    assert plates.for_picture(without, at(still, 28.0)) is without[0]


def test_one_plate_needs_no_word_and_none_is_none(known: tuple[plates.Plate, ...]) -> None:
    still = phantom.bead_plate(STRAIGHT)
    assert plates.remark(known[:1], known[0], still) == ()
    assert plates.for_picture((), still) is None
    assert plates.remark((), None, still) == ()


def test_a_picture_of_another_size_is_refused_with_the_sizes(
    known: tuple[plates.Plate, ...],
) -> None:
    found = plates.for_picture(known, Still("c.png", np.zeros((300, 400), np.float32), "0"))

    assert isinstance(found, NotMeasurable)
    assert found.reason is Reason.GRID_UNUSABLE
    assert "400 x 300" in found.sentence


@pytest.mark.slow
def test_each_picture_is_straightened_by_its_own_plate(tmp_path: Path) -> None:
    """Recorded through two receptors, the numbers are those of pictures that were not bent."""
    folder = phantom_case.write(tmp_path).folder
    setup = read_case(folder).setup
    plain = [decode((folder / name).read_bytes(), name) for name in ("000.png", "002.png")]
    true = _measured(setup, plain[0], plain[1])
    first = at(phantom.bent(plain[0], STRAIGHT), 1.0)
    later = at(phantom.bent(plain[1], TILTED), 27.0)
    marks = setup.marks
    assert marks is not None
    edge = phantom.bend(np.array([marks.rim_edge_px]), STRAIGHT)[0]
    on_bent = replace(
        marks,
        head_px=phantom.bend(marks.head_px, STRAIGHT),
        rim_edge_px=(float(edge[0]), float(edge[1])),
        horizontal_px=phantom.bend(marks.horizontal_px, STRAIGHT),
    )
    found = _measured(replace(setup, marks=on_bent), first, later, *PLATE_STILLS)

    assert found.removal is not None
    assert true.removal is not None
    difference = found.removal.recession_mm.value - true.removal.recession_mm.value
    assert abs(difference) < 2 * found.removal.recession_mm.u
    assert any("b.png (1° away)" in note for note in found.notes)
    # What is drawn lies on the picture as it was recorded through its own receptor.
    drawn = phantom.unbend(np.array([found.removal.overlay.edge_px]), TILTED)[0]
    assert np.hypot(*(drawn - true.removal.overlay.edge_px)) < 4


@pytest.mark.slow
def test_a_later_picture_of_another_size_than_the_plate_is_refused(tmp_path: Path) -> None:
    folder = phantom_case.write(tmp_path).folder
    setup = read_case(folder).setup
    stills = [decode((folder / name).read_bytes(), name) for name in ("000.png", "002.png")]
    prepared = pipeline.prepare_reference(stills[0], setup, plate=PLATE_STILLS[0])
    small = replace(stills[1], grey=np.ascontiguousarray(stills[1].grey[:400, :400]))
    result, _ = pipeline.measure_still(small, pipeline.open_case(prepared))

    assert [one.reason for one in result.reasons] == [Reason.GRID_UNUSABLE]


def _measured(setup: CaseSetup, first: Still, later: Still, *beads: Still) -> StillResult:
    prepared = pipeline.prepare_reference(
        first, setup, plate=beads[0] if beads else None, more_plates=beads[1:]
    )
    assert prepared.result.reasons == ()
    later = replace(later, facts=replace(later.facts, side=None)) if later.facts else later
    result, _ = pipeline.measure_still(later, pipeline.open_case(prepared))
    assert result.verdict == "measured", result.reasons
    return result


# --- the case folder ---------------------------------------------------------------------


def with_grid(grid: str) -> str:
    return f"{fakes.CASE}[distortion]\ngrid = {grid}\nbead_spacing_mm = 10\n"


def test_the_grid_may_be_a_list() -> None:
    one, several = (parse_case(with_grid(grid)).plate for grid in ('"a.png"', '["a.png", "b.dcm"]'))

    assert one is not None
    assert several is not None
    assert one.files == ("a.png",)
    assert several.files == ("a.png", "b.dcm")


@pytest.mark.parametrize("grid", ["[]", '["a.png", "a.png"]', '["a.png", 3]', '["../a.png"]'])
def test_a_list_that_can_t_be_used_is_named(grid: str) -> None:
    with pytest.raises(InvalidCase, match=r"\[distortion\] grid must be 1 to 24 names"):
        parse_case(with_grid(grid))


def test_no_plate_is_a_picture_of_the_case(tmp_path: Path) -> None:
    (tmp_path / "case.toml").write_text(with_grid('["a.png", "b.dcm"]'))
    (tmp_path / "000.png").write_bytes(fakes.picture(0))
    (tmp_path / "a.png").write_bytes(fakes.picture(1))
    with pytest.raises(InvalidCase, match=r"b\.dcm is not in the folder"):
        read_case(tmp_path)
    pixels = np.full((160, 160), 100, np.uint8)
    (tmp_path / "b.dcm").write_bytes(as_file(dataset_of(pixels)))
    found = read_case(tmp_path)

    assert found.grid == tmp_path / "a.png"
    assert found.more_grids == (tmp_path / "b.dcm",)
    assert [path.name for path in found.pictures] == ["000.png"]
