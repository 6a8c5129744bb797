"""Make the demo case, or a random one: pictures, case.toml and truth from invented bones.

    python demo_frames/make_demo.py                                the demo, beside this script
    python demo_frames/make_demo.py --random 7 --tier moved --size 768 --out DIR

Needs the extra ``sim``.  The same seed gives the same case on the same versions of the libraries.
Truth comes from noise-free projections of the pelvis alone and from points of the bone carried
through the geometry, never from the pictures.
"""

import argparse
import csv
import hashlib
import json
import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from bones import JOINT_SPACE_MM, Layered, Patient, RimPlan, make_patient
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates
from xray import (
    Exposure,
    Rod,
    Tissue,
    View,
    cortical_mm,
    crescent_mm,
    expose,
    make_tissue,
    rods_mm,
    tissue_mm,
    trabeculae,
)

from tracker.beampath import path_moments
from tracker.patches import Surface

Floats = NDArray[np.float64]

HERE = Path(__file__).resolve().parent
EDGE_BEYOND_SOCKET_MM = 1.5
OUTLINE_MM = 1.0
THINNED_MM = 0.8
HEAD_MARGIN_MM = 1.5
REACH_MM = 25.0


@dataclass(frozen=True)
class Shot:
    """One picture: what it shows, from where, and how.

    ``kind`` is ``measure`` or why it must not be measured: ``swung``, ``mirrored``, ``blank``,
    ``duplicate``, ``other-bone``, ``hidden`` (metal over the edge), ``outside``.
    """

    kind: str
    state: int
    traction: bool
    view: View
    exposure: Exposure
    rods: tuple[Rod, ...] = ()


@dataclass(frozen=True)
class Case:
    """All that is needed to make a case."""

    name: str
    side: str
    tier: str
    patient: Patient
    other: Patient | None
    tissue: Tissue
    shots: tuple[Shot, ...]
    marks: bool
    target_mm: float


# --- truth -------------------------------------------------------------------------------


@dataclass(frozen=True)
class Frame:
    """The reference picture's geometry."""

    centre_px: Floats
    up_px: Floats
    lateral_px: Floats
    mm_per_px: float


def reference_frame(case: Case) -> Frame:
    """Return centre, directions and spacing of the hip on the reference."""
    view, socket = case.shots[0].view, case.patient.socket_centre_mm
    left, right = view.project(socket + np.array([[-40.0, 0, 0], [40.0, 0, 0]]))
    # The modelled hip is a left one: x grows laterally.
    lateral = (right - left) / np.linalg.norm(right - left)
    up = view.project(socket + np.array([[0, 0, 40.0]]))[0] - view.project(socket)[0]
    normal = np.array([lateral[1], -lateral[0]])
    normal *= np.sign(normal @ up)
    return Frame(
        view.project(socket)[0], normal, lateral, 80.0 / float(np.linalg.norm(right - left))
    )


def outline_deg(path: Floats, at: Floats, frame: Frame, radius_mm: float, step_px: float) -> float:
    """Return the angle from up at which the outline crosses a circle, nan where it does not.

    Coming from the lateral side: where the path first exceeds 1 mm of cortical bone.

    Parameters
    ----------
    path : ndarray of shape (H, W)
        Cortical-equivalent path, ``step_px`` apart.
    at : ndarray of shape (2,)
        Pixel of the path's first node.
    """
    angle = np.radians(np.arange(120.0, -40.0, -0.05))
    reach = radius_mm / frame.mm_per_px
    x = frame.centre_px[0] + reach * (
        np.sin(angle) * frame.lateral_px[0] + np.cos(angle) * frame.up_px[0]
    )
    y = frame.centre_px[1] + reach * (
        np.sin(angle) * frame.lateral_px[1] + np.cos(angle) * frame.up_px[1]
    )
    where = np.stack([(y - at[1]) / step_px, (x - at[0]) / step_px])
    along = map_coordinates(path, where, order=1, cval=0.0)
    beyond = along > OUTLINE_MM
    if beyond[0] or not beyond.any():
        return math.nan
    k = int(np.argmax(beyond))
    share = (OUTLINE_MM - along[k - 1]) / (along[k] - along[k - 1])
    return math.degrees(angle[k - 1] + share * (angle[k] - angle[k - 1]))


