"""Published error of people who measure the angle by hand.

Values read in abstracts or the opening of public pages; the standard error of measurement is
worked out from the ICC as SD √(1 − ICC) with the SD between hips named below.
"""

import math
from dataclasses import dataclass

SPREAD_DEG = 7.0
"""Standard deviation of the angle between hips, for the way from ICC to degrees; common value."""


@dataclass(frozen=True)
class Observer:
    """A published agreement: an ICC, or the limits of agreement in degrees."""

    what: str
    source: str
    icc: float | None = None
    limits_deg: tuple[float, float] | None = None

    @property
    def printed(self) -> str:
        if self.icc is not None:
            return f"ICC {self.icc:.2f}"
        assert self.limits_deg is not None
        return f"95 % limits {self.limits_deg[0]:+.0f}° to {self.limits_deg[1]:+.0f}°"

    @property
    def one_reading_deg(self) -> float:
        """Standard error of one reading, degrees."""
        if self.icc is not None:
            return SPREAD_DEG * math.sqrt(1 - self.icc)
        assert self.limits_deg is not None
        difference = (self.limits_deg[1] - self.limits_deg[0]) / (2 * 1.96)
        return difference / math.sqrt(2)

    @property
    def least_change_deg(self) -> float:
        """Least change that two readings can tell, 95 %."""
        return 1.96 * math.sqrt(2) * self.one_reading_deg


OBSERVERS = (
    Observer("LCEA, between readers", "Hanson et al. 2015, JHPS 2:280", icc=0.92),
    Observer("LCEA, bony edge less end of the sourcil", "Hanson et al. 2015, JHPS 2:280",
             limits_deg=(-2.0, 10.0)),
    Observer("LCEA on C-arm views, cadaver, one reader twice", "Li et al. 2017, ISAKOS poster 501",
             icc=0.84),
    Observer("LCEA on C-arm views, cadaver, between readers", "Li et al. 2017, ISAKOS poster 501",
             icc=0.76),
    Observer("LCEA, C-arm view against a later film",
             "Lehmann et al. 2012, CORR 470:3508", icc=0.80),
)  # fmt: skip
