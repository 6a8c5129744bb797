"""A case leaves a record as one archive, and comes into another one as it was.

What comes in is read as the pages will read it before anything is written: an archive that this
software could not show is refused whole.
"""

import re
import tomllib
from pathlib import Path
from typing import Final

from tracker import casebook, parcel, wholecase
from tracker.casebook import Case
from tracker.casefolder import PICTURE_SUFFIXES
from tracker.casetext import case_text
from tracker.casetoml import can_name, setup_from
from tracker.errors import InternalError, InvalidCase
from tracker.record import CaseRow, PictureRow, ResultRow, WholeCase, from_text
from tracker.store import Store
from tracker.values import CaseSetup, ReferenceResult, StillResult
from tracker.verifying import wrong_with

_KINDS: Final = (
    (b"\x89PNG", ".png"),
    (b"\xff\xd8", ".jpg"),
    (b"II", ".tif"),
    (b"MM", ".tif"),
    (b"BM", ".bmp"),
    (b"RIFF", ".webp"),
)


def export_case(store: Store, case_id: str, path: Path) -> str:
    """Write a case into one archive.

    Parameters
    ----------
    store : Store
    case_id : str
    path : Path
        Must not exist yet.

    Returns
    -------
    str
        SHA-256 of the archive; the same case gives the same one.

    Raises
    ------
    NotFound
    StoreError
        The case is not as it was written; a damaged case does not leave.
    InputError
        The file is there already.
    """
    whole = store.whole(store.case(case_id))
    wrong = wrong_with(whole)
    if wrong is not None:
        raise _damaged(str(wrong))
    case = read_whole(whole)
    # Asked first, so that a damaged picture stops the export before a file is begun.
    kinds = {row.number: _suffix(row, store.picture_bytes(row)[:4]) for row in whole.pictures}
    names, renamed = _names(case, whole, kinds)
    text = case_text(case.setup, renamed)
    return parcel.write(path, whole, names, text, store.picture_bytes)


def _damaged(what: str) -> InvalidCase:
    return InvalidCase(
        f"The case is not as it was written: {what}.", hint="See tracker verify; nothing was done."
    )


def import_case(store: Store, path: Path) -> CaseRow:
    """Take a case in from an archive.

    Parameters
    ----------
    store : Store
    path : Path

    Returns
    -------
    CaseRow

    Raises
    ------
    InvalidCase
        The archive is damaged, was tampered with, or names a case that the record has. Nothing
        was written.
    """
    found = parcel.read(path)
    wrong = wrong_with(found.whole)
    if wrong is not None:
        raise InvalidCase(f"{path} can't be used: {wrong}.", hint="Nothing was taken in.")
    try:
        case = read_whole(found.whole)
    except (InternalError, LookupError, ValueError, TypeError, AttributeError):
        raise InvalidCase(
            f"{path} can't be used: its journal says what this software can't read.",
            hint="Nothing was taken in. It may come from a newer version.",
        ) from None
    _check_setup(case.setup, path)
    if case.setup.id != found.whole.row.id:
        raise InvalidCase(
            f"{path} can't be used: it holds two names of the case.", hint="Nothing was taken in."
        )
    return wholecase.put(store, found.whole, found.read, found.head)


def _check_setup(setup: CaseSetup, path: Path) -> None:
    """Refuse a name and a plan with which no case could have been opened."""
    try:
        plain = tomllib.loads(case_text(setup))
        # Marks are of many makes, and names of files mean nothing in a record.
        plain = {key: part for key, part in plain.items() if key not in ("marks", "distortion")}
        plain["scale"].pop("object_file", None)
        has_angles = (setup.plan.target_lcea_deg, setup.plan.floor_lcea_deg) != (None, None)
        setup_from(plain, object_later=True, angles=has_angles)
    except InvalidCase as error:
        raise InvalidCase(
            f"{path} can't be used: {error.message}.", hint="Nothing was taken in."
        ) from None
    except ValueError:
        raise InvalidCase(
            f"{path} can't be used: its set-up can't be read.", hint="Nothing was taken in."
        ) from None
    if not can_name(setup.id):
        raise InvalidCase(
            f"{path} can't be used: {setup.id!r} can't name a case.", hint="Nothing was taken in."
        )


def read_whole(whole: WholeCase) -> Case:
    """Read a case's rows as the pages do."""
    results = {row.serial: (row, _value(row)) for row in whole.results}
    return casebook.read_case(whole.row, whole.events, whole.pictures, results)


def _value(row: ResultRow) -> StillResult | ReferenceResult:
    if row.kind == "still":
        return from_text(StillResult, row.body)
    return from_text(ReferenceResult, row.body)


def _names(
    case: Case, whole: WholeCase, kinds: dict[int, str]
) -> tuple[dict[int, str], dict[str, str]]:
    """Return each picture's place in the archive, and the new names of files that case.toml names.

    In ``case/`` the byte order of the names is the order in which the pictures were taken.
    """
    names: dict[int, str] = {}
    renamed: dict[str, str] = {}
    order = [*((case.first,) if case.first else ()), *case.stills]
    places = {one.number: place for place, one in enumerate(order)}
    setup = case.setup
    plates, object_ = setup.plate.files if setup.plate else (), setup.scale.object_file
    for row in whole.pictures:
        if row.number in places:
            file = f"case/{places[row.number]:04}{kinds[row.number]}"
        elif row.name in plates:
            place = plates.index(row.name)
            file = f"case/grid{f'-{place + 1}' if place else ''}{kinds[row.number]}"
        else:
            file = f"aside/{row.number:04}{kinds[row.number]}"
        if row.name in (*plates, object_):
            renamed.setdefault(row.name, Path(file).name)
        if file in names.values():
            file = f"aside/{row.number:04}{kinds[row.number]}"
        names[row.number] = file
    return names, renamed


def _suffix(row: PictureRow, begins: bytes) -> str:
    """Return the ending by which a picture of this kind is known, whatever it came as."""
    for magic, suffix in _KINDS:
        if begins.startswith(magic):
            return suffix
    given = re.sub(r"[^a-z.]", "", Path(row.name).suffix.lower())
    return given if given in PICTURE_SUFFIXES else ".dcm"
