"""Use case: a case folder is measured again, as if its pictures came in one after another."""

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from tracker import pipeline
from tracker.casefolder import CaseFolder, read_case, read_picture
from tracker.errors import UnreadableImage
from tracker.images import decode
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
    total = len(case.pictures)
    prepared = _reference(case, settings)
    reference = prepared if isinstance(prepared, ReferenceResult) else prepared.result
    on_reference(reference, total)
    state = None if isinstance(prepared, ReferenceResult) else pipeline.open_case(prepared)
    results: list[StillResult] = []
    for index, path in enumerate(case.pictures[1:], start=1):
        still = _decoded(path, settings)
        started = clock()
        if isinstance(still, NotMeasurable):
            result = _refused(path.name, still)
        elif state is None or not reference.usable:
            result = _refused(path.name, NotMeasurable(Reason.REFERENCE_UNUSABLE), still.sha256)
        else:
            result, state = pipeline.measure_still(still, state, settings)
        result = replace(result, elapsed_ms=1000 * (clock() - started))
        results.append(result)
        on_result(result, index, total)
    return Replay(case=case, reference=reference, results=tuple(results))


def _reference(
    case: CaseFolder, settings: Settings
) -> "pipeline.PreparedReference | ReferenceResult":
    """Prepare the first picture, or say which of the pictures it needs can't be read."""
    setup, first = case.setup, case.pictures[0]
    stills: dict[Reason, Still | None] = {}
    for reason, path in (
        (Reason.UNREADABLE, first),
        (Reason.GRID_UNUSABLE, case.grid),
        (Reason.SCALE_UNUSABLE, _object_picture(case)),
    ):
        still = None if path is None else _decoded(path, settings)
        if isinstance(still, NotMeasurable):
            return ReferenceResult(
                file=first.name,
                marks="given" if setup.marks else "proposed",
                reasons=(NotMeasurable(reason, still.detail),),
            )
        stills[reason] = still
    picture = stills[Reason.UNREADABLE]
    assert picture is not None  # a case folder has a first picture
    return pipeline.prepare_reference(
        picture,
        setup,
        settings,
        plate=stills[Reason.GRID_UNUSABLE],
        object_still=stills[Reason.SCALE_UNUSABLE],
    )


def _object_picture(case: CaseFolder) -> Path | None:
    """Return the picture that shows the object of known size, where it is not the first."""
    name = case.setup.scale.object_file
    return None if name in (None, case.pictures[0].name) else case.folder / str(name)


def _decoded(path: Path, settings: Settings) -> Still | NotMeasurable:
    try:
        data = read_picture(path, settings.images.max_bytes)
        return decode(data, path.name, settings.images)
    except UnreadableImage as error:
        return NotMeasurable(Reason.UNREADABLE, f"{error.message}.")


def _refused(name: str, why: NotMeasurable, sha256: str = "") -> StillResult:
    return StillResult(file=name, sha256=sha256, verdict="refused", reasons=(why,), elapsed_ms=0.0)