def state_truths(case: Case, frame: Frame) -> tuple[list[dict[str, Any]], Floats]:
    """Return what each state of the rim is, and the bone's point that makes the first edge."""
    patient, view = case.patient, case.shots[0].view
    step = 0.5 * view.size_px / 1024.0 / (frame.mm_per_px * view.size_px / 160.0)
    half = (patient.socket_radius_mm + REACH_MM + 2.0) / frame.mm_per_px
    at = np.floor(frame.centre_px - half)
    count = math.ceil(2.0 * half / step)
    node_mm = frame.mm_per_px * step
    columns, rows = np.meshgrid(at[0] + step * np.arange(count), at[1] + step * np.arange(count))
    rho = np.hypot(columns - frame.centre_px[0], rows - frame.centre_px[1]) * frame.mm_per_px
    counted = (rho > patient.head_radius_mm + HEAD_MARGIN_MM) & (
        rho < patient.socket_radius_mm + REACH_MM
    )
    edge_radius = patient.socket_radius_mm + EDGE_BEYOND_SOCKET_MM
    radii = edge_radius + np.arange(-2.5, 3.51, 0.25)

    truths: list[dict[str, Any]] = []
    before = np.zeros((count, count))
    for bone in patient.pelvis:
        corner = (float(at[0]), float(at[1]))
        path, _ = cortical_mm(bone, view, (count, count), spacing=step, corner=corner)
        if not truths:
            before = path
        lcea = outline_deg(path, at, frame, edge_radius, step)
        first = truths[0]["lcea_deg"] if truths else lcea
        direction = math.sin(math.radians(lcea)) * frame.lateral_px
        direction = direction + math.cos(math.radians(lcea)) * frame.up_px
        edge = frame.centre_px + edge_radius / frame.mm_per_px * direction
        cut = (before > OUTLINE_MM) & (path <= OUTLINE_MM) & counted
        thinner = (before - path >= THINNED_MM) & counted
        by_radius = [outline_deg(path, at, frame, float(r), step) for r in radii]
        truths.append(
            {
                "lcea_deg": lcea,
                "recession_mm": math.radians(first - lcea) * edge_radius,
                "edge_px": edge.tolist(),
                "area_mm2": float(cut.sum()) * node_mm**2,
                "thinned_area_mm2": float(thinner.sum()) * node_mm**2,
                "outline_deg": [None if math.isnan(a) else a for a in by_radius],
                "outline_radii_mm": radii.tolist(),
            }
        )
    return truths, _edge_point(patient.pelvis[0].outer, view, np.array(truths[0]["edge_px"]), frame)


def _edge_point(outer: Surface, view: View, edge_px: Floats, frame: Frame) -> Floats:
    """Return the point of the bone that makes the edge, half a millimetre inside the outline."""
    inward = (frame.centre_px - edge_px) / np.linalg.norm(frame.centre_px - edge_px)
    tangent = np.array([inward[1], -inward[0]])
    tangent *= -np.sign(tangent @ frame.lateral_px)
    inside = edge_px + 0.5 / frame.mm_per_px * tangent
    placement = view.placement(1.0, (float(inside[0]), float(inside[1])))
    thickness, moment, _ = path_moments(outer, view.iso_mm, placement, (1, 1), 1.0)
    depth = float(moment[0, 0] / max(float(thickness[0, 0]), 1e-6))
    return np.array(view.points(edge_px[:1], edge_px[1:], depth))[:, 0]


# --- pictures ----------------------------------------------------------------------------


def _moved(bone: Layered, shift: Floats) -> Layered:
    return Layered(
        Surface(bone.outer.vertices_mm + shift, bone.outer.triangles.copy()),
        Surface(bone.inner.vertices_mm + shift, bone.inner.triangles.copy()),
    )


