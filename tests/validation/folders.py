"""Case folders with truth: ours (demo_frames), and any others in the exchange form."""

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tests.validation.outcomes import Number, Outcome, message_right, number
from tracker.casefolder import read_case, read_picture
from tracker.images import decode
from tracker.replay import Replay, replay
from tracker.values import CaseSetup, Floats, Quantity, Removal, Still

ROOT = Path(__file__).resolve().parents[2]

EXPECTED = {
    "duplicate": ("duplicate",),
    "blank": ("no-anatomy", "unreadable"),
    "flipped": ("mirrored",),
    "pose": ("view-changed", "other-anatomy"),
    "swung": ("view-changed", "other-anatomy"),
    "other-patient": ("other-anatomy", "no-anatomy", "view-changed", "mirrored"),
}
"""Kinds of picture that are to be refused, and the reasons that name why."""


@dataclass(frozen=True)
class Picture:
    """What is true of one picture."""

    file: str
    kind: str
    lcea_deg: float
    area_mm2: float | None
    edge_px: Floats | None
    tilt_deg: float | None
    oblique_deg: float | None


@dataclass(frozen=True)
class TrueCase:
    """A case folder and what is true of it.

    Attributes
    ----------
    outlines_deg : dict
        File -> the outline's angle at each of ``radii_mm``; empty where one radius is known.
    """

    group: str
    name: str
    folder: Path
    pictures: tuple[Picture, ...]
    radius_mm: float
    mm_per_px: float
    target_lcea_deg: float | None
    radii_mm: Floats
    outlines_deg: dict[str, Floats]
    distorted: bool

    def angle_deg(self, picture: Picture, radius_mm: float) -> float:
        """Angle of the outline at a radius; at the true edge's radius where no other is known."""
        outline = self.outlines_deg.get(picture.file)
        if outline is None or not self.radii_mm[0] <= radius_mm <= self.radii_mm[-1]:
            return picture.lcea_deg
        angle = float(np.interp(radius_mm, self.radii_mm, outline))
        return angle if math.isfinite(angle) else picture.lcea_deg


def demo_case() -> TrueCase:
    text = (ROOT / "demo_frames" / "truth.json").read_text(encoding="utf-8")
    truth: dict[str, Any] = json.loads(text)
    states = truth["states"]
    kinds = {"measure": "good"}
    pictures = []
    outlines = {}
    for entry in truth["pictures"]:
        state = states[entry["state"]]
        kind = kinds.get(entry["kind"], entry["kind"])
        pictures.append(
            Picture(entry["file"], kind, state["lcea_deg"], state["area_mm2"],
                    np.array(entry["edge_point_px"]), entry["tilt_deg"], entry["oblique_deg"])
        )  # fmt: skip
        outlines[entry["file"]] = np.array(state["outline_deg"], float)
    radii = np.array(states[0]["outline_radii_mm"])
    folder = ROOT / "demo_frames" / "case"
    return TrueCase("demo case", "demo", folder, tuple(pictures), truth["edge_radius_mm"],
                    truth["mm_per_px"], truth["target_lcea_deg"], radii, outlines,
                    distorted=False)  # fmt: skip


def named_cases(folder: Path) -> list[TrueCase]:
    """Cases of FOLDER/cases with the truth of FOLDER/truth, in the exchange form."""
    return [_case(path, folder) for path in sorted((folder / "truth").glob("*.json"))]


def _case(path: Path, folder: Path) -> TrueCase:
    truth: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    states, pictures, outlines = truth["states"], [], {}
    for frame in truth["frames"]:
        state = states[frame["state"]] if frame.get("state") is not None else states[0]
        pictures.append(
            Picture(frame["file"], frame.get("kind", "good"), state["lateral_angle_deg"],
                    state.get("outline_area_mm2"),
                    np.array(frame["edge_pt"]) if "edge_pt" in frame else None,
                    frame.get("tilt"), frame.get("oblique"))
        )  # fmt: skip
        if "angle_by_radius_deg" in state:
            outlines[frame["file"]] = np.array(state["angle_by_radius_deg"], float)
    name = truth["name"]
    return TrueCase(f"named cases, {truth['tier']}", name, folder / "cases" / name,
                    tuple(pictures), truth["edge_radius_mm"], truth["mm_per_px"],
                    truth.get("target_lcea_deg"), np.array(truth.get("radii_mm", [0.0])), outlines,
                    bool(truth["distorted"]))  # fmt: skip


