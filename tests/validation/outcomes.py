"""One measured (or refused) picture beside its truth, and what many of them come to."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from tracker.values import Floats, Quantity


@dataclass(frozen=True)
class Number:
    """A result beside what is true."""

    value: float
    u: float
    true: float

    @property
    def error(self) -> float:
        return self.value - self.true

    @property
    def z(self) -> float:
        return self.error / self.u


@dataclass(frozen=True)
class Outcome:
    """One picture of a case.

    Attributes
    ----------
    group : str
        The row of the accuracy table that it belongs to.
    case, file : str
    wanted : bool or None
        A number is wanted (True), the picture is to be refused (False), either is right (None).
    right_reasons : tuple of str
        For a picture that is to be refused: the reasons that name why.
    reasons : tuple of str
        Why it was refused, the main one first; empty when it was measured.
    numbers : dict
        Name of a result -> the number and its truth; empty when refused.
    rim_mm : float or None
        Registration error at the bone that makes the edge.
    message_right : bool or None
    ms : float
        From decoded picture to verdict.
    """

    group: str
    case: str
    file: str
    wanted: bool | None
    reasons: tuple[str, ...] = ()
    right_reasons: tuple[str, ...] = ()
    numbers: dict[str, Number] = field(default_factory=dict)
    rim_mm: float | None = None
    message_right: bool | None = None
    ms: float = 0.0

    @property
    def measured(self) -> bool:
        return not self.reasons


def number(found: Quantity, true: float) -> Number:
    return Number(found.value, found.u, true)


def side_of_plan(value: float, u: float) -> str:
    if value > 2 * u:
        return "more"
    return "past" if value < -2 * u else "at"


def message_right(found: Quantity, true: float) -> bool:
    """The message names the true side; "may be at" is right within 4u of the plan."""
    said = side_of_plan(found.value, found.u)
    if said == "at":
        return abs(true) <= 4 * found.u
    return said == ("more" if true > 0 else "past")


def collected(outcomes: Iterable[Outcome], name: str) -> list[Number]:
    return [o.numbers[name] for o in outcomes if name in o.numbers]


def errors(numbers: Sequence[Number]) -> Floats:
    return np.array([n.error for n in numbers], float)


def within_2u(numbers: Sequence[Number]) -> float:
    return float(np.mean([abs(n.z) <= 2 for n in numbers])) if numbers else math.nan


def rms_z(numbers: Sequence[Number]) -> float:
    return math.sqrt(float(np.mean([n.z**2 for n in numbers]))) if numbers else math.nan


def mean(values: Sequence[float] | Floats) -> float:
    return float(np.mean(values)) if len(values) else math.nan


def quantile(values: Sequence[float] | Floats, p: float) -> float:
    return float(np.quantile(values, p)) if len(values) else math.nan


def shown(value: float, digits: int = 2) -> str:
    """Render for a table; what is not there is a dash."""
    return f"{value:.{digits}f}" if math.isfinite(value) else "–"


def share(part: int, whole: int) -> str:
    return f"{part} of {whole}" if whole else "–"
