"""Pictures and the lines over them, in the frame in which a page shows them.

Two frames are used: the first picture as it was recorded, and a magnified piece of it about the
rim.  Every measured picture is turned into the first one's frame, so that nothing jumps between
two pictures; one that could not be measured is shown as it was recorded.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tracker import overlay
from tracker.drawing import Label, RimLines, pass_lines, rim_lines
from tracker.images import encode_png
from tracker.values import Floats, Overlay, Point, ReferenceResult, Side, Still

Form = Literal["recorded", "registered", "rim"]

RIM_WIDTH_PX: Final = 1280
RIM_HEIGHT_PX: Final = 1024
_RIM_HEIGHT_MM: Final = 32.0
_RIM_SHIFT_MM: Final = 2.5
_INWARD_MM: Final = 3.0
_OUTWARD_MM: Final = 4.0
UNMOVED: Final = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
UNMOVED.setflags(write=False)


@dataclass(frozen=True, eq=False, slots=True)
class Frame:
    """A frame in which pictures are shown.

    Attributes
    ----------
    width, height : int
        Pixels of the frame.
    from_reference : ndarray of shape (2, 3)
        Maps pixels of the first picture to pixels of the frame.
    """

    width: int
    height: int
    from_reference: Floats


def rim_frame(reference: ReferenceResult) -> Frame:
    """Return the magnified piece of the first picture about the rim.

    Parameters
    ----------
    reference : ReferenceResult
        A usable one.

    Returns
    -------
    Frame
    """
    centre, edge = np.array(reference.centre_px), np.array(reference.rim_edge_px)
    mm_per_px = reference.mm_per_px or 1.0
    inward = (centre - edge) / max(float(np.hypot(*(centre - edge))), 1e-9)
    middle = edge + inward * _RIM_SHIFT_MM / mm_per_px
    scale = RIM_HEIGHT_PX / (_RIM_HEIGHT_MM / mm_per_px)
    shift = np.array([RIM_WIDTH_PX / 2, RIM_HEIGHT_PX / 2]) - scale * middle
    matrix = np.array([[scale, 0.0, shift[0]], [0.0, scale, shift[1]]])
    return Frame(RIM_WIDTH_PX, RIM_HEIGHT_PX, matrix)


def whole_frame(width: int, height: int) -> Frame:
    """Return the frame of the first picture as it was recorded, of that size."""
    return Frame(width, height, UNMOVED)


def recorded_png(still: Still) -> bytes:
    """Return a picture as it was recorded, as PNG."""
    return encode_png(overlay.as_recorded(still))


def placed_png(still: Still, to_reference: Floats, first: Still, frame: Frame) -> bytes:
    """Return a picture in a frame of the first one, its brightness matched, as PNG."""
    return encode_png(placed_grey(still, to_reference, first, frame))


def placed_grey(
    still: Still, to_reference: Floats, first: Still, frame: Frame
) -> NDArray[np.uint8]:
    """Return a picture in a frame of the first one, its brightness matched.

    Parameters
    ----------
    still : Still
    to_reference : ndarray of shape (2, 3)
        Maps the still's pixels to the first picture's.
    first : Still
    frame : Frame

    Returns
    -------
    ndarray of shape (M, N), uint8
    """
    size = (frame.width, frame.height)
    model, model_inside = overlay.placed(first, frame.from_reference, size)
    span = overlay.span_of(model, model_inside)
    if still.sha256 == first.sha256:
        return overlay.shown(model, model_inside, span)
    to_frame = _then(to_reference, frame.from_reference)
    picture, inside = overlay.placed(still, to_frame, size)
    picture = overlay.matched(picture, inside, model, model_inside)
    return overlay.shown(picture, inside, span)


def lines_in(
    frame: Frame,
    drawn: Overlay,
    to_reference: Floats | None,
    reference: ReferenceResult,
    side: Side,
    title: str,
    *,
    thinned: Sequence[Floats] = (),
    outward: str = "lateral",
) -> str:
    """Draw a picture's lines in a frame of the first picture.

    Parameters
    ----------
    frame : Frame
    drawn : Overlay
        In the picture's own pixels.
    to_reference : ndarray of shape (2, 3) or None
        Maps the picture's pixels to the first one's; None for the first picture itself.
    reference : ReferenceResult
    side : {"left", "right"}
    title : str
    thinned : sequence of ndarray of shape (N, 2)
        Closed lines around thinned bone, in the picture's own pixels.
    outward : str
        The word for the direction in which the edge lies in this view.

    Returns
    -------
    str
        An ``svg`` element of the frame's size.
    """
    lines = placed_lines(frame, drawn, to_reference, reference)
    to_frame = _then(UNMOVED if to_reference is None else to_reference, frame.from_reference)
    lines = replace(lines, thinned=tuple(_mapped(line, to_frame) for line in thinned))
    # On a whole picture the rim is small: words beside it would cover it.
    is_whole = frame.from_reference is UNMOVED
    labels = directions(frame, reference, side, outward)
    return rim_lines(frame.width, frame.height, lines, labels, title, named=not is_whole)


def placed_lines(
    frame: Frame, drawn: Overlay, to_reference: Floats | None, reference: ReferenceResult
) -> RimLines:
    """Return a picture's lines in a frame of the first picture; see :func:`lines_in`."""
    is_first = to_reference is None
    to_frame = _then(UNMOVED if to_reference is None else to_reference, frame.from_reference)
    start = drawn.outline_px if is_first else drawn.reference_outline_px
    return RimLines(
        now=None if is_first else _mapped(drawn.outline_px, to_frame),
        hidden=None if is_first else drawn.hidden,
        start=_mapped(start, to_frame),
        plan=_across(drawn.plan_px, reference, frame, to_frame),
        limit=_across(drawn.limit_px, reference, frame, to_frame),
    )


