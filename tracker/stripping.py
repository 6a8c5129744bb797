"""Picture files without what is written beside their pixels: bytes in, bytes out, nothing decoded.

What is carried over is a short list of the parts that a decoder needs; comments, EXIF, GPS, XMP,
profiles, thumbnails, dates, further pictures and whatever follows the end stay behind.  The packed
pixels are copied as they are.  Of EXIF two things are said anew: how the picture is to be turned,
and that a lens took it.
"""

import struct
import zlib
from collections.abc import Callable
from typing import Final

from tracker.exif import Exif

_ORIENTATION: Final = 0x0112
_FOCAL_LENGTH_35: Final = 0xA405
"""0 means that it is not known: all that is told is that there was a lens."""


class NotStripped(Exception):
    """The file is built in a way in which its pixels can't be taken out unchanged."""


def stripped(data: bytes, exif: Exif) -> bytes:
    """Return a picture file with its pixels and nothing beside them.

    Parameters
    ----------
    data : bytes
        A whole PNG, JPEG, TIFF, BMP or WebP file.
    exif : Exif
        What its EXIF block says.

    Returns
    -------
    bytes
        A file of the same kind.

    Raises
    ------
    NotStripped
    """
    for magic, strip in _KINDS:
        if data.startswith(magic):
            try:
                return strip(data, exif)
            except (struct.error, IndexError, KeyError, StopIteration, ValueError):
                raise NotStripped from None
    raise NotStripped


