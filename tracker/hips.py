"""Several views of one hip: each a case of its own, shown together.

Each view has its own first picture, marks, plan and totals, for nothing measured in one view may
be mixed with another.  The case that was opened first stands for the hip; it names the others, and
they name it.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from typing import Final

from tracker import agreement
from tracker.agreement import OtherView, Terms
from tracker.casebook import Case
from tracker.errors import InputError, InvalidCase, StoreError
from tracker.ledger import Ledger, picture_of
from tracker.values import CaseSetup, Plan, Scale, View

_LONGEST: Final = 64


class Hips:
    """Cases that are views of one hip.

    Parameters
    ----------
    ledger : Ledger
    open_case : callable
        Opens one case.
    """

    def __init__(self, ledger: Ledger, open_case: Callable[[CaseSetup], Case]) -> None:
        self._ledger = ledger
        self._open_case = open_case

    def open_hip(self, setup: CaseSetup, terms: Terms, others: dict[View, Plan]) -> Case:
        """Open a hip: its first view, what was agreed, and the other views.

        Raises
        ------
        InvalidCase
            A name is taken, or too long for the other views' names.
        """
        for view in others:
            name = _name(setup.id, view)
            if len(name) > _LONGEST:
                raise InvalidCase(
                    f"The pseudonym is too long for a case named {name}.",
                    hint=f"Take one of up to {_LONGEST - len(name) + len(setup.id)} characters.",
                )
            if self._exists(name):
                raise InvalidCase(
                    f"A case named {name} is already in the record.",
                    hint="Choose another pseudonym.",
                )
        case = self._open_case(setup)
        with self._ledger.alone(setup.id):
            case = self._ledger.append(case, agreement.AGREED, terms)
        self._ledger.tell(case)
        for view, plan in others.items():
            self.add_view(setup.id, view, plan)
        return self._ledger.case(setup.id)

    def add_view(self, case_id: str, view: View, plan: Plan) -> Case:
        """Open another view of the hip; one that is there already is returned as it is.

        Parameters
        ----------
        case_id : str
            Of any view of the hip.
        view : str
        plan : Plan
            Of that view; millimetres alone outside the AP view.

        Raises
        ------
        InputError
            The case itself has this view, or is closed.
        """
        main = self._main(case_id)
        if main.setup.view == view:
            return main
        if main.log.closed:
            raise InputError(f"Case {main.row.id} is closed.", hint="Open it again on Pictures.")
        name = _name(main.row.id, view)
        with self._ledger.alone(main.row.id):
            main = self._ledger.case(main.row.id)
            if all(one.case_id != name for one in main.agreement.views):
                if self._exists(name):
                    raise InvalidCase(
                        f"A case named {name} is already in the record and is not of this hip.",
                        hint="Open the view as a case of its own, with another pseudonym.",
                    )
                main = self._ledger.append(main, agreement.VIEW_OPENED, OtherView(name, view))
            # Named first, opened second: what was interrupted in between is made whole here.
            if not self._exists(name):
                self._open_case(_setup(main, name, view, plan))
            other = self._ledger.case(name)
            if other.agreement.terms.view_of != main.row.id:
                terms = replace(main.agreement.terms, view_of=main.row.id)
                with self._ledger.alone(name):
                    other = self._ledger.append(other, agreement.AGREED, terms)
        for case in (main, other):
            self._ledger.tell(case)
        return other

    def views(self, case_id: str) -> tuple[Case, ...]:
        """Return the cases of the hip's views, the one that stands for it first."""
        main = self._main(case_id)
        others = [one.case_id for one in main.agreement.views if self._exists(one.case_id)]
        return (main, *(self._ledger.case(name) for name in others))

    def last_brought(self, case_id: str) -> Case:
        """Return the view whose picture came last; the one that stands for the hip without any."""
        return max(self.views(case_id), key=_last_at)

    def last_event(self, case_id: str) -> int:
        """Return the key of the last entry about any view of the hip."""
        return max(case.last_event for case in self.views(case_id))

    def everywhere(self, case_id: str, act: Callable[[str], Case]) -> Case:
        """Do one thing to every view of the hip; returns the case as it stands."""
        for case in self.views(case_id):
            act(case.row.id)
        return self._ledger.case(case_id)

    def picture_for(self, case_id: str, number: int) -> tuple[bytes, str]:
        """Return the kept file of a picture that could not be measured, for another view.

        Raises
        ------
        InputError
            It was measured in this view.
        NotFound
        """
        case = self._ledger.case(case_id)
        picture = picture_of(case, number)
        if case.standing_of(picture) not in ("not measured", "to look at"):
            raise InputError(
                f"Picture {number} is not one that could not be measured.",
                hint="A picture belongs to one view.",
            )
        return self._ledger.store.picture_bytes(picture.row), picture.row.name

    def _main(self, case_id: str) -> Case:
        case = self._ledger.case(case_id)
        of = case.agreement.terms.view_of
        return self._ledger.case(of) if of and self._exists(of) else case

    def _exists(self, case_id: str) -> bool:
        """Tell whether a case is there and can be read: one view's fault is not the others'."""
        try:
            self._ledger.case(case_id)
        except StoreError:
            return False
        return True


def _setup(main: Case, name: str, view: View, plan: Plan) -> CaseSetup:
    """Return the set-up of another view: the same hip and head, ends of an object marked anew."""
    given, reference = main.setup.scale, main.reference
    scale = Scale(
        mm_per_px=given.mm_per_px,
        object_diameter_mm=given.object_diameter_mm,
        head_diameter_mm=given.head_diameter_mm,
    )
    if given.mm_per_px is not None and reference is not None and reference.mm_per_px is not None:
        # A spacing holds for one stand of the C-arm; the head that it gave holds for both.
        head_mm = 2 * (reference.head_radius_px or 0.0) * reference.mm_per_px
        scale = replace(scale, mm_per_px=None, head_diameter_mm=head_mm)
    return CaseSetup(id=name, side=main.setup.side, view=view, scale=scale, plan=plan)


def _name(case_id: str, view: View) -> str:
    return f"{case_id}-{view}"


def _last_at(case: Case) -> datetime:
    came = [p.row.received_at for p in case.pictures if p.role in ("first", "still", "earlier")]
    return max(came, default=datetime.min.replace(tzinfo=UTC))
