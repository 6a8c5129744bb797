"""A report as a DICOM structured report (TID 1500), its numbers in UCUM units.

One group of measurements for each place of the report's numbers; each measured number carries its
standard uncertainty and the ends of its interval as properties of its own.
"""

from itertools import groupby
from typing import Any, Final

from tracker import __version__
from tracker.report import Line, Report
from tracker.report_dicom import (
    MANUFACTURER,
    SERIES_REPORT,
    SOFTWARE_UID,
    dated,
    highdicom,
    name,
    pseudonym,
    uid,
)
from tracker.report_entries import Entry, entries

SCHEME: Final = "99RIMTRACKER"
"""Coding scheme of what no standard scheme has a word for; a code is the last part of a key."""

_CODE_CHARACTERS: Final = 16
_MEANING_CHARACTERS: Final = 64

UNITS: Final = {
    "mm": "millimeter",
    "deg": "degree",
    "mm2": "square millimeter",
    "mm/{pixel}": "millimeter per pixel",
    "{count}": "count",
    "1": "no units",
    "dGy.cm2": "decigray square centimeter",
    "mGy": "milligray",
    "kV": "kilovolt",
    "min": "minute",
}
"""What the units of the entries mean."""

VERDICTS: Final = {
    "may be at the plan": "at-the-plan",
    "past the plan": "past-the-plan",
    "lower limit reached": "lower-limit",
    "greatest depth reached": "greatest-depth",
}
"""Codes of what a verdict says, where its words are too long for one."""

PLACES: Final = {
    "plan": "Plan",
    "scale": "Scale",
    "start": "Start",
    "carried": "Before the present first picture",
    "final": "Final state before repair",
    "around": "Around the resection",
    "film": "Films compared",
    "film.before": "Film before the operation",
    "film.after": "Film after the operation",
    "after_traction": "After traction",
    "exposure": "Pictures and dose",
}
"""Names of the groups."""


def structured(report: Report, shown: Any, key: bytes) -> Any:
    """Return a report as a structured report.

    Parameters
    ----------
    report : Report
    shown : Dataset or None
        The secondary capture of the final picture, which the report refers to.
    key : bytes
        Secret of the record.

    Returns
    -------
    Dataset
    """
    library = highdicom()
    sr = library.sr
    groups = [_group(sr, report, place, found, shown, key) for place, found in _places(report)]
    groups += [_unmeasured(sr, report, line, key) for line in report.unmeasured]
    content = sr.MeasurementReport(
        observation_context=_observer(sr, report),
        procedure_reported=_code(sr, "44491008", "Fluoroscopy", "SCT"),
        imaging_measurements=groups,
        language_of_content_item_and_descendants=sr.LanguageOfContentItemAndDescendants(
            _code(sr, "en", "English", "RFC5646")
        ),
    )
    content[0].ContentSequence.extend(_said(sr, report))
    about = shown if shown is not None else _nobody(report, key)
    identity = f"{report.made.chain}\0{report.made.entries}\0{report.made.software}"
    data = sr.ComprehensiveSR(
        evidence=[about],
        content=content,
        series_instance_uid=uid(key, report, f"series {SERIES_REPORT}"),
        series_number=SERIES_REPORT,
        sop_instance_uid=uid(key, report, "structured report", identity),
        instance_number=1,
        manufacturer=MANUFACTURER,
        is_complete=True,
        is_final=report.closed,
        is_verified=False,
        record_evidence=shown is not None,
    )
    data.SeriesDescription = "Rim resection report"
    data.CodingSchemeIdentificationSequence = [_scheme()]
    return dated(data, report)


def _places(report: Report) -> list[tuple[str, list[Entry]]]:
    """Return the entries by place; marks are points of one picture, not measurements."""
    found = [entry for entry in entries(report) if not entry.key.startswith("marks.")]
    # A picture's dose follows its measurements though the tables have it elsewhere.
    order = {place: k for k, place in enumerate(dict.fromkeys(_place(e) for e in found))}
    found.sort(key=lambda entry: order[_place(entry)])
    return [(place, list(group)) for place, group in groupby(found, key=_place)]


def _place(entry: Entry) -> str:
    return entry.key.rsplit(".", 1)[0]


def _group(sr: Any, report: Report, place: str, found: list[Entry], shown: Any, key: bytes) -> Any:
    about = []
    if place == "final" and shown is not None:
        about = [sr.SourceImageForMeasurementGroup.from_source_image(shown)]
    final = report.final
    said = []
    if place == "final" and final is not None:
        said = [_evaluation(sr, one) for one in (final.message, *final.limits) if one]
    return sr.MeasurementsAndQualitativeEvaluations(
        tracking_identifier=sr.TrackingIdentifier(
            uid=uid(key, report, f"group {place}"), identifier=_name(place)
        ),
        finding_type=_code(sr, "37783008", "Acetabulum", "SCT"),
        finding_sites=[_site(sr, report)],
        algorithm_id=sr.AlgorithmIdentification(
            name=MANUFACTURER, version=report.made.software, parameters=[report.made.settings]
        ),
        measurements=[_measurement(sr, entry) for entry in found],
        qualitative_evaluations=said or None,
        source_images=about or None,
    )


def _name(place: str) -> str:
    if place.startswith("picture."):
        return f"Picture {place.removeprefix('picture.')}"
    return PLACES[place]