def render(case: Case, shot: Shot, pull_mm: Floats, rng: np.random.Generator) -> NDArray[np.uint8]:
    """Return the picture of one shot."""
    view = shot.view
    if shot.kind == "blank":
        noise = rng.normal(14.0, 2.5, (view.size_px, view.size_px))
        return np.clip(noise, 0, 255).astype(np.uint8)
    patient = case.patient
    if shot.kind == "other-bone" and case.other is not None:
        patient = case.other
        view = replace(view, iso_mm=view.iso_mm - case.patient.socket_centre_mm)
        view = replace(view, iso_mm=view.iso_mm + patient.socket_centre_mm)
    socket = patient.socket_centre_mm
    shift = pull_mm if shot.traction else np.zeros(3)
    state = min(shot.state, len(patient.pelvis) - 1)
    pelvis, spongy = cortical_mm(patient.pelvis[state], view)
    femur, marrow = cortical_mm(_moved(patient.femur, shift), view)
    bone = pelvis + spongy * (trabeculae(case.tissue, view, socket, 0) - 1.0)
    bone = bone + femur + marrow * (trabeculae(case.tissue, view, socket + shift, 1) - 1.0)
    soft = tissue_mm(case.tissue, view, socket)
    if shot.traction:
        head = patient.head_radius_mm + 1.0
        gas = crescent_mm(view, socket, head + JOINT_SPACE_MM - 2.2, shift, head)
        soft = np.maximum(soft - 0.7 * gas, 0.0)
    steel = rods_mm(shot.rods, view, socket)
    picture = expose(soft, bone, steel, view.mm_per_px, shot.exposure, rng)
    return picture[:, ::-1].copy() if shot.kind == "mirrored" else picture


# --- scenarios ---------------------------------------------------------------------------


def burr_and_scope(rng: np.random.Generator, lcea_deg: float, gap_mm: float) -> tuple[Rod, ...]:
    """Draw burr and scope beside the rim, their tips ``gap_mm`` beyond the edge's circle."""
    # Both come in from the side of the thigh; the burr points at the rim.
    at = math.radians(lcea_deg + rng.uniform(4.0, 12.0))
    reach = 28.0 + gap_mm
    burr_tip = (reach * math.sin(at), reach * math.cos(at))
    towards = (1.0, rng.uniform(-0.35, 0.25))
    scope_tip = (burr_tip[0] + rng.uniform(3, 9), burr_tip[1] + rng.uniform(-13, -8))
    return (
        Rod(burr_tip, towards, rng.uniform(1.9, 2.3), 0.8, 5.5),
        Rod(scope_tip, (1.0, towards[1] + rng.uniform(-0.1, 0.15)), rng.uniform(2.3, 2.8), 0.6),
    )


def drill_over_edge(lcea_deg: float, beyond_mm: float) -> tuple[Rod, ...]:
    """Draw a burr whose head and shaft lie squarely over the edge."""
    at = math.radians(lcea_deg)
    tip = (27.0 * math.sin(at) - beyond_mm, 27.0 * math.cos(at))
    return (Rod(tip, (1.0, 0.02), 3.2, 0.9, 5.5),)


