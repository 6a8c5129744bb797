"""Picture headers, read before anything is decoded: format, size, and whether the file is whole.

A decoder given a truncated file fills the missing rows with grey and says nothing; here the
file's own structure is walked first, so that a picture is either whole or refused.  Every
function takes the file's bytes and allocates nothing of the picture's size, except
:func:`read_png`, which unpacks the compressed rows in pieces to count them.
"""

import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from tracker.errors import UnreadableImage

_HINT: Final = "save it again as PNG, JPEG, TIFF, BMP or WebP"


@dataclass(frozen=True, slots=True)
class Header:
    """What a picture file says about itself.

    Attributes
    ----------
    format : str
        "PNG", "JPEG", "TIFF", "BMP" or "WebP".
    width, height : int
        Pixels.
    """

    format: str
    width: int
    height: int


def read_header(data: bytes) -> Header:
    """Return format and size of a picture file.

    Parameters
    ----------
    data : bytes
        The whole file.

    Raises
    ------
    UnreadableImage
        The bytes are no picture in one of the five formats.
    """
    for magic, reader in _SIZES:
        if data.startswith(magic):
            return reader(data)
    if not data:
        raise UnreadableImage("the file is empty", hint=_HINT)
    raise UnreadableImage("the file is not a PNG, JPEG, TIFF, BMP or WebP picture", hint=_HINT)


def check_whole(data: bytes, header: Header) -> None:
    """Refuse a file whose end is missing.

    Parameters
    ----------
    data : bytes
        The whole file.
    header : Header
        What :func:`read_header` returned for it.

    Raises
    ------
    UnreadableImage
        The file is truncated or its structure is broken.
    """
    _CHECKS[header.format](data, header)


def _damaged(what: str) -> UnreadableImage:
    return UnreadableImage(f"the {what} file is cut short or damaged", hint="copy it again")


def _unpack(fmt: str, data: bytes, offset: int, what: str) -> tuple[Any, ...]:
    try:
        return struct.unpack_from(fmt, data, offset)
    except struct.error:
        raise _damaged(what) from None


# --- PNG ---------------------------------------------------------------------------------

_PNG_CHANNELS: Final = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}
_ADAM7: Final = (
    (0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4),
    (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2),
)  # fmt: skip


def _png_size(data: bytes) -> Header:
    length, kind, width, height = _unpack(">I4sII", data, 8, "PNG")
    if length != 13 or kind != b"IHDR":
        raise _damaged("PNG")
    return Header("PNG", width, height)


