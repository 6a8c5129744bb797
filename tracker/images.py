"""Bytes to :class:`~tracker.values.Still`, arrays to PNG: the only decoder.

A file is looked at in three steps: its size (limits before anything is decoded), its structure
(a truncated file is refused, never half-decoded), its pixels (grey, or a colour save of grey).
"""

import hashlib
from typing import Any, Final

import cv2
import numpy as np
from numpy.typing import NDArray

from tracker import dicom, stripping
from tracker.errors import InternalError, UnreadableImage
from tracker.exif import Exif, lying_right, read_exif, upright
from tracker.headers import Header, check_whole, read_header
from tracker.settings import ImageLimits
from tracker.squaring import squared
from tracker.values import HeaderFacts, Picture, Still

_DEPTHS: Final = (10, 12, 14, 16)
_DEFAULT_LIMITS: Final = ImageLimits()

# Damaged files are told in this package's own words; the library's log would only repeat it.
cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)


def decode(
    data: bytes,
    name: str,
    limits: ImageLimits = _DEFAULT_LIMITS,
    *,
    frame: int | None = None,
) -> Still:
    """Return the picture in a file's bytes.

    Parameters
    ----------
    data : bytes
        The whole file: DICOM, PNG, JPEG, TIFF, BMP or WebP; 8 to 16 bits; grey, a colour save
        of grey, or either with transparency (what is transparent becomes black).
    name : str
        File name, for messages and results.
    limits : ImageLimits
    frame : int, optional
        Which frame of a DICOM run, counted from 0; the last one if not said.

    Returns
    -------
    Still
        Grey values scaled to 0 … 1, as recorded: not inverted, turned only where the file's
        own EXIF orientation says so, as every viewer turns it, and with square pixels where it
        is plain that they are not (:mod:`tracker.squaring`).

    Raises
    ------
    UnreadableImage
        The bytes are no picture, are cut short, past a limit, or are a colour picture.
    """
    try:
        if len(data) > limits.max_bytes:
            raise UnreadableImage(
                f"the file has more than {limits.max_bytes / 1e6:.0f} MB",
                hint="save a smaller picture",
            )
        facts, camera = None, False
        if dicom.is_dicom(data):
            grey, levels, facts = _from_dicom(data, limits, frame)
        else:
            grey, levels, camera = _from_file(data, limits)
    except UnreadableImage as error:
        raise UnreadableImage(f"{name}: {error.message}", hint=error.hint) from None
    digest = hashlib.sha256(data).hexdigest()
    return squared(Still(name, grey, digest, levels, facts, camera))


def raw_pixels(data: bytes) -> NDArray[Any]:
    """Return what a PNG, JPEG, TIFF, BMP or WebP file holds, turned as its EXIF says.

    Parameters
    ----------
    data : bytes
        The whole file, which :func:`decode` has read before.

    Returns
    -------
    ndarray of shape (M, N) or (M, N, C), uint8 or uint16
        Channels in the order blue, green, red, opacity.

    Raises
    ------
    UnreadableImage
    """
    exif = read_exif(data)
    return upright(_pixels(lying_right(data, exif), read_header(data)), exif.orientation)


def encode_png(array: NDArray[Any]) -> bytes:
    """Return a picture as the bytes of a PNG file.

    Parameters
    ----------
    array : ndarray of shape (M, N) or (M, N, 3), uint8 or uint16
        Grey, or colour in the order red, green, blue.

    Returns
    -------
    bytes
    """
    if array.dtype not in (np.uint8, np.uint16):
        raise InternalError(f"PNG holds 8 or 16 bits, not {array.dtype}")
    colour = array.ndim == 3
    written, buffer = cv2.imencode(".png", array[:, :, ::-1] if colour else array)
    if not written:
        raise InternalError(f"no PNG could be made of an array of shape {array.shape}")
    return buffer.tobytes()


