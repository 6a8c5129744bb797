"""What can be written beside the resection, checked, and how it stands.

Entries are never changed: one that was wrong is corrected by a new one or withdrawn.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from tracker import around, around_sums, around_views, thinned
from tracker.around import (
    AnchorSaid,
    Around,
    Capsule,
    CapsuleSaid,
    EstimateSaid,
    EstimatesSaid,
    FinalSaid,
    LabrumSaid,
    MovementSaid,
    SpacingSaid,
    TractionSaid,
    When,
    WithdrawnSaid,
)
from tracker.around_films import Compared, Films, NoteOriginal, compared, hip_of
from tracker.around_sums import Anchors, Arc
from tracker.around_views import ReviewBeside
from tracker.casebook import Case, CasePicture
from tracker.errors import InputError, NotFound
from tracker.ledger import Ledger, picture_of
from tracker.measure import REFERENCE_OUTLINE
from tracker.settings import Settings
from tracker.values import Budget, Quantity, ReferenceResult

FARTHEST: Final = timedelta(hours=12)
"""How far back a moment may be written down."""
SPACINGS_MM: Final = (3.0, 25.0)
MOST_REMOVED_MM: Final = 15.0
U_SCALE: Final = 0.04
"""Of the scale, as a share, in records from before it was kept: between the surest rung and an
average head."""


@dataclass(frozen=True, eq=False, slots=True)
class AroundView:
    """How it stands beside the resection.

    Attributes
    ----------
    case : Case
    hip : Case
        The one that stands for the hip, where the case is another view of it.
    around : Around
        What holds beside the resection: of the hip, and the finals and estimates of this view.
    now : datetime
    radius_mm : Quantity or None
        Of the socket; None while the first picture is not usable.
    radius_budget : Budget or None
    arc : Arc or None
        The labrum's detached stretch.
    anchors : Anchors or None
    distracted : CasePicture or None
        The first picture on which the head does not lie where it lay on the first one.
    compared : Compared or None
        The film after the operation against what is known from before.
    counted : tuple of CasePicture
        Pictures whose numbers may be shown, in order: two of them make a final.
    waiting : tuple of CasePicture
        Measured pictures whose numbers wait for the surgeon's own estimate.
    clock : str
        The clock face, drawn; empty while nothing is said of labrum and anchors.
    """

    case: Case
    hip: Case
    around: Around
    now: datetime
    radius_mm: Quantity | None
    radius_budget: Budget | None
    arc: Arc | None
    anchors: Anchors | None
    distracted: CasePicture | None
    compared: Compared | None
    counted: tuple[CasePicture, ...]
    waiting: tuple[CasePicture, ...]
    clock: str


class AroundActs:
    """What can be written beside the resection of a case.

    Parameters
    ----------
    ledger : Ledger
    settings : Settings
    clock : callable
        Gives the present time with its time zone.
    note_original : callable
        Writes down the hash of a file of which a copy is kept.
    """

    def __init__(
        self,
        ledger: Ledger,
        settings: Settings,
        clock: Callable[[], datetime],
        note_original: NoteOriginal,
    ) -> None:
        self._ledger = ledger
        self._now = clock
        self.films = Films(ledger, settings, note_original)

    def view(self, case_id: str) -> AroundView:
        """Return how it stands beside the resection."""
        ledger = self._ledger
        return view_of(ledger.case(case_id), self._now(), ledger.case(hip_of(ledger, case_id)))

    def beside_review(self, case_id: str) -> ReviewBeside:
        """Return what Review shows beside the passes."""
        view = self.view(case_id)
        return around_views.beside_review(view.case, view.around, view.now)

    # --- traction ------------------------------------------------------------------------

    def traction(
        self,
        case_id: str,
        *,
        on: bool,
        at: datetime | None = None,
        picture: int | None = None,
        corrects: int | None = None,
    ) -> Case:
        """Write down that traction went on or came off.

        Parameters
        ----------
        case_id : str
        on : bool
        at : datetime, optional
            When; now where it is not said, or when the picture came.
        picture : int, optional
            The picture that offers the moment.
        corrects : int, optional
            Key of the entry that this one replaces.

        Raises
        ------
        InputError
            The moment lies ahead or too far back, or traction is on, or off, already.
        NotFound
            There is no such entry or picture.
        """
        now, hip = self._now(), hip_of(self._ledger, case_id)
        if picture is not None:
            at = at or picture_of(self._ledger.case(case_id), picture).row.received_at
        at = at or now
        if not now - FARTHEST <= at <= now:
            raise InputError(
                "The moment lies ahead of now, or more than 12 hours back.",
                hint="Write the time of day as on this machine's clock.",
            )

        def check(case: Case) -> None:
            if corrects is not None:
                _holding(case, corrects, TractionSaid)
            elif case.log.closed:
                raise InputError(
                    "The case is closed: no clock runs in it.",
                    hint="Open it again on Pictures, or correct an entry.",
                )
            elif case.around.traction.is_on == on:
                raise InputError(
                    f"Traction is {'on' if on else 'off'} already.",
                    hint="Correct the entry instead, if its time is wrong.",
                )

        # Pictures are numbered within their view; the hip's entry can't name another view's.
        body = TractionSaid(on, at.isoformat(), picture if hip == case_id else None, corrects)
        return self._write(hip, around.TRACTION, body, check)

    # --- labrum, anchors, capsule, movement ----------------------------------------------

    def labrum(self, case_id: str, start: str, end: str) -> Case:
        """Write down over which stretch of the clock face the labrum is detached.

        Raises
        ------
        InputError
            A place is none on the clock face, or the stretch is empty.
        """
        for place in (start, end):
            if around_sums.minutes(place) is None:
                raise InputError(
                    f"{place!r} is no place on the clock face.",
                    hint="Write it like 11:30; 12 is the highest point, 3 in front.",
                )
        if not 0 < around_sums.hours_between(start, end) <= 9:
            raise InputError(
                "The stretch is empty, or longer than nine hours.",
                hint="It runs from the first place forwards over 12 to the second.",
            )
        return self._write(hip_of(self._ledger, case_id), around.LABRUM, LabrumSaid(start, end))

    def spacing(self, case_id: str, spacing_mm: float) -> Case:
        """Write down the surgeon's own distance from anchor to anchor.

        Raises
        ------
        InputError
            It is none that anchors have.
        """
        low, high = SPACINGS_MM
        if not low <= spacing_mm <= high:
            raise InputError(
                f"{spacing_mm:g} mm is no distance between anchors.",
                hint=f"Write one from {low:g} to {high:g} mm.",
            )
        return self._write(hip_of(self._ledger, case_id), around.SPACING, SpacingSaid(spacing_mm))

    def anchor(self, case_id: str, place: str) -> Case:
        """Tick off an anchor that is in, at its place on the clock face.

        Raises
        ------
        InputError
            It is no place on the clock face, or an anchor is in there already.
        """
        if around_sums.minutes(place) is None:
            raise InputError(
                f"{place!r} is no place on the clock face.", hint="Write it like 1:05."
            )

        def check(case: Case) -> None:
            if any(one.place == place for one in case.around.anchors):
                raise InputError(f"An anchor is in at {place} already.")

        return self._write(hip_of(self._ledger, case_id), around.ANCHOR, AnchorSaid(place), check)

    def capsule(self, case_id: str, state: Capsule) -> Case:
        """Write down what became of the capsule."""
        return self._write(hip_of(self._ledger, case_id), around.CAPSULE, CapsuleSaid(state))

    def movement(self, case_id: str, *, tested: bool) -> Case:
        """Write down whether the hip's movement was tested."""
        return self._write(hip_of(self._ledger, case_id), around.MOVEMENT, MovementSaid(tested))

    # --- two exposures -------------------------------------------------------------------

    def final(self, case_id: str, when: When, first: int, second: int) -> Case:
        """Save two exposures, taken with the metal out and nothing burred between, as the final.

        Where they disagree by more than their difference's own interval this is written down as
        well, without a mean.

        Raises
        ------
        InputError
            The two are one picture, or one has no number that may be shown.
        """
        case = self._ledger.case(case_id)
        first, second = sorted((first, second))
        if first == second:
            raise InputError("A final needs two exposures.", hint="Take one more picture.")
        for number in (first, second):
            if not _usable(case, picture_of(case, number)):
                raise InputError(
                    f"Picture {number} has no number that may be shown.",
                    hint="Choose two measured pictures whose outlines look right.",
                )

        def body(case: Case) -> FinalSaid:
            pair = [picture_of(case, number).result for number in (first, second)]
            removals = [result.removal for result in pair if result and result.removal]
            if len(removals) != 2:
                raise InputError("One of the two pictures has no number any more.")
            return FinalSaid(when, (first, second), around_sums.two_exposures(*removals))

        with self._ledger.alone(case_id):
            case = self._ledger.case(case_id)
            case = self._ledger.append(case, around.FINAL, body(case))
        self._ledger.tell(case)
        return case

    # --- the surgeon's own estimate ------------------------------------------------------

    def ask_estimates(self, case_id: str, *, asked: bool) -> Case:
        """Choose whether a picture's number waits for the surgeon's own estimate, in every view."""
        main = self._ledger.case(hip_of(self._ledger, case_id))
        for name in (main.row.id, *(view.case_id for view in main.agreement.views)):
            if self._ledger.case(name).around.estimates_asked != asked:
                self._write(name, around.ESTIMATES, EstimatesSaid(asked))
        return self._ledger.case(case_id)

    def estimate(self, case_id: str, number: int, removed_mm: float | None) -> Case:
        """Write down what the surgeon takes to be removed in all; None skips it.

        Raises
        ------
        InputError
            The picture's number has been seen, or the estimate is no length on a rim.
        """
        if removed_mm is not None and not 0 <= removed_mm <= MOST_REMOVED_MM:
            raise InputError(
                f"{removed_mm:g} mm is no length removed from a rim.",
                hint=f"Write millimetres from 0 to {MOST_REMOVED_MM:g}.",
            )

        def check(case: Case) -> None:
            picture_of(case, number)
            if number not in case.around.awaited:
                raise InputError(
                    f"No estimate of picture {number} is waited for.",
                    hint="After the number has been seen it would be no estimate.",
                )

        return self._write(case_id, around.ESTIMATE, EstimateSaid(number, removed_mm), check)

    # --- correcting ----------------------------------------------------------------------

    def withdraw(self, case_id: str, key: int) -> Case:
        """Withdraw an entry: it stays in the journal and does not hold.

        Raises
        ------
        InputError
            It is an estimate, which is made once.
        NotFound
            There is no such entry that holds.
        """

        def check(case: Case) -> None:
            said = _holding(case, key, object)
            if isinstance(said, (EstimateSaid, EstimatesSaid)):
                raise InputError(
                    "An estimate is made once.", hint="After the number it would be no estimate."
                )

        own = any(entry.key == key for entry in self._ledger.case(case_id).around.entries)
        where = case_id if own else hip_of(self._ledger, case_id)
        return self._write(where, around.WITHDRAWN, WithdrawnSaid(key), check)

    def _write(
        self,
        case_id: str,
        kind: str,
        body: object,
        check: Callable[[Case], None] = lambda _: None,
    ) -> Case:
        self._ledger.case(case_id)
        with self._ledger.alone(case_id):
            case = self._ledger.case(case_id)
            check(case)
            case = self._ledger.append(case, kind, body)
        self._ledger.tell(case)
        return case


