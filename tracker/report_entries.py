"""Every number of a report in one flat list: what the tables and the DICOM report are made of.

The page takes its numbers from the same report by the same keys, so that all of them agree.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from tracker.report import Beside, FinalState, Line, Report, Start
from tracker.values import Quantity, Removal


@dataclass(frozen=True, slots=True)
class Entry:
    """One number of a report.

    Attributes
    ----------
    key : str
        Its place: what it belongs to, then what it is with its unit, such as
        ``picture.5.removed_mm``.
    name : str
        What it is, in words.
    value : float
    u : float or None
        Standard uncertainty; None for what was given or counted.
    unit : str
        In UCUM.
    picture : int or None
        The picture it was measured on.
    """

    key: str
    name: str
    value: float
    u: float | None
    unit: str
    picture: int | None = None

    @property
    def quantity(self) -> Quantity | None:
        """The number with its interval; None where it has no uncertainty."""
        return None if self.u is None else Quantity(self.value, self.u, self.unit)


PIXEL: Final = "{pixel}"
_PLAIN: Final = "1"
_COUNT: Final = "{count}"

NAMES: Final[dict[str, tuple[str, str]]] = {
    "target_lcea_deg": ("planned lateral centre-edge angle", "deg"),
    "lower_limit_lcea_deg": ("lower limit of the lateral centre-edge angle", "deg"),
    "depth_mm": ("planned depth", "mm"),
    "greatest_depth_mm": ("greatest depth", "mm"),
    "given_head_diameter_mm": ("diameter of the head, as given", "mm"),
    "given_object_diameter_mm": ("diameter of the object, as given", "mm"),
    "given_mm_per_px": ("scale, as given", "mm/{pixel}"),
    "mm_per_px": ("scale", "mm/{pixel}"),
    "head_diameter_mm": ("diameter of the marked head", "mm"),
    "edge_radius_mm": ("radius from the centre to the edge", "mm"),
    "lcea_deg": ("lateral centre-edge angle", "deg"),
    "change_deg": ("fall of the lateral centre-edge angle", "deg"),
    "removed_mm": ("bone removed at the edge", "mm"),
    "running_mm": ("bone removed, running total", "mm"),
    "total_mm": ("bone removed, with what was carried over", "mm"),
    "carried_mm": ("bone removed before the present first picture", "mm"),
    "left_mm": ("left to the plan", "mm"),
    "left_to_limit_mm": ("left to the lower limit", "mm"),
    "difference_mm": ("difference of two exposures", "mm"),
    "area_mm2": ("area between the outlines", "mm2"),
    "thinned_mm2": ("thinned area", "mm2"),
    "tilt_deg": ("tilt of the beam", "deg"),
    "oblique_deg": ("obliquity of the beam", "deg"),
    "hidden_share": ("share of the outline that is hidden or unsure", _PLAIN),
    "traction_min": ("time under traction", "min"),
    "labrum_mm": ("detached stretch of the labrum", "mm"),
    "anchor_spacing_mm": ("distance from anchor to anchor", "mm"),
    "anchors_planned": ("anchors for that stretch", _COUNT),
    "anchors_in": ("anchors that are in", _COUNT),
    "film_lcea_deg": ("lateral centre-edge angle on a film", "deg"),
    "film_change_deg": ("change of that angle between the films", "deg"),
    "estimated_mm": ("removed, by the surgeon's own estimate", "mm"),
    "received": ("pictures received", _COUNT),
    "measured": ("pictures measured", _COUNT),
    "not_measured": ("pictures not measured", _COUNT),
    "aside": ("pictures set aside or taken back", _COUNT),
    "repeats": ("files that were in the case already", _COUNT),
    "unreadable": ("files that were no pictures", _COUNT),
    "retakes": ("retakes that the tool asked for", _COUNT),
    "zero": ("zero pictures", _COUNT),
    "second_final": ("second exposures of the final state", _COUNT),
    "asked_for": ("exposures that the tool asked for", _COUNT),
    "dose_dgycm2": ("dose-area product", "dGy.cm2"),
    "dose_sum_dgycm2": ("dose-area product, sum of what the headers say", "dGy.cm2"),
    "dose_last_dgycm2": ("dose-area product by the last header, if it counts on", "dGy.cm2"),
    "entrance_mgy": ("entrance dose", "mGy"),
    "least_kv": ("tube voltage, least", "kV"),
    "greatest_kv": ("tube voltage, greatest", "kV"),
    "x_px": ("mark, column", PIXEL),
    "y_px": ("mark, row", PIXEL),
}
"""What the last part of a key means, and its unit in UCUM."""


def entries(report: Report) -> tuple[Entry, ...]:
    """Return every number of a report, in a fixed order.

    Parameters
    ----------
    report : Report

    Returns
    -------
    tuple of Entry
        Keys are unique.
    """
    return (
        *_plan(report),
        *_scale(report),
        *_marks(report),
        *(_start(report.start) if report.start else ()),
        *_carried(report),
        *(entry for line in report.lines for entry in _line(line, angles=report.angles)),
        *(_final(report.final) if report.final else ()),
        *_beside(report.beside, angles=report.angles),
        *_exposure(report),
    )


def _entry(
    place: str, part: str, found: Quantity | float | None, picture: int | None = None
) -> Iterator[Entry]:
    """Give one entry, or none where the number is not there."""
    if found is None:
        return
    name, unit = NAMES[part]
    value, u = (found.value, found.u) if isinstance(found, Quantity) else (float(found), None)
    yield Entry(f"{place}.{part}", name, value, u, unit, picture)


def _plan(report: Report) -> Iterator[Entry]:
    plan = report.plan
    yield from _entry("plan", "target_lcea_deg", plan.target_lcea_deg)
    yield from _entry("plan", "lower_limit_lcea_deg", plan.floor_lcea_deg)
    yield from _entry("plan", "depth_mm", plan.depth_mm)
    yield from _entry("plan", "greatest_depth_mm", plan.max_depth_mm)


def _scale(report: Report) -> Iterator[Entry]:
    given, start = report.scale, report.start
    yield from _entry("scale", "given_mm_per_px", given.mm_per_px)
    yield from _entry("scale", "given_object_diameter_mm", given.object_diameter_mm)
    yield from _entry("scale", "given_head_diameter_mm", given.head_diameter_mm)
    if start is not None and start.mm_per_px is not None:
        name, unit = NAMES["mm_per_px"]
        yield Entry("scale.mm_per_px", name, start.mm_per_px, start.u_mm_per_px, unit, start.number)


def _marks(report: Report) -> Iterator[Entry]:
    marks = report.marks
    if marks is None:
        return
    points = {f"head.{k}": (float(x), float(y)) for k, (x, y) in enumerate(marks.head_px, 1)}
    points["rim_edge"] = marks.rim_edge_px
    points |= {
        f"horizontal.{k}": (float(x), float(y)) for k, (x, y) in enumerate(marks.horizontal_px, 1)
    }
    picture = report.start.number if report.start else None
    for place, (x, y) in points.items():
        for part, value in (("x_px", x), ("y_px", y)):
            yield from _entry(f"marks.{place}", part, Quantity(value, marks.u_px, "px"), picture)


def _start(start: Start) -> Iterator[Entry]:
    yield from _entry("start", "lcea_deg", start.lcea_deg, start.number)
    yield from _entry("start", "edge_radius_mm", start.radius_mm, start.number)
    yield from _entry("start", "head_diameter_mm", start.head_mm, start.number)


def _carried(report: Report) -> Iterator[Entry]:
    if report.carried is not None:
        carried = report.carried
        yield from _entry("carried", "carried_mm", carried.removed_mm, carried.number)


def _line(line: Line, *, angles: bool) -> Iterator[Entry]:
    if line.removal is not None:
        lcea = line.removal.lcea_deg if angles else None
        yield from _removal(f"picture.{line.number}", line.removal, lcea, line.number)


def _removal(
    place: str, removal: Removal, lcea_deg: Quantity | None, number: int
) -> Iterator[Entry]:
    parts: tuple[tuple[str, Quantity | float | None], ...] = (
        ("removed_mm", removal.recession_mm),
        ("running_mm", removal.running_mm),
        ("lcea_deg", lcea_deg),
        ("left_mm", removal.remaining_mm),
        ("left_to_limit_mm", removal.to_floor_mm),
        ("area_mm2", removal.area_mm2),
        ("thinned_mm2", removal.thinned.area_mm2 if removal.thinned else None),
        ("tilt_deg", removal.beam.tilt),
        ("oblique_deg", removal.beam.oblique),
        ("hidden_share", removal.hidden_share),
    )
    for part, found in parts:
        yield from _entry(place, part, found, number)


def _final(final: FinalState) -> Iterator[Entry]:
    means = {"removed_mm": final.removed_mm, "left_mm": final.left_mm}
    for entry in _removal("final", final.removal, final.lcea_deg, final.number):
        part = entry.key.split(".")[1]
        found = means.get(part)
        yield from _entry("final", part, found, final.number) if found else (entry,)
    yield from _entry("final", "difference_mm", final.difference_mm, final.number)
    yield from _entry("final", "change_deg", final.change_deg, final.number)
    yield from _entry("final", "total_mm", final.total_mm, final.number)


def _beside(beside: Beside, *, angles: bool) -> Iterator[Entry]:
    minutes = None if beside.traction_s is None else beside.traction_s / 60
    yield from _entry("around", "traction_min", minutes)
    yield from _entry("around", "labrum_mm", beside.arc.length_mm if beside.arc else None)
    yield from _entry("around", "anchor_spacing_mm", beside.spacing_mm)
    yield from _entry(
        "around", "anchors_planned", beside.planned.number if beside.planned else None
    )
    if beside.anchors:
        yield from _entry("around", "anchors_in", len(beside.anchors))
    for when, film in (("before", beside.film_before), ("after", beside.film_after)):
        yield from _entry(f"film.{when}", "film_lcea_deg", film.said.lcea_deg if film else None)
    change = beside.compared.change if beside.compared else None
    yield from _entry("film", "film_change_deg", change.change_deg if change else None)
    kept = beside.after_traction
    if kept is not None and kept.standing == "stands":
        two, number = kept.said.exposures, kept.said.numbers[-1]
        yield from _entry("after_traction", "difference_mm", two.difference_mm, number)
        yield from _entry("after_traction", "removed_mm", two.removed_mm, number)
        yield from _entry("after_traction", "left_mm", two.left_mm, number)
        yield from _entry("after_traction", "lcea_deg", two.lcea_deg if angles else None, number)
    for number, estimated, _ in beside.estimates:
        yield from _entry(f"picture.{number}", "estimated_mm", estimated, number)


def _exposure(report: Report) -> Iterator[Entry]:
    found = report.exposure
    for part in ("received", "measured", "not_measured", "aside", "repeats", "unreadable"):
        yield from _entry("exposure", part, getattr(found, part))
    for part in ("retakes", "zero", "second_final", "asked_for"):
        yield from _entry("exposure", part, getattr(found, part))
    for part, doses in (("dose_dgycm2", found.doses_dgycm2), ("entrance_mgy", found.entrance_mgy)):
        for number, dose in doses:
            yield from _entry(f"picture.{number}", part, dose, number)
    yield from _entry("exposure", "dose_sum_dgycm2", found.dose.sum_dgycm2)
    yield from _entry("exposure", "dose_last_dgycm2", found.dose.last_dgycm2)
    for part, kv in zip(("least_kv", "greatest_kv"), found.kv, strict=False):
        yield from _entry("exposure", part, kv)