def exif_block(exif: Exif) -> bytes:
    """Return an EXIF block that says how the picture turns and whether a lens took it; or nothing.

    >>> exif_block(Exif())
    b''
    """
    entries = b""
    if exif.orientation != 1:
        entries += struct.pack("<HHIHH", _ORIENTATION, 3, 1, exif.orientation, 0)
    if exif.camera:
        entries += struct.pack("<HHIHH", _FOCAL_LENGTH_35, 3, 1, 0, 0)
    if not entries:
        return b""
    return b"II*\0" + struct.pack("<IH", 8, len(entries) // 12) + entries + bytes(4)


# --- PNG -----------------------------------------------------------------------------------

_PNG_KEPT: Final = frozenset({b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND"})


def png_chunk(kind: bytes, body: bytes) -> bytes:
    """Return a chunk of a PNG file."""
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def _png(data: bytes, exif: Exif) -> bytes:
    found, at, kind = bytearray(data[:8]), 8, b""
    while kind != b"IEND":
        length, kind = struct.unpack_from(">I4s", data, at)
        if kind in _PNG_KEPT:
            found += data[at : at + 12 + length]
        block = exif_block(exif)
        if kind == b"IHDR" and block:
            found += png_chunk(b"eXIf", block)
        at += 12 + length
    return bytes(found)


# --- JPEG ----------------------------------------------------------------------------------

_JFIF: Final = b"\xff\xe0\x00\x10JFIF\x00\x01\x01\x00\x00\x01\x00\x01\x00\x00"
_JPEG_TABLES: Final = frozenset({0xC4, 0xCC, 0xDB, 0xDD})
_JPEG_FRAMES: Final = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}


def _jpeg(data: bytes, exif: Exif) -> bytes:
    found, at = bytearray(b"\xff\xd8"), 2
    if data[at : at + 2] == b"\xff\xe0" and data[at + 4 : at + 9] == b"JFIF\0":
        found += _JFIF
    block = exif_block(exif)
    if block:
        body = b"Exif\0\0" + block
        found += b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body
    while True:
        if data[at] != 0xFF:
            raise NotStripped
        marker = data[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        if marker == 0xD9:
            return bytes(found) + b"\xff\xd9"
        (length,) = struct.unpack_from(">H", data, at + 2)
        end = at + 2 + length
        is_adobe = marker == 0xEE and data[at + 4 : at + 9] == b"Adobe"
        if is_adobe:
            # The colours' transformation stands in its twelfth byte; more was never defined.
            found += b"\xff\xee\x00\x0e" + data[at + 4 : at + 16]
        elif marker in _JPEG_TABLES or marker in _JPEG_FRAMES:
            found += data[at:end]
        elif marker == 0xDA:
            end = _scan_end(data, end)
            found += data[at:end]
        at = end


def _scan_end(data: bytes, at: int) -> int:
    """Return where a scan's packed rows end: at a marker that is no restart and no stuffing."""
    while True:
        at = data.index(b"\xff", at)
        if data[at + 1] != 0 and not 0xD0 <= data[at + 1] <= 0xD7:
            return at
        at += 2


# --- TIFF ----------------------------------------------------------------------------------

_TIFF_SIZES: Final = {1: 1, 3: 2, 4: 4, 5: 8}
_TIFF_KEPT: Final = frozenset(
    {256, 257, 258, 259, 262, 266, 277, 278, 284, 290, 291, 317, 320, 322, 323, 338, 339}
)
"""Size, depth, packing, order, predictor, palette, tiles, meaning of extra samples."""
_TIFF_PACKED_IN_JPEG: Final = frozenset({6, 7, 34892, 34925, 50001, 50002})
"""Kinds of packing that are files of their own, with room for comments."""
_STRIPS: Final = ((273, 279), (324, 325))


def _tiff(data: bytes, exif: Exif) -> bytes:
    order = "<" if data[:2] == b"II" else ">"
    (start,) = struct.unpack_from(f"{order}I", data, 4)
    (count,) = struct.unpack_from(f"{order}H", data, start)
    values: dict[int, tuple[int, int, bytes]] = {}
    for at in range(start + 2, start + 2 + 12 * count, 12):
        tag, kind, number = struct.unpack_from(f"{order}HHI", data, at)
        size = _TIFF_SIZES.get(kind, 0) * number
        if size:
            where = at + 8
            if size > 4:
                (where,) = struct.unpack_from(f"{order}I", data, at + 8)
            values[tag] = (kind, number, data[where : where + size])
    if 259 in values and _numbers(values[259], order)[0] in _TIFF_PACKED_IN_JPEG:
        raise NotStripped
    offsets_tag, lengths_tag = next(pair for pair in _STRIPS if pair[0] in values)
    strips = [
        data[at : at + length]
        for at, length in zip(
            _numbers(values[offsets_tag], order), _numbers(values[lengths_tag], order), strict=True
        )
    ]
    kept = {tag: value for tag, value in values.items() if tag in _TIFF_KEPT}
    kept[lengths_tag] = values[lengths_tag]
    places = [8]
    for strip in strips:
        places.append(places[-1] + len(strip) + (len(strip) & 1))
    kept[offsets_tag] = (4, len(strips), struct.pack(f"{order}{len(strips)}I", *places[:-1]))
    if exif.orientation != 1:
        kept[_ORIENTATION] = (3, 1, struct.pack(f"{order}H", exif.orientation))
    if exif.camera:
        kept[_FOCAL_LENGTH_35] = (3, 1, bytes(2))
    body = b"".join(strip + bytes(len(strip) & 1) for strip in strips)
    return (
        data[:4] + struct.pack(f"{order}I", places[-1]) + body + _directory(kept, places[-1], order)
    )


def _numbers(value: tuple[int, int, bytes], order: str) -> tuple[int, ...]:
    kind, number, raw = value
    return struct.unpack(f"{order}{number}{ {1: 'B', 3: 'H', 4: 'I'}[kind] }", raw)


def _directory(values: dict[int, tuple[int, int, bytes]], at: int, order: str) -> bytes:
    """Return a directory that stands at a place, with the longer values behind it."""
    entries, behind = bytearray(), bytearray()
    end = at + 2 + 12 * len(values) + 4
    for tag, (kind, number, raw) in sorted(values.items()):
        entries += struct.pack(f"{order}HHI", tag, kind, number)
        if len(raw) <= 4:
            entries += raw.ljust(4, b"\0")
        else:
            entries += struct.pack(f"{order}I", end + len(behind))
            behind += raw + bytes(len(raw) & 1)
    return struct.pack(f"{order}H", len(values)) + bytes(entries) + bytes(4) + bytes(behind)


# --- BMP and WebP --------------------------------------------------------------------------

_BMP_PLAIN_HEADER: Final = 40


def _bmp(data: bytes, _exif: Exif) -> bytes:
    """Return header, palette and rows; a colour profile could be the name of a file."""
    (start, header_size) = struct.unpack_from("<II", data, 10)
    if header_size < _BMP_PLAIN_HEADER:
        raise NotStripped
    width, height, _, bits, packing, *_, used, _ = struct.unpack_from("<iiHHIIiiII", data, 18)
    rows = data[start : start + -(-width * bits // 32) * 4 * abs(height)]
    if header_size == _BMP_PLAIN_HEADER:
        between = 4 * (used or (1 << bits if bits <= 8 else 0))
        between += 12 if packing == 3 else 0
    else:
        between = 4 * (used or (1 << bits if bits <= 8 else 0))
    head = bytearray(data[14 : 14 + header_size + between])
    if len(head) != header_size + between:
        raise NotStripped
    # Printing size; and from the fifth form on where a profile stands.
    head[24:32] = bytes(8)
    if header_size >= 108:
        head[56:60] = b"BGRs"
    if header_size >= 124:
        head[112:120] = bytes(8)
    place = 14 + len(head)
    return b"BM" + struct.pack("<IHHI", place + len(rows), 0, 0, place) + bytes(head) + rows


_WEBP_KEPT: Final = frozenset({b"VP8 ", b"VP8L", b"ALPH"})
_WEBP_ALPHA, _WEBP_EXIF = 0x10, 0x08


def _webp(data: bytes, exif: Exif) -> bytes:
    chunks, at = [], 12
    (end,) = struct.unpack_from("<I", data, 4)
    while at + 8 <= min(len(data), end + 8):
        kind, length = struct.unpack_from("<4sI", data, at)
        chunks.append((kind, data[at + 8 : at + 8 + length]))
        at += 8 + length + (length & 1)
    kept = [(kind, body) for kind, body in chunks if kind in _WEBP_KEPT]
    block = exif_block(exif)
    if chunks and chunks[0][0] == b"VP8X":
        head = bytearray(chunks[0][1][:10])
        head[0] = head[0] & _WEBP_ALPHA | (_WEBP_EXIF if block else 0)
        kept.insert(0, (b"VP8X", bytes(head)))
        kept += [(b"EXIF", block)] if block else []
    elif block:
        raise NotStripped
    body = b"WEBP" + b"".join(
        kind + struct.pack("<I", len(part)) + part + bytes(len(part) & 1) for kind, part in kept
    )
    return b"RIFF" + struct.pack("<I", len(body)) + body


_KINDS: Final[tuple[tuple[bytes, Callable[[bytes, Exif], bytes]], ...]] = (
    (b"\x89PNG\r\n\x1a\n", _png),
    (b"\xff\xd8\xff", _jpeg),
    (b"II*\x00", _tiff),
    (b"MM\x00*", _tiff),
    (b"BM", _bmp),
    (b"RIFF", _webp),
)
