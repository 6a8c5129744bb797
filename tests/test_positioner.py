"""The one conversion of positioner angles, against directions drawn from DICOM's own words."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.positioner import beam_of_positioner, turned
from tracker.values import Side

SMALL = st.floats(-25, 25)


def receptor(primary_deg: float, secondary_deg: float) -> np.ndarray:
    """Direction from the isocentre to the receptor, axes (patient's left, front, head).

    Written from DICOM PS3.3 C.8.7.5.1.2: primary in the transverse plane, 0 at the chest, +90 at
    the patient's left; secondary out of that plane, +90 at the head.
    """
    first, second = np.radians([primary_deg, secondary_deg])
    return np.array(
        [np.cos(second) * np.sin(first), np.cos(second) * np.cos(first), np.sin(second)]
    )


@given(primary=SMALL, secondary=SMALL, side=st.sampled_from(["left", "right"]))
def test_the_tube_stands_where_the_angles_say(primary: float, secondary: float, side: Side) -> None:
    tube = -receptor(primary, secondary)
    towards_middle = np.array([-1.0 if side == "left" else 1.0, 0.0, 0.0])

    tilt, oblique = beam_of_positioner(primary, secondary, side)

    assert np.degrees(np.arcsin(tube[2])) == pytest.approx(tilt, abs=1e-9)
    across = np.degrees(np.arctan2(tube @ towards_middle, -tube[1]))
    assert across == pytest.approx(oblique, abs=1e-9)


@given(first=st.tuples(SMALL, SMALL), later=st.tuples(SMALL, SMALL))
def test_turns_are_differences_and_mirror_with_the_side(
    first: tuple[float, float], later: tuple[float, float]
) -> None:
    left, right = turned(first, later, "left"), turned(first, later, "right")

    assert left[0] == right[0] == pytest.approx(first[1] - later[1])
    assert left[1] == -right[1] == pytest.approx(later[0] - first[0])
    assert turned(first, first, "left") == (0.0, 0.0)
