"""EXIF blocks: a picture is turned as every viewer turns it, and a lens gives itself away."""

import struct
import zlib

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tracker.exif import read_exif, upright
from tracker.images import decode

PIXELS = np.add.outer(np.arange(150), np.arange(200)).astype(np.uint8)
PIXELS[:40, :60] = 250


def block(orientation: int | None, *, camera: bool, order: str) -> bytes:
    """An EXIF block: a directory with the orientation, and one with the lens."""
    entries = []
    if orientation is not None:
        value = struct.pack(f"{order}HH", orientation, 0)
        entries.append(struct.pack(f"{order}HHI", 0x0112, 3, 1) + value)
    inner = 8 + 2 + 12 * (len(entries) + camera) + 4
    if camera:
        entries.append(struct.pack(f"{order}HHII", 0x8769, 4, 1, inner))
    first = struct.pack(f"{order}H", len(entries)) + b"".join(entries) + bytes(4)
    lens = struct.pack(f"{order}H", 1) + struct.pack(f"{order}HHII", 0x829D, 5, 1, 0) + bytes(4)
    head = (b"II*\0" if order == "<" else b"MM\0*") + struct.pack(f"{order}I", 8)
    return head + first + (lens if camera else b"")


def with_exif(
    data: bytes, orientation: int | None = None, *, camera: bool = False, order: str = "<"
) -> bytes:
    """A JPEG, PNG or WebP file with an EXIF block."""
    body = block(orientation, camera=camera, order=order)
    if data[:2] == b"\xff\xd8":
        body = b"Exif\0\0" + body
        return data[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + data[2:]
    if data[:4] == b"\x89PNG":
        kind = b"eXIf"
        chunk = struct.pack(">I", len(body)) + kind + body
        return data[:33] + chunk + struct.pack(">I", zlib.crc32(kind + body)) + data[33:]
    height, width = PIXELS.shape
    sizes = b"".join((side - 1).to_bytes(3, "little") for side in (width, height))
    head = b"VP8X" + struct.pack("<I", 10) + bytes([8, 0, 0, 0]) + sizes
    tail = b"EXIF" + struct.pack("<I", len(body)) + body + bytes(len(body) % 2)
    riff = b"WEBP" + head + data[12:] + tail
    return b"RIFF" + struct.pack("<I", len(riff)) + riff


def saved(suffix: str, pixels: np.ndarray = PIXELS) -> bytes:
    options = {".jpg": [cv2.IMWRITE_JPEG_QUALITY, 100], ".webp": [cv2.IMWRITE_WEBP_QUALITY, 101]}
    written, buffer = cv2.imencode(suffix, pixels, options.get(suffix, []))
    assert written
    return bytes(buffer.tobytes())


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("order", ["<", ">"])
def test_a_jpeg_is_turned_as_another_library_turns_it(orientation: int, order: str) -> None:
    data = with_exif(saved(".jpg"), orientation, order=order)

    wanted = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)

    assert wanted is not None
    np.testing.assert_allclose(decode(data, "a").grey * 255, wanted, atol=1.01)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("suffix", [".png", ".webp"])
def test_png_and_webp_are_turned_alike(orientation: int, suffix: str) -> None:
    data = with_exif(saved(suffix), orientation)

    np.testing.assert_allclose(decode(data, "a").grey * 255, upright(PIXELS, orientation), atol=1)


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("deep", [False, True])
@pytest.mark.parametrize("colour", [False, True])
def test_a_tiff_is_turned_once(orientation: int, *, deep: bool, colour: bool) -> None:
    pixels = PIXELS.astype(np.uint16) * 257 if deep else PIXELS
    shown = np.dstack([pixels] * 3) if colour else pixels
    data = bytearray(saved(".tiff", shown))
    (start,) = struct.unpack_from("<I", data, 4)
    (count,) = struct.unpack_from("<H", data, start)
    entries = data[start + 2 : start + 2 + 12 * count]
    tags = [entries[k : k + 12] for k in range(0, len(entries), 12)]
    tags = [tag for tag in tags if struct.unpack_from("<H", tag)[0] != 0x0112]
    tags.append(bytearray(struct.pack("<HHIHH", 0x0112, 3, 1, orientation, 0)))
    tags.sort(key=lambda tag: int(struct.unpack_from("<H", tag)[0]))
    struct.pack_into("<I", data, 4, len(data))
    data += struct.pack("<H", len(tags)) + b"".join(tags) + bytes(4)

    still = decode(bytes(data), "a")

    top = still.levels - 1
    np.testing.assert_allclose(still.grey * top, upright(pixels, orientation), atol=0.01)


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".webp"])
@pytest.mark.parametrize("order", ["<", ">"])
def test_a_lens_gives_itself_away(suffix: str, order: str) -> None:
    assert decode(with_exif(saved(suffix), 1, camera=True, order=order), "a").camera
    assert not decode(with_exif(saved(suffix), 1, order=order), "a").camera
    assert not decode(saved(suffix), "a").camera


@pytest.mark.parametrize("orientation", [0, 9, 60_000])
def test_an_orientation_that_is_none_turns_nothing(orientation: int) -> None:
    assert read_exif(with_exif(saved(".png"), orientation)).orientation == 1


@given(noise=st.binary(max_size=80), order=st.sampled_from(["II*\0", "MM\0*"]))
def test_a_broken_block_says_nothing(noise: bytes, order: str) -> None:
    body = order.encode() + noise
    chunk = struct.pack(">I", len(body)) + b"eXIf" + body + struct.pack(">I", 0)

    found = read_exif(b"\x89PNG\r\n\x1a\n" + chunk)

    assert 1 <= found.orientation <= 8
    assert 1 <= read_exif(body).orientation <= 8
