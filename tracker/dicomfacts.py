"""Data set -> what its header knows, as far as it says it soundly.

A value that is absent, empty, not a number, or outside what a C-arm can do is None: headers are
filled in by hand and by converters.
"""

import hashlib
import math
from collections.abc import Iterable
from datetime import datetime
from typing import Final

from pydicom.dataset import Dataset

from tracker.dicomfile import X_RAY_CLASSES
from tracker.values import HeaderFacts, Side, SpacingKind

_SIDES: Final[dict[str, Side]] = {"L": "left", "R": "right"}
_YES_NO: Final = {"YES": True, "NO": False}
_SAME_SPACING: Final = 0.002
"""Two spacings that differ by less than this share are the same one, rounded."""


def facts_of(dataset: Dataset, frame: int = 0) -> HeaderFacts:
    """Return what a header knows.

    Parameters
    ----------
    dataset : Dataset
    frame : int
        The frame that was read, counted from 0.

    Returns
    -------
    HeaderFacts
    """
    known = X_RAY_CLASSES.get(str(dataset.get("SOPClassUID", "")))
    receptor = _number(dataset, "ImagerPixelSpacing", 0.01, 5)
    spacing = _number(dataset, "PixelSpacing", 0.01, 5)
    towards = _words(dataset, "PatientOrientation")
    return HeaderFacts(
        modality=known or _word(dataset, "Modality"),
        side=_side(dataset),
        receptor_spacing_mm=receptor,
        pixel_spacing_mm=spacing,
        spacing_kind=_spacing_kind(dataset, spacing, receptor),
        source_to_detector_mm=_number(dataset, "DistanceSourceToDetector", 100, 5000),
        source_to_patient_mm=_number(dataset, "DistanceSourceToPatient", 100, 5000),
        primary_deg=_number(dataset, "PositionerPrimaryAngle", -180, 180),
        secondary_deg=_number(dataset, "PositionerSecondaryAngle", -90, 90),
        field_mm=_field(dataset),
        field_round=_field_round(dataset),
        flipped=_YES_NO.get(_word(dataset, "FieldOfViewHorizontalFlip")),
        field_turn_deg=_number(dataset, "FieldOfViewRotation", -360, 360),
        row_towards=towards[0] if len(towards) == 2 else "",
        column_towards=towards[1] if len(towards) == 2 else "",
        acquired=_acquired(dataset),
        dose_area_dgycm2=_number(dataset, "ImageAndFluoroscopyAreaDoseProduct", 0, 1e6),
        entrance_dose_mgy=_number(dataset, "EntranceDoseInmGy", 0, 1e6),
        kv=_number(dataset, "KVP", 10, 200),
        patient_key=_key(dataset, "PatientID", "IssuerOfPatientID"),
        study_key=_key(dataset, "StudyInstanceUID"),
        instance_key=_key(dataset, "SOPInstanceUID"),
        burned_in=_YES_NO.get(_word(dataset, "BurnedInAnnotation")),
        frame=frame,
        frames=max(1, int(_number(dataset, "NumberOfFrames", 1, 1e6) or 1)),
        series_number=_whole(dataset, "SeriesNumber"),
        instance_number=_whole(dataset, "InstanceNumber"),
    )


def _side(dataset: Dataset) -> Side | None:
    """Return the side that the header names; the image's own word goes before the series'."""
    for keyword in ("ImageLaterality", "Laterality"):
        word = _word(dataset, keyword)
        if word:
            return _SIDES.get(word)
    return None


def _spacing_kind(dataset: Dataset, spacing: float | None, receptor: float | None) -> SpacingKind:
    if spacing is None:
        return "none"
    word = _word(dataset, "PixelSpacingCalibrationType")
    if word == "FIDUCIAL":
        return "fiducial"
    if word == "GEOMETRY":
        return "geometry"
    if receptor is not None and abs(spacing / receptor - 1) < _SAME_SPACING:
        return "uncalibrated"
    return "unstated"


def _field(dataset: Dataset) -> tuple[float, ...]:
    for keyword in ("FieldOfViewDimensions", "IntensifierSize"):
        sizes = tuple(size for size in _numbers(dataset, keyword) if 20 <= size <= 1000)
        if sizes:
            return sizes[:2]
    return ()


def _field_round(dataset: Dataset) -> bool | None:
    return {"ROUND": True, "RECTANGLE": False}.get(_word(dataset, "FieldOfViewShape"))


def _acquired(dataset: Dataset) -> str | None:
    """Return when the picture was taken: of the acquisition, else of the content."""
    texts = [_word(dataset, "AcquisitionDateTime")]
    texts += [
        _word(dataset, f"{what}Date") + _word(dataset, f"{what}Time")
        for what in ("Acquisition", "Content")
        if _word(dataset, f"{what}Date") and _word(dataset, f"{what}Time")
    ]
    for text in texts:
        digits = text.partition("+")[0].partition("-")[0]
        whole, _, fraction = digits.partition(".")
        try:
            moment = datetime.strptime(whole[:14].ljust(14, "0"), "%Y%m%d%H%M%S")  # noqa: DTZ007
        except ValueError:
            continue
        if len(whole) >= 12:
            micro = int(fraction[:6].ljust(6, "0")) if fraction.isdigit() else 0
            return moment.replace(microsecond=micro).isoformat()
    return None


def _key(dataset: Dataset, *keywords: str) -> str:
    """Return a short hash of identifiers: for comparing, not for finding a patient."""
    words = [_word(dataset, keyword) for keyword in keywords]
    if not words[0]:
        return ""
    return hashlib.sha256("\0".join(words).encode()).hexdigest()[:16]


def _words(dataset: Dataset, keyword: str) -> list[str]:
    value = _value(dataset, keyword)
    if value is None:
        return []
    if isinstance(value, Iterable) and not isinstance(value, str | bytes):
        return [str(one).strip() for one in value]
    return [str(value).strip()]


def _word(dataset: Dataset, keyword: str) -> str:
    words = _words(dataset, keyword)
    return words[0] if words else ""


def _numbers(dataset: Dataset, keyword: str) -> list[float]:
    numbers = []
    for word in _words(dataset, keyword):
        try:
            number = float(word)
        except ValueError:
            return []
        if not math.isfinite(number):
            return []
        numbers.append(number)
    return numbers


def _number(dataset: Dataset, keyword: str, low: float, high: float) -> float | None:
    """Return a number, the first where there are several, or None outside the bounds."""
    numbers = _numbers(dataset, keyword)
    return numbers[0] if numbers and low <= numbers[0] <= high else None


def _whole(dataset: Dataset, keyword: str) -> int | None:
    number = _number(dataset, keyword, 0, 2**31)
    return None if number is None else int(number)


def _value(dataset: Dataset, keyword: str) -> object:
    # One broken element must not hide the rest of the header.
    try:
        return dataset.get(keyword)
    except (ValueError, TypeError, LookupError, AttributeError, NotImplementedError):
        return None
