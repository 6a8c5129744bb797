"""DICOM: every kind of file gives the grey values it was made from, or one line why not."""

import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from pydicom.dataset import Dataset
from pydicom.pixels.processing import apply_modality_lut, apply_voi_lut
from pydicom.sequence import Sequence

from tests.dicom_files import CLASSES, LOSSLESS, LOSSY, UNPACKED, as_file, dataset_of, pattern
from tracker.decoding import Decoder
from tracker.dicom import is_dicom
from tracker.errors import UnreadableImage
from tracker.images import decode
from tracker.settings import ImageLimits

PIXELS = pattern()
EIGHT = (PIXELS >> 4).astype(np.uint8)
SYNTAXES = {**UNPACKED, **LOSSLESS, **LOSSY}


def file_of(name: str) -> bytes:
    pixels = EIGHT if name == "JPEG baseline" else PIXELS
    return as_file(dataset_of(pixels), SYNTAXES[name])


def values_of(data: bytes, **how: Any) -> NDArray[np.float64]:
    still = decode(data, "a", **how)
    return still.grey.astype(np.float64) * (still.levels - 1)


@pytest.mark.parametrize("name", [*UNPACKED, *LOSSLESS])
def test_lossless_files_come_back_exactly(name: str) -> None:
    np.testing.assert_allclose(values_of(file_of(name)), PIXELS, atol=1e-3)


# Greatest error in grey levels that each loss was measured to make on this picture, with room.
@pytest.mark.parametrize(
    ("name", "most"),
    [("JPEG baseline", 4), ("JPEG extended", 4), ("JPEG-LS near", 1), ("JPEG 2000", 60)],
)
def test_lossy_files_come_back_closely(name: str, most: float) -> None:
    wanted = EIGHT.astype(int) if name == "JPEG baseline" else PIXELS.astype(int)

    assert np.abs(values_of(file_of(name)) - wanted).max() <= most + 1e-3


@pytest.mark.parametrize("bits", [8, 10, 12, 14, 16])
@pytest.mark.parametrize("name", [*UNPACKED, *LOSSLESS])
def test_eight_to_sixteen_bits(bits: int, name: str) -> None:
    pixels = pattern(bits=bits).astype(np.uint8 if bits == 8 else np.uint16)

    still = decode(as_file(dataset_of(pixels, bits=bits), SYNTAXES[name]), "a")

    assert still.levels == 2**bits
    np.testing.assert_allclose(still.grey * (2.0**bits - 1), pattern(bits=bits), atol=0.01)


@pytest.mark.parametrize("kind", CLASSES)
def test_every_storage_class_of_a_c_arm_is_read(kind: str) -> None:
    still = decode(as_file(dataset_of(PIXELS, kind)), "a")

    assert still.facts is not None
    assert still.facts.modality == kind


def test_another_kind_of_picture_is_refused_as_what_it_is() -> None:
    ct = dataset_of(PIXELS, SOPClassUID="1.2.840.10008.5.1.4.1.1.2")

    with pytest.raises(UnreadableImage, match="no C-arm picture but: CT Image"):
        decode(as_file(ct), "a")


def test_monochrome1_is_inverted_and_monochrome2_is_not() -> None:
    inverse = dataset_of(PIXELS, PhotometricInterpretation="MONOCHROME1")

    np.testing.assert_allclose(values_of(as_file(inverse)), 4095.0 - PIXELS, atol=1e-3)


@pytest.mark.parametrize(
    ("name", "photometric"),
    [
        ("explicit", "RGB"), ("RLE", "RGB"), ("JPEG 2000 lossless", "RGB"), ("JPEG-LS", "RGB"),
        ("explicit", "YBR_FULL"), ("RLE", "YBR_FULL"), ("JPEG-LS", "YBR_FULL"),
    ],
)  # fmt: skip
def test_a_colour_save_of_grey_is_grey(name: str, photometric: str) -> None:
    pixels = np.dstack([EIGHT, EIGHT, EIGHT])
    if photometric == "YBR_FULL":
        pixels = np.dstack([EIGHT, np.full_like(EIGHT, 128), np.full_like(EIGHT, 128)])

    found = values_of(
        as_file(dataset_of(pixels, PhotometricInterpretation=photometric), SYNTAXES[name])
    )

    np.testing.assert_allclose(found, EIGHT, atol=0.01)


