"""DICOM positioner angles -> tilt and oblique of the case-folder form: the one conversion.

DICOM (PS3.3, C.8.7.5.1.2) says where the receptor stands, seen from the isocentre: the primary
angle is 0 in front of the patient's chest and +90 at the patient's left; the secondary angle is
positive towards the head.  The tube stands opposite.  Our ``tilt`` is positive with the tube
towards the head, our ``oblique`` with the tube towards the mid-line, so both name the *tube*.
"""

from tracker.values import Side


def beam_of_positioner(primary_deg: float, secondary_deg: float, side: Side) -> tuple[float, float]:
    """Return where the tube stands, in the words of the case-folder form.

    Parameters
    ----------
    primary_deg : float
        Positioner primary angle, degrees; -90 … 90.
    secondary_deg : float
        Positioner secondary angle, degrees.
    side : {"left", "right"}
        The hip.

    Returns
    -------
    tilt_deg, oblique_deg : float
        As ``beam_deg`` in the replay result, but against the vertical instead of the reference:
        the difference of two pictures is what can be compared.

    Examples
    --------
    Receptor moved 4 degrees towards the head: the tube went towards the feet.

    >>> beam_of_positioner(0.0, 4.0, "left")
    (-4.0, 0.0)

    Receptor moved 4 degrees towards the patient's left: the tube went to the patient's right,
    which is towards the mid-line for a left hip.

    >>> beam_of_positioner(4.0, 0.0, "left")[1], beam_of_positioner(4.0, 0.0, "right")[1]
    (4.0, -4.0)
    """
    tilt = 0.0 - secondary_deg
    oblique = primary_deg if side == "left" else 0.0 - primary_deg
    return tilt, oblique


def turned(
    first: tuple[float, float], later: tuple[float, float], side: Side
) -> tuple[float, float]:
    """Return how a beam is turned against another, from two pictures' positioner angles.

    Parameters
    ----------
    first, later : tuple of float
        Primary and secondary angle, degrees.
    side : {"left", "right"}

    Returns
    -------
    tilt_deg, oblique_deg : float
        Signs as ``beam_deg``.
    """
    before, after = beam_of_positioner(*first, side), beam_of_positioner(*later, side)
    return after[0] - before[0], after[1] - before[1]