def demo_case() -> Case:
    """Return the demo: a left hip, rim burred in six passes, ten pictures."""
    rng = np.random.default_rng(20261)
    depths = (1.2, 2.0, 2.9, 3.6, 4.5, 5.2)
    plan = RimPlan(5.0, (-90.0, 100.0), (-60.0, 75.0), depths, 5.0)
    patient = make_patient(rng, plan, modes_sd=0.55, field_mm=0.8)
    socket = patient.socket_centre_mm
    tissue = make_tissue(rng)
    lcea = 45.0

    def view(x: float, z: float, tilt: float, oblique: float, turn: float) -> View:
        """Aim the C-arm at a point beside the socket, mm lateral and up."""
        iso = socket + np.array([x, 0.0, z])
        return View("left", 1024, 0.152, iso, tilt, oblique, turn)

    def shown(clock: str, dose: float, gamma: float, *, bright: bool = True) -> Exposure:
        kilovolt = 70 + int(rng.integers(0, 7))
        lines = (f"DEMO {clock}", f"{kilovolt} kV {rng.uniform(1.9, 3.2):.1f} mA")
        low, high = rng.uniform(0.004, 0.02), rng.uniform(0.985, 0.998)
        return Exposure(
            dose, rng.uniform(0.3, 0.4), 0.2, gamma, low, high, 0.3, bright, lines=lines
        )

    parked = (4.0, -3.5, 1.1, -0.7, 1.4)
    shots = [
        Shot("measure", 0, False, view(2.0, -6.0, 1.2, -0.9, 2.0), shown("10:04", 2600, 0.85)),
        Shot("measure", 0, True, view(*parked), shown("10:21", 2400, 0.8)),
        Shot(
            "measure",
            1,
            True,
            view(4.3, -3.2, 1.2, -0.6, 1.4),
            shown("10:32", 2300, 0.9),
            burr_and_scope(rng, lcea, 5.0),
        ),
        Shot("measure", 2, True, view(3.8, -3.9, 1.0, -0.7, 1.5), shown("10:41", 2500, 0.75)),
        # Moved out and back: about a degree of beam direction.
        Shot(
            "measure",
            3,
            True,
            view(9.5, -8.0, 1.9, -1.6, 0.2),
            shown("10:52", 2100, 1.0),
            burr_and_scope(rng, lcea, 6.0),
        ),
        # The C-arm swung over the top: not to be measured.
        Shot("swung", 3, True, view(6.0, -2.0, 9.0, 6.2, 1.0), shown("10:55", 2200, 0.85)),
        Shot(
            "measure",
            4,
            True,
            view(4.2, -3.0, 1.3, -0.8, 1.3),
            shown("11:01", 2400, 0.9, bright=False),
        ),
        Shot(
            "measure",
            5,
            True,
            view(4.6, -3.3, 1.1, -0.5, 1.5),
            shown("11:09", 2300, 0.8),
            burr_and_scope(rng, lcea, 4.5)[1:],
        ),
        Shot("measure", 6, True, view(3.1, -6.8, 0.3, -1.5, 2.2), shown("11:16", 2500, 0.95)),
        Shot("measure", 6, False, view(2.4, -5.2, 1.0, -0.8, 1.8), shown("11:38", 2600, 0.85)),
    ]
    return Case("demo", "left", "moved", patient, None, tissue, tuple(shots), True, 4.5)


SPREADS = {
    "locked": {"beam": 0.13, "shift": 0.5, "turn": 0.15, "zoom": 0.0, "dose": 2200.0},
    "moved": {"beam": 0.75, "shift": 4.5, "turn": 1.0, "zoom": 0.004, "dose": 1800.0},
    "hard": {"beam": 2.1, "shift": 6.5, "turn": 2.0, "zoom": 0.03, "dose": 500.0},
}
PLANTED = ("duplicate", "blank", "mirrored", "swung", "other-bone", "hidden", "outside")


def _suitable_patient(rng: np.random.Generator, plan: RimPlan) -> Patient:
    """Draw patients until the lateral edge is high but usual, and made by the burred part.

    In some shapes the front of the ilium overlaps the roof's corner: no AP picture can follow it.
    """
    for _ in range(12):
        patient = make_patient(rng, plan, modes_sd=0.7, field_mm=1.0)
        view = View("left", 512, 0.31, patient.socket_centre_mm)
        ends = replace(patient, pelvis=(patient.pelvis[0], patient.pelvis[-1]))
        shot = Shot("measure", 0, False, view, Exposure())
        tissue = make_tissue(np.random.default_rng(0))
        case = Case("trial", "left", "locked", ends, None, tissue, (shot,), False, 1.0)
        (before, after), _ = state_truths(case, reference_frame(case))
        removed = after["recession_mm"]
        if 34.0 < before["lcea_deg"] < 56.0 and removed > 0.5 * plan.depths_mm[-1]:
            return patient
    raise RuntimeError("no suitable shape in twelve draws")


