"""Picture files without what is written beside their pixels: each kind, made by another library."""

import io
import struct

import numpy as np
import pytest
from PIL import Image, PngImagePlugin, TiffImagePlugin

from tracker.exif import Exif, read_exif
from tracker.headers import check_whole, read_header
from tracker.images import decode, raw_pixels
from tracker.stripping import NotStripped, exif_block, stripped

SECRET = "Nobody^Imaginary"
CAMERA, TURNED = 0xA405, 0x0112
GREY = (np.add.outer(np.arange(150), 2 * np.arange(170)) % 251).astype(np.uint8)
DEEP = (GREY.astype(np.uint16) << 8) | GREY[::-1]
COLOUR = np.repeat(GREY[:, :, None], 3, axis=2)


def secret_exif(orientation: int = 1, *, camera: bool = False) -> bytes:
    exif = Image.Exif()
    exif[0x010E] = exif[0x013B] = exif[0x8298] = SECRET
    exif.get_ifd(0x8825)[29] = SECRET
    exif[TURNED] = orientation
    if camera:
        exif[CAMERA] = 28
    return exif.tobytes()


def png(pixels: np.ndarray, exif: bytes = b"", **how: object) -> bytes:
    notes = PngImagePlugin.PngInfo()
    notes.add_text("Patient", SECRET)
    notes.add_itxt("XML:com.adobe.xmp", SECRET)
    notes.add_text("Packed", SECRET * 40, zip=True)
    return _saved(pixels, "PNG", pnginfo=notes, exif=exif or secret_exif(), dpi=(96, 96), **how)


def jpeg(pixels: np.ndarray, exif: bytes = b"", **how: object) -> bytes:
    return _saved(
        pixels, "JPEG", exif=exif or secret_exif(), comment=SECRET, icc_profile=SECRET.encode(),
        xmp=SECRET.encode(), **how,
    )  # fmt: skip


def webp(pixels: np.ndarray, exif: bytes = b"", **how: object) -> bytes:
    return _saved(
        pixels, "WEBP", exif=exif or secret_exif(), xmp=SECRET.encode(),
        icc_profile=SECRET.encode(), **how,
    )  # fmt: skip


def tiff(pixels: np.ndarray, orientation: int = 1, **how: object) -> bytes:
    tags = TiffImagePlugin.ImageFileDirectory_v2()
    tags[270] = tags[305] = tags[315] = tags[33432] = SECRET
    tags[TURNED] = orientation
    tags[65000] = SECRET
    tags.tagtype[65000] = 2
    return _saved(pixels, "TIFF", tiffinfo=tags, **how)


def bmp(pixels: np.ndarray) -> bytes:
    data = bytearray(_saved(pixels, "BMP"))
    (start,) = struct.unpack_from("<I", data, 10)
    # Between palette and rows, and behind the rows, anything may stand.
    between = SECRET.encode()
    struct.pack_into("<I", data, 10, start + len(between))
    return bytes(data[:start] + between + data[start:] + SECRET.encode())


def _saved(pixels: np.ndarray, kind: str, **how: object) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, kind, **how)
    return buffer.getvalue()


FILES = {
    "PNG": png(GREY),
    "PNG 16": png(DEEP),
    "PNG colour": png(COLOUR),
    "PNG with transparency": png(np.dstack([COLOUR, np.full_like(GREY, 200)])),
    "JPEG": jpeg(GREY, quality=90),
    "JPEG colour": jpeg(COLOUR, quality=90, subsampling=2),
    "JPEG progressive": jpeg(GREY, quality=80, progressive=True),
    "JPEG with restarts": jpeg(GREY, quality=80, restart_marker_rows=1),
    "TIFF": tiff(DEEP),
    "TIFF LZW": tiff(GREY, compression="tiff_lzw"),
    "TIFF deflate": tiff(DEEP, compression="tiff_adobe_deflate"),
    "TIFF packed bits": tiff(GREY, compression="packbits"),
    "TIFF colour": tiff(COLOUR),
    "BMP": bmp(GREY),
    "BMP colour": bmp(COLOUR),
    "WebP": webp(COLOUR, quality=85),
    "WebP lossless": webp(COLOUR, lossless=True),
}


