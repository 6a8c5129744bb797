"""The de-identified copy of a DICOM file: made new, from elements that are known to be safe.

Nothing is taken out of the original; what the list below names is carried over, and everything
else (names, private data, overlays, comments, curves, devices' numbers) never comes along.  New
identifiers are keyed hashes, so that the same original always gives the same copy and nobody
without the key can find the way back.
"""

import hashlib
import hmac
import re
from datetime import date, timedelta
from typing import Any, Final

import numpy as np
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.filebase import DicomBytesIO
from pydicom.filewriter import dcmwrite
from pydicom.multival import MultiValue
from pydicom.sequence import Sequence
from pydicom.uid import UID, ExplicitVRLittleEndian

from tracker import dicomfile, dicompixels
from tracker.blanking import blanked
from tracker.dicompixels import Layout
from tracker.settings import ImageLimits
from tracker.values import Mask, Who

CARRIED: Final = (
    "Modality", "ConversionType", "PresentationIntentType",
    "PixelSpacing", "PixelSpacingCalibrationType", "ImagerPixelSpacing", "PixelAspectRatio",
    "EstimatedRadiographicMagnificationFactor", "DistanceSourceToDetector",
    "DistanceSourceToPatient", "PositionerMotion", "PositionerType", "PositionerPrimaryAngle",
    "PositionerSecondaryAngle", "ColumnAngulation", "IntensifierSize", "FieldOfViewShape",
    "FieldOfViewDimensions", "FieldOfViewRotation", "FieldOfViewHorizontalFlip",
    "FieldOfViewOrigin", "Laterality", "ImageLaterality", "PatientOrientation", "PatientPosition",
    "BodyPartExamined", "ViewPosition", "KVP", "XRayTubeCurrent", "ExposureTime", "Exposure",
    "AveragePulseWidth", "RadiationSetting", "RadiationMode", "DetectorType",
    "ImageAndFluoroscopyAreaDoseProduct", "EntranceDoseInmGy",
    "PixelIntensityRelationship", "PixelIntensityRelationshipSign", "PresentationLUTShape",
    "RescaleSlope", "RescaleIntercept", "RescaleType", "WindowCenter", "WindowWidth",
    "VOILUTFunction", "BurnedInAnnotation", "LossyImageCompression",
    "LossyImageCompressionRatio", "LossyImageCompressionMethod",
    "SeriesNumber", "InstanceNumber", "AcquisitionNumber",
    "StudyTime", "SeriesTime", "AcquisitionTime", "ContentTime",
)  # fmt: skip
_WORD_KINDS: Final = frozenset({"CS", "LO", "SH", "LT", "ST", "UT", "UC"})
_WORDS: Final = frozenset({
    "XA", "RF", "CR", "DX", "OT", "DV", "DI", "DF", "WSD", "SD", "SI", "DRW", "SYN",
    "FOR PRESENTATION", "FOR PROCESSING", "GEOMETRY", "FIDUCIAL", "STATIC", "DYNAMIC",
    "CARM", "COLUMN", "RIGID", "NONE", "ROUND", "RECTANGLE", "HEXAGONAL", "YES", "NO",
    "R", "L", "U", "B", "HFP", "HFS", "HFDR", "HFDL", "FFP", "FFS", "FFDR", "FFDL",
    "HIP", "PELVIS", "FEMUR", "THIGH", "LEG", "KNEE", "EXTREMITY", "ABDOMEN", "LSPINE", "SSPINE",
    "AP", "PA", "LAT", "LL", "RL", "RLD", "LLD", "RLO", "LLO", "LAO", "RAO",
    "SC", "GR", "CONTINUOUS", "PULSED", "DIRECT", "SCINTILLATOR", "STORAGE", "FILM",
    "LIN", "LOG", "DISP", "IDENTITY", "INVERSE", "OD", "HU", "US",
    "LINEAR", "LINEAR_EXACT", "SIGMOID", "00", "01",
    "ISO_10918_1", "ISO_14495_1", "ISO_15444_1", "ISO_15444_15",
})  # fmt: skip
"""The standard's own words for what is carried over; a word of anybody else may be a name."""
_DIRECTION: Final = re.compile(r"[APRLHF]{1,3}")
_TIME_OF_DAY: Final = re.compile(r"\d{2,6}(\.\d{1,6})?")
_MOMENT: Final = re.compile(r"\d{2,6}(\.\d{1,6})?([+-]\d{4})?")
_DATES: Final = ("StudyDate", "SeriesDate", "AcquisitionDate", "ContentDate")
_EMPTY: Final = (
    "PatientName", "PatientBirthDate", "PatientSex", "ReferringPhysicianName", "StudyID",
    "AccessionNumber", "Manufacturer",
)  # fmt: skip
_X_RAY_TUBE: Final = ("KVP", "XRayTubeCurrent", "ExposureTime", "Exposure")
_NEEDED_EVEN_IF_EMPTY: Final[dict[str, tuple[str, ...]]] = {
    "": ("StudyDate", "StudyTime", "Modality", "SeriesNumber", "InstanceNumber",
         "PatientOrientation", "Laterality"),
    "XA": (*_X_RAY_TUBE, "PositionerPrimaryAngle", "PositionerSecondaryAngle"),
    "RF": _X_RAY_TUBE,
    "CR": ("BodyPartExamined", "ViewPosition"),
    "DX": ("DetectorType", "AnatomicRegionSequence", "AcquisitionContextSequence"),
}  # fmt: skip
"""Elements that the standard wants to be there, by storage class; "" is every class."""
_TABLE: Final = ("LUTDescriptor", "ModalityLUTType", "LUTData")
_PLAIN_CLASS: Final = {
    "XA": "1.2.840.10008.5.1.4.1.1.12.1",
    "RF": "1.2.840.10008.5.1.4.1.1.12.2",
    "SC": "1.2.840.10008.5.1.4.1.1.7",
}
_METHOD: Final = (
    ("113100", "Basic Application Confidentiality Profile"),
    ("113107", "Retain Longitudinal Temporal Information Modified Dates Option"),
)
_CLEAN_PIXELS: Final = ("113101", "Clean Pixel Data Option")
_MOST_DAYS: Final = 3650
_HEADER_BYTES: Final = 1_000_000
"""Left free for the header where a run is kept."""
SOFTWARE_UID: Final = "2.25.216961402684502822655174779561605518670"


