"""The de-identified copy: everything that names somebody is gone, everything measured is there."""

import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from dicomanonymizer.dicom_anonymization_databases import dicomfields_2026c as table
from pydicom import dcmread
from pydicom.datadict import dictionary_VR, tag_for_keyword
from pydicom.dataset import Dataset, FileDataset
from pydicom.filebase import DicomBytesIO
from pydicom.sequence import Sequence

from tests.dicom_files import (
    CLASSES,
    LOSSLESS,
    MADE_UP_NAME,
    UNPACKED,
    as_file,
    dataset_of,
    pattern,
)
from tracker.dicomcopy import CARRIED, copy_of, new_uid, who_of
from tracker.errors import UnreadableImage
from tracker.images import decode
from tracker.settings import ImageLimits
from tracker.values import HeaderFacts, Who

KEY = b"a secret of these tests"
LIMITS = ImageLimits()
PIXELS = pattern()
SECRET = "Imaginary"
"""In every value of the original that can hold text."""

FULL: dict[str, dict[str, Any]] = {
    "XA": {
        "ImageType": ["ORIGINAL", "PRIMARY", "SINGLE PLANE"],
        "PixelIntensityRelationship": "LIN",
        "RadiationSetting": "GR",
        "KVP": "72",
        "PositionerMotion": "STATIC",
        "PositionerPrimaryAngle": "3",
        "PositionerSecondaryAngle": "-2",
    },
    "RF": {
        "ImageType": ["ORIGINAL", "PRIMARY", "SINGLE PLANE"],
        "PixelIntensityRelationship": "DISP",
        "RadiationSetting": "SC",
    },
    "CR": {},
    "DX": {
        "PresentationIntentType": "FOR PRESENTATION",
        "ImageLaterality": "L",
        "PixelIntensityRelationship": "LOG",
        "PixelIntensityRelationshipSign": -1,
        "RescaleIntercept": "0",
        "RescaleSlope": "1",
        "RescaleType": "US",
        "PresentationLUTShape": "IDENTITY",
        "LossyImageCompression": "00",
        "PatientOrientation": ["L", "F"],
        "BurnedInAnnotation": "YES",
        "ImagerPixelSpacing": ["0.3", "0.3"],
        "WindowCenter": "2047",
        "WindowWidth": "4095",
    },
    "SC": {"ConversionType": "WSD"},
}


