"""What the DICOM objects of a report share, and the secondary capture of its final picture.

Identifiers are keyed hashes of the case's pseudonym and of what the object holds; dates are the
case's own, in UTC.  The same case gives the same bytes.
"""

import hashlib
import re
from datetime import UTC, datetime
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from tracker.errors import InputError
from tracker.report import Report

MISSING: Final = "install with the extra: pip install -e '.[report,dicom]'"
MANUFACTURER: Final = "Rim resection tracker"
SERIES_CAPTURE: Final = 1
SERIES_REPORT: Final = 2
SOFTWARE_UID: Final = "2.25.216961402684502822655174779561605518670"
_NOT_IN_A_NAME: Final = re.compile(r"[\\^=\x00-\x1f]")


def highdicom() -> Any:
    """Return the library, which takes a second to load.

    Raises
    ------
    InputError
        It is not installed.
    """
    try:
        import highdicom
    except ImportError:
        raise InputError("A DICOM object needs highdicom.", hint=MISSING) from None
    return highdicom


def uid(key: bytes, report: Report, purpose: str, content: str = "") -> str:
    """Return an identifier made by keyed hash.

    Parameters
    ----------
    key : bytes
        Secret of the record.
    report : Report
    purpose : str
        What is to be named: "study", "series 1", "capture" …
    content : str
        What is in it, where another content is another object.
    """
    from tracker.dicomcopy import new_uid

    return new_uid(key, f"report\0{report.case_id}\0{purpose}\0{content}")


def pseudonym(report: Report) -> str:
    """Return the case's name as a DICOM element can hold it."""
    return _NOT_IN_A_NAME.sub("_", report.case_id)


def name(report: Report) -> str:
    """Return the pseudonym as a person's name; the caret says that it is one word on purpose."""
    return f"{pseudonym(report)}^"


def dated(data: Any, report: Report) -> Any:
    """Give an object the case's dates and no others, and say who it does not name."""
    opened, last = report.opened_at.astimezone(UTC), report.last_at.astimezone(UTC)
    data.PatientID, data.PatientName = pseudonym(report), name(report)
    data.PatientIdentityRemoved = "YES"
    data.DeidentificationMethod = "Made new; the case's pseudonym only"
    data.StudyDescription = "Acetabular rim resection followed on C-arm pictures"
    data.StudyDate, data.StudyTime = _day(opened), _time(opened)
    if "DateOfSecondaryCapture" in data:
        data.DateOfSecondaryCapture, data.TimeOfSecondaryCapture = _day(last), _time(last)
    for part in ("Series", "Content", "InstanceCreation"):
        setattr(data, f"{part}Date", _day(last))
        setattr(data, f"{part}Time", _time(last))
    data.TimezoneOffsetFromUTC = "+0000"
    data.StudyID = "1"
    data.Manufacturer = data.ManufacturerModelName = MANUFACTURER
    data.SoftwareVersions = report.made.software
    data.DeviceSerialNumber = report.made.settings
    data.file_meta.ImplementationClassUID = SOFTWARE_UID
    data.file_meta.ImplementationVersionName = "RIMTRACKER"
    for item in data.get("ContributingEquipmentSequence", ()):
        item.ContributionDateTime = last.strftime("%Y%m%d%H%M%S")
    return data


def to_bytes(data: Any) -> bytes:
    """Return an object as a DICOM file."""
    from pydicom.filebase import DicomBytesIO
    from pydicom.filewriter import dcmwrite

    buffer = DicomBytesIO()
    dcmwrite(buffer, data, enforce_file_format=True)
    return bytes(buffer.getvalue())


def capture(
    report: Report, picture: NDArray[np.uint8], orientation: tuple[str, str], key: bytes
) -> Any:
    """Return the secondary capture of the final picture.

    Parameters
    ----------
    report : Report
    picture : ndarray of shape (M, N, 3), uint8
        Of :func:`tracker.report_picture.burnt_in`.
    orientation : tuple of str
        Letters of the patient's direction to which rows and columns run; empty where unknown.
    key : bytes
        Secret of the record.

    Returns
    -------
    Dataset
    """
    library = highdicom()
    content = hashlib.sha256(picture.tobytes()).hexdigest()
    data = library.sc.SCImage(
        pixel_array=picture,
        photometric_interpretation="RGB",
        bits_allocated=8,
        coordinate_system="PATIENT",
        study_instance_uid=uid(key, report, "study"),
        series_instance_uid=uid(key, report, f"series {SERIES_CAPTURE}"),
        series_number=SERIES_CAPTURE,
        sop_instance_uid=uid(key, report, "capture", f"{content}\0{report.made.chain}"),
        instance_number=1,
        manufacturer=MANUFACTURER,
        patient_orientation=orientation if all(orientation) else ("L", "F"),
        laterality=report.side[0].upper(),
        study_date=_date(report.opened_at),
    )
    if not all(orientation):
        data.PatientOrientation = ""
    data.BodyPartExamined = "HIP"
    data.SeriesDescription = "Final picture with the rim's lines"
    data.ImageComments = report.caution
    data.DerivationDescription = "Registered to the first picture, magnified, lines drawn in"
    data.ImageType = ["DERIVED", "SECONDARY"]
    data.BurnedInAnnotation = "NO"
    data.RecognizableVisualFeatures = "NO"
    return dated(data, report)


def _date(at: datetime) -> Any:
    return at.astimezone(UTC).date()


def _day(at: datetime) -> str:
    return at.strftime("%Y%m%d")


def _time(at: datetime) -> str:
    return at.strftime("%H%M%S.%f")
