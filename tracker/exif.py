"""What a camera writes beside a picture: how it is to be turned, and that a lens took it.

Read from the EXIF block of a JPEG, PNG or WebP file, or from a TIFF file's own directory.  A
broken block says nothing; the picture is judged without it.
"""

import struct
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

_ORIENTATION: Final = 0x0112
_CAMERA_BLOCK: Final = 0x8769
# Aperture, lens and film-equivalent focal length: no C-arm, scanner or frame grabber has them.
_LENS: Final = frozenset({0x829D, 0x920A, 0xA405, 0xA434})
_SHORT: Final = 3
_MOST_ENTRIES: Final = 1000


@dataclass(frozen=True, slots=True)
class Exif:
    """What the block says.

    Attributes
    ----------
    orientation : int
        1 … 8 as in the EXIF standard; 1 = as it lies.
    camera : bool
        A lens took the picture.
    tiff_value_at : int or None
        Where a TIFF file itself holds its orientation.
    """

    orientation: int = 1
    camera: bool = False
    tiff_value_at: int | None = None


def read_exif(data: bytes) -> Exif:
    """Return what a picture file's EXIF block says; nothing where there is none.

    Parameters
    ----------
    data : bytes
        The whole file.
    """
    if data[:4] in (b"II*\0", b"MM\0*"):
        return _block(data, in_tiff=True)
    if data[:2] == b"\xff\xd8":
        return _block(_of_jpeg(data))
    if data[:4] == b"\x89PNG":
        return _block(_chunk(data, 8, b"eXIf", ">", kind_first=False))
    if data[:4] == b"RIFF":
        return _block(_chunk(data, 12, b"EXIF", "<", kind_first=True))
    return Exif()


def lying_right(data: bytes, exif: Exif) -> bytes:
    """Return a TIFF file that says that it lies right, so that no library turns it as well."""
    at = exif.tiff_value_at
    if at is None:
        return data
    one = b"\x01\x00" if data[:2] == b"II" else b"\x00\x01"
    return data[:at] + one + data[at + 2 :]


def upright(pixels: NDArray[Any], orientation: int) -> NDArray[Any]:
    """Return a picture turned as its EXIF orientation says.

    Parameters
    ----------
    pixels : ndarray of shape (M, N) or (M, N, C)
    orientation : int
        1 … 8.

    Returns
    -------
    ndarray of shape (M, N, …) or (N, M, …)
    """
    if orientation in (5, 6, 7, 8):
        pixels = pixels.swapaxes(0, 1)
    if orientation in (2, 3, 6, 7):
        pixels = pixels[:, ::-1]
    if orientation in (3, 4, 7, 8):
        pixels = pixels[::-1]
    return np.ascontiguousarray(pixels)


def _of_jpeg(data: bytes) -> bytes:
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF and data[at + 1] not in (0xDA, 0xD9):
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        if data[at + 1] == 0xE1 and data[at + 4 : at + 10] == b"Exif\0\0":
            return data[at + 10 : at + 2 + length]
        at += 2 + max(length, 2)
    return b""


def _chunk(data: bytes, at: int, wanted: bytes, order: str, *, kind_first: bool) -> bytes:
    """Return the body of a PNG or RIFF chunk."""
    while at + 8 <= len(data):
        first, second = data[at : at + 4], data[at + 4 : at + 8]
        kind, size = (first, second) if kind_first else (second, first)
        (length,) = struct.unpack(f"{order}I", size)
        if kind == wanted:
            return data[at + 8 : at + 8 + length].removeprefix(b"Exif\0\0")
        # A PNG chunk ends with a checksum; a RIFF chunk is padded to an even length.
        at += 8 + length + (length & 1 if kind_first else 4)
    return b""


def _block(block: bytes, *, in_tiff: bool = False) -> Exif:
    order = {b"II": "<", b"MM": ">"}.get(block[:2])
    if order is None:
        return Exif()
    tags: dict[int, tuple[int, int]] = {}
    try:
        (start,) = struct.unpack_from(f"{order}I", block, 4)
        tags |= _directory(block, start, order)
        if _CAMERA_BLOCK in tags:
            (inner,) = struct.unpack_from(f"{order}I", block, tags[_CAMERA_BLOCK][1])
            tags = _directory(block, inner, order) | tags
        kind, at = tags.get(_ORIENTATION, (0, 0))
        (orientation,) = struct.unpack_from(f"{order}H", block, at) if kind == _SHORT else (1,)
    except struct.error:
        return Exif(camera=bool(_LENS & tags.keys()))
    sound = kind == _SHORT and 1 <= orientation <= 8
    return Exif(
        orientation=orientation if sound else 1,
        camera=bool(_LENS & tags.keys()),
        tiff_value_at=at if in_tiff and kind == _SHORT else None,
    )


def _directory(block: bytes, start: int, order: str) -> dict[int, tuple[int, int]]:
    """Return type and place of the value of each tag."""
    (count,) = struct.unpack_from(f"{order}H", block, start)
    tags = {}
    for index in range(min(count, _MOST_ENTRIES)):
        at = start + 2 + 12 * index
        tag, kind = struct.unpack_from(f"{order}HH", block, at)
        tags[tag] = (kind, at + 8)
    return tags
