"""What a DICOM header knows, and what is not believed of it."""

from typing import Any

import pytest

from tests.dicom_files import as_file, dataset_of, pattern
from tracker.images import decode
from tracker.record import from_text, to_text
from tracker.values import HeaderFacts

PIXELS = pattern()


def facts(kind: str = "XA", **changes: Any) -> HeaderFacts:
    found = decode(as_file(dataset_of(PIXELS, kind, **changes)), "a").facts
    assert found is not None
    return found


def test_a_full_header() -> None:
    found = facts(
        ImageLaterality="R",
        ImagerPixelSpacing=[0.3, 0.3],
        DistanceSourceToDetector=1000,
        DistanceSourceToPatient=700,
        PositionerPrimaryAngle=-3.5,
        PositionerSecondaryAngle=1.25,
        IntensifierSize=230,
        FieldOfViewShape="ROUND",
        FieldOfViewHorizontalFlip="NO",
        FieldOfViewRotation=90,
        PatientOrientation=["L", "F"],
        AcquisitionDate="20240229",
        AcquisitionTime="101530.25",
        ImageAndFluoroscopyAreaDoseProduct="1.75",
        EntranceDoseInmGy="0.4",
        KVP="72",
        BurnedInAnnotation="YES",
    )

    assert found.side == "right"
    assert found.receptor_spacing_mm == 0.3
    assert (found.source_to_detector_mm, found.source_to_patient_mm) == (1000, 700)
    assert (found.primary_deg, found.secondary_deg) == (-3.5, 1.25)
    assert (found.field_mm, found.field_round) == ((230.0,), True)
    assert (found.flipped, found.field_turn_deg) == (False, 90)
    assert (found.row_towards, found.column_towards) == ("L", "F")
    assert found.acquired == "2024-02-29T10:15:30.250000"
    assert (found.dose_area_dgycm2, found.entrance_dose_mgy, found.kv) == (1.75, 0.4, 72)
    assert found.burned_in is True


def test_an_empty_header_knows_nothing() -> None:
    found = facts("SC")

    assert found.modality == "SC"
    assert found.patient_key
    assert found == HeaderFacts(
        "SC",
        patient_key=found.patient_key,
        study_key=found.study_key,
        instance_key=found.instance_key,
    )


@pytest.mark.parametrize(
    ("changes", "kind"),
    [
        ({}, "none"),
        ({"ImagerPixelSpacing": [0.3, 0.3]}, "none"),
        ({"PixelSpacing": [0.3, 0.3], "ImagerPixelSpacing": [0.3, 0.3]}, "uncalibrated"),
        ({"PixelSpacing": [0.21, 0.21], "ImagerPixelSpacing": [0.3, 0.3]}, "unstated"),
        ({"PixelSpacing": [0.21, 0.21]}, "unstated"),
        ({"PixelSpacing": [0.21, 0.21], "PixelSpacingCalibrationType": "GEOMETRY"}, "geometry"),
        ({"PixelSpacing": [0.21, 0.21], "PixelSpacingCalibrationType": "FIDUCIAL"}, "fiducial"),
    ],
)
def test_the_receptor_s_spacing_is_never_taken_for_the_hip_s(
    changes: dict[str, Any], kind: str
) -> None:
    found = facts(**changes)

    assert found.spacing_kind == kind
    assert found.hip_spacing_mm == (0.21 if kind == "fiducial" else None)


@pytest.mark.parametrize(
    ("changes", "side"),
    [
        ({"Laterality": "L"}, "left"),
        ({"ImageLaterality": "R", "Laterality": "L"}, "right"),
        ({"ImageLaterality": "B"}, None),
        ({"ImageLaterality": "U"}, None),
        ({"Laterality": ""}, None),
    ],
)
def test_the_side_only_where_one_is_named(changes: dict[str, Any], side: str | None) -> None:
    assert facts(**changes).side == side


@pytest.mark.parametrize(
    ("changes", "moment"),
    [
        ({"AcquisitionDateTime": "20240105093000.5+0100"}, "2024-01-05T09:30:00.500000"),
        ({"ContentDate": "20240105", "ContentTime": "0930"}, "2024-01-05T09:30:00"),
        ({"AcquisitionDate": "20240105"}, None),
        ({"AcquisitionDate": "20241305", "AcquisitionTime": "0930"}, None),
        ({"AcquisitionDate": "yesterday", "AcquisitionTime": "noon"}, None),
    ],
)
def test_the_time_of_the_picture(changes: dict[str, Any], moment: str | None) -> None:
    assert facts(**changes).acquired == moment


@pytest.mark.parametrize(
    "changes",
    [
        {"KVP": "7200"},
        {"DistanceSourceToDetector": "0"},
        {"PositionerPrimaryAngle": "720"},
        {"ImageAndFluoroscopyAreaDoseProduct": "-1"},
        {"ImagerPixelSpacing": [0, 0]},
        {"IntensifierSize": "1"},
    ],
)
def test_what_no_c_arm_can_do_is_not_believed(changes: dict[str, Any]) -> None:
    found, plain = facts(**changes), facts()

    assert found == plain


def test_keys_tell_patients_apart_and_hold_no_name() -> None:
    one, other, again = facts(), facts(PatientID="made-up 8"), facts(SOPInstanceUID="2.25.9")

    assert one.patient_key == again.patient_key != other.patient_key
    assert one.instance_key != again.instance_key
    assert "made-up" not in to_text(one)
    assert "Nobody" not in to_text(one)


def test_facts_go_through_the_record_unchanged() -> None:
    found = facts(ImageLaterality="L", IntensifierSize=230, KVP=70)

    assert from_text(HeaderFacts, to_text(found)) == found
