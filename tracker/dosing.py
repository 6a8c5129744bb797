"""What the pictures' headers say of dose, and what that comes to in a case.

The standard means by a picture's dose-area product that picture's own and that of the screening
before it, so that the sum is the case's.  Some C-arms write a running total instead: where the
values never fall, which of the two it is can't be told, and both are said.
"""

import itertools
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from tracker.casebook import CasePicture

_ROLES: Final = ("first", "still", "earlier")
_LEAST_RISING: Final = 3


@dataclass(frozen=True, slots=True)
class CaseDose:
    """Dose-area product of a case, dGy cm², as far as headers say it.

    Attributes
    ----------
    sum_dgycm2 : float or None
        None where no header says any.
    last_dgycm2 : float or None
        Of the last picture, where the values only ever rise and may be a running total.
    said, pictures : int
        Pictures whose header says a dose, of how many.
    """

    sum_dgycm2: float | None = None
    last_dgycm2: float | None = None
    said: int = 0
    pictures: int = 0


def dose_of(pictures: Iterable[CasePicture]) -> CaseDose:
    """Return what the headers of a case's pictures say of dose.

    Parameters
    ----------
    pictures : iterable of CasePicture
        In the order in which they came.
    """
    chosen = [picture for picture in pictures if picture.role in _ROLES]
    doses: dict[str, float] = {}
    for picture in chosen:
        facts = picture.arrival.facts if picture.arrival else None
        if facts is not None and facts.dose_area_dgycm2 is not None:
            # The same exposure sent twice was given once.
            name = facts.instance_key or picture.row.sha256
            doses.setdefault(name, facts.dose_area_dgycm2)
    if not doses:
        return CaseDose(pictures=len(chosen))
    values = list(doses.values())
    rising = all(a <= b for a, b in itertools.pairwise(values))
    counts_on = len(values) >= _LEAST_RISING and rising and values[0] < values[-1]
    return CaseDose(sum(values), values[-1] if counts_on else None, len(values), len(chosen))
