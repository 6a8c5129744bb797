"""A header against the case, the first picture and the picture itself: it stops, it never gives."""

from dataclasses import replace

import pytest

from tests.phantom_case import PULLED, SCENE
from tracker import phantom, pipeline
from tracker.crosscheck import against_case, against_pictures, remarks
from tracker.values import (
    BeamDirection,
    CaseSetup,
    HeaderFacts,
    Marks,
    NotMeasurable,
    Plan,
    Quantity,
    Reason,
    Scale,
    Side,
    Still,
    StillResult,
)

FIRST = HeaderFacts(
    "XA", side="left", primary_deg=1.0, secondary_deg=0.0, field_mm=(230.0,),
    patient_key="p", study_key="s", instance_key="a",
)  # fmt: skip
LATER = replace(FIRST, instance_key="b")


def beam(tilt: float, oblique: float, u: float = 0.3) -> BeamDirection:
    return BeamDirection(Quantity(tilt, u, "deg"), Quantity(oblique, u, "deg"))


def reason(found: NotMeasurable | None) -> Reason | None:
    return None if found is None else found.reason


@pytest.mark.parametrize(("side", "said"), [("left", None), ("right", Reason.WRONG_SIDE)])
def test_the_side_of_the_file_against_the_case_s(side: Side, said: Reason | None) -> None:
    assert reason(against_case(FIRST, side)) is said
    assert against_case(replace(FIRST, side=None), side) is None
    assert against_case(None, side) is None


def test_both_sides_are_named() -> None:
    found = against_case(FIRST, "right")

    assert found is not None
    assert found.sentence == "The file says left hip; the case is of the right one."


@pytest.mark.parametrize(
    ("facts", "said"),
    [
        (LATER, None),
        (FIRST, Reason.DUPLICATE),
        (replace(FIRST, frame=1), None),
        (replace(LATER, patient_key="q"), Reason.OTHER_ANATOMY),
        (replace(LATER, patient_key=""), None),
        (replace(LATER, study_key="t"), None),
        (replace(LATER, instance_key=""), None),
        (None, None),
    ],
)
def test_a_header_against_those_before(facts: HeaderFacts | None, said: Reason | None) -> None:
    assert reason(against_pictures(facts, FIRST, (FIRST,))) is said
    assert against_pictures(facts, None, ()) is None


@pytest.mark.parametrize(
    ("primary", "secondary", "shown", "words"),
    [
        (1.0, 0.0, beam(0, 0), []),
        # The receptor went 4 degrees towards the head: the tube 4 towards the feet.
        (1.0, 4.0, beam(-4, 0), []),
        (1.0, 4.0, beam(4, 0), ["tilt"]),
        (6.0, 0.0, beam(0, 5), []),
        (6.0, 0.0, beam(0, -5), ["oblique"]),
        (1.0, 0.0, beam(3, 0), ["tilt"]),
        (1.0, 0.0, beam(3, 0, u=2.0), []),
        (None, 9.0, beam(0, 0), []),
    ],
)
def test_angles_of_the_file_against_those_of_the_picture(
    primary: float | None, secondary: float, shown: BeamDirection, words: list[str]
) -> None:
    facts = replace(LATER, primary_deg=primary, secondary_deg=secondary)

    said = remarks(facts, FIRST, shown, "left")

    assert len(said) == len(words)
    assert all(word in sentence for word, sentence in zip(words, said, strict=True))


def test_a_change_of_field_is_said() -> None:
    (said,) = remarks(replace(LATER, field_mm=(170.0,)), FIRST, beam(0, 0), "left")

    assert "from 230 mm to 170 mm" in said
    assert remarks(replace(LATER, field_mm=()), FIRST, beam(0, 0), "left") == ()
    assert remarks(LATER, None, beam(0, 0), "left") == ()


def setup(side: Side) -> CaseSetup:
    scale = Scale(head_diameter_mm=2 * SCENE.head_radius_mm)
    return CaseSetup("p1", side, "AP", scale, Plan(floor_lcea_deg=25.0, target_lcea_deg=30.0))


def test_a_first_picture_of_the_other_side_by_its_file_is_not_used() -> None:
    still, _ = phantom.render(SCENE, 0)
    other: Side = "right" if SCENE.side == "left" else "left"
    facts = HeaderFacts("XA", side=other)

    prepared = pipeline.prepare_reference(replace(still, facts=facts), setup(SCENE.side))

    assert [one.reason for one in prepared.result.reasons] == [Reason.WRONG_SIDE]
    assert prepared.measurable is None


@pytest.mark.slow
def test_the_chain_listens_to_headers() -> None:
    own = replace(FIRST, side=SCENE.side)
    first, truth = phantom.render(SCENE, 0)
    marks = Marks(
        truth.head_px.copy(), truth.edge_px, truth.horizontal_px.copy(), "given", 1.0, 0.5
    )
    prepared = pipeline.prepare_reference(
        replace(first, facts=own), replace(setup(SCENE.side), marks=marks)
    )
    state = pipeline.open_case(prepared)
    still, _ = phantom.render(replace(PULLED, recession_mm=1.0), 2)

    def measured(facts: HeaderFacts | None) -> StillResult:
        return pipeline.measure_still(with_facts(still, facts), state)[0]

    plain = measured(None)
    quiet = measured(replace(own, instance_key="b"))
    turned = measured(replace(own, instance_key="b", secondary_deg=12.0))

    assert plain.verdict == quiet.verdict == turned.verdict == "measured"
    assert plain.removal is not None
    assert turned.removal is not None
    assert plain.removal.recession_mm == turned.removal.recession_mm
    assert plain.notes == quiet.notes
    assert len(turned.notes) == len(plain.notes) + 1
    for facts, said in (
        (own, Reason.DUPLICATE),
        (replace(own, instance_key="b", patient_key="q"), Reason.OTHER_ANATOMY),
        (replace(own, instance_key="b", side=None, patient_key="q"), Reason.OTHER_ANATOMY),
    ):
        assert [one.reason for one in measured(facts).reasons] == [said]


def with_facts(still: Still, facts: HeaderFacts | None) -> Still:
    return replace(still, facts=facts)
