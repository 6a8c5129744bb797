"""Use case: a case folder is measured again, as if its pictures came in one after another."""

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from tracker import sequence, squaring
from tracker.casefolder import CaseFolder, read_case, read_picture
from tracker.decoding import SHARED
from tracker.errors import UnreadableImage
from tracker.settings import DEFAULTS, Settings
from tracker.values import NotMeasurable, Reason, ReferenceResult, Still, StillResult

Clock = Callable[[], float]
"""Seconds from any origin; only differences are used."""


def _ignore_reference(_reference: ReferenceResult, _total: int) -> None: ...


def _ignore_result(_result: StillResult, _index: int, _total: int) -> None: ...


@dataclass(frozen=True, eq=False, slots=True)
class Replay:
    """What a replay gave.

    Attributes
    ----------
    case : CaseFolder
    reference : ReferenceResult
        Of the first picture.
    results : tuple of StillResult
        Of the pictures after it, in order.
    """

    case: CaseFolder
    reference: ReferenceResult
    results: tuple[StillResult, ...]


def replay(
    folder: Path,
    on_result: Callable[[StillResult, int, int], None] = _ignore_result,
    clock: Clock = time.perf_counter,
    *,
    on_reference: Callable[[ReferenceResult, int], None] = _ignore_reference,
    settings: Settings = DEFAULTS,
) -> Replay:
    """Measure every picture of a case folder.

    Parameters
    ----------
    folder : Path
    on_result : callable
        Told each picture's result, its place (the first picture is 0, so the first result
        has 1) and the number of pictures in the folder.
    clock : callable
        Returns seconds; times each picture from decoded to judged.
    on_reference : callable
        Told the first picture's result and the number of pictures.
    settings : Settings

    Returns
    -------
    Replay

    Raises
    ------
    InvalidCase
        The folder or its case.toml can't be used.  A picture that can't be read is a result.
    """
    case = read_case(folder)
    total, first = len(case.pictures), case.pictures[0]
    object_, still = _object_picture(case), _decoded(first, settings)
    # Marks of a folder lie on the first picture as it was recorded.
    setup = squaring.carried(case.setup, still) if isinstance(still, Still) else case.setup
    so_far = sequence.begin(
        first.name,
        still,
        setup,
        settings,
        more_plates=tuple(_decoded(path, settings) for path in case.more_grids),
        plate=None if case.grid is None else _decoded(case.grid, settings),
        object_still=None if object_ is None else _decoded(object_, settings),
    )
    on_reference(so_far.reference, total)
    results: list[StillResult] = []
    for index, path in enumerate(case.pictures[1:], start=1):
        still = _decoded(path, settings)
        started = clock()
        result, so_far = sequence.go_on(path.name, still, so_far, settings)
        result = replace(result, elapsed_ms=1000 * (clock() - started))
        results.append(result)
        on_result(result, index, total)
    return Replay(case=case, reference=so_far.reference, results=tuple(results))


def _object_picture(case: CaseFolder) -> Path | None:
    """Return the picture that shows the object of known size, where it is not the first."""
    name = case.setup.scale.object_file
    return None if name in (None, case.pictures[0].name) else case.folder / str(name)


def _decoded(path: Path, settings: Settings) -> Still | NotMeasurable:
    try:
        data = read_picture(path, settings.images.max_bytes)
        return SHARED.decode(data, path.name, settings.images)
    except UnreadableImage as error:
        return NotMeasurable(Reason.UNREADABLE, f"{error.message}.")