def random_case(seed: int, tier: str, size: int) -> Case:
    """Return a case of its own bones, side, plan and movements; two pictures are planted."""
    rng = np.random.default_rng([seed, 77])
    spread = SPREADS[tier]
    side = "left" if rng.random() < 0.5 else "right"
    passes = int(rng.integers(4, 7))
    depths = tuple(np.cumsum(rng.uniform(0.4, 1.2, passes)).tolist())
    zone = (-60.0 + rng.uniform(-15, 15), 70.0 + rng.uniform(-15, 20))
    extra = depths[-1] + rng.uniform(-1.0, 1.0)
    plan = RimPlan(extra, (-90.0, 100.0), zone, depths, rng.uniform(0, 10))
    patient = _suitable_patient(rng, plan)
    tissue = make_tissue(rng)
    mm_per_px = rng.uniform(0.145, 0.165) * 1024 / size
    base = rng.normal(0.0, [2.5, 1.5])
    park = patient.socket_centre_mm + np.array([rng.uniform(-12, 5), 0.0, rng.uniform(-9, 6)])
    first_turn = rng.normal(0.0, 2.0)

    def view(
        loose: float,
        extra: tuple[float, float] = (0.0, 0.0),
        turn: float = 0.0,
        magnified: float = 1.0,
    ) -> View:
        limit = 4.0 if tier == "hard" else 1.6
        beam = np.clip(rng.normal(0.0, spread["beam"], 2) * loose, -limit, limit)
        iso = park + rng.normal(0.0, spread["shift"], 3) * [loose, 0.0, loose]
        zoom = math.exp(rng.normal(0.0, spread["zoom"]) * loose)
        turned = first_turn + turn + rng.normal(0.0, spread["turn"]) * loose
        tilt, oblique = base + beam + np.array(extra)
        return View(side, size, mm_per_px * zoom / magnified, iso, tilt, oblique, turned)

    minutes = 545

    def shown() -> Exposure:
        nonlocal minutes
        minutes += int(rng.integers(4, 14))
        bright = bool(rng.random() < 0.8)
        text = f"DEMO {minutes // 60:02d}:{minutes % 60:02d}"
        lines = (text, f"{rng.integers(68, 84)} kV {rng.uniform(1.8, 3.6):.1f} mA")
        return Exposure(
            spread["dose"] * rng.uniform(0.8, 1.25) * (1024 / size) ** 2,
            rng.uniform(0.28, 0.45),
            rng.uniform(0.18, 0.28),
            rng.uniform(0.7, 1.2),
            rng.uniform(0.003, 0.03),
            rng.uniform(0.98, 0.999),
            rng.uniform(0.1, 0.45),
            bright,
            lines=lines,
        )

    shots = [
        Shot("measure", 0, False, view(0.0), shown()),
        Shot("measure", 0, True, view(1.0), shown()),
    ]
    turned = int(rng.integers(1, passes + 1))
    for state in range(1, passes + 1):
        turn = float(rng.choice([37.0, -55.0, 90.0, -90.0])) if state == turned else 0.0
        rods: tuple[Rod, ...] = ()
        if state != turned and rng.random() < 0.5:
            rods = burr_and_scope(rng, 45.0, rng.uniform(3.5, 7.0))
            rods = rods[: int(rng.integers(1, 3))]
        # A field mode of the receptor magnifies one of the hard pictures.
        magnified = 1.3 if tier == "hard" and state == passes - 1 else 1.0
        aimed = view(1.0, turn=turn, magnified=magnified)
        shots.append(Shot("measure", state, True, aimed, shown(), rods))
    shots.append(Shot("measure", passes, False, view(1.0), shown()))

    # Each seed plants two of the seven kinds in turn, so that a run of seeds shows them all.
    kinds = [PLANTED[(2 * seed + k) % len(PLANTED)] for k in (0, 1)]
    other = None
    for kind in kinds:
        at = int(rng.integers(3, len(shots)))
        like = shots[at - 1]
        if kind == "swung":
            swing = (float(rng.choice([-1, 1])) * rng.uniform(9, 12), rng.uniform(-8, 8))
            shot = Shot(kind, like.state, True, view(1.0, swing), shown())
        elif kind == "other-bone":
            other_plan = replace(plan, depths_mm=(), extra_mm=rng.uniform(0, 4))
            other = make_patient(rng, other_plan, modes_sd=1.2, field_mm=1.5)
            shot = Shot(kind, 0, True, view(1.0), shown())
        elif kind == "hidden":
            rods = drill_over_edge(45.0, rng.uniform(3.0, 8.0))
            shot = Shot(kind, like.state, True, view(1.0), shown(), rods)
        elif kind == "outside":
            aside = view(1.0)
            iso = aside.iso_mm + np.array([-68.0, 0.0, rng.uniform(-40, -20)])
            shot = Shot(kind, like.state, True, replace(aside, iso_mm=iso), shown())
        elif kind == "duplicate":
            shot = replace(like, kind=kind, exposure=replace(like.exposure, lines=()))
        else:
            shot = Shot(kind, like.state, True, view(1.0), shown())
        shots.insert(at, shot)
    target = depths[-1] * rng.uniform(0.6, 1.0)
    marks = seed % 3 != 0
    return Case(f"r{seed:02d}", side, tier, patient, other, tissue, tuple(shots), marks, target)