def outcomes(case: TrueCase) -> list[Outcome]:
    """Measure a case folder and put each picture beside its truth."""
    done = replay(case.folder)
    first = case.pictures[0]
    lcea = done.reference.lcea_deg
    if lcea is None:
        reasons = tuple(r.reason.value for r in done.reference.reasons)
        found = [Outcome(case.group, case.name, first.file, None, reasons or ("unusable",))]
    else:
        numbers = {"first LCEA": number(lcea, first.lcea_deg)}
        found = [Outcome(case.group, case.name, first.file, None, numbers=numbers)]
    radius = _radius_mm(case, done)
    truths = {picture.file: picture for picture in case.pictures}
    for result in done.results:
        picture = truths[result.file]
        wanted = False if picture.kind in EXPECTED else True if picture.kind == "good" else None
        reasons = tuple(r.reason.value for r in result.reasons)
        right = EXPECTED.get(picture.kind, ())
        removal = result.removal
        if removal is None:
            found.append(
                Outcome(case.group, case.name, result.file, wanted, reasons, right,
                        ms=result.elapsed_ms)
            )  # fmt: skip
            continue
        numbers = {} if wanted is False else _numbers(case, picture, removal, radius, done)
        remaining = numbers.get("remaining")
        said = None if remaining is None else message_right(removal.remaining_mm, remaining.true)
        found.append(
            Outcome(case.group, case.name, result.file, wanted, (), right, numbers,
                    _rim(case, picture, removal), said, result.elapsed_ms)
        )  # fmt: skip
    return found


def _radius_mm(case: TrueCase, done: Replay) -> float:
    reference = done.reference
    if case.distorted or reference.centre_px is None or reference.rim_edge_px is None:
        return case.radius_mm
    return math.dist(reference.centre_px, reference.rim_edge_px) * case.mm_per_px


def _numbers(
    case: TrueCase, picture: Picture, removal: Removal, radius_mm: float, done: Replay
) -> dict[str, Number]:
    first = done.reference.lcea_deg
    assert first is not None
    lost_deg = case.angle_deg(case.pictures[0], radius_mm) - case.angle_deg(picture, radius_mm)
    true = math.radians(lost_deg) * radius_mm
    change = Quantity(first.value - removal.lcea_deg.value, removal.recession_mm.u, "deg")
    numbers = {
        "recession": number(removal.recession_mm, true),
        "running": number(removal.running_mm, true),
        "LCEA": number(removal.lcea_deg, picture.lcea_deg),
        "LCEA change": number(change, lost_deg),
    }
    if case.target_lcea_deg is not None:
        left = math.radians(picture.lcea_deg - case.target_lcea_deg) * case.radius_mm
        numbers["remaining"] = number(removal.remaining_mm, left)
    if picture.area_mm2 is not None:
        numbers["area"] = number(removal.area_mm2, picture.area_mm2)
    if picture.tilt_deg is not None and picture.oblique_deg is not None:
        numbers["tilt"] = number(removal.beam.tilt, picture.tilt_deg)
        numbers["oblique"] = number(removal.beam.oblique, picture.oblique_deg)
    return numbers


def _rim(case: TrueCase, picture: Picture, removal: Removal) -> float | None:
    return rim_error_mm(case, picture, removal.to_reference)


def rim_error_mm(case: TrueCase, picture: Picture, to_reference: Floats) -> float | None:
    """How far a registration carries the edge's bone from its place on the first picture."""
    edge = case.pictures[0].edge_px
    if case.distorted or picture.edge_px is None or edge is None:
        return None
    carried = to_reference[:, :2] @ picture.edge_px + to_reference[:, 2]
    return float(np.hypot(*(carried - edge))) * case.mm_per_px


def pairs(case: TrueCase) -> list[tuple[Still, Still, Picture, CaseSetup]]:
    """The first picture with each later one whose edge is known, for a comparison."""
    if case.distorted:
        return []
    opened = read_case(case.folder)
    stills = {
        path.name: decode(read_picture(path, 64_000_000), path.name) for path in opened.pictures
    }
    first = stills[case.pictures[0].file]
    return [
        (first, stills[picture.file], picture, opened.setup)
        for picture in case.pictures[1:]
        if picture.kind == "good" and picture.edge_px is not None
    ]