def test_a_colour_save_by_planes_is_grey() -> None:
    dataset = dataset_of(np.dstack([EIGHT, EIGHT, EIGHT]), PlanarConfiguration=1)
    dataset.PixelData = np.stack([EIGHT, EIGHT, EIGHT]).tobytes()

    np.testing.assert_allclose(values_of(as_file(dataset)), EIGHT, atol=0.01)


def test_a_colour_picture_is_refused() -> None:
    dataset = dataset_of(np.dstack([EIGHT, 255 - EIGHT, EIGHT // 2]), "SC")

    with pytest.raises(UnreadableImage, match="in colour, so it is no X-ray"):
        decode(as_file(dataset), "a")


def test_a_grey_palette_is_looked_up() -> None:
    dataset = dataset_of(EIGHT, "SC", PhotometricInterpretation="PALETTE COLOR")
    table = np.arange(256, dtype=np.uint16)[::-1] * 257
    for colour in ("Red", "Green", "Blue"):
        setattr(dataset, f"{colour}PaletteColorLookupTableDescriptor", [256, 0, 16])
        setattr(dataset, f"{colour}PaletteColorLookupTableData", table.tobytes())

    still = decode(as_file(dataset), "a")

    np.testing.assert_allclose(still.grey * 255, 255.0 - EIGHT, atol=0.01)


@pytest.mark.parametrize("function", ["LINEAR", "LINEAR_EXACT", "SIGMOID"])
@pytest.mark.parametrize(("slope", "intercept"), [(1, 0), (0.5, -300)])
def test_windows_are_those_of_the_standard(function: str, slope: float, intercept: float) -> None:
    """Against pydicom's own implementation, on its scale."""
    dataset = dataset_of(
        PIXELS,
        RescaleSlope=slope,
        RescaleIntercept=intercept,
        WindowCenter=[900, 100],
        WindowWidth=[700, 50],
        VOILUTFunction=function,
    )
    wanted = apply_voi_lut(apply_modality_lut(PIXELS, dataset), dataset)
    low, high = intercept, 4095 * slope + intercept

    still = decode(as_file(dataset), "a")

    np.testing.assert_allclose(still.grey, (wanted - low) / (high - low), atol=1e-5)


def table(first: int, values: NDArray[np.uint16], bits: int) -> Dataset:
    item = Dataset()
    item.LUTDescriptor = [len(values), first, bits]
    item.LUTData = values.tobytes()
    item["LUTData"].VR = "OW"
    item.ModalityLUTType = "US"
    return item


@pytest.mark.parametrize("keyword", ["ModalityLUTSequence", "VOILUTSequence"])
def test_tables_are_looked_up(keyword: str) -> None:
    curve = np.rint(1023 * (np.arange(4096) / 4095) ** 0.5).astype(np.uint16)
    dataset = dataset_of(PIXELS)
    setattr(dataset, keyword, Sequence([table(0, curve, 10)]))

    still = decode(as_file(dataset), "a")

    np.testing.assert_allclose(still.grey, curve[PIXELS] / 1023.0, atol=1e-6)


def test_signed_values_and_spare_bits() -> None:
    signed = (PIXELS.astype(np.int32) - 2048).astype(np.int16)

    np.testing.assert_allclose(values_of(as_file(dataset_of(signed))), PIXELS, atol=1e-3)


def test_an_overlay_in_spare_bits_and_an_overlay_plane_change_nothing() -> None:
    marked = PIXELS | np.uint16(0xF000)
    dataset = dataset_of(marked)
    dataset.add_new(0x60000010, "US", PIXELS.shape[0])
    dataset.add_new(0x60000011, "US", PIXELS.shape[1])
    dataset.add_new(0x60003000, "OW", b"\xff" * (PIXELS.size // 8))
    dataset.add_new(0x00110010, "LO", "A MAKER")
    dataset.add_new(0x00111001, "UN", b"\x00\xff" * 9)

    np.testing.assert_allclose(values_of(as_file(dataset)), PIXELS, atol=1e-3)


@pytest.mark.parametrize("name", ["explicit", "big endian", "RLE", "JPEG lossless", "JPEG-LS"])
def test_a_run_gives_its_last_frame_or_the_one_asked_for(name: str) -> None:
    run = np.stack([PIXELS // 4, PIXELS // 2, PIXELS])
    data = as_file(dataset_of(run), SYNTAXES[name])

    last = decode(data, "a")

    assert last.facts is not None
    assert (last.facts.frame, last.facts.frames) == (2, 3)
    np.testing.assert_allclose(values_of(data), PIXELS, atol=1e-3)
    np.testing.assert_allclose(values_of(data, frame=0), PIXELS // 4, atol=1e-3)
    with pytest.raises(UnreadableImage, match="no frame 4"):
        decode(data, "a", frame=3)


@pytest.mark.parametrize("name", ["implicit", "explicit", "big endian"])
def test_without_preamble_and_file_header(name: str) -> None:
    data = file_of(name)
    first = b"\x00\x08\x00\x16" if name == "big endian" else b"\x08\x00\x16\x00"
    bare = data[data.index(first) :]

    assert is_dicom(bare)
    np.testing.assert_allclose(values_of(bare), PIXELS, atol=1e-3)


def test_header_without_preamble() -> None:
    np.testing.assert_allclose(values_of(file_of("explicit")[132:]), PIXELS, atol=1e-3)


def test_pixels_that_are_not_square_are_refused() -> None:
    with pytest.raises(UnreadableImage, match=re.escape("not square (4 : 3)")):
        decode(as_file(dataset_of(PIXELS, PixelAspectRatio=[4, 3])), "a")


@pytest.mark.parametrize("name", SYNTAXES)
@pytest.mark.parametrize("share", [0.01, 0.1, 0.3, 0.6, 0.9, 0.99])
def test_a_truncated_file_is_refused_in_one_line(name: str, share: float) -> None:
    data = file_of(name)

    with pytest.raises(UnreadableImage) as caught:
        decode(data[: int(share * len(data))], "cut.dcm")

    assert caught.value.message.startswith("cut.dcm: ")
    assert "\n" not in caught.value.message


@pytest.mark.parametrize("name", SYNTAXES)
@settings(max_examples=25)
@given(seed=st.integers(0, 2**32 - 1))
def test_flipped_bits_give_a_picture_or_one_line(name: str, seed: int) -> None:
    """Pixels carry no checksum, so a flipped pixel can't be known; nothing worse comes of it."""
    chance = np.random.default_rng(seed)
    data = bytearray(file_of(name))
    reach = int(chance.choice([1200, len(data)]))
    for at in chance.integers(0, reach, int(chance.integers(1, 6))):
        data[at] ^= 1 << int(chance.integers(0, 8))
    try:
        still = decode(bytes(data), "a")
    except UnreadableImage as refused:
        said, fine = refused.message, True
    else:
        said, fine = "", bool(np.isfinite(still.grey).all())
    assert fine
    assert "\n" not in said


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"Rows": 20_000}, "20000 pixels; at most"),
        ({"Columns": 60_000, "Rows": 60_000}, "at most"),
        ({"Rows": 64}, "at least 128"),
        ({"BitsAllocated": 32}, "8 to 16 are read"),
        ({"BitsStored": 1}, "8 to 16 are read"),
        ({"PhotometricInterpretation": "HSV"}, "kind of colour"),
        ({"NumberOfFrames": 40_000}, "cut short or damaged"),
        ({"RescaleSlope": "0", "WindowWidth": "1e308"}, ""),
    ],
)
def test_limits_are_kept_before_anything_is_unpacked(changes: dict[str, Any], said: str) -> None:
    dataset = dataset_of(PIXELS)
    for keyword, value in changes.items():
        setattr(dataset, keyword, value)
    data = as_file(dataset)
    if said:
        with pytest.raises(UnreadableImage, match=said):
            decode(data, "a")
    else:
        assert np.isfinite(decode(data, "a").grey).all()


@pytest.mark.parametrize("name", [*LOSSLESS, *LOSSY])
def test_a_packed_frame_larger_than_the_header_says_is_not_unpacked(name: str) -> None:
    pixels = EIGHT if name == "JPEG baseline" else PIXELS
    data = as_file(dataset_of(pixels), SYNTAXES[name])
    claimed = bytearray(data)
    at = data.index(b"\x28\x00\x10\x00US\x02\x00") + 8
    claimed[at : at + 2] = (140).to_bytes(2, "little")

    with pytest.raises(UnreadableImage, match="cut short or damaged"):
        decode(bytes(claimed), "a")


def test_a_deflated_file_can_not_grow_past_the_limit() -> None:
    with pytest.raises(UnreadableImage, match="unpacks to more than"):
        decode(file_of("deflated"), "a", ImageLimits(max_bytes=40_000))


def test_a_way_of_packing_that_is_not_read_is_named() -> None:
    data = file_of("explicit").replace(b"1.2.840.10008.1.2.1\0", b"1.2.840.10008.1.2.4.")

    with pytest.raises(UnreadableImage):
        decode(data, "a")


@pytest.mark.parametrize("missing", ["pydicom", "imagecodecs"])
def test_without_the_extra_one_line_names_it(missing: str, monkeypatch: pytest.MonkeyPatch) -> None:
    data = file_of("explicit")
    for room in ("dicomfacts", "dicomfile", "dicompixels"):
        monkeypatch.delitem(sys.modules, f"tracker.{room}", raising=False)
        monkeypatch.delattr(f"tracker.{room}", raising=False)
    monkeypatch.setitem(sys.modules, missing, None)

    with pytest.raises(UnreadableImage, match="the extra that reads them") as caught:
        decode(data, "a.dcm")

    assert caught.value.hint == "install rim-tracker[dicom]"


@pytest.mark.parametrize(
    "data", [b"", b"DICM", bytes(131), b"\x08\x00" + b"words, many words", b"BM"]
)
def test_other_bytes_are_no_dicom(data: bytes) -> None:
    assert not is_dicom(data)


# Made by dcmtk's own encoders; the loss that each was measured to make on this picture, with room.
@pytest.mark.dcmtk
@pytest.mark.parametrize(
    ("program", "most"),
    [
        (("dcmcjpeg", "+e1"), 0),
        (("dcmcjpeg", "+el"), 0),
        (("dcmcjpeg", "+ee"), 30),
        (("dcmcjpls", "+el"), 0),
        (("dcmcjpls", "+en", "+md", "2"), 2),
        (("dcmcrle",), 0),
        (("dcmconv", "+te"), 0),
        (("dcmconv", "+tb"), 0),
        (("dcmconv", "+td"), 0),
        (("dcmconv", "+ti"), 0),
        (("dcmconv", "-F"), 0),
    ],
    ids=lambda part: "".join(part) if isinstance(part, tuple) else None,
)
def test_files_that_other_programs_made(
    program: tuple[str, ...], most: int, tmp_path: Path
) -> None:
    """Debian's dcmtk, by full path: a Python package has programs of the same names."""
    given, made = tmp_path / "given.dcm", tmp_path / "made.dcm"
    run = np.stack([PIXELS // 2, PIXELS])
    given.write_bytes(as_file(dataset_of(run)))

    command = [f"/usr/bin/{program[0]}", *program[1:], str(given), str(made)]
    subprocess.run(command, check=True, capture_output=True, timeout=30)

    data = made.read_bytes()
    assert np.abs(values_of(data) - PIXELS.astype(int)).max() <= most + 1e-3
    assert np.abs(values_of(data, frame=0) - (PIXELS // 2).astype(int)).max() <= most + 1e-3


def test_a_picture_of_sixteen_million_pixels_fits_where_pictures_are_decoded() -> None:
    pixels = np.zeros((4096, 4096), np.uint16)
    pixels[1000:3000, 1000:3000] = 4095
    decoder = Decoder()
    try:
        still = decoder.decode(as_file(dataset_of(pixels)), "large.dcm", ImageLimits())
    finally:
        decoder.close()

    assert still.grey.shape == pixels.shape
    assert still.grey[2000, 2000] == 1