@pytest.mark.parametrize("kind", FILES)
def test_everything_beside_the_pixels_is_gone_and_the_pixels_are_the_same(kind: str) -> None:
    data = FILES[kind]
    assert SECRET.encode() in data
    found = stripped(data, read_exif(data))

    assert SECRET.encode() not in found
    assert len(found) < len(data)
    np.testing.assert_array_equal(raw_pixels(found), raw_pixels(data))
    np.testing.assert_array_equal(decode(found, "a").grey, decode(data, "a").grey)
    check_whole(found, read_header(found))
    assert stripped(found, read_exif(found)) == found
    Image.open(io.BytesIO(found)).load()


@pytest.mark.parametrize("kind", ["PNG", "JPEG", "WebP", "TIFF"])
@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_how_it_is_turned_stays(kind: str, orientation: int) -> None:
    if kind == "TIFF":
        data = tiff(GREY, orientation)
    else:
        made = {"PNG": png, "JPEG": jpeg, "WebP": webp}[kind]
        data = made(COLOUR, secret_exif(orientation))
    found = stripped(data, read_exif(data))

    assert SECRET.encode() not in found
    assert read_exif(found).orientation == orientation
    np.testing.assert_array_equal(decode(found, "a").grey, decode(data, "a").grey)


@pytest.mark.parametrize("made", [png, jpeg, webp])
def test_a_photograph_stays_one(made: object) -> None:
    data = made(COLOUR, secret_exif(camera=True))  # type: ignore[operator]
    assert decode(data, "a").camera
    found = stripped(data, read_exif(data))

    assert SECRET.encode() not in found
    assert decode(found, "a").camera


def test_the_rows_are_copied_as_they_were_packed() -> None:
    data = FILES["PNG 16"]
    found = stripped(data, read_exif(data))
    start = data.index(b"IDAT")

    assert data[start : data.index(b"IEND")] in found
    assert found.startswith(b"\x89PNG")
    assert found.count(b"IDAT") == data.count(b"IDAT")


def test_a_second_picture_behind_the_end_is_gone() -> None:
    for kind in ("PNG", "JPEG"):
        data = FILES[kind] + FILES[kind] + SECRET.encode()
        assert stripped(data, Exif()) == stripped(FILES[kind], Exif())


def test_a_thumbnail_is_gone() -> None:
    small = _saved(GREY[:40, :40], "JPEG")
    data = jpeg(GREY)
    data = data[:2] + b"\xff\xe2" + struct.pack(">H", len(small) + 2) + small + data[2:]
    found = stripped(data, Exif())

    assert small not in found
    assert found.count(b"\xff\xd8") == 1


def test_what_is_packed_in_a_way_of_its_own_is_not_taken_apart() -> None:
    for data in (tiff(GREY, compression="jpeg"), b"GIF89a", b"BM" + bytes(60)):
        with pytest.raises(NotStripped):
            stripped(data, Exif(camera=True))


def test_damaged_files_end_in_one_way() -> None:
    chance = np.random.default_rng(5)
    for data in FILES.values():
        for _ in range(60):
            bad = bytearray(data)
            for at in chance.integers(0, min(len(bad), 700), 4):
                bad[at] = int(chance.integers(256))
            try:
                stripped(bytes(bad[: int(chance.integers(10, len(bad)))]), Exif())
            except NotStripped:
                continue


def test_an_exif_block_says_two_things_and_nothing_else() -> None:
    assert exif_block(Exif()) == b""
    assert len(exif_block(Exif(6, True))) == 8 + 2 + 24 + 4