# --- writing -----------------------------------------------------------------------------


def case_toml(case: Case, frame: Frame, truth: list[dict[str, Any]]) -> tuple[str, float, float]:
    """Return case.toml with the clicks a person would make, and the plan's two angles."""
    rng = np.random.default_rng(len(case.name) + int(1000 * case.target_mm))
    edge_radius = case.patient.socket_radius_mm + EDGE_BEYOND_SOCKET_MM
    target = round(truth[0]["lcea_deg"] - math.degrees(case.target_mm / edge_radius), 1)
    floor = min(25.0, round(target - 3.0, 1))
    head_mm = round(2.0 * case.patient.head_radius_mm + rng.normal(0.0, 0.25), 1)
    click = 1.3 * case.shots[0].view.size_px / 1024.0
    lines = [
        f'id = "{case.name}"',
        f'side = "{case.side}"',
        'view = "AP"',
        "",
        "[scale]",
        f"head_diameter_mm = {head_mm}",
        "",
        "[plan]",
        f"target_lcea_deg = {target}",
        f"floor_lcea_deg = {floor}",
    ]
    if case.marks:
        reach = case.patient.head_radius_mm / frame.mm_per_px
        angle = np.radians(np.array([-75.0, -40.0, -8.0, 30.0, 68.0, 100.0]))
        outline = frame.centre_px + reach * (
            np.sin(angle)[:, None] * frame.lateral_px + np.cos(angle)[:, None] * frame.up_px
        )
        across = np.stack([-1.0, 1.0] if frame.lateral_px[0] > 0 else [1.0, -1.0])
        level = frame.centre_px + 1.4 * reach * across[:, None] * frame.lateral_px

        def clicks(points: Floats) -> str:
            moved = np.atleast_2d(points) + rng.normal(0.0, click, np.atleast_2d(points).shape)
            return ", ".join(f"[{x:.1f}, {y:.1f}]" for x, y in moved)

        lines += [
            "",
            "[marks]",
            f"head = [{clicks(outline)}]",
            f"rim_edge = {clicks(np.array(truth[0]['edge_px']))}",
            f"horizontal = [{clicks(level)}]",
        ]
    return "\n".join(lines) + "\n", target, floor


