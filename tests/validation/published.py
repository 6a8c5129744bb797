"""Numbers printed elsewhere, through our functions: the source, what it prints, what we get.

Each is also a test (tests/test_circle.py, test_marks.py, test_published.py, test_uncertainty.py)
with its tolerance; here they stand side by side.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tracker import circle, marks, measure, uncertainty
from tracker.values import Budget, BudgetRow, Circle, Quantity

GANDER = np.array([[1, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]], float)


@dataclass(frozen=True)
class Check:
    """One printed number.

    Attributes
    ----------
    decimals : int
        Of the printed number.
    """

    what: str
    source: str
    printed: float
    decimals: int
    ours: Callable[[], float]

    @property
    def agrees(self) -> bool:
        """Apart by less than a unit of the last digit printed (printed values are also cut)."""
        return abs(self.ours() - self.printed) < 0.1**self.decimals


def _budget(*shares: float) -> Budget:
    rows = tuple(BudgetRow(str(i), u, "nm", 1.0) for i, u in enumerate(shares))
    return Budget("published", "nm", rows)


def _six() -> Circle:
    found = circle.fit_circle(GANDER, 1.0)
    assert isinstance(found, Circle)
    return found


def _angle(edge: tuple[float, float]) -> float:
    up, lateral = marks.axes(np.array([[0.0, 0.0], [100.0, 0.0]]), "right")
    return marks.centre_edge_angle_deg((300.0, 400.0), edge, up, lateral)


def _sector() -> float:
    edges = np.linspace(24.0, 26.0, 400_001)
    rho = (edges[1:] + edges[:-1]) / 2
    open_mm = np.full_like(rho, math.radians(60) * 26.0)
    value, _ = measure.outline_area(
        rho, 26.0, open_mm, np.zeros_like(rho), from_rho_mm=24.0, to_rho_mm=26.0,
        u_edge_mm=0.1, u_along_mm=0.1, u_radial_mm=0.1, u_relative_scale=0.01,
    )  # fmt: skip
    return value


def _last_of(totals: list[float]) -> float:
    y = np.array(totals)
    return uncertainty.running_total(y, np.ones(len(y)), np.zeros(len(y))).value


END_GAUGE = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]

CHECKS = (
    Check("circle of six points, radius", "Gander, Golub, Strebel 1994, BIT 34:558", 4.7142, 4,
          lambda: _six().radius_px),
    Check("circle of six points, centre x", "Gander, Golub, Strebel 1994, BIT 34:558", 4.7398, 4,
          lambda: _six().centre_px[0]),
    Check("circle of six points, centre y", "Gander, Golub, Strebel 1994, BIT 34:558", 2.9835, 4,
          lambda: _six().centre_px[1]),
    Check("end gauge, combined u, nm", "JCGM 100:2008 H.1.4", 32, 0,
          lambda: uncertainty.combine(_budget(*(u for u, _ in END_GAUGE)))),
    Check("end gauge, degrees of freedom", "JCGM 100:2008 H.1.6", 16.7, 1,
          lambda: uncertainty.effective_dof(END_GAUGE)),
    Check("end gauge, coverage factor", "JCGM 100:2008 H.1.6", 2.92, 2,
          lambda: uncertainty.coverage_factor(uncertainty.effective_dof(END_GAUGE), 0.99)),
    Check("rectangular law, half-width 0.40", "JCGM 100:2008 4.3.7", 0.23, 2,
          lambda: uncertainty.rectangular(0.40)),
    Check("four normal laws, combined u", "JCGM 101:2008 9.2.2", 2.0, 1,
          lambda: uncertainty.combine(_budget(1, 1, 1, 1))),
    Check("isotonic fit of nine values, last", "R manual, stats::isoreg", 3.0, 1,
          lambda: _last_of([1, 0, 4, 3, 3, 5, 4, 2, 0])),
    Check("isotonic fit of eleven values, last", "SciPy manual, isotonic_regression", 9.25, 2,
          lambda: _last_of([1.5, 1, 4, 6, 5.7, 5, 7.8, 9, 7.5, 9.5, 9])),
    Check("angle by construction, degrees", "worked: sine and cosine", 40.0, 2,
          lambda: _angle((222.865, 308.075))),
    Check("sector of a ring, 60°, 24 to 26 mm, mm²", "worked: half the angle times R² − r²",
          52.36, 2, _sector),
    Check("share above a limit, 3.0 ± 0.87 against 4.0", "worked: normal law, JCGM 106:2012",
          0.125, 3, lambda: uncertainty.probability_above(Quantity(3.0, 0.87, "mm"), 4.0)),
)  # fmt: skip
