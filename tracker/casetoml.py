"""What case.toml says, checked key by key: text to :class:`~tracker.values.CaseSetup`.

The first thing that can't be used is named with its table, its key and what would be right.
"""

import math
import re
import tomllib
from typing import Any, Final, cast

import numpy as np

from tracker.errors import InvalidCase
from tracker.values import BeadPlate, CaseSetup, Marks, Plan, Point, Scale, Side, View

SCHEMA: Final = 1
CASE_FILE: Final = "case.toml"
KEYS: Final[dict[str, tuple[str, ...]]] = {
    "": ("schema", "id", "side", "view", "scale", "plan", "marks", "distortion"),
    "scale": (
        "head_diameter_mm",
        "mm_per_px",
        "object_diameter_mm",
        "object_px",
        "object_file",
    ),
    "plan": ("target_lcea_deg", "floor_lcea_deg", "depth_mm", "max_depth_mm", "clock"),
    "marks": ("head", "rim_edge", "horizontal"),
    "distortion": ("grid", "bead_spacing_mm"),
}
"""Every key of case.toml, by table; the file's own keys stand under the empty name."""

MARK_SCATTER_PX: Final = 2.0
"""Standard uncertainty of a person's click, in each coordinate, on a picture of 1024 px."""

FARTHEST_PX: Final = 10_000.0
"""A point farther out in either coordinate is a slip: no picture that is read is so large."""

_CLOCK: Final = re.compile(r"(1[0-2]|[1-9]):[0-5][0-9]")
_MOST_PLATES: Final = 24
_FILE_NAME: Final = re.compile(r"[^/\\\0]+")

Plain = dict[str, Any]