def _site(sr: Any, report: Report) -> Any:
    side = {"left": ("7771000", "Left"), "right": ("24028007", "Right")}[report.side]
    return sr.FindingSite(
        anatomic_location=_code(sr, "24136001", "Hip joint", "SCT"),
        laterality=_code(sr, *side, "SCT"),
    )


def _measurement(sr: Any, entry: Entry) -> Any:
    unit = _code(sr, entry.unit, UNITS[entry.unit], "UCUM")
    measured = sr.Measurement(name=_own(sr, _part(entry), entry.name), value=entry.value, unit=unit)
    quantity = entry.quantity
    if quantity is None:
        return measured
    # The library gives these a unit of its own; an uncertainty has the unit of what it is of.
    properties = (
        (_own(sr, "u", "Standard uncertainty (k = 1)"), quantity.u),
        (
            _code(sr, "371886008", "+, range of upper measurement uncertainty", "SCT"),
            2 * quantity.u,
        ),
        (
            _code(sr, "371885007", "-, range of lower measurement uncertainty", "SCT"),
            2 * quantity.u,
        ),
    )
    item = measured[0]
    children = list(item.ContentSequence) if "ContentSequence" in item else []
    children += [
        sr.NumContentItem(
            name=title,
            value=value,
            unit=unit,
            relationship_type=sr.RelationshipTypeValues.HAS_PROPERTIES,
        )
        for title, value in properties
    ]
    item.ContentSequence = sr.ContentSequence(children)
    return measured


def _part(entry: Entry) -> str:
    return entry.key.rsplit(".", 1)[-1]


def _unmeasured(sr: Any, report: Report, line: Line, key: bytes) -> Any:
    """Say of a picture that it has no numbers, and why."""
    reasons = [_evaluation(sr, str(one.reason), "Reason") for one in line.reasons]
    return sr.MeasurementsAndQualitativeEvaluations(
        tracking_identifier=sr.TrackingIdentifier(
            uid=uid(key, report, f"unmeasured {line.number}"), identifier=f"Picture {line.number}"
        ),
        finding_type=_code(sr, "37783008", "Acetabulum", "SCT"),
        finding_sites=[_site(sr, report)],
        qualitative_evaluations=[_evaluation(sr, line.standing), *reasons],
    )


def _evaluation(sr: Any, said: str, title: str = "Verdict") -> Any:
    return sr.QualitativeEvaluation(
        name=_own(sr, title.lower(), title),
        value=_own(sr, VERDICTS.get(said, said.replace(" ", "-")), said),
    )


def _observer(sr: Any, report: Report) -> Any:
    device = sr.DeviceObserverIdentifyingAttributes(
        uid=SOFTWARE_UID,
        name=MANUFACTURER,
        manufacturer_name=MANUFACTURER,
        model_name=MANUFACTURER,
        serial_number=report.made.settings,
    )
    return sr.ObservationContext(
        observer_device_context=sr.ObserverContext(
            observer_type=_code(sr, "121007", "Device", "DCM"),
            observer_identifying_attributes=device,
        )
    )


def _said(sr: Any, report: Report) -> list[Any]:
    """Return what the report says in words: cautions, limits, where it comes from."""
    comment = _code(sr, "121106", "Comment", "DCM")
    made = report.made
    texts = [
        (comment, report.caution),
        *((comment, text) for text in report.unseen),
        (comment, report.intervals),
        (_own(sr, "software", "Software and settings"), f"{made.software}, {made.settings}"),
        (_own(sr, "chain", "Head of the chain of hashes"), made.chain or "not recorded"),
    ]
    return [
        sr.TextContentItem(
            name=title, value=text, relationship_type=sr.RelationshipTypeValues.CONTAINS
        )
        for title, text in texts
    ]


def _code(sr: Any, value: str, meaning: str, scheme: str) -> Any:
    return sr.CodedConcept(value=value, meaning=meaning, scheme_designator=scheme)


def _own(sr: Any, value: str, meaning: str) -> Any:
    """Return a code of this software's own scheme."""
    return _code(sr, value[:_CODE_CHARACTERS], meaning[:_MEANING_CHARACTERS], SCHEME)


def _scheme() -> Any:
    from pydicom.dataset import Dataset

    item = Dataset()
    item.CodingSchemeDesignator = SCHEME
    item.CodingSchemeName = MANUFACTURER
    item.CodingSchemeVersion = __version__
    item.CodingSchemeResponsibleOrganization = MANUFACTURER
    return item


def _nobody(report: Report, key: bytes) -> Any:
    """Return what a report takes its patient and study from where there is no picture."""
    from pydicom.dataset import Dataset

    data = Dataset()
    # Secondary capture: of an object that is nowhere, and is not referred to.
    data.SOPClassUID = "1.2.840.10008.5.1.4.1.1.7"
    data.SOPInstanceUID = uid(key, report, "nothing")
    data.StudyInstanceUID = uid(key, report, "study")
    data.SeriesInstanceUID = uid(key, report, f"series {SERIES_REPORT}")
    data.PatientID, data.PatientName = pseudonym(report), name(report)
    for keyword in (
        "PatientBirthDate",
        "PatientSex",
        "StudyDate",
        "StudyTime",
        "AccessionNumber",
        "StudyID",
        "ReferringPhysicianName",
    ):
        setattr(data, keyword, "")
    return data