def copy_of(
    data: bytes,
    key: bytes,
    limits: ImageLimits,
    *,
    frame: int | None = None,
    blank: Mask | None = None,
) -> bytes:
    """Return the de-identified copy of a DICOM file.

    Parameters
    ----------
    data : bytes
        The original, which :func:`tracker.dicom.read` has read before.
    key : bytes
        Secret of the record; the same original and key give the same bytes.
    limits : ImageLimits
    frame : int, optional
        The frame of a run that is asked for, counted from 0; the last one if not said.
    blank : ndarray of shape (M, N), bool, optional
        Where the picture is not exposed: any text burned in there is painted over.

    Returns
    -------
    bytes
        Uncompressed, with the stored values unchanged where nothing is blanked.  Of a run
        (:func:`kept_frames`) several frames.

    Raises
    ------
    UnreadableImage
    """
    with dicomfile.in_plain_words():
        original = dicomfile.read_dataset(data, limits)
        found = dicompixels.layout(original, limits)
        frames = kept_frames(original, found, limits, frame)
        # Without a name of its own an instance is what is in it.
        instance = str(original.get("SOPInstanceUID", "")) or hashlib.sha256(data).hexdigest()
        part = f"{instance}/{frames.start}" if frames.start else instance
        copy = _empty_copy(original, new_uid(key, part))
        _carry_over(original, copy)
        _new_identity(original, copy, key)
        _say_how(copy, cleaned=blank is not None and bool(blank.any()))
        if len(frames) > 1:
            _say_run(original, copy, len(frames))
        _put_pixels(original, copy, found, frames, blank)
        buffer = DicomBytesIO()
        dcmwrite(buffer, copy, enforce_file_format=True)
        return bytes(buffer.getvalue())