def _holding(case: Case, key: int, kind: type[object]) -> object:
    """Return what was said in an entry that holds."""
    for entry in case.around.entries:
        if entry.key == key and entry.holds and isinstance(entry.said, kind):
            return entry.said
    raise NotFound(f"Case {case.row.id} has no such entry that holds.")


# --- how it stands -----------------------------------------------------------------------


def view_of(case: Case, now: datetime, hip: Case | None = None) -> AroundView:
    """Put together how it stands beside the resection.

    Parameters
    ----------
    case : Case
    now : datetime
    hip : Case, optional
        The one that stands for the hip, where the case is another view of it.
    """
    hip = hip or case
    beside = case.around if case.row == hip.row else _of_hip(case.around, hip.around)
    found = _radius(hip.reference)
    radius, rows = found or (None, None)
    said, spacing = beside.labrum, beside.spacing_mm
    stretch = around_sums.arc(said.start, said.end, radius) if said and radius else None
    spread = around_sums.anchors(stretch, spacing) if stretch and spacing else None
    return AroundView(
        case,
        hip,
        beside,
        now,
        radius,
        rows,
        stretch,
        spread,
        _distracted(case),
        compared(hip),
        tuple(picture for picture in case.stills if _usable(case, picture)),
        tuple(p for p in case.stills if case.standing_of(p) == "estimate first"),
        around_views.clock_face(beside, spread),
    )


