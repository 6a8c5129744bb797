"""What the record keeps of a picture that names somebody."""

import hashlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests import fakes
from tests.dicom_files import as_file, dataset_of
from tests.test_dicomcopy import SECRET, full
from tracker import phantom
from tracker.casetoml import parse_case
from tracker.identity import kept_form, unexposed
from tracker.images import decode
from tracker.phantom import Scene
from tracker.service import Service
from tracker.settings import DEFAULTS, IdentitySettings
from tracker.values import ExposedField

KEY = b"a secret of these tests"
HIP = np.asarray(np.round(phantom.render(Scene(noise=0.008), 0)[0].grey * 255), np.uint8)


def named_hip(pixels: np.ndarray = HIP) -> bytes:
    """A hip in a DICOM file that says whose it is, in its header and burned into the picture."""
    marked = pixels.copy()
    marked[4:12, 6:60:4] = 255
    dataset = dataset_of(marked)
    dataset.InstitutionName = SECRET
    return as_file(dataset)


def test_other_files_are_kept_as_they_are() -> None:
    data = fakes.picture(1)

    kept = kept_form(data, decode(data, "a"), KEY, DEFAULTS)

    assert (kept.data, kept.original_sha256) == (data, "")


def test_of_a_dicom_file_a_copy_is_kept_and_the_hash_of_the_original() -> None:
    data = named_hip()

    kept = kept_form(data, decode(data, "a"), KEY, DEFAULTS)
    still = decode(kept.data, "a")

    assert SECRET.encode() not in kept.data
    assert kept.original_sha256 == hashlib.sha256(data).hexdigest()
    assert kept == kept_form(data, decode(data, "a"), KEY, DEFAULTS)
    # The letters are painted over at the level beside them; the field is as it was.
    levels = np.rint(still.grey * 255)
    assert np.ptp(levels[:14, :62]) == 0
    middle = np.s_[120:-120, 120:-120]
    np.testing.assert_array_equal(levels[middle], HIP[middle])


def test_a_picture_without_a_field_is_kept_unpainted() -> None:
    data = as_file(full())

    kept = kept_form(data, decode(data, "a"), KEY, DEFAULTS)

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
