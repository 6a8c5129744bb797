"""A case's set-up -> the text of a case.toml that says the same."""

from collections.abc import Iterable, Mapping
from typing import Any

from tracker.casetoml import SCHEMA
from tracker.values import CaseSetup, Marks


def case_text(setup: CaseSetup, renamed: Mapping[str, str] | None = None) -> str:
    r"""Return a case.toml.

    Parameters
    ----------
    setup : CaseSetup
    renamed : mapping of str to str, optional
        New names of files that the set-up names.

    Returns
    -------
    str
        What a case.toml has no key for (whether marks were proposed, what was carried over from an
        earlier series) is not in it.

    Examples
    --------
    >>> from tracker.casetoml import parse_case
    >>> text = 'id = "p"\nside = "left"\nview = "AP"\n[scale]\nmm_per_px = 0.2\n'
    >>> setup = parse_case(text + '[plan]\ndepth_mm = 4\nfloor_lcea_deg = 25\n')
    >>> parse_case(case_text(setup)) == setup
    True
    """
    names = renamed or {}
    scale, plan = setup.scale, setup.plan
    tables: dict[str, dict[str, Any]] = {
        "": {"schema": SCHEMA, "id": setup.id, "side": setup.side, "view": setup.view},
        "scale": {
            "mm_per_px": scale.mm_per_px,
            "object_diameter_mm": scale.object_diameter_mm,
            "object_px": scale.object_px,
            "object_file": names.get(scale.object_file or "", scale.object_file),
            "head_diameter_mm": scale.head_diameter_mm,
        },
        "plan": {
            "target_lcea_deg": plan.target_lcea_deg,
            "floor_lcea_deg": plan.floor_lcea_deg,
            "depth_mm": plan.depth_mm,
            "max_depth_mm": plan.max_depth_mm,
            "clock": plan.clock,
        },
    }
    if setup.marks is not None:
        tables["marks"] = _marks(setup.marks)
    if setup.plate is not None:
        tables["distortion"] = {
            "grid": _grid([names.get(file, file) for file in setup.plate.files]),
            "bead_spacing_mm": setup.plate.bead_spacing_mm,
        }
    return "\n".join(_lines(tables))


def _grid(names: list[str]) -> str | list[str]:
    return names if len(names) > 1 else names[0]


def _marks(marks: Marks) -> dict[str, Any]:
    return {
        "head": marks.head_px.tolist(),
        "rim_edge": marks.rim_edge_px,
        "horizontal": marks.horizontal_px.tolist(),
    }


def _lines(tables: Mapping[str, Mapping[str, Any]]) -> Iterable[str]:
    for name, table in tables.items():
        if name:
            yield f"\n[{name}]"
        for key, value in table.items():
            if value is not None:
                yield f"{key} = {_toml(value)}"
    yield ""


def _toml(value: Any) -> str:
    if isinstance(value, str):
        return f'"{"".join(map(_character, value))}"'
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_toml, value))}]"
    return repr(float(value)) if isinstance(value, float) else str(value)


def _character(one: str) -> str:
    if one in ('"', "\\"):
        return f"\\{one}"
    return one if one.isprintable() else f"\\U{ord(one):08x}"
