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
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from bones import JOINT_SPACE_MM, Layered
from numpy.typing import NDArray
from scenes import SPREADS, Case, Shot, demo_case, random_case
from truth import EDGE_BEYOND_SOCKET_MM, Frame, reference_frame, state_truths
from xray import cortical_mm, crescent_mm, expose, rods_mm, tissue_mm, trabeculae

from tracker.patches import Surface

Floats = NDArray[np.float64]

HERE = Path(__file__).resolve().parent


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
    first = case.shots[0].view
    frame = reference_frame(case.patient, first)
    states, edge_point = state_truths(case.patient, first, frame)
    toml, target, floor = case_toml(case, frame, states)
    (folder / "case.toml").write_text(toml, encoding="utf-8")
    edge_radius = case.patient.socket_radius_mm + EDGE_BEYOND_SOCKET_MM
    for state in states:
        state["remaining_mm"] = math.radians(state["lcea_deg"] - target) * edge_radius

    rng = np.random.default_rng([len(case.shots), int(1000 * case.target_mm)])
    pull = np.array([rng.uniform(1.0, 3.0), 0.0, -rng.uniform(8.0, 10.5)])
    zero = first.beam_deg(case.patient.socket_centre_mm)
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
                "turn_deg": shot.view.turn_deg - first.turn_deg,
                "bone_bright": shot.exposure.bone_bright,
                "edge_point_px": shot.view.project(edge_point)[0].tolist(),
            }
        pictures.append(entry)

    truth = {
        "case": case.name,
        "side": case.side,
        "tier": case.tier,
        "size_px": first.size_px,
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