def _of_hip(view: Around, hip: Around) -> Around:
    """Join what holds of the hip with the finals and estimates of one of its views."""
    return replace(
        hip,
        finals=view.finals,
        estimates_asked=view.estimates_asked,
        estimates=view.estimates,
        awaited=view.awaited,
        entries=tuple(sorted((*hip.entries, *view.entries), key=lambda entry: entry.key)),
    )


def _usable(case: Case, picture: CasePicture) -> bool:
    """True for a picture whose number may go into a final, if only silently."""
    if case.silent:
        return picture.is_measured and not picture.distrusted
    return picture.counts


def _radius(reference: ReferenceResult | None) -> tuple[Quantity, Budget] | None:
    """Return the socket's radius as measured on the first picture."""
    if reference is None or not reference.usable or reference.mm_per_px is None:
        return None
    if reference.centre_px is None or reference.rim_edge_px is None:
        return None
    (x, y), (edge_x, edge_y) = reference.centre_px, reference.rim_edge_px
    apart_px = ((edge_x - x) ** 2 + (edge_y - y) ** 2) ** 0.5
    shares = {row.source: row.u for row in reference.budget.rows} if reference.budget else {}
    return around_sums.socket_radius(
        apart_px * reference.mm_per_px,
        reference.u_scale or U_SCALE,
        shares.get("centre", 0.5),
        shares.get(REFERENCE_OUTLINE, 0.3),
    )


def _distracted(case: Case) -> CasePicture | None:
    """Return the first picture whose head, as far as its thinned bone tells, lies elsewhere."""
    if case.first is None:
        return None
    if case.agreement.terms.traction_on:
        return case.first
    for picture in case.stills:
        removal = picture.result.removal if picture.result and not picture.distrusted else None
        if removal is None:
            continue
        compared_with_another = (
            removal.thinned is not None and removal.thinned.against != case.first.row.name
        )
        if compared_with_another or removal.thinned_why == thinned.no_comparison():
            return picture
    return None
