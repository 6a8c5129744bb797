"""What the record keeps of a picture that names somebody."""

import hashlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests import fakes, phantom_case, test_stripping
from tests.dicom_files import as_file, dataset_of
from tests.test_capture import resized
from tests.test_dicomcopy import SECRET, full
from tests.test_exif import with_exif
from tracker import images, phantom, pipeline
from tracker.casefolder import read_case
from tracker.casetoml import parse_case
from tracker.identity import Kept, blank_of, kept_form, unexposed
from tracker.images import decode
from tracker.images import encode_png as png
from tracker.phantom import Scene
from tracker.service import Service
from tracker.settings import DEFAULTS, IdentitySettings
from tracker.values import ExposedField, Picture

KEY = b"a secret of these tests"
HIP = np.asarray(np.round(phantom.render(Scene(noise=0.008), 0)[0].grey * 255), np.uint8)


def named_hip(pixels: np.ndarray = HIP) -> bytes:
    """A hip in a DICOM file that says whose it is, in its header and burned into the picture."""
    marked = pixels.copy()
    marked[4:12, 6:60:4] = 255
    dataset = dataset_of(marked)
    dataset.InstitutionName = SECRET
    return as_file(dataset)


def kept_of(data: bytes) -> Kept:
    blank = blank_of(decode(data, "a"), DEFAULTS)
    return kept_form(data, KEY, DEFAULTS.images, blank=blank)