def _png_rows(width: int, height: int, bits_per_pixel: int, interlaced: bool) -> int:
    """Return the number of bytes of all filtered rows."""
    passes = _ADAM7 if interlaced else ((0, 0, 1, 1),)
    total = 0
    for x0, y0, dx, dy in passes:
        columns, rows = -(-(width - x0) // dx), -(-(height - y0) // dy)
        if columns > 0 and rows > 0:
            total += rows * (1 + -(-columns * bits_per_pixel // 8))
    return total


def _check_png(data: bytes, header: Header) -> None:
    depth, colour, _, _, interlace = _unpack(">BBBBB", data, 24, "PNG")
    if colour not in _PNG_CHANNELS or depth not in (1, 2, 4, 8, 16):
        raise _damaged("PNG")
    wanted = _png_rows(
        header.width, header.height, depth * _PNG_CHANNELS[colour], interlaced=interlace == 1
    )
    unpacker, rows, offset = zlib.decompressobj(), 0, 8
    while True:
        length, kind = _unpack(">I4s", data, offset, "PNG")
        body = data[offset + 8 : offset + 8 + length]
        (crc,) = _unpack(">I", data, offset + 8 + length, "PNG")
        if zlib.crc32(body, zlib.crc32(kind)) != crc:
            raise _damaged("PNG")
        if kind == b"IEND":
            break
        if kind == b"IDAT":
            rows += _unpacked_length(unpacker, body, wanted - rows)
        offset += 12 + length
    if rows != wanted or not unpacker.eof:
        raise _damaged("PNG")


def _unpacked_length(unpacker: "zlib._Decompress", body: bytes, limit: int) -> int:
    """Return how many bytes ``body`` unpacks to; more than ``limit`` is damage."""
    count, pending = 0, body
    while pending and not unpacker.eof:
        try:
            piece = unpacker.decompress(pending, 1 << 20)
        except zlib.error:
            raise _damaged("PNG") from None
        count += len(piece)
        if count > limit:
            raise _damaged("PNG")
        pending = unpacker.unconsumed_tail
    return count


# --- JPEG --------------------------------------------------------------------------------

_SOF: Final = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_SOS: Final = 0xDA
_EOI: Final = 0xD9


def _jpeg_segments(data: bytes) -> list[tuple[int, int]]:
    """Return (marker, offset of its body) for every segment up to the end marker."""
    segments: list[tuple[int, int]] = []
    offset = 2
    while True:
        offset = data.find(b"\xff", offset)
        if offset < 0 or offset + 1 >= len(data):
            raise _damaged("JPEG")
        marker = data[offset + 1]
        if marker == 0xFF:
            offset += 1
            continue
        offset += 2
        # Stuffed zeros and restart markers stand inside the compressed rows.
        if marker in (0x00, 0x01) or 0xD0 <= marker <= 0xD8:
            continue
        segments.append((marker, offset))
        if marker == _EOI:
            return segments
        (length,) = _unpack(">H", data, offset, "JPEG")
        if length < 2 or offset + length > len(data):
            raise _damaged("JPEG")
        offset += length


def _jpeg_size(data: bytes) -> Header:
    # Only the segments before the first scan are needed; a truncated file still has a size.
    offset = 2
    while offset + 4 <= len(data) and data[offset] == 0xFF:
        marker = data[offset + 1]
        if marker == 0xFF:
            offset += 1
            continue
        if marker in _SOF:
            height, width = _unpack(">HH", data, offset + 5, "JPEG")
            return Header("JPEG", width, height)
        (length,) = _unpack(">H", data, offset + 2, "JPEG")
        offset += 2 + length
    raise _damaged("JPEG")


def _check_jpeg(data: bytes, _header: Header) -> None:
    if not any(marker == _SOS for marker, _ in _jpeg_segments(data)):
        raise _damaged("JPEG")


# --- TIFF --------------------------------------------------------------------------------

_TIFF_TYPES: Final = {1: "B", 3: "H", 4: "I"}


def _tiff_tags(data: bytes) -> dict[int, tuple[int, ...]]:
    """Return the whole-number tags of the first directory; tag 0 holds the next one's offset."""
    end = "<" if data[:2] == b"II" else ">"
    (start,) = _unpack(end + "I", data, 4, "TIFF")
    (count,) = _unpack(end + "H", data, start, "TIFF")
    tags: dict[int, tuple[int, ...]] = {}
    for index in range(count):
        at = start + 2 + 12 * index
        tag, kind, number = _unpack(end + "HHI", data, at, "TIFF")
        if kind not in _TIFF_TYPES:
            continue
        if number > len(data):
            raise _damaged("TIFF")
        fmt = f"{end}{number}{_TIFF_TYPES[kind]}"
        where = at + 8
        if struct.calcsize(fmt) > 4:
            (where,) = _unpack(end + "I", data, at + 8, "TIFF")
        tags[tag] = _unpack(fmt, data, where, "TIFF")
    tags[0] = _unpack(end + "I", data, start + 2 + 12 * count, "TIFF")
    return tags


def _tiff_size(data: bytes) -> Header:
    tags = _tiff_tags(data)
    if not tags.get(256) or not tags.get(257):
        raise _damaged("TIFF")
    return Header("TIFF", tags[256][0], tags[257][0])


def _check_tiff(data: bytes, header: Header) -> None:
    tags = _tiff_tags(data)
    if tags[0] != (0,):
        raise UnreadableImage(
            "the TIFF file holds more than one picture", hint="save each picture as its own file"
        )
    if any(kind != 1 for kind in tags.get(339, (1,))):
        raise UnreadableImage("the TIFF file holds no unsigned whole numbers", hint=_HINT)
    offsets, lengths = (
        (tags.get(273, ()), tags.get(279, ()))
        if 273 in tags
        else (tags.get(324, ()), tags.get(325, ()))
    )
    if not offsets or len(offsets) != len(lengths):
        raise _damaged("TIFF")
    if any(at + length > len(data) for at, length in zip(offsets, lengths, strict=True)):
        raise _damaged("TIFF")
    if tags.get(259, (1,)) == (1,):
        depths = tags.get(258, (1,))
        if len(depths) == 1:
            depths *= tags.get(277, (1,))[0]
        bits = sum(depths)
        if sum(lengths) < header.height * -(-header.width * bits // 8):
            raise _damaged("TIFF")


# --- BMP and WebP ------------------------------------------------------------------------


def _bmp_size(data: bytes) -> Header:
    (header_size,) = _unpack("<I", data, 14, "BMP")
    if header_size == 12:
        width, height = _unpack("<HH", data, 18, "BMP")
    else:
        width, height = _unpack("<ii", data, 18, "BMP")
    return Header("BMP", width, abs(height))


def _check_bmp(data: bytes, header: Header) -> None:
    (start, header_size) = _unpack("<II", data, 10, "BMP")
    if header_size == 12:
        (bits,) = _unpack("<H", data, 24, "BMP")
        packing = 0
    else:
        (bits, packing) = _unpack("<HI", data, 28, "BMP")
    if packing not in (0, 3):
        raise UnreadableImage("compressed BMP files are not read", hint=_HINT)
    row = -(-header.width * bits // 32) * 4
    if start + row * header.height > len(data):
        raise _damaged("BMP")


def _webp_size(data: bytes) -> Header:
    if data[8:12] != b"WEBP":
        raise UnreadableImage("the file is not a PNG, JPEG, TIFF, BMP or WebP picture", hint=_HINT)
    kind = data[12:16]
    if kind == b"VP8X":
        (flags, _, _, _, w0, w1, w2, h0, h1, h2) = _unpack("10B", data, 20, "WebP")
        if flags & 2:
            raise UnreadableImage("animated WebP files are not read", hint=_HINT)
        return Header("WebP", (w0 | w1 << 8 | w2 << 16) + 1, (h0 | h1 << 8 | h2 << 16) + 1)
    if kind == b"VP8L":
        (bits,) = _unpack("<I", data, 21, "WebP")
        return Header("WebP", (bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1)
    if kind == b"VP8 ":
        width, height = _unpack("<HH", data, 26, "WebP")
        return Header("WebP", width & 0x3FFF, height & 0x3FFF)
    raise _damaged("WebP")


def _check_webp(data: bytes, _header: Header) -> None:
    (length,) = _unpack("<I", data, 4, "WebP")
    if length + 8 > len(data):
        raise _damaged("WebP")


_SIZES: Final[tuple[tuple[bytes, Callable[[bytes], Header]], ...]] = (
    (b"\x89PNG\r\n\x1a\n", _png_size),
    (b"\xff\xd8\xff", _jpeg_size),
    (b"II*\x00", _tiff_size),
    (b"MM\x00*", _tiff_size),
    (b"BM", _bmp_size),
    (b"RIFF", _webp_size),
)
_CHECKS: Final[dict[str, Callable[[bytes, Header], None]]] = {
    "PNG": _check_png,
    "JPEG": _check_jpeg,
    "TIFF": _check_tiff,
    "BMP": _check_bmp,
    "WebP": _check_webp,
}
