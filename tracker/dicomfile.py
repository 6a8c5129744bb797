"""DICOM bytes -> data set: the file's structure, its kind, and faults in plain words.

A data set is read from memory and with limits; a deflated one is inflated here, in pieces, so
that a small file can't grow past them.
"""

import struct
import warnings
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from pydicom import config
from pydicom.dataset import FileDataset
from pydicom.errors import BytesLengthException, InvalidDicomError
from pydicom.filebase import DicomBytesIO
from pydicom.filereader import dcmread
from pydicom.uid import UID

from tracker.errors import UnreadableImage
from tracker.settings import ImageLimits

# Odd values in old headers are common and no fault; what is used of them is checked here.
config.settings.reading_validation_mode = config.IGNORE
config.logger.setLevel(100)

_STORAGE: Final = "1.2.840.10008.5.1.4.1.1."
X_RAY_CLASSES: Final = {
    _STORAGE + "12.1": "XA",
    _STORAGE + "12.1.1": "XA",
    _STORAGE + "12.2": "RF",
    _STORAGE + "12.2.1": "RF",
    _STORAGE + "1": "CR",
    _STORAGE + "1.1": "DX",
    _STORAGE + "1.1.1": "DX",
    _STORAGE + "7": "SC",
    _STORAGE + "7.1": "SC",
    _STORAGE + "7.2": "SC",
    _STORAGE + "7.3": "SC",
    _STORAGE + "7.4": "SC",
}
"""Storage classes that can hold a C-arm picture, and what is said of them."""

_MODALITIES: Final = frozenset({"XA", "RF", "CR", "DX", "OT"})
_DEFLATED: Final = b"1.2.840.10008.1.2.1.99"
_EXPLICIT: Final = b"1.2.840.10008.1.2.1"
_LONG_VRS: Final = frozenset({b"OB", b"OW", b"UN", b"UT", b"SQ"})

_FAULTS: Final = (
    ArithmeticError, AssertionError, AttributeError, BytesLengthException, EOFError,
    InvalidDicomError, LookupError,
    MemoryError, NotImplementedError, OSError, RuntimeError, TypeError, ValueError,
    struct.error, zlib.error,
)  # fmt: skip
"""What the libraries raise on damaged files."""


@contextmanager
def in_plain_words() -> Iterator[None]:
    """Turn whatever a library says of a damaged file into one line of our own."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    except UnreadableImage:
        raise
    except _FAULTS:
        raise damaged() from None


def damaged() -> UnreadableImage:
    """Return the error for a file that is not whole."""
    return UnreadableImage("the DICOM file is cut short or damaged", hint="export it again")


def read_dataset(data: bytes, limits: ImageLimits) -> FileDataset:
    """Return the data set of a file that can be a C-arm picture.

    Parameters
    ----------
    data : bytes
    limits : ImageLimits

    Raises
    ------
    UnreadableImage
        It is of another kind.  Faults of the structure come out as the library raises them; see
        :func:`in_plain_words`.
    """
    dataset = dcmread(DicomBytesIO(_inflated(data, limits)), force=True)
    known = str(dataset.get("SOPClassUID", ""))
    modality = str(dataset.get("Modality", "")).strip()
    if known and known not in X_RAY_CLASSES:
        name = UID(known).name.removesuffix(" Storage")
        raise UnreadableImage(
            f"the DICOM file holds no C-arm picture but: {name if name != known else 'unknown'}",
            hint="give the C-arm's own picture",
        )
    if not known and modality not in _MODALITIES:
        raise UnreadableImage(
            "the DICOM file does not say that it is a C-arm picture",
            hint="give the C-arm's own picture",
        )
    if "PixelData" not in dataset:
        raise UnreadableImage("the DICOM file holds no pixels, or is cut short before them")
    return dataset


def _inflated(data: bytes, limits: ImageLimits) -> bytes:
    """Return a deflated file as an explicit little-endian one, and any other as it is."""
    start = 132 if data[128:132] == b"DICM" else 0
    syntax, value_at, body_at = _transfer_syntax(data, start)
    if syntax != _DEFLATED:
        return data
    unpacker = zlib.decompressobj(-zlib.MAX_WBITS)
    body = unpacker.decompress(data[body_at:], limits.max_bytes)
    if not unpacker.eof:
        raise UnreadableImage(
            f"the deflated DICOM file is cut short or unpacks to more than"
            f" {limits.max_bytes / 1e6:.0f} MB"
        )
    named = _EXPLICIT.ljust(len(_DEFLATED), b"\0")
    head = data[:value_at] + named + data[value_at + len(named) : body_at]
    return head + body


def _transfer_syntax(data: bytes, at: int) -> tuple[bytes, int, int]:
    """Return the transfer syntax, where it stands, and where the data set begins."""
    syntax, where = b"", 0
    while data[at : at + 2] == b"\x02\x00":
        element, kind = struct.unpack_from("<H2s", data, at + 2)
        long = kind in _LONG_VRS
        (length,) = struct.unpack_from("<I" if long else "<H", data, at + (8 if long else 6))
        at += 12 if long else 8
        if element == 0x0010:
            syntax, where = data[at : at + length].rstrip(b"\0 "), at
        at += length
    return syntax, where, at
