"""Scenes: which pictures a case has, from where they are taken and what lies in them."""

import math
from dataclasses import dataclass, replace

import numpy as np
from bones import Patient, RimPlan, make_patient
from numpy.typing import NDArray
from truth import reference_frame, state_truths
from xray import Exposure, Rod, Tissue, View, make_tissue

Floats = NDArray[np.float64]


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
        (before, after), _ = state_truths(ends, view, reference_frame(ends, view))
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
