"""Writing down what is agreed about a case, and the rehearsal before its first picture.

A rehearsal takes one test picture by the way that will be used.  It is shown and forgotten: the
journal keeps that it came, its hash and its size, never its bytes, and the same file never becomes
a picture of the case.
"""

from hashlib import sha256

from tracker import agreement, gallery
from tracker.agreement import Beside, Rehearsed, Terms
from tracker.casebook import Case
from tracker.errors import InputError, NotFound
from tracker.ledger import Ledger
from tracker.values import Still


class Agreeing:
    """What people agree about cases.

    Parameters
    ----------
    ledger : Ledger
    """

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._shown: dict[str, Still] = {}

    def say_terms(self, case_id: str, terms: Terms) -> Case:
        """Write down what was agreed when the case was opened."""
        return self._say(case_id, agreement.AGREED, terms)

    def say_beside(self, case_id: str, beside: Beside) -> Case:
        """Write down what lies beside the rim, and whether the edge is of it or of the rim.

        Raises
        ------
        InputError
            Something was measured already: numbers of both kinds don't mix.
        """
        case = self._ledger.case(case_id)
        if case.agreement.beside == beside:
            return case
        if any(picture.is_measured for picture in case.stills):
            raise InputError(
                "Whether the edge is taken with or without what lies beside the rim was chosen, "
                "and pictures have been measured so.",
                hint="Begin with a new first picture to change it.",
            )
        return self._say(case_id, agreement.BESIDE, beside)

    # --- rehearsal -----------------------------------------------------------------------

    def begin_rehearsal(self, case_id: str) -> Case:
        """Let the next picture be a test: seen on the pages, no picture of the case.

        Raises
        ------
        InputError
            The case has a first picture already, or is closed.
        """
        case = self._ledger.case(case_id)
        if case.first is not None or case.log.closed:
            raise InputError(
                "A rehearsal comes before the first picture.", hint="Go on with the case."
            )
        if case.agreement.rehearsal == "waiting":
            return case
        return self._say(case_id, agreement.REHEARSAL, {"on": True})

    def end_rehearsal(self, case_id: str) -> Case:
        """Go on: the next picture is the case's first one."""
        self._shown.pop(case_id, None)
        case = self._ledger.case(case_id)
        if not case.agreement.rehearsal:
            return case
        return self._say(case_id, agreement.REHEARSAL, {"on": False})

    def takes(self, case_id: str, data: bytes, name: str, still: Still) -> bool:
        """Take a picture as the rehearsal's, or tell that it has been one; the case is held.

        Returns
        -------
        bool
            True when it is no picture of the case.
        """
        digest = sha256(data).hexdigest()
        case = self._ledger.case(case_id)
        if case.agreement.rehearsal == "waiting":
            height, width = still.grey.shape
            self._shown[case_id] = still
            self._say(case_id, agreement.REHEARSED, Rehearsed(name, digest, width, height))
            return True
        if case.agreement.knows_rehearsal(digest):
            return True
        self._shown.pop(case_id, None)
        return False

    def shows_rehearsal(self, case_id: str) -> bool:
        """Tell whether the rehearsal's picture is still there to be seen."""
        return case_id in self._shown

    def rehearsal_png(self, case_id: str) -> bytes:
        """Return the rehearsal's picture as PNG.

        Raises
        ------
        NotFound
            There is none, or the service was started again since.
        """
        still = self._shown.get(case_id)
        if still is None:
            raise NotFound("The rehearsal's picture is not kept.", hint="Rehearse again.")
        return gallery.recorded_png(still)

    def _say(self, case_id: str, kind: str, body: object) -> Case:
        with self._ledger.alone(case_id):
            case = self._ledger.append(self._ledger.case(case_id), kind, body)
        self._ledger.tell(case)
        return case
