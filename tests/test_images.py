"""Bytes to stills: every format, every limit, and damage that a decoder would hide."""

import struct
import zlib
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from tracker.errors import InternalError, UnreadableImage
from tracker.headers import read_header
from tracker.images import decode, encode_png
from tracker.settings import ImageLimits

SMALL = ImageLimits(min_side_px=8)
GREY8: NDArray[np.uint8] = (np.add.outer(np.arange(144) * 5, np.arange(160) * 3) % 256).astype("u1")
GREY12: NDArray[np.uint16] = (GREY8.astype(np.uint16) * 16) + 7
FORMATS = (".png", ".jpg", ".tiff", ".bmp", ".webp")
LOSSLESS = (".png", ".tiff", ".bmp")


def encoded(suffix: str, pixels: NDArray[Any]) -> bytes:
    written, buffer = cv2.imencode(suffix, pixels)
    assert written
    return buffer.tobytes()


def colour_save(grey: NDArray[np.uint8]) -> NDArray[np.uint8]:
    return np.repeat(grey[:, :, None], 3, axis=2)


def png(width: int, height: int, rows: bytes) -> bytes:
    """A PNG file whose header and rows need not agree."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
        + chunk(b"IDAT", zlib.compress(rows))
        + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize("suffix", LOSSLESS)
@pytest.mark.parametrize("save", ["grey", "colour", "opaque"])
def test_eight_bits_come_back_exactly(suffix: str, save: str) -> None:
    """A lossless save of a grey picture gives its grey values back, whatever the channels."""
    pixels: NDArray[np.uint8] = GREY8 if save == "grey" else colour_save(GREY8)
    if save == "opaque":
        pixels = np.dstack([pixels, np.full_like(GREY8, 255)])

    still = decode(encoded(suffix, pixels), "a")

    assert still.levels == 256
    np.testing.assert_allclose(still.grey, GREY8 / 255.0, atol=1e-7, rtol=0)


@pytest.mark.parametrize("suffix", [".jpg", ".webp"])
def test_lossy_saves_are_close(suffix: str) -> None:
    """A lossy save of a smooth picture stays within 3 grey levels at the default quality."""
    smooth = cv2.GaussianBlur(GREY8, (0, 0), 12)

    still = decode(encoded(suffix, smooth), "a")

    np.testing.assert_allclose(still.grey, smooth / 255.0, atol=3.5 / 255, rtol=0)


@pytest.mark.parametrize("suffix", [".png", ".tiff"])
def test_twelve_bits_in_sixteen_use_the_whole_scale(suffix: str) -> None:
    still = decode(encoded(suffix, GREY12), "a")

    assert still.levels == 4096
    np.testing.assert_allclose(still.grey, GREY12 / 4095.0, atol=1e-7, rtol=0)


@pytest.mark.parametrize("deep", [False, True])
def test_an_interlaced_png_comes_back_exactly(*, deep: bool) -> None:
    """Written here in the seven passes of the PNG standard, as OpenCV writes none."""
    pixels: NDArray[Any] = GREY8.astype(np.uint16) * 257 if deep else GREY8
    passes = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2),
              (0, 1, 1, 2))  # fmt: skip
    rows = b"".join(
        b"\0" + row.astype(row.dtype.newbyteorder(">")).tobytes()
        for x, y, dx, dy in passes
        for row in pixels[y::dy, x::dx]
    )
    data = bytearray(png(GREY8.shape[1], GREY8.shape[0], rows))
    data[24], data[28] = pixels.itemsize * 8, 1
    data[29:33] = struct.pack(">I", zlib.crc32(data[12:29]))

    still = decode(bytes(data), "a")

    np.testing.assert_allclose(still.grey, GREY8 / 255.0, atol=1e-7, rtol=0)
    with pytest.raises(UnreadableImage, match="cut short or damaged"):
        decode(bytes(data[:-30]), "a")


def test_sixteen_bits() -> None:
    pixels = GREY8.astype(np.uint16) * 257

    still = decode(encoded(".png", pixels), "a")

    assert still.levels == 65536
    np.testing.assert_allclose(still.grey, pixels / 65535.0, atol=1e-7, rtol=0)


def test_transparent_becomes_black() -> None:
    alpha = np.full_like(GREY8, 255)
    alpha[:20] = 0

    still = decode(encoded(".png", np.dstack([colour_save(GREY8), alpha])), "a")

    assert not still.grey[:20].any()
    np.testing.assert_allclose(still.grey[20:], GREY8[20:] / 255.0, atol=1e-7, rtol=0)


def test_a_few_coloured_letters_are_allowed_and_a_colour_picture_is_not() -> None:
    pixels = colour_save(GREY8)
    pixels[:10, :40] = (0, 255, 255)
    assert decode(encoded(".png", pixels), "a").grey.shape == GREY8.shape

    pixels[:80] = (200, 40, 40)
    with pytest.raises(UnreadableImage, match="in colour"):
        decode(encoded(".png", pixels), "a")


def test_same_bytes_same_hash() -> None:
    data = encoded(".png", GREY8)

    assert decode(data, "a").sha256 == decode(data, "b").sha256
    assert decode(data, "a").sha256 != decode(encoded(".png", GREY8 ^ 1), "a").sha256


@pytest.mark.parametrize("suffix", FORMATS)
@pytest.mark.parametrize("share", [0.0, 0.02, 0.3, 0.6, 0.9, 0.99])
def test_a_truncated_file_is_refused(
    suffix: str, share: float, capfd: pytest.CaptureFixture[str]
) -> None:
    """No part of a file passes for the whole, and no library writes to the terminal."""
    data = encoded(suffix, GREY8)

    with pytest.raises(UnreadableImage) as caught:
        decode(data[: int(share * len(data))], "cut" + suffix)

    assert caught.value.message.startswith(f"cut{suffix}: ")
    assert "\n" not in caught.value.message
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("suffix", FORMATS)
def test_one_byte_less_is_a_truncated_file(suffix: str) -> None:
    data = encoded(suffix, GREY8)

    with pytest.raises(UnreadableImage):
        decode(data[:-1], "a")


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "empty"),
        (b"these are words, not pixels\n", "not a PNG"),
        (b"GIF89a" + bytes(500), "not a PNG"),
        (b"RIFF\x10\0\0\0WAVEfmt ", "not a PNG"),
        (png(1, 1, bytes(2)), "1 x 1 pixels"),
        (png(20000, 20000, bytes(1000)), "20000 x 20000 pixels"),
        (png(8000, 8000, bytes(1000)), "8000 x 8000 pixels"),
        (png(512, 512, bytes(1000)), "cut short or damaged"),
        (png(512, 512, bytes(512 * 513 + 1)), "cut short or damaged"),
    ],
)
def test_what_is_said_of_bad_files(
    data: bytes, said: str, capfd: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(UnreadableImage, match=said):
        decode(data, "a")
    assert capfd.readouterr() == ("", "")


def test_the_size_limit_is_on_the_file_too() -> None:
    with pytest.raises(UnreadableImage, match="more than"):
        decode(encoded(".png", GREY8), "a", ImageLimits(max_bytes=100))


def test_a_damaged_byte_in_a_png_is_found() -> None:
    data = bytearray(encoded(".png", GREY8))
    data[len(data) // 2] ^= 0x10

    with pytest.raises(UnreadableImage, match="damaged"):
        decode(bytes(data), "a")


def test_several_pictures_in_one_tiff_are_refused() -> None:
    written, buffer = cv2.imencodemulti(".tiff", [GREY8, GREY8])
    assert written

    with pytest.raises(UnreadableImage, match="more than one picture"):
        decode(buffer.tobytes(), "a")


def test_real_numbers_in_a_tiff_are_refused() -> None:
    with pytest.raises(UnreadableImage, match="unsigned whole numbers"):
        decode(encoded(".tiff", GREY8.astype(np.float32)), "a")


@pytest.mark.parametrize("suffix", FORMATS)
def test_the_header_gives_the_size(suffix: str) -> None:
    header = read_header(encoded(suffix, GREY8))

    assert (header.width, header.height) == (160, 144)


@given(
    width=st.integers(8, 40),
    height=st.integers(8, 40),
    seed=st.integers(0, 2**16),
    deep=st.booleans(),
)
def test_encode_then_decode_is_identity(width: int, height: int, seed: int, deep: bool) -> None:
    kind = np.uint16 if deep else np.uint8
    pixels = np.random.default_rng(seed).integers(0, np.iinfo(kind).max, (height, width), kind)
    pixels[0, 0] = np.iinfo(kind).max

    still = decode(encode_png(pixels), "a", SMALL)

    np.testing.assert_array_equal(np.round(still.grey * (still.levels - 1)), pixels)


@given(data=st.binary(max_size=400), start=st.sampled_from(["png", "jpg", "tif", "bmp", "webp"]))
def test_arbitrary_bytes_never_do_worse_than_refusal(data: bytes, start: str) -> None:
    magic = {"png": b"\x89PNG\r\n\x1a\n", "jpg": b"\xff\xd8\xff", "tif": b"II*\0", "bmp": b"BM"}

    with pytest.raises(UnreadableImage):
        decode(magic.get(start, b"RIFF\x20\0\0\0WEBP") + data, "a")


def test_colours_are_red_green_blue() -> None:
    red = np.zeros((16, 16, 3), np.uint8)
    red[:, :, 0] = 255

    pixels = cv2.imdecode(np.frombuffer(encode_png(red), np.uint8), cv2.IMREAD_COLOR_RGB)

    assert pixels is not None
    np.testing.assert_array_equal(pixels, red)


def test_only_whole_numbers_are_encoded() -> None:
    with pytest.raises(InternalError):
        encode_png(np.zeros((16, 16)))