def encode_raw_png(pixels: NDArray[Any], *, camera: bool = False) -> bytes:
    """Return pixels as :func:`raw_pixels` gives them as the bytes of a PNG file.

    Parameters
    ----------
    pixels : ndarray of shape (M, N) or (M, N, C), uint8 or uint16
    camera : bool
        The file goes on saying that a lens took the picture.

    Returns
    -------
    bytes
    """
    written, buffer = cv2.imencode(".png", pixels)
    if not written:
        raise InternalError(f"no PNG could be made of an array of shape {pixels.shape}")
    data = buffer.tobytes()
    return stripping.stripped(data, Exif(camera=camera)) if camera else data


def _admit(data: bytes, limits: ImageLimits) -> Header:
    """Refuse what is too big, too small or cut short, from the file's structure alone."""
    header = read_header(data)
    size = f"{header.width} x {header.height} pixels"
    if min(header.width, header.height) < limits.min_side_px:
        raise UnreadableImage(
            f"the picture has {size}; at least {limits.min_side_px} a side are needed",
            hint="save it in full size",
        )
    too_many = header.width * header.height > limits.max_pixels
    if max(header.width, header.height) > limits.max_side_px or too_many:
        raise UnreadableImage(
            f"the picture has {size}; at most {limits.max_side_px} a side"
            f" and {limits.max_pixels / 1e6:.0f} million in all are read",
            hint="save a smaller picture",
        )
    check_whole(data, header)
    return header


def _from_dicom(
    data: bytes, limits: ImageLimits, frame: int | None
) -> tuple[Picture, int, HeaderFacts]:
    picture = dicom.read(data, limits, frame)
    if picture.grey is not None:
        return picture.grey, picture.levels, picture.facts
    grey, levels = _grey(np.asarray(picture.colour), limits)
    return grey, levels, picture.facts


def _from_file(data: bytes, limits: ImageLimits) -> tuple[Picture, int, bool]:
    header = _admit(data, limits)
    exif = read_exif(data)
    pixels = _pixels(lying_right(data, exif), header)
    grey, levels = _grey(upright(pixels, exif.orientation), limits)
    return grey, levels, exif.camera


def _pixels(data: bytes, header: Header) -> NDArray[Any]:
    try:
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    except cv2.error:
        pixels = None
    if pixels is None or pixels.dtype not in (np.uint8, np.uint16):
        raise UnreadableImage(
            f"the {header.format} file is damaged or of a kind that is not read",
            hint="save it again as a grey PNG",
        )
    if pixels.shape[:2] != (header.height, header.width):
        raise UnreadableImage(f"the {header.format} file's size is not what its header says")
    return pixels


def _grey(pixels: NDArray[Any], limits: ImageLimits) -> tuple[Picture, int]:
    """Return grey values 0 … 1 as float32, and the number of grey levels."""
    full = float(np.iinfo(pixels.dtype).max)
    alpha: NDArray[Any] | None = None
    if pixels.ndim == 3 and pixels.shape[2] in (2, 4):
        alpha, pixels = pixels[:, :, -1], pixels[:, :, :-1]
    if pixels.ndim == 2 or pixels.shape[2] == 1:
        grey = pixels.reshape(pixels.shape[:2]).astype(np.float32)
    else:
        spread = pixels.max(axis=2) - pixels.min(axis=2)
        if np.mean(spread > limits.coloured_from * full) > limits.max_coloured_share:
            raise UnreadableImage(
                "the picture is in colour, so it is no X-ray", hint="give the C-arm's own picture"
            )
        grey = pixels.mean(axis=2, dtype=np.float32)
    if alpha is not None:
        grey *= alpha.astype(np.float32) / full
    # Detectors of 10, 12 or 14 bits are commonly stored in 16: the scale is the one in use.
    top = full if full == 255 else 2.0 ** next(d for d in _DEPTHS if grey.max() < 2**d) - 1
    return grey / np.float32(top), int(top) + 1
