"""What is kept of a picture that comes in: a copy that names nobody, and the original's hash."""

import hashlib
from dataclasses import dataclass

import numpy as np

from tracker import dicom, field
from tracker.settings import Settings
from tracker.values import ExposedField, Mask, Still


@dataclass(frozen=True, slots=True)
class Kept:
    """What is kept of a picture.

    Attributes
    ----------
    data : bytes
        The file that goes into the record.
    original_sha256 : str
        Hash of the file as it came, where another one is kept; else empty.
    """

    data: bytes
    original_sha256: str = ""


def kept_form(data: bytes, still: Still, key: bytes, settings: Settings) -> Kept:
    """Return what is kept: of a DICOM file its de-identified copy, of any other the file itself.

    Parameters
    ----------
    data : bytes
        The file as it came.
    still : Still
        What was read from it.
    key : bytes
        Secret of the record.
    settings : Settings

    Returns
    -------
    Kept
        The same for the same file and key.
    """
    if not dicom.is_dicom(data):
        return Kept(data)
    from tracker.dicomcopy import copy_of

    exposed = field.expose(still, settings)
    blank = unexposed(exposed) if isinstance(exposed, ExposedField) else None
    frame = still.facts.frame if still.facts else None
    copy = copy_of(data, key, settings.images, frame=frame, blank=blank)
    return Kept(copy, hashlib.sha256(data).hexdigest())


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
    rows, columns = np.mgrid[:height, :width]
    if exposed.shape == "disc":
        x, y = exposed.centre_px
        return np.asarray(np.hypot(columns - x, rows - y) > 1.01 * exposed.radius_px + 2)
    margin = round(0.02 * min(height, width)) + 2
    used_rows, used_columns = (
        np.flatnonzero(exposed.valid.any(1)),
        np.flatnonzero(exposed.valid.any(0)),
    )
    inside = (rows >= used_rows[0] - margin) & (rows <= used_rows[-1] + margin)
    inside &= (columns >= used_columns[0] - margin) & (columns <= used_columns[-1] + margin)
    return np.asarray(~inside)