def full(kind: str = "XA", **changes: Any) -> FileDataset:
    """An original with a name wherever one can stand."""
    dataset = dataset_of(PIXELS, kind, **FULL[kind])
    for day in ("StudyDate", "SeriesDate", "AcquisitionDate", "ContentDate"):
        setattr(dataset, day, "20240229")
    dataset.AcquisitionTime = "101530"
    dataset.PatientBirthDate, dataset.PatientSex = "19700101", "F"
    dataset.OtherPatientIDs = "made-up 9"
    dataset.InstitutionName = dataset.StationName = dataset.OperatorsName = SECRET
    dataset.DeviceSerialNumber = dataset.ProtocolName = dataset.SeriesDescription = SECRET
    dataset.ImageComments = dataset.DerivationDescription = dataset.StudyDescription = SECRET
    dataset.PatientComments = dataset.AccessionNumber = dataset.StudyID = SECRET
    dataset.add_new(0x60000010, "US", PIXELS.shape[0])
    dataset.add_new(0x60000011, "US", PIXELS.shape[1])
    dataset.add_new(0x60000022, "LO", SECRET)
    dataset.add_new(0x60003000, "OW", b"\xff" * (PIXELS.size // 8))
    dataset.add_new(0x50000022, "LO", SECRET)
    dataset.add_new(0x00110010, "LO", SECRET)
    dataset.add_new(0x00111001, "LO", SECRET)
    inner = Dataset()
    inner.PatientName, inner.ReferencedSOPInstanceUID = MADE_UP_NAME, "1.2.3.4"
    dataset.ReferencedImageSequence = Sequence([inner])
    for keyword, value in changes.items():
        setattr(dataset, keyword, value)
    return dataset


def copied(dataset: FileDataset, **how: Any) -> FileDataset:
    return dcmread(DicomBytesIO(copy_of(as_file(dataset), KEY, LIMITS, **how)))


def elements(dataset: Dataset) -> Iterator[Any]:
    yield from dataset.iterall()


@pytest.mark.parametrize(
    "keyword",
    [
        keyword
        for keyword in CARRIED
        if dictionary_VR(tag_for_keyword(keyword) or 0) in ("CS", "LO", "SH", "TM")
    ],
)
def test_a_name_in_a_field_for_a_code_does_not_come_along(keyword: str) -> None:
    data = as_file(full("XA", **{keyword: SECRET.upper(), "RescaleSlope": "1"}))

    assert SECRET.upper().encode() in data
    assert SECRET.upper().encode() not in copy_of(data, KEY, LIMITS)


def test_what_follows_a_date_and_is_no_time_does_not_come_along() -> None:
    data = as_file(full("XA", AcquisitionDateTime=f"20240229{SECRET}"))

    assert SECRET.encode() not in copy_of(data, KEY, LIMITS)


@pytest.mark.parametrize("kind", CLASSES)
def test_no_name_is_left_anywhere(kind: str) -> None:
    data = copy_of(as_file(full(kind)), KEY, LIMITS)

    assert as_file(full(kind)).count(SECRET.encode()) >= 12
    for word in (SECRET, "Nobody", "made-up", "1.2.3.4", "20240229", "19700101"):
        assert word.encode() not in data
    assert full(kind).StudyInstanceUID.encode() not in data


@pytest.mark.parametrize("kind", CLASSES)
def test_overlays_curves_and_private_data_are_gone(kind: str) -> None:
    copy = copied(full(kind))

    assert not [e for e in elements(copy) if e.tag.is_private or e.tag.group >> 8 in (0x50, 0x60)]


# Tags that the table acts on and that the copy has with a value of its own making, by the
# profile's own options (modified dates, times kept with them) or because they are new.
OWN = {
    "PatientID", "PatientIdentityRemoved", "StudyInstanceUID", "SeriesInstanceUID",
    "SOPInstanceUID", "MediaStorageSOPInstanceUID", "StudyDate", "SeriesDate", "AcquisitionDate",
    "ContentDate", "AcquisitionDateTime",
}  # fmt: skip
TIMES_KEPT = {"StudyTime", "SeriesTime", "AcquisitionTime", "ContentTime"}


@pytest.mark.parametrize("kind", CLASSES)
def test_against_the_table_of_another_library(kind: str) -> None:
    """Each element on which the standard's profile acts is absent, empty, or made anew."""
    original, copy = full(kind), copied(full(kind))
    acted_on = {tag for tag in table.ALL_TAGS if len(tag) == 2}

    for element in elements(copy):
        if (element.tag.group, element.tag.element) not in acted_on or element.is_empty:
            continue
        assert element.keyword in OWN | TIMES_KEPT, element
        if element.keyword in OWN:
            assert element.value != original.get(element.keyword)
    assert len(acted_on) > 300


def test_what_the_list_carries_over_is_no_identifier() -> None:
    """The list itself, not only what these originals happen to hold, against the same table."""
    acted_on = {(group << 16) | element for group, element in (t[:2] for t in table.ALL_TAGS)}

    for keyword in CARRIED:
        tag = tag_for_keyword(keyword)
        assert tag is not None
        assert tag not in acted_on or keyword in TIMES_KEPT, keyword
        assert dictionary_VR(tag) not in ("PN", "LT", "UT", "ST", "UI", "SQ"), keyword


def test_the_copy_says_what_was_done() -> None:
    copy = copied(full(), blank=np.arange(PIXELS.size).reshape(PIXELS.shape) < 500)

    assert copy.PatientIdentityRemoved == "YES"
    assert copy.LongitudinalTemporalInformationModified == "MODIFIED"
    assert copy.DeidentificationMethod
    codes = [item.CodeValue for item in copy.DeidentificationMethodCodeSequence]
    assert codes == ["113100", "113107", "113101"]


def without_names(facts: HeaderFacts) -> HeaderFacts:
    return replace(facts, patient_key="", study_key="", instance_key="", acquired=None)


@pytest.mark.parametrize("kind", CLASSES)
@pytest.mark.parametrize("name", ["explicit", "big endian", "JPEG-LS"])
def test_the_copy_is_measured_like_the_original(kind: str, name: str) -> None:
    data = as_file(full(kind), {**UNPACKED, **LOSSLESS}[name])

    one, other = decode(data, "a"), decode(copy_of(data, KEY, LIMITS), "a")

    np.testing.assert_array_equal(one.grey, other.grey)
    assert one.levels == other.levels
    assert one.facts is not None
    assert other.facts is not None
    assert without_names(one.facts) == without_names(other.facts)


@pytest.mark.parametrize("kind", ["XA", "RF"])
def test_a_run_is_kept_whole_so_that_a_frame_can_be_chosen_later(kind: str) -> None:
    run = dataset_of(np.stack([PIXELS // 4, PIXELS // 2, PIXELS]), kind, **FULL[kind])
    data = as_file(run)
    copy = copy_of(data, KEY, LIMITS)

    for frame in (None, 0, 1, 2):
        one, other = decode(copy, "a", frame=frame), decode(data, "a", frame=frame)
        np.testing.assert_array_equal(one.grey, other.grey)
        assert one.facts is not None
        assert (one.facts.frame, one.facts.frames) == (2 if frame is None else frame, 3)
    assert copy == copy_of(data, KEY, LIMITS, frame=0)


def test_of_a_run_that_is_too_large_the_last_frames_up_to_the_one_asked_for_are_kept() -> None:
    frames = [PIXELS // part for part in (8, 4, 2, 1)]
    data = as_file(dataset_of(np.stack(frames), **FULL["XA"]))
    small = replace(LIMITS, max_bytes=1_000_000 + 2 * PIXELS.nbytes)

    last = decode(copy_of(data, KEY, small), "a")
    asked = decode(copy_of(data, KEY, small, frame=2), "a")

    for still, frame in ((last, frames[3]), (asked, frames[2])):
        np.testing.assert_array_equal(np.rint(still.grey * 4095), frame)
        assert still.facts is not None
        assert (still.facts.frame, still.facts.frames) == (1, 2)


def test_of_a_secondary_capture_run_one_frame_is_kept() -> None:
    run = dataset_of(np.stack([PIXELS // 2, PIXELS]), "SC", **FULL["SC"])
    copies = [copy_of(as_file(run), KEY, LIMITS, frame=frame) for frame in (None, 0)]

    for copy, values in zip(copies, (PIXELS, PIXELS // 2), strict=True):
        np.testing.assert_array_equal(np.rint(decode(copy, "a").grey * 4095), values)
    assert copies[0] != copies[1]


def test_the_mean_of_a_run_s_end_is_the_same_from_the_copy() -> None:
    grain = np.random.default_rng(3).normal(0, 40, (3, *PIXELS.shape))
    noisy = np.clip(np.rint(PIXELS * 0.8 + 400 + grain), 0, 4095).astype(np.uint16)
    data = as_file(dataset_of(noisy, **FULL["XA"]))

    one, other = decode(data, "a"), decode(copy_of(data, KEY, LIMITS), "a")

    np.testing.assert_array_equal(one.grey, other.grey)
    assert one.facts is not None
    assert (one.facts.frame, one.facts.averaged) == (2, 3)
    np.testing.assert_allclose(one.grey * 4095, noisy.mean(axis=0), atol=0.01)


@pytest.mark.parametrize(
    ("changes", "same"),
    [
        ({}, {"patient", "name", "study"}),
        ({"PatientName": "imaginary, NOBODY"}, {"patient", "name", "study"}),
        ({"PatientName": "Nobody^Else"}, {"patient", "study"}),
        ({"PatientID": " made-up  7"}, {"patient", "name", "study"}),
        ({"PatientID": "made-up 8"}, {"name", "study"}),
        ({"IssuerOfPatientID": "elsewhere"}, {"name", "study"}),
        ({"StudyInstanceUID": "2.25.9"}, {"patient", "name"}),
    ],
)
def test_whom_a_file_names_is_told_by_hashes_that_only_the_key_explains(
    changes: dict[str, str], same: set[str]
) -> None:
    one, other = (as_file(full(**more)) for more in ({}, changes))
    first, second = who_of(one, KEY, LIMITS), who_of(other, KEY, LIMITS)

    equal = {part for part in ("patient", "name", "study")
             if getattr(first, part) == getattr(second, part)}  # fmt: skip
    assert equal == same
    assert who_of(one, b"another", LIMITS).patient != first.patient
    nobody = full(PatientID="", PatientName="", StudyInstanceUID="")
    assert who_of(as_file(nobody), KEY, LIMITS) == Who()


def test_text_beyond_the_field_is_painted_over_and_the_field_is_not_touched() -> None:
    marked = PIXELS.copy()
    marked[:20] = 300
    marked[5:12, 10:90:3] = 4095
    dataset = full()
    dataset.PixelData = marked.tobytes()
    blank = np.zeros(PIXELS.shape, bool)
    blank[:20] = True

    still = decode(copy_of(as_file(dataset), KEY, LIMITS, blank=blank), "a")

    values = np.rint(still.grey * 4095)
    assert (values[:20] == 300).all()
    np.testing.assert_array_equal(values[20:], PIXELS[20:])


def test_the_same_original_gives_the_same_copy_and_another_key_another() -> None:
    data = as_file(full())

    assert copy_of(data, KEY, LIMITS) == copy_of(data, KEY, LIMITS)
    assert copy_of(data, KEY, LIMITS) != copy_of(data, b"another", LIMITS)


def test_pictures_of_one_patient_move_by_one_offset_and_stay_of_one_patient() -> None:
    first = copied(full())
    later = copied(full(ContentDate="20240302", SOPInstanceUID="2.25.5"))
    other = copied(full(PatientID="made-up 8"))

    assert first.PatientID == later.PatientID != other.PatientID
    assert first.StudyInstanceUID == later.StudyInstanceUID
    assert first.SOPInstanceUID != later.SOPInstanceUID

    def day(text: str) -> np.datetime64:
        return np.datetime64(f"{text[:4]}-{text[4:6]}-{text[6:]}")

    assert day(later.ContentDate) - day(first.ContentDate) == np.timedelta64(2, "D")
    moved = {day(first[name].value) for name in ("StudyDate", "AcquisitionDate", "ContentDate")}
    assert len(moved) == 1
    assert day("20240229") - moved.pop() >= np.timedelta64(1, "D")
    assert first.AcquisitionTime == "101530"


def test_pictures_without_names_are_not_taken_for_one_another() -> None:
    pixels = PIXELS.copy()
    facts = []
    for level in (1, 2):
        pixels[0, 0] = level
        data = as_file(dataset_of(pixels, SOPInstanceUID="", PatientID="", **FULL["XA"]))
        facts.append(decode(copy_of(data, KEY, LIMITS), "a").facts)

    assert facts[0] is not None
    assert facts[1] is not None
    assert facts[0].instance_key != facts[1].instance_key
    assert facts[0].patient_key == facts[1].patient_key == ""


def test_new_identifiers_are_valid_and_differ() -> None:
    made = {new_uid(KEY, str(number)) for number in range(200)}

    assert len(made) == 200
    assert all(uid.startswith("2.25.") and len(uid) <= 64 for uid in made)


def test_a_damaged_original_is_refused_in_one_line() -> None:
    with pytest.raises(UnreadableImage, match="cut short or damaged"):
        copy_of(as_file(full())[:-5000], KEY, LIMITS)


@pytest.mark.dicom3tools
@pytest.mark.parametrize("kind", CLASSES)
def test_dciodvfy_finds_no_error_in_the_copy(kind: str, tmp_path: Path) -> None:
    path = tmp_path / "copy.dcm"
    path.write_bytes(copy_of(as_file(full(kind)), KEY, LIMITS))

    said = subprocess.run(
        ["dciodvfy", str(path)], capture_output=True, text=True, check=False, timeout=30
    ).stderr

    assert f"{'XRF' if kind == 'RF' else kind}Image" in said
    assert [line for line in said.splitlines() if line.startswith("Error")] == []


@pytest.mark.dicom3tools
@pytest.mark.parametrize("kind", ["XA", "RF"])
def test_dciodvfy_finds_no_error_in_the_copy_of_a_run(kind: str, tmp_path: Path) -> None:
    path = tmp_path / "copy.dcm"
    run = full(kind, NumberOfFrames=3, PixelData=np.stack([PIXELS] * 3).tobytes())
    path.write_bytes(copy_of(as_file(run), KEY, LIMITS))

    said = subprocess.run(
        ["dciodvfy", str(path)], capture_output=True, text=True, check=False, timeout=30
    ).stderr

    assert [line for line in said.splitlines() if line.startswith("Error")] == []
