"""The first picture judged as what everything later is compared with, in sentences.

What can be told from marks and outline: whether traction is on, whether something lies over the
rim, whether the picture is turned, whether the outline that is followed is that of the marked
edge.  What one hip can't tell (a pelvis tilted or turned as a whole) is not guessed at.
"""

import math
from typing import Final

import numpy as np

from tracker.values import Floats, Mask, Point

TRACTION_GAP_MM: Final = 9.0
"""From the head to the roof's edge along its radius: a joint's own space is 2 to 7 mm."""
TURN_DEG: Final = 10.0
HIDDEN_SHARE: Final = 0.05
AWAY_MM: Final = 2.0
"""An outline this far from the marked edge may be that of something else."""


def traction(
    centre_px: Point, head_radius_px: float, edge_px: Point, mm_per_px: float, *, agreed: bool
) -> str:
    """Say whether traction seems to be on; empty where it does not, or where it was agreed.

    >>> traction((0, 0), 100, (0, -120), 0.25, agreed=False)
    ''
    >>> traction((0, 0), 100, (0, -150), 0.25, agreed=False)[:49]
    "The roof's edge lies 12 mm off the head: traction"
    """
    gap_mm = (math.dist(centre_px, edge_px) - head_radius_px) * mm_per_px
    if agreed or gap_mm <= TRACTION_GAP_MM:
        return ""
    return (
        f"The roof's edge lies {gap_mm:.0f} mm off the head: traction may be on. Pulled by 10 mm "
        "the angle reads about 10° wrong. Bring a picture without traction, or open the case as "
        "one that begins under traction: millimetres only."
    )


def turn(up_px: Point) -> str:
    """Say how far the picture is turned in its plane; empty where that is little.

    >>> turn((0.0, -1.0)), turn((0.34, -0.94))[:33]
    ('', 'The picture is turned by about 20')
    """
    turned_deg = math.degrees(math.atan2(up_px[0], -up_px[1]))
    if abs(turned_deg) <= TURN_DEG:
        return ""
    return (
        f"The picture is turned by about {abs(turned_deg):.0f}° in its plane. That is measured; "
        "look that the level lies on matching points of the pelvis."
    )


def covered(hidden: Mask) -> str:
    """Say how much of the rim's outline is covered; empty where next to nothing is.

    >>> covered(np.array([False] * 9 + [True]))[:41]
    'Metal or a drawn line lies over 10 % of t'
    """
    share = float(hidden.mean()) if hidden.size else 0.0
    if share <= HIDDEN_SHARE:
        return ""
    return (
        f"Metal or a drawn line lies over {100 * share:.0f} % of the rim's outline. Nothing is "
        "compared there on any later picture: draw it back and bring another first picture."
    )


def away_from_mark(mark_px: Point, edge_px: Point, mm_per_px: float, what: str) -> str:
    """Say that the outline followed lies off the marked edge; empty where it does not.

    Parameters
    ----------
    mark_px, edge_px : tuple of float
        The edge as marked, and as found.
    mm_per_px : float
    what : str
        What lies beside the rim and was to be left out; empty where nothing was said of it.

    >>> away_from_mark((0, 0), (0, 4), 0.25, "")
    ''
    >>> away_from_mark((0, 0), (0, 12), 0.25, "ossicle")[:66]
    'The outline followed ends 3.0 mm off the marked edge and may be th'
    """
    off: Floats = np.subtract(mark_px, edge_px)
    off_mm = float(np.hypot(*off)) * mm_per_px
    if off_mm <= AWAY_MM:
        return ""
    said = f"The outline followed ends {off_mm:.1f} mm off the marked edge"
    if what:
        return (
            f"{said} and may be that of the {what}: look at its line. If it is, the numbers are "
            f"those of the {what}."
        )
    return f"{said}: look that its line lies on the roof's edge, else move the marks."
