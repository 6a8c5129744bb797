"""The case folder and the replay result: the exchange form, read and written.

Files of a case folder are found and read here; what is in them is judged elsewhere:
case.toml in :mod:`tracker.casetoml`, pictures in :mod:`tracker.images`.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

from tracker.casetoml import CASE_FILE, SCHEMA, Plain, parse_case
from tracker.errors import InvalidCase, UnreadableImage
from tracker.values import (
    CaseSetup,
    NotMeasurable,
    Quantity,
    ReferenceResult,
    Removal,
    StillResult,
)

GRID_FILE: Final = "grid.png"
PICTURE_SUFFIXES: Final = frozenset(
    {".png", ".jpg", ".jpeg", ".tif", ".tiff", ".bmp", ".webp", ".dcm", ".dicom", ".ima"}
)

_MAX_CASE_BYTES: Final = 1_000_000


@dataclass(frozen=True, slots=True)
class CaseFolder:
    """One case folder, read and checked.

    Attributes
    ----------
    folder : Path
    setup : CaseSetup
    pictures : tuple of Path
        In the order in which they were taken; the first is the reference.
    grid : Path or None
        The bead-plate picture, where the case names one.
    more_grids : tuple of Path
        Those of other C-arm positions.
    """

    folder: Path
    setup: CaseSetup
    pictures: tuple[Path, ...]
    grid: Path | None
    more_grids: tuple[Path, ...] = ()


def read_case(folder: Path) -> CaseFolder:
    """Read and check a case folder; the pictures are listed, not opened.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    CaseFolder

    Raises
    ------
    InvalidCase
        The folder or its case.toml can't be used; the message says what and where.
    """
    if not folder.is_dir():
        raise InvalidCase(f"{folder} is not a folder", hint="give the folder that holds case.toml")
    setup = parse_case(_read_case_file(folder))
    grid_names = setup.plate.files if setup.plate else ()
    try:
        # What is named like a picture and is none (a folder, a link that leads nowhere) is listed
        # too: it becomes a line that says so, and does not just stay away.
        names = [p for p in folder.iterdir() if p.suffix.lower() in PICTURE_SUFFIXES]
        found = [p for p in names if not p.name.startswith(".")]
    except OSError:
        raise InvalidCase(f"{folder} can't be read", hint="check its permissions") from None
    pictures = sorted(
        (p for p in found if p.name not in (*grid_names, GRID_FILE)),
        key=lambda p: bytes(Path(p.name)),
    )
    if not any(path.is_file() for path in pictures):
        raise InvalidCase(
            f"{folder} holds no picture",
            hint="put the C-arm pictures beside case.toml, named in the order they were taken",
        )
    for name in grid_names:
        if folder / name not in found:
            raise InvalidCase(
                f"{CASE_FILE}: [distortion] grid: {name} is not in the folder",
                hint="add the bead-plate picture or leave [distortion] out",
            )
    wanted = setup.scale.object_file
    if wanted is not None and folder / wanted not in pictures:
        raise InvalidCase(
            f"{CASE_FILE}: [scale] object_file: {wanted} is not among the pictures",
            hint="name the picture on which object_px was marked",
        )
    grids = [folder / name for name in grid_names]
    grid = grids[0] if grids else None
    return CaseFolder(folder, setup, tuple(pictures), grid, tuple(grids[1:]))


def read_picture(path: Path, max_bytes: int) -> bytes:
    """Return a picture file's bytes, at most one more than ``max_bytes`` of them.

    Raises
    ------
    UnreadableImage
        The file can't be opened, or is none.
    """
    kind = _no_file(path)
    if kind:
        raise UnreadableImage(f"{path.name}: it is {kind}", hint="put the picture itself there")
    try:
        with path.open("rb") as file:
            return file.read(max_bytes + 1)
    except OSError:
        raise UnreadableImage(
            f"{path.name}: the file can't be opened", hint="check its permissions"
        ) from None


def _no_file(path: Path) -> str:
    """Return what stands where a picture should; empty for a file.  A pipe would never end."""
    if path.is_dir():
        return "a folder"
    if path.is_symlink() and not path.exists():
        return "a link that leads nowhere"
    return "" if path.is_file() or not path.exists() else "no file"


def _read_case_file(folder: Path) -> str:
    path = folder / CASE_FILE
    if not path.is_file():
        raise InvalidCase(
            f"{folder} holds no {CASE_FILE}", hint="docs/reference.md shows what it must say"
        )
    try:
        with path.open("rb") as file:
            data = file.read(_MAX_CASE_BYTES + 1)
    except OSError:
        raise InvalidCase(f"{path} can't be opened", hint="check its permissions") from None
    if len(data) > _MAX_CASE_BYTES:
        raise InvalidCase(f"{CASE_FILE} is over {_MAX_CASE_BYTES // 1_000_000} MB")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InvalidCase(f"{CASE_FILE} is not UTF-8 text", hint="save it as UTF-8") from None


# --- the replay result -------------------------------------------------------------------


def replay_json(
    reference: ReferenceResult,
    results: Iterable[StillResult],
    setup: CaseSetup,
    software: str,
) -> Plain:
    """Return a replay's result in the exchange form, ready for :func:`json.dumps`.

    Parameters
    ----------
    reference : ReferenceResult
    results : iterable of StillResult
        The pictures after the reference, in order.
    setup : CaseSetup
    software : str
        Version of this software.

    Returns
    -------
    dict
        Finite numbers, strings, lists and dictionaries only.
    """
    return {
        "schema": SCHEMA,
        "case": setup.id,
        "software": software,
        "reference": _reference_plain(reference),
        "stills": [_still_plain(result) for result in results],
    }


def _reference_plain(reference: ReferenceResult) -> Plain:
    plain: Plain = {
        "file": reference.file,
        "marks": reference.marks,
        "reasons": _words(reference.reasons),
    }
    if not reference.usable:
        return plain
    plain |= {
        "centre_px": reference.centre_px and [float(c) for c in reference.centre_px],
        "head_radius_px": reference.head_radius_px,
        "rim_edge_px": reference.rim_edge_px and [float(c) for c in reference.rim_edge_px],
        "up_px": reference.up_px and [float(c) for c in reference.up_px],
        "mm_per_px": reference.mm_per_px,
        "scale_from": reference.scale_from,
        "lcea_deg": reference.lcea_deg and _quantity(reference.lcea_deg),
    }
    return {key: value for key, value in plain.items() if value is not None}


def _still_plain(result: StillResult) -> Plain:
    plain: Plain = {
        "file": result.file,
        "verdict": result.verdict,
        "reasons": _words(result.reasons),
    }
    if result.removal is not None:
        plain |= _removal_plain(result.removal)
    return plain | {"elapsed_ms": round(float(result.elapsed_ms), 3)}


def _removal_plain(removal: Removal) -> Mapping[str, Any]:
    names: tuple[Literal["recession_mm", "running_mm", "lcea_deg", "area_mm2", "remaining_mm"], ...]
    names = ("recession_mm", "running_mm", "lcea_deg", "area_mm2", "remaining_mm")
    thinned = removal.thinned
    return {
        "to_reference": [[float(cell) for cell in row] for row in removal.to_reference],
        **{name: _quantity(getattr(removal, name)) for name in names},
        "beam_deg": {
            "tilt": _quantity(removal.beam.tilt),
            "oblique": _quantity(removal.beam.oblique),
        },
        **({} if thinned is None else {"thinned_area_mm2": _quantity(thinned.area_mm2)}),
    }


def _quantity(quantity: Quantity) -> Plain:
    return {"value": float(quantity.value), "u": float(quantity.u)}


def _words(reasons: Iterable[NotMeasurable]) -> list[str]:
    return [str(reason.reason) for reason in reasons]