def lettered(pixels: np.ndarray) -> np.ndarray:
    """A picture with letters in two corners beyond its field."""
    marked = pixels.copy()
    full = np.iinfo(pixels.dtype).max
    for place in ((4, 30), (4, pixels.shape[0] - 10)):
        layer = np.zeros(pixels.shape[:2], np.uint8)
        cv2.putText(layer, "IMAGINARY", place, cv2.FONT_HERSHEY_SIMPLEX, 0.45, 255, 1, cv2.LINE_AA)
        marked = np.maximum(marked, layer.astype(pixels.dtype) * (full // 255))
    return marked


def _grey(pixels: np.ndarray) -> Picture:
    return np.asarray(pixels / 255, np.float32)


def test_a_file_with_nothing_beside_its_pixels_is_kept_as_it_is() -> None:
    data = fakes.picture(1)

    kept = kept_of(data)

    assert (kept.data, kept.original_sha256, kept.facts) == (data, "", None)


@pytest.mark.parametrize("kind", test_stripping.FILES)
def test_of_any_other_file_what_is_beside_the_pixels_is_left_behind(kind: str) -> None:
    data = test_stripping.FILES[kind]

    kept = kept_of(data)

    assert test_stripping.SECRET.encode() not in kept.data
    assert kept.original_sha256 == hashlib.sha256(data).hexdigest()
    np.testing.assert_array_equal(decode(kept.data, "a").grey, decode(data, "a").grey)


def test_a_file_that_can_t_be_taken_apart_is_written_anew() -> None:
    data = test_stripping.tiff(test_stripping.GREY, compression="jpeg")

    kept = kept_of(data)

    assert kept.data.startswith(b"\x89PNG")
    assert test_stripping.SECRET.encode() not in kept.data
    np.testing.assert_array_equal(decode(kept.data, "a").grey, decode(data, "a").grey)


def test_what_hides_behind_transparency_is_gone() -> None:
    pixels = np.dstack([test_stripping.COLOUR, np.full_like(test_stripping.GREY, 255)])
    pixels[:40, :, 3] = 0
    pixels[5:15, 10:90:3, :3] = 255
    found = images.raw_pixels(kept_of(test_stripping.png(pixels)).data)

    assert (found[:40] == 0).all()
    np.testing.assert_array_equal(found[40:], images.raw_pixels(test_stripping.png(pixels))[40:])


@pytest.mark.parametrize("kind", ["PNG", "PNG 16", "JPEG", "TIFF", "BMP", "WebP", "DICOM"])
def test_letters_beyond_the_field_are_painted_over(kind: str) -> None:
    marked = lettered(HIP)
    if kind == "PNG 16":
        marked = lettered(HIP.astype(np.uint16) * 257)
    if kind == "DICOM":
        data = as_file(dataset_of(marked))
    else:
        ending = f".{kind.split()[0].lower()}"
        data = cv2.imencode(ending, marked)[1].tobytes()
    found, plain, before = (decode(one, "a").grey for one in (kept_of(data).data, png(HIP), data))
    y, x = np.mgrid[: HIP.shape[0], : HIP.shape[1]]
    away = np.hypot(x - (HIP.shape[1] - 1) / 2, y - (HIP.shape[0] - 1) / 2)
    inside, beyond = away < 0.49 * HIP.shape[0], away > 0.505 * HIP.shape[0]

    assert np.abs(before - plain)[beyond].max() > 0.5
    assert np.abs(found - plain)[beyond].max() < 0.02
    assert np.ptp(found[beyond]) < 0.001
    np.testing.assert_array_equal(found[inside], before[inside])


def test_letters_on_a_turned_or_stretched_picture_are_painted_over_where_they_are() -> None:
    wide = np.asarray(np.round(255 * resized(_grey(HIP), 1.1, 1)), np.uint8)
    for pixels in (HIP, wide):
        turned = np.ascontiguousarray(lettered(pixels)[::-1, ::-1])
        kept = kept_of(with_exif(png(turned), 3))

        found, plain = decode(kept.data, "a"), decode(png(pixels), "a")
        assert found.grey.shape == plain.grey.shape
        assert np.ptp(found.grey[:40, :60]) < 0.001
        middle = np.s_[150:-150, 150:-150]
        np.testing.assert_allclose(found.grey[middle], plain.grey[middle], atol=0.01)


@pytest.mark.slow
def test_a_picture_without_its_letters_is_measured_as_with_them(tmp_path: Path) -> None:
    """What the record keeps gives the numbers of what came, to a two-hundredth of a millimetre."""
    folder = phantom_case.write(tmp_path).folder
    setup = read_case(folder).setup
    files = [lettered(images.raw_pixels((folder / f"00{k}.png").read_bytes())) for k in (0, 2, 6)]
    found = []
    for change in (lambda data: data, lambda data: kept_of(data).data):
        stills = [decode(change(png(pixels)), f"{k}") for k, pixels in enumerate(files)]
        state = pipeline.open_case(pipeline.prepare_reference(stills[0], setup))
        for still in stills[1:]:
            _, state = pipeline.measure_still(still, state)
        found.append(state)
    assert [one.verdict for one in found[0].results] == ["measured"] * 2
    for one, other in zip(found[0].results, found[1].results, strict=True):
        assert one.removal is not None
        assert other.removal is not None
        assert other.message == one.message
        for name in ("recession_mm", "lcea_deg", "area_mm2"):
            value, again = getattr(one.removal, name), getattr(other.removal, name)
            assert again.value == pytest.approx(value.value, abs=0.005 if "mm" in name else 0.02)
            assert again.u == pytest.approx(value.u, rel=0.01)


def test_of_a_dicom_file_a_copy_is_kept_and_the_hash_of_the_original() -> None:
    data = named_hip()

    kept = kept_of(data)
    still = decode(kept.data, "a")

    assert SECRET.encode() not in kept.data
    assert kept.original_sha256 == hashlib.sha256(data).hexdigest()
    assert kept == kept_of(data)
    assert kept.facts == still.facts
    assert all((kept.who.patient, kept.who.name, kept.who.study))
    # The letters are painted over at the level beside them; the field is as it was.
    levels = np.rint(still.grey * 255)
    assert np.ptp(levels[:14, :62]) == 0
    middle = np.s_[120:-120, 120:-120]
    np.testing.assert_array_equal(levels[middle], HIP[middle])


def test_a_picture_without_a_field_is_kept_unpainted() -> None:
    data = as_file(full())

    kept = kept_of(data)

    np.testing.assert_array_equal(decode(kept.data, "a").grey, decode(data, "a").grey)


@pytest.mark.parametrize("shape", ["disc", "rectangle"])
def test_nothing_exposed_is_ever_painted_over(shape: str) -> None:
    y, x = np.mgrid[:300, :400]
    if shape == "disc":
        valid = np.hypot(x - 200, y - 150) < 0.99 * 120
        field = ExposedField(valid.copy(), "disc", (200.0, 150.0), 120.0)
    else:
        valid = (abs(x - 200) < 150) & (abs(y - 150) < 100)
        field = ExposedField(valid.copy(), "rectangle", (200.0, 150.0), 180.0)

    blank = unexposed(field)

    assert not (blank & valid).any()
    assert blank[0, 0]
    assert blank[-1, -1]
    assert blank.mean() > 0.4


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    with Service(tmp_path / "record") as service:
        service.open_case(parse_case(fakes.CASE))
        yield service


def test_the_record_holds_no_name_and_knows_the_original(service: Service, tmp_path: Path) -> None:
    data = named_hip()
    case_id = service.cases()[0].row.id

    added = service.add_picture(case_id, data, "IM1")
    again = service.add_picture(case_id, data, "IM1 again")

    assert (added.is_new, again.is_new, again.number) == (True, False, added.number)
    digest = hashlib.sha256(data).hexdigest()
    assert service.case(case_id).originals == {digest}
    assert service.has_seen(case_id, digest)
    files = [path for path in (tmp_path / "record").rglob("*") if path.is_file()]
    assert len(files) >= 4
    for path in files:
        held = path.read_bytes()
        assert SECRET.encode() not in held, path
        assert b"Nobody" not in held, path
        assert b"made-up 7" not in held, path


def test_the_original_is_kept_where_that_is_set(tmp_path: Path) -> None:
    settings = replace(DEFAULTS, identity=IdentitySettings(keep_original=True))
    data = named_hip()
    with Service(tmp_path / "record", settings) as service:
        case = service.open_case(parse_case(fakes.CASE))
        service.add_picture(case.row.id, data, "IM1")

    digest = hashlib.sha256(data).hexdigest()
    path = tmp_path / "record" / "pictures" / digest[:2] / digest
    assert path.read_bytes() == data
    assert not DEFAULTS.identity.keep_original


def test_the_key_is_the_record_s_own_and_stays(tmp_path: Path) -> None:
    keys = []
    for name in ("one", "two", "one"):
        Service(tmp_path / name).close()
        path = tmp_path / name / "key"
        assert path.stat().st_mode & 0o777 == 0o400
        keys.append(path.read_bytes())

    assert len(keys[0]) == 32
    assert keys[0] == keys[2] != keys[1]