def kept_frames(original: Dataset, found: Layout, limits: ImageLimits, asked: int | None) -> range:
    """Return the frames that are kept: of a grey XA or RF run as many as may be read again.

    They end with the run's last frame, or where not all fit, with the one asked for.
    """
    number = dicompixels.frame_number(found, asked)
    kind = dicomfile.X_RAY_CLASSES.get(str(original.get("SOPClassUID", "")))
    if kind not in ("XA", "RF") or not found.is_grey:
        return range(number, number + 1)
    wide = 2 if found.bits_stored > 8 else 1
    most = max(1, (limits.max_bytes - _HEADER_BYTES) // (found.rows * found.columns * wide))
    if found.frames <= most:
        return range(found.frames)
    return range(max(0, number + 1 - most), number + 1)


def who_of(data: bytes, key: bytes, limits: ImageLimits) -> Who:
    """Return keyed hashes of whom and what examination a DICOM file names.

    Parameters
    ----------
    data : bytes
        The original.
    key : bytes
        Secret of the record: without it nobody can tell who is meant.
    limits : ImageLimits

    Raises
    ------
    UnreadableImage
    """
    with dicomfile.in_plain_words():
        original = dicomfile.read_dataset(data, limits)
        number = " ".join(str(original.get("PatientID", "") or "").split())
        issuer = str(original.get("IssuerOfPatientID", "") or "").strip()
        name = str(original.get("PatientName", "") or "")
        study = str(original.get("StudyInstanceUID", "") or "").strip()
    # One name is written with carets, commas or blanks, in capitals or not.
    words = sorted(re.split(r"[\s^,=.]+", name.casefold()))
    plain = " ".join(word for word in words if word)
    return Who(
        _hash(key, "who", f"{number}\0{issuer}")[:8].hex() if number else "",
        _hash(key, "name", plain)[:8].hex() if plain else "",
        _hash(key, "study", study)[:8].hex() if study else "",
    )


def new_uid(key: bytes, uid: str) -> str:
    """Return the identifier that stands for another: under 2.25, a keyed hash of 128 bits."""
    number = int.from_bytes(_hash(key, "uid", uid)[:16], "big")
    return f"2.25.{number}"


def _hash(key: bytes, purpose: str, text: str) -> bytes:
    return hmac.new(key, f"{purpose}\0{text}".encode(), hashlib.sha256).digest()


def _empty_copy(original: Dataset, instance: str) -> FileDataset:
    meta = FileMetaDataset()
    kind = dicomfile.X_RAY_CLASSES.get(str(original.get("SOPClassUID", "")), "SC")
    sop_class = _PLAIN_CLASS.get(kind, str(original.get("SOPClassUID", "")))
    meta.MediaStorageSOPClassUID = UID(sop_class)
    meta.MediaStorageSOPInstanceUID = UID(instance)
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.ImplementationClassUID = UID(SOFTWARE_UID)
    copy = FileDataset("", {}, file_meta=meta, preamble=bytes(128))
    copy.SOPClassUID = meta.MediaStorageSOPClassUID
    copy.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
    return copy


def _carry_over(original: Dataset, copy: Dataset) -> None:
    for keyword in CARRIED:
        if keyword in original and _is_plain(original[keyword]):
            setattr(copy, keyword, original[keyword].value)
    if "RescaleType" in original and "RescaleType" not in copy:
        copy.RescaleType = "US"
    for keyword in ("ModalityLUTSequence", "VOILUTSequence"):
        items = original.get(keyword)
        if items:
            setattr(copy, keyword, Sequence([_table(items[0], original)]))
    kind = dicomfile.X_RAY_CLASSES.get(str(copy.SOPClassUID), "")
    for keyword in (*_NEEDED_EVEN_IF_EMPTY[""], *_NEEDED_EVEN_IF_EMPTY.get(kind, ())):
        if keyword not in copy:
            setattr(copy, keyword, [] if keyword.endswith("Sequence") else None)
    if copy.Laterality is None and "ImageLaterality" in copy:
        del copy.Laterality
    plane = _plane(original) if kind in ("XA", "RF") else []
    copy.ImageType = ["DERIVED", "PRIMARY", *plane]


def _is_plain(element: DataElement) -> bool:
    """Tell whether a value is a number, a time of day or one of the standard's own words."""
    value = element.value
    several = value if isinstance(value, MultiValue) else [value]
    words = [str(word or "").strip() for word in several]
    if element.VR == "TM":
        return all(not word or _TIME_OF_DAY.fullmatch(word) for word in words)
    if element.keyword == "PatientOrientation":
        return all(not word or _DIRECTION.fullmatch(word) for word in words)
    return element.VR not in _WORD_KINDS or all(not word or word in _WORDS for word in words)


def _plane(original: Dataset) -> list[str]:
    """Return the third word of the kind, which an XA or RF picture must have."""
    words = original.get("ImageType") or []
    known = ("SINGLE PLANE", "BIPLANE A", "BIPLANE B")
    return [word for word in list(words)[2:3] if word in known] or ["SINGLE PLANE"]


def _table(item: Dataset, original: Dataset) -> Dataset:
    table = Dataset()
    for keyword in _TABLE:
        if keyword in item:
            element = item[keyword]
            value = element.value
            if keyword == "ModalityLUTType" and not _is_plain(element):
                value = "US"
            if keyword == "LUTData" and isinstance(value, bytes):
                big = getattr(original, "original_encoding", (False, True))[1] is False
                value = np.frombuffer(value, ">u2").astype("<u2").tobytes() if big else value
            table.add_new(element.tag, element.VR, value)
    return table


def _new_identity(original: Dataset, copy: Dataset, key: bytes) -> None:
    for keyword in _EMPTY:
        setattr(copy, keyword, "")
    for keyword in ("StudyInstanceUID", "SeriesInstanceUID"):
        setattr(copy, keyword, new_uid(key, str(original.get(keyword, ""))))
    patient = f"{original.get('PatientID', '')}\0{original.get('IssuerOfPatientID', '')}"
    named = bool(str(original.get("PatientID", "")).strip())
    copy.PatientID = _hash(key, "patient", patient)[:8].hex() if named else ""
    # One offset for a patient, whole days, so that intervals and times of day stay.
    days = 1 + int.from_bytes(_hash(key, "days", patient)[:4], "big") % _MOST_DAYS
    for keyword in _DATES:
        moved = _moved(str(original.get(keyword, "") or ""), days)
        if moved:
            setattr(copy, keyword, moved)
    moment = str(original.get("AcquisitionDateTime", "") or "")
    clock = _MOMENT.fullmatch(moment[8:])
    if clock and _moved(moment[:8], days):
        copy.AcquisitionDateTime = _moved(moment[:8], days) + clock[0]


def _moved(day: str, days: int) -> str:
    """Return a date so many days earlier; nothing for what is no date."""
    try:
        at = date(int(day[:4]), int(day[4:6]), int(day[6:8]))
        return (at - timedelta(days=days)).strftime("%Y%m%d")
    except (ValueError, OverflowError):
        return ""


def _say_how(copy: Dataset, *, cleaned: bool) -> None:
    copy.PatientIdentityRemoved = "YES"
    copy.LongitudinalTemporalInformationModified = "MODIFIED"
    copy.DeidentificationMethod = "Made new from a list of allowed elements"
    codes = []
    for value, meaning in (*_METHOD, *((_CLEAN_PIXELS,) if cleaned else ())):
        code = Dataset()
        code.CodeValue, code.CodingSchemeDesignator, code.CodeMeaning = value, "DCM", meaning
        codes.append(code)
    copy.DeidentificationMethodCodeSequence = Sequence(codes)


def _say_run(original: Dataset, copy: Dataset, frames: int) -> None:
    copy.NumberOfFrames = frames
    time_ms = original.get("FrameTime")
    copy.FrameTime = time_ms if time_ms else "0"
    copy.FrameIncrementPointer = 0x00181063


def _put_pixels(
    original: FileDataset, copy: Dataset, found: Layout, frames: range, blank: Mask | None
) -> None:
    bits, signed = found.bits_stored, found.signed
    if found.is_grey:
        copy.PhotometricInterpretation, copy.SamplesPerPixel = found.photometric, 1
    else:
        copy.PhotometricInterpretation, copy.SamplesPerPixel = "RGB", 3
        copy.PlanarConfiguration = 0
    pieces = []
    for number in frames:
        values: Any = dicompixels.stored_values(original, found, number)
        if not found.is_grey:
            values = dicompixels.colours(values, original, found)
            bits, signed = values.dtype.itemsize * 8, False
        if blank is not None:
            values = blanked(values, blank, float(2**bits - 1))
        kind = ("<i2" if signed else "<u2") if bits > 8 else ("i1" if signed else "u1")
        pieces.append(np.ascontiguousarray(values).astype(kind).tobytes())
    copy.Rows, copy.Columns = found.rows, found.columns
    copy.BitsAllocated, copy.BitsStored = (16 if bits > 8 else 8), bits
    copy.HighBit, copy.PixelRepresentation = bits - 1, int(signed)
    data = b"".join(pieces)
    copy.add_new("PixelData", "OW" if bits > 8 else "OB", data + bytes(len(data) % 2))
