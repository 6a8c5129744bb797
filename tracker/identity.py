"""What is kept of a picture that comes in: a copy that names nobody, and the original's hash.

Everything here runs where a damaged file can do no harm (:mod:`tracker.decoding`), except finding
out where the picture is not exposed.
"""

import hashlib
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tracker import dicom, images, squaring, stripping
from tracker.blanking import blanked, needs_blanking
from tracker.errors import UnreadableImage
from tracker.exif import read_exif
from tracker.field import expose
from tracker.settings import ImageLimits, Settings
from tracker.values import ExposedField, HeaderFacts, Mask, Still, Who


@dataclass(frozen=True, slots=True)
class Kept:
    """What is kept of a picture.

    Attributes
    ----------
    data : bytes
        The file that goes into the record.
    original_sha256 : str
        Hash of the file as it came, where another one is kept; else empty.
    facts : HeaderFacts or None
        What the kept file's header knows.
    who : Who
        Whom the file named as it came.
    frame : int or None
        Where in the kept file the frame stands that was asked for.
    """

    data: bytes
    original_sha256: str = ""
    facts: HeaderFacts | None = None
    who: Who = field(default_factory=Who)
    frame: int | None = None


def blank_of(still: Still, settings: Settings) -> Mask | None:
    """Return where a picture is not exposed, so that whatever is written there can be blanked.

    Parameters
    ----------
    still : Still
    settings : Settings

    Returns
    -------
    ndarray of shape (M, N), bool, or None
        In the picture's own pixels; None where no field is found.
    """
    exposed = expose(still, settings)
    return unexposed(exposed) if isinstance(exposed, ExposedField) else None


def kept_form(
    data: bytes,
    key: bytes,
    limits: ImageLimits,
    *,
    blank: Mask | None = None,
    frame: int | None = None,
) -> Kept:
    """Return what is kept of a file.

    Parameters
    ----------
    data : bytes
        The file as it came, which :func:`tracker.images.decode` has read before.
    key : bytes
        Secret of the record.
    limits : ImageLimits
    blank : ndarray of shape (M, N), bool, optional
        Where the picture, as it was read, is not exposed.
    frame : int, optional
        Which frame of a run was asked for.

    Returns
    -------
    Kept
        The same for the same file, key and frame.

    Raises
    ------
    UnreadableImage
    """
    if dicom.is_dicom(data):
        return _of_dicom(data, key, limits, blank, frame)
    kept = _of_file(data, blank)
    same = kept == data
    return Kept(kept, "" if same else hashlib.sha256(data).hexdigest())


def unexposed(exposed: ExposedField) -> Mask:
    """Return where nothing was exposed: beyond the field's border, with a margin for its blur.

    Parameters
    ----------
    exposed : ExposedField

    Returns
    -------
    ndarray of shape (M, N), bool
    """
    height, width = exposed.valid.shape
    rows, columns = np.arange(height)[:, None], np.arange(width)[None, :]
    if exposed.shape == "disc":
        x, y = exposed.centre_px
        reach = 1.01 * exposed.radius_px + 2
        return np.asarray((columns - x) ** 2 + (rows - y) ** 2 > reach**2)
    margin = round(0.02 * min(height, width)) + 2
    used_rows, used_columns = (
        np.flatnonzero(exposed.valid.any(1)),
        np.flatnonzero(exposed.valid.any(0)),
    )
    down = (rows >= used_rows[0] - margin) & (rows <= used_rows[-1] + margin)
    across = (columns >= used_columns[0] - margin) & (columns <= used_columns[-1] + margin)
    return np.asarray(~(down & across))


# --- inside --------------------------------------------------------------------------------


def _of_dicom(
    data: bytes, key: bytes, limits: ImageLimits, blank: Mask | None, frame: int | None
) -> Kept:
    from tracker.dicomcopy import copy_of, who_of

    shape = dicom.shape_of(data, limits)
    recorded = None if blank is None else squaring.as_recorded(blank, shape)
    copy = copy_of(data, key, limits, frame=frame, blank=recorded)
    facts = dicom.facts_of(copy, limits)
    place = None
    if frame is not None:
        # Of a run that is too large the kept frames end with the one asked for.
        whole = dicom.facts_of(data, limits).frames == facts.frames
        place = frame if whole else facts.frames - 1
    digest = hashlib.sha256(data).hexdigest()
    return Kept(copy, digest, facts, who_of(data, key, limits), place)


def _of_file(data: bytes, blank: Mask | None) -> bytes:
    """Return a file with the same pixels, nothing beside them, and no text beyond the field."""
    exif = read_exif(data)
    pixels = images.raw_pixels(data)
    seen, full = _seen(pixels), float(np.iinfo(pixels.dtype).max)
    if blank is not None:
        recorded = squaring.as_recorded(blank, (pixels.shape[0], pixels.shape[1]))
        if needs_blanking(seen, recorded, full):
            painted = blanked(seen, recorded, full)
            return images.encode_raw_png(painted, camera=exif.camera)
    if seen is pixels:
        try:
            kept = stripping.stripped(data, exif)
            if np.array_equal(images.raw_pixels(kept), pixels):
                return kept
        except (stripping.NotStripped, UnreadableImage):
            pass
    return images.encode_raw_png(seen, camera=exif.camera)


def _seen(pixels: NDArray[Any]) -> NDArray[Any]:
    """Return pixels without what lies hidden where they are wholly transparent."""
    if pixels.ndim != 3 or pixels.shape[2] not in (2, 4):
        return pixels
    hidden = (pixels[:, :, -1] == 0) & pixels.any(axis=2)
    if not hidden.any():
        return pixels
    seen = pixels.copy()
    seen[hidden] = 0
    return seen