def passes_in(
    frame: Frame, drawn: Sequence[tuple[Overlay, Floats]], reference: ReferenceResult, title: str
) -> str:
    """Draw the outlines of all passes in a frame of the first picture.

    Parameters
    ----------
    frame : Frame
    drawn : sequence of (Overlay, ndarray of shape (2, 3))
        Of each measured picture, the oldest first: its lines, and the map to the first picture.
    reference : ReferenceResult
    title : str

    Returns
    -------
    str
        An ``svg`` element of the frame's size.
    """
    outlines = [
        _mapped(lines.outline_px, _then(to_reference, frame.from_reference))
        for lines, to_reference in drawn
    ]
    first = reference.overlay
    lines = RimLines(
        start=_mapped(first.outline_px, frame.from_reference) if first else None,
        plan=_across(first.plan_px, reference, frame, frame.from_reference) if first else None,
        limit=_across(first.limit_px, reference, frame, frame.from_reference) if first else None,
    )
    return pass_lines(frame.width, frame.height, outlines, lines, title)


def directions(
    frame: Frame, reference: ReferenceResult, side: Side, outward: str = "lateral"
) -> tuple[Label, ...]:
    """Return the words "lateral" and "head" at the edges of a frame towards which they lie."""
    if reference.up_px is None:
        return ()
    up = reference.up_px
    lateral = (-up[1], up[0]) if side == "left" else (up[1], -up[0])
    found = []
    for (x, y), word in ((lateral, outward), (up, "head")):
        # The place where a ray from the middle leaves the frame, a little inside it.
        reach = min(
            (frame.width / 2 - 76) / max(abs(x), 1e-9), (frame.height / 2 - 30) / max(abs(y), 1e-9)
        )
        # Lateral of the pelvis lies soft tissue: the word "head" stands clear of the rim there.
        aside = 0.27 * frame.width if word == "head" else 0.0
        at = (
            frame.width / 2 + x * reach + lateral[0] * aside,
            frame.height / 2 + y * reach + lateral[1] * aside,
        )
        found.append(Label(at, word))
    return tuple(found)


def _across(
    point: Point | None, reference: ReferenceResult, frame: Frame, to_frame: Floats
) -> tuple[Point, Point] | None:
    """Return the short line across the rim through a point."""
    if point is None or reference.centre_px is None or reference.mm_per_px is None:
        return None
    at = _mapped(np.array([point]), to_frame)[0]
    centre = _mapped(np.array([reference.centre_px]), frame.from_reference)[0]
    outward = (at - centre) / max(float(np.hypot(*(at - centre))), 1e-9)
    per_mm = _scale(frame.from_reference) / reference.mm_per_px
    inner, outer = at - outward * _INWARD_MM * per_mm, at + outward * _OUTWARD_MM * per_mm
    return (float(inner[0]), float(inner[1])), (float(outer[0]), float(outer[1]))


def _then(first: Floats, second: Floats) -> Floats:
    """Join two maps (2, 3): the first, then the second."""
    turned: Floats = second[:, :2] @ first[:, :2]
    shifted = second[:, :2] @ first[:, 2] + second[:, 2]
    return np.column_stack([turned, shifted])


def _mapped(points: Floats, matrix: Floats) -> Floats:
    moved: Floats = points @ matrix[:, :2].T + matrix[:, 2]
    return moved


def _scale(matrix: Floats) -> float:
    return math.sqrt(abs(float(np.linalg.det(matrix[:, :2]))))