def write(case: Case, folder: Path, truth_file: Path, manifest: Path | None) -> None:
    """Write pictures, case.toml, truth and, where asked for, the manifest."""
    folder.mkdir(parents=True, exist_ok=True)
    frame = reference_frame(case)
    states, edge_point = state_truths(case, frame)
    toml, target, floor = case_toml(case, frame, states)
    (folder / "case.toml").write_text(toml, encoding="utf-8")
    edge_radius = case.patient.socket_radius_mm + EDGE_BEYOND_SOCKET_MM
    for state in states:
        state["remaining_mm"] = math.radians(state["lcea_deg"] - target) * edge_radius

    rng = np.random.default_rng([len(case.shots), int(1000 * case.target_mm)])
    pull = np.array([rng.uniform(1.0, 3.0), 0.0, -rng.uniform(8.0, 10.5)])
    zero = case.shots[0].view.beam_deg(case.patient.socket_centre_mm)
    pictures: list[dict[str, Any]] = []
    last = np.zeros((1, 1), dtype=np.uint8)
    for k, shot in enumerate(case.shots):
        if shot.kind == "duplicate":
            # The very same exposure saved again with another brightness.
            grey = np.arange(256) / 255.0
            picture = np.rint(255.0 * grey**0.93).astype(np.uint8)[last]
        else:
            picture = render(case, shot, pull, rng)
            last = picture if shot.kind == "measure" else last
        _, encoded = cv2.imencode(".png", picture, [cv2.IMWRITE_PNG_COMPRESSION, 9])
        (folder / f"{k:03d}.png").write_bytes(encoded.tobytes())
        entry: dict[str, Any] = {"file": f"{k:03d}.png", "kind": shot.kind, "state": shot.state}
        if shot.kind not in ("blank", "other-bone", "duplicate", "mirrored"):
            tilt, oblique = shot.view.beam_deg(case.patient.socket_centre_mm)
            entry |= {
                "traction": shot.traction,
                "instruments": len(shot.rods),
                "tilt_deg": tilt - zero[0],
                "oblique_deg": oblique - zero[1],
                "turn_deg": shot.view.turn_deg - case.shots[0].view.turn_deg,
                "bone_bright": shot.exposure.bone_bright,
                "edge_point_px": shot.view.project(edge_point)[0].tolist(),
            }
        pictures.append(entry)

    truth = {
        "case": case.name,
        "side": case.side,
        "tier": case.tier,
        "size_px": case.shots[0].view.size_px,
        "mm_per_px": frame.mm_per_px,
        "head_radius_mm": case.patient.head_radius_mm,
        "socket_radius_mm": case.patient.socket_radius_mm,
        "edge_radius_mm": edge_radius,
        "centre_px": frame.centre_px.tolist(),
        "up_px": frame.up_px.tolist(),
        "target_lcea_deg": target,
        "floor_lcea_deg": floor,
        "states": states,
        "pictures": pictures,
    }
    rounded = json.loads(json.dumps(truth), parse_float=lambda text: round(float(text), 4))
    truth_file.write_text(json.dumps(rounded, indent=1) + "\n", encoding="utf-8")
    if manifest is not None:
        with manifest.open("w", newline="", encoding="utf-8") as stream:
            rows = csv.writer(stream, lineterminator="\n")
            rows.writerow(["file", "sha256", "kind", "recession_mm"])
            for entry in pictures:
                digest = hashlib.sha256((folder / entry["file"]).read_bytes()).hexdigest()
                recession = states[entry["state"]]["recession_mm"]
                rows.writerow([entry["file"], digest, entry["kind"], f"{recession:.3f}"])


def main() -> None:
    """Read the command line and make a case."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--random", type=int, metavar="SEED", help="a random case of this seed")
    parser.add_argument("--tier", choices=sorted(SPREADS), default="moved")
    parser.add_argument("--size", type=int, default=1024, help="side of the pictures, pixels")
    parser.add_argument("--out", type=Path, default=HERE, help="folder to write into")
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    case = (
        demo_case()
        if chosen.random is None
        else random_case(chosen.random, chosen.tier, chosen.size)
    )
    write(case, chosen.out / "case", chosen.out / "truth.json", chosen.out / "MANIFEST.csv")


if __name__ == "__main__":
    main()
