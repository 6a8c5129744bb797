"""How many pictures a case took, how many of them the tool asked for, and at what dose."""

from dataclasses import dataclass, field
from typing import Final

from tracker.casebook import Case, CasePicture
from tracker.dosing import CaseDose, dose_of
from tracker.values import NotMeasurable, Reason

ASKS_FOR_EXPOSURE: Final = frozenset(
    {Reason.NO_ANATOMY, Reason.VIEW_CHANGED, Reason.RIM_HIDDEN, Reason.RIM_OUTSIDE}
)
"""Reasons whose remedy is one more exposure; the others are mended without radiation."""


@dataclass(frozen=True, slots=True)
class Exposure:
    """Pictures and dose.

    Attributes
    ----------
    received : int
        Pictures that the case holds, the bead plate and object pictures apart.
    measured, not_measured, aside : int
        With numbers; without, repeats apart; set aside or taken back.
    repeats : int
        Files that were in the case already; they are no exposures.
    unreadable : int
        Files that were no pictures.
    retakes : int
        Pictures after which the tool asked for one more exposure.
    zero : int
        Zero pictures, which the tool asks for before burring.
    second_final : int
        Second exposures of the final state, which the tool asks for.
    dose : CaseDose
        Of the case, as far as headers say it.
    doses_dgycm2 : tuple of (int, float)
        Number of picture and dose-area product, as its own header says.
    entrance_mgy : tuple of (int, float)
        The same of the entrance dose.
    kv : tuple of float
        Least and greatest tube voltage that the headers say; empty where none does.
    """

    received: int = 0
    measured: int = 0
    not_measured: int = 0
    aside: int = 0
    repeats: int = 0
    unreadable: int = 0
    retakes: int = 0
    zero: int = 0
    second_final: int = 0
    dose: CaseDose = field(default_factory=CaseDose)
    doses_dgycm2: tuple[tuple[int, float], ...] = ()
    entrance_mgy: tuple[tuple[int, float], ...] = ()
    kv: tuple[float, ...] = ()

    @property
    def asked_for(self) -> int:
        """Exposures that the tool itself asked for."""
        return self.retakes + self.zero + self.second_final


def later(case: Case) -> tuple[CasePicture, ...]:
    """Return the pictures after the first: of earlier series, of this one, and those held."""
    earlier = (picture for picture in case.earlier if picture.reference is None)
    return (*earlier, *case.stills, *case.held)


def asks(reasons: tuple[NotMeasurable, ...]) -> bool:
    """Tell whether the first of these reasons asks for one more exposure."""
    return bool(reasons) and reasons[0].reason in ASKS_FOR_EXPOSURE


def exposure_of(case: Case) -> Exposure:
    """Count a case's pictures, and add up what their headers say.

    Parameters
    ----------
    case : Case

    Returns
    -------
    Exposure
    """
    pictures = [p for p in case.pictures if p.role not in ("plate", "object", "film")]
    belong = [p for p in pictures if p.role not in ("set aside", "held")]
    facts = {p.number: p.arrival.facts for p in belong if p.arrival is not None}
    after_first = later(case)
    repeats = [p for p in pictures if _is_repeat(p)]
    unusable = [p for p in pictures if p.reference and asks(p.reference.reasons)]
    retakes = [p for p in pictures if p.result and asks(p.result.reasons)]
    counted = {picture.number for picture in pictures} - {picture.number for picture in repeats}
    known = [(number, facts[number]) for number in sorted(counted) if number in facts]
    kv = sorted(fact.kv for _, fact in known if fact.kv is not None)
    return Exposure(
        received=len(pictures),
        measured=sum(p.counts for p in after_first),
        not_measured=sum(not p.counts and not _is_repeat(p) for p in after_first),
        aside=sum(p.role == "set aside" for p in pictures),
        repeats=len(repeats),
        unreadable=len(case.unreadable),
        retakes=len(unusable) + len(retakes),
        zero=sum(p.number == case.log.zero_number for p in after_first),
        second_final=len({kept.said.numbers[-1] for kept in case.around.finals}),
        dose=dose_of(case.pictures),
        doses_dgycm2=tuple(
            (number, fact.dose_area_dgycm2)
            for number, fact in known
            if fact.dose_area_dgycm2 is not None
        ),
        entrance_mgy=tuple(
            (number, fact.entrance_dose_mgy)
            for number, fact in known
            if fact.entrance_dose_mgy is not None
        ),
        kv=(kv[0], kv[-1]) if kv else (),
    )


def _is_repeat(picture: CasePicture) -> bool:
    reasons = picture.result.reasons if picture.result else ()
    return bool(reasons) and reasons[0].reason == Reason.DUPLICATE
