"""Marks proposed on a picture without any: head, roof's corner, transverse axis.

A proposal is accepted only if three independent things agree: the search over the whole picture
finds a hip, the head's outline is seen on most of its articular arc, and an outer wall can be
followed down to a corner at a likely place.  Otherwise nothing is proposed.
"""

from typing import Final

import numpy as np

from tracker.contour import fit_head, unit_rays
from tracker.corner import RimCorner, find_corner, sees_roof
from tracker.search import GREATEST_SCORE, Candidate, find_heads
from tracker.values import (
    Circle,
    Floats,
    Marks,
    NotMeasurable,
    Point,
    Radiograph,
    Reason,
    Side,
)

LEAST_SCORE: Final = 3.2
"""Least score of the search; a hip in full view scores 3.5 to 4."""
OTHER_SIDE_MARGIN: Final = 0.25
"""A hip of the other side that scores this much more is the hip in the picture."""
HEAD_WINDOW: Final = 0.14
HEAD_STARTS: Final = (1.0, 0.94, 1.07)
HEAD_AGREEMENT: Final = 0.75
"""Least share of rays whose steepest step lies on the head's circle (on hips usually over 0.9)."""
LEAST_LCEA_DEG: Final = 5.0
LARGEST_LCEA_DEG: Final = 75.0
MARK_ANGLES_DEG: Final = (-135.0, -105.0, -40.0, -20.0, 0.0, 20.0, 45.0, 70.0)
U_MARKS: Final = 0.02
"""Standard uncertainty of a proposed mark, in head radii (0.5 mm)."""
U_ROWS_DEG: Final = 2.0
"""Standard uncertainty of the picture's rows as the pelvis's transverse axis."""


def propose(radiograph: Radiograph, side: Side) -> Marks | NotMeasurable:
    """Propose marks on a reference picture.

    Parameters
    ----------
    radiograph : Radiograph
        The first picture, head up, no traction, nothing over the rim.
    side : {"left", "right"}
        Patient's side.

    Returns
    -------
    Marks
        In the radiograph's pixels; the transverse axis is the picture's rows.
    NotMeasurable
        ``no-anatomy`` where no hip is found, ``wrong-side`` where a hip of the other side is,
        ``marks-unusable`` where a head is found but no roof beside it.
    """
    lateral = (1.0, 0.0) if side == "left" else (-1.0, 0.0)
    up = (0.0, -1.0)
    candidates = find_heads(radiograph, side)
    best = candidates[0].score
    if best < GREATEST_SCORE - OTHER_SIDE_MARGIN:  # else no other hip can score so much more
        other = find_heads(radiograph, "right" if side == "left" else "left", most=1)[0]
        clearer = other.score >= max(best + OTHER_SIDE_MARGIN, LEAST_SCORE)
        if clearer and _head_at(radiograph, other, up, (-lateral[0], 0.0)) is not None:
            return NotMeasurable(Reason.WRONG_SIDE)
    headless = True
    for candidate in candidates:
        if candidate.score < LEAST_SCORE or candidate.score < best - 0.5:
            break
        head = _head_at(radiograph, candidate, up, lateral)
        if head is None:
            continue
        headless = False
        corner = find_corner(radiograph, head, up, lateral)
        if corner is not None and LEAST_LCEA_DEG <= corner.angle_deg <= LARGEST_LCEA_DEG:
            return _marks(head, corner, up, lateral)
    if headless:
        return NotMeasurable(Reason.NO_ANATOMY)
    return NotMeasurable(
        Reason.MARKS_UNUSABLE, "A femoral head is found, but no roof's corner beside it."
    )


def _head_at(
    radiograph: Radiograph, candidate: Candidate, up: Point, lateral: Point
) -> Circle | None:
    """The head's circle near a candidate, twice: the second time from where the first led."""
    head: Circle | None = None
    centre, radius, window = candidate.centre_px, candidate.radius_px, HEAD_WINDOW
    for starts in (HEAD_STARTS, (1.0,)):
        head = fit_head(
            radiograph,
            centre,
            radius,
            up,
            lateral,
            u_px=0.1 * radius,
            window=window,
            agreement=HEAD_AGREEMENT,
            starts=starts,
        )
        if head is None:
            return None
        centre, radius, window = head.centre_px, head.radius_px, 0.1
    return head if head is not None and sees_roof(radiograph, head, up, lateral) else None


def _marks(head: Circle, corner: RimCorner, up: Point, lateral: Point) -> Marks:
    rays: Floats = unit_rays(np.array(MARK_ANGLES_DEG), up, lateral)
    half = 1.5 * head.radius_px
    x, y = head.centre_px
    return Marks(
        head_px=np.array(head.centre_px) + head.radius_px * rays,
        rim_edge_px=corner.edge_px,
        horizontal_px=np.array([[x - half, y], [x + half, y]]),
        source="proposed",
        u_px=U_MARKS * head.radius_px,
        u_horizontal_deg=U_ROWS_DEG,
    )