class _Table:
    """One table of case.toml: typed look-ups whose errors name the table and the key."""

    def __init__(self, name: str, plain: Any) -> None:
        self.name = name
        known = KEYS[name]
        if not isinstance(plain, dict):
            raise InvalidCase(f"{CASE_FILE}: {name} must be a table, [{name}]")
        self.plain: Plain = plain
        for key in plain:
            if key not in known:
                raise InvalidCase(
                    f"{self.where(key)} is not a known key", hint=f"known are {', '.join(known)}"
                )

    def where(self, key: str) -> str:
        """Return the place of a key, for messages."""
        return f"{CASE_FILE}: [{self.name}] {key}" if self.name else f"{CASE_FILE}: {key}"

    def fail(self, key: str, what: str, hint: str = "") -> InvalidCase:
        """Return the error that says what is wrong with a key."""
        return InvalidCase(f"{self.where(key)} {what}", hint=hint)

    def require(self, key: str, hint: str = "") -> Any:
        """Return a key's value, which must be there."""
        if key not in self.plain:
            raise self.fail(key, "is missing", hint)
        return self.plain[key]

    def number(self, key: str, low: float, high: float) -> float | None:
        """Return a finite number within bounds, or None where the key is absent."""
        if key not in self.plain:
            return None
        value = self._finite(key, self.plain[key])
        if not low <= value <= high:
            raise self.fail(key, f"is {value:g}; it must lie between {low:g} and {high:g}")
        return value

    def word(self, key: str, allowed: tuple[str, ...]) -> str:
        """Return one of a few words; the key must be there."""
        choice = " or ".join(f'"{word}"' for word in allowed)
        value = self.require(key, hint=f"it is {choice}")
        if value not in allowed:
            raise self.fail(key, f"must be {choice}")
        return cast(str, value)

    def file(self, key: str) -> str:
        """Return the name of a file in the folder; the key must be there."""
        value = self.require(key)
        if not isinstance(value, str) or not _FILE_NAME.fullmatch(value):
            raise self.fail(key, "must be the name of a file in the folder")
        return value

    def files(self, key: str, most: int) -> list[str]:
        """Return the names of several files in the folder, none of them twice."""
        names = self.plain[key]
        right = all(isinstance(name, str) and _FILE_NAME.fullmatch(name) for name in names)
        if not right or not 1 <= len(names) <= most or len(set(names)) < len(names):
            raise self.fail(key, f"must be 1 to {most} names of files in the folder, each once")
        return list(names)

    def point(self, key: str, plain: Any) -> Point:
        """Return one point (x, y)."""
        if not isinstance(plain, list) or len(plain) != 2:
            raise self.fail(key, "must be a point, [x, y]")
        x, y = (self._finite(key, one) for one in plain)
        if max(abs(x), abs(y)) > FARTHEST_PX:
            raise self.fail(key, "has a point that lies on no picture")
        return x, y

    def points(self, key: str, least: int, most: int | None = None) -> tuple[Point, ...]:
        """Return several points, none of them twice; the key must be there."""
        plain = self.require(key)
        if not isinstance(plain, list):
            raise self.fail(key, "must be a list of points, [[x, y], …]")
        points = tuple(self.point(key, one) for one in plain)
        if len(points) < least or (most is not None and len(points) > most):
            wanted = f"{least} points" if most == least else f"at least {least} points"
            raise self.fail(key, f"has {len(points)}; it must have {wanted}")
        if len(set(points)) < len(points):
            raise self.fail(key, "has the same point twice")
        return points

    def _finite(self, key: str, value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.fail(key, "must be a number")
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            raise self.fail(key, "must be a finite number")
        return number


def parse_case(text: str) -> CaseSetup:
    """Return what a case.toml says.

    Parameters
    ----------
    text : str
        The file's contents.

    Raises
    ------
    InvalidCase
        Something in it can't be used; the message names it.

    Examples
    --------
    >>> setup = parse_case('''
    ... id = "example"
    ... side = "left"
    ... view = "AP"
    ... [scale]
    ... head_diameter_mm = 48
    ... [plan]
    ... target_lcea_deg = 33
    ... floor_lcea_deg = 25
    ... ''')
    >>> setup.side, setup.plan.target_lcea_deg
    ('left', 33.0)
    """
    try:
        plain = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        place = re.search(r"line (\d+), column (\d+)", str(error))
        at = f" at line {place[1]}, column {place[2]}" if place else ""
        raise InvalidCase(f"{CASE_FILE} is not valid TOML{at}") from None
    except ValueError:
        # tomllib lets the interpreter's own limit on digits through.
        raise InvalidCase(f"{CASE_FILE} holds a number with too many digits") from None
    except RecursionError:
        raise InvalidCase(f"{CASE_FILE} is not valid TOML: it is nested too deeply") from None
    return setup_from(plain)


def setup_from(plain: Plain, *, object_later: bool = False, angles: bool = True) -> CaseSetup:
    """Return a case's set-up from the keys and tables of a case.toml, already parsed.

    Parameters
    ----------
    plain : dict
        Strings, numbers, lists and dictionaries.
    object_later : bool
        The ends of an object of known size may be marked later.
    angles : bool
        False where no angle is said: the plan then has a depth and no lower limit.

    Raises
    ------
    InvalidCase
        As :func:`parse_case`.
    """
    top = _Table("", plain)
    _check_schema(top)
    name = top.require("id", hint='a pseudonym, such as id = "p00"')
    if not isinstance(name, str) or not name.strip() or len(name) > 64 or not name.isprintable():
        raise top.fail("id", "must be a pseudonym of 1 to 64 printable characters")
    return CaseSetup(
        id=name,
        side=cast(Side, top.word("side", ("left", "right"))),
        view=cast(View, top.word("view", ("AP", "false-profile", "oblique"))),
        scale=_scale(top.require("scale", hint="add a table [scale]"), object_later=object_later),
        plan=plan_from(top.require("plan", hint="add a table [plan]"), angles=angles),
        marks=marks_from(plain["marks"]) if "marks" in plain else None,
        plate=_plate(plain["distortion"]) if "distortion" in plain else None,
    )


def can_name(case_id: str) -> bool:
    """Tell whether a pseudonym can be part of an address and of a folder's name."""
    return case_id == case_id.strip() and not case_id.startswith(".") and "/" not in case_id


def _check_schema(top: _Table) -> None:
    schema = top.plain.get("schema", SCHEMA)
    if isinstance(schema, bool) or not isinstance(schema, int) or schema < 1:
        raise top.fail("schema", "must be a whole number from 1")
    if schema > SCHEMA:
        raise top.fail(
            "schema", f"is {schema}; this software reads up to {SCHEMA}", "use a newer version"
        )


def _scale(plain: Any, *, object_later: bool) -> Scale:
    table = _Table("scale", plain)
    scale = Scale(
        mm_per_px=table.number("mm_per_px", 0.01, 2.0),
        object_diameter_mm=table.number("object_diameter_mm", 0.5, 60.0),
        object_px=None
        if "object_px" not in table.plain
        else cast(tuple[Point, Point], table.points("object_px", 2, 2)),
        object_file=table.file("object_file") if "object_file" in table.plain else None,
        head_diameter_mm=table.number("head_diameter_mm", 25.0, 75.0),
    )
    if scale.object_diameter_mm is not None and scale.object_px is None and not object_later:
        raise table.fail("object_px", "is missing", "mark both ends of the object's diameter")
    if scale.object_diameter_mm is None and (scale.object_px or scale.object_file):
        raise table.fail("object_diameter_mm", "is missing", "give the object's true diameter")
    if (scale.mm_per_px, scale.object_diameter_mm, scale.head_diameter_mm) == (None, None, None):
        raise InvalidCase(
            f"{CASE_FILE}: [scale] is empty",
            hint="give head_diameter_mm, mm_per_px or object_diameter_mm with object_px",
        )
    return scale


def plan_from(plain: Any, *, angles: bool = True) -> Plan:
    """Return a plan from the keys of the table [plan], already parsed.

    Raises
    ------
    InvalidCase
        As :func:`parse_case`.
    """
    table = _Table("plan", plain)
    if angles:
        table.require("floor_lcea_deg", hint="the lower limit, in degrees")
    else:
        for key in ("target_lcea_deg", "floor_lcea_deg"):
            if key in table.plain:
                raise table.fail(key, "can't be used: no angle is measured here", "plan a depth")
    floor = table.number("floor_lcea_deg", -30.0, 90.0)
    target = table.number("target_lcea_deg", -30.0, 90.0)
    depth = table.number("depth_mm", 0.1, 30.0)
    greatest = table.number("max_depth_mm", 0.1, 30.0)
    if depth is None and not angles:
        raise table.fail("depth_mm", "is missing", "no angle is measured here, only millimetres")
    if target is None and depth is None:
        raise InvalidCase(
            f"{CASE_FILE}: [plan] has neither target_lcea_deg nor depth_mm", hint="give one"
        )
    if target is not None and floor is not None and target <= floor:
        raise table.fail(
            "target_lcea_deg",
            f"is {target:g}, not above the lower limit floor_lcea_deg, {floor:g}",
            "raise the target or lower the limit",
        )
    if depth is not None and greatest is not None and depth > greatest:
        raise table.fail("depth_mm", f"is {depth:g}, more than max_depth_mm, {greatest:g}")
    return Plan(
        floor_lcea_deg=floor,
        target_lcea_deg=target,
        depth_mm=depth,
        max_depth_mm=greatest,
        clock=_clock(table) if "clock" in table.plain else None,
    )


def _clock(table: _Table) -> tuple[str, str]:
    plain = table.plain["clock"]
    right = isinstance(plain, list) and len(plain) == 2
    if not right or not all(isinstance(t, str) and _CLOCK.fullmatch(t) for t in plain):
        raise table.fail("clock", 'must be two times on the rim, such as ["11:30", "3:00"]')
    return plain[0], plain[1]


def marks_from(plain: Any) -> Marks:
    """Return given marks from the keys of the table [marks], already parsed.

    Raises
    ------
    InvalidCase
        As :func:`parse_case`.
    """
    table = _Table("marks", plain)
    head = table.points("head", 3)
    edge = table.point("rim_edge", table.require("rim_edge"))
    left, right = table.points("horizontal", 2, 2)
    if right[0] <= left[0]:
        raise table.fail("horizontal", "must run from image left to image right")
    # Both ends scatter across the line; its direction has their sum over its length.
    scatter = math.degrees(math.sqrt(2) * MARK_SCATTER_PX / math.dist(left, right))
    return Marks(
        head_px=np.array(head, np.float64),
        rim_edge_px=edge,
        horizontal_px=np.array([left, right], np.float64),
        source="given",
        u_px=MARK_SCATTER_PX,
        u_horizontal_deg=scatter,
    )


def _plate(plain: Any) -> BeadPlate:
    table = _Table("distortion", plain)
    table.require("bead_spacing_mm", hint="the distance between beads at the receptor, in mm")
    spacing = cast(float, table.number("bead_spacing_mm", 1.0, 100.0))
    if not isinstance(table.plain.get("grid"), list):
        return BeadPlate(file=table.file("grid"), bead_spacing_mm=spacing)
    first, *more = table.files("grid", most=_MOST_PLATES)
    return BeadPlate(file=first, bead_spacing_mm=spacing, more=tuple(more))
