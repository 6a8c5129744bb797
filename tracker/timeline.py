"""Times of arrival, and the C-arm's own times -> the order in which pictures were taken.

A C-arm's clock may be wrong by years, may stand, be set back in mid-case, or keep the day on which
the examination began.  So its times are never believed as such: what counts is by how much it lags
behind ours.  The least lag seen is the clock's offset (and the shortest way here); a picture that
lags more was under way for longer and is put back by as much - unless the clock itself was set
back, which a counter that goes on, or a second picture with the same lag, gives away.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

_DAY_S: Final = 86_400.0
_STALE_WITHIN_S: Final = 6 * 3600.0
"""A lag of a day, give or take this, is a day's name that was not renewed at midnight."""
_LATE_S: Final = 5.0
"""Less lag than this more than the least is the way's own unevenness."""
_SAME_LAG_S: Final = 15.0
_APART_S: Final = 40.0
"""Pictures that come closer together than this may have been sent in one go."""
_TIE_S: Final = 1.0
"""C-arms write whole seconds."""


@dataclass(frozen=True, slots=True)
class Moment:
    """When a picture came, and what its own clock said.

    Attributes
    ----------
    number : int
    came_s : float
        Our clock, seconds from any origin.
    lag_s : float or None
        How far the C-arm's clock was behind ours when the picture came; None where it said
        no time of day with its date.
    series : str
        In which ``count`` counts on; empty where nothing does.
    count : int or None
        The C-arm's own count of its pictures.
    """

    number: int
    came_s: float
    lag_s: float | None = None
    series: str = ""
    count: int | None = None

    @property
    def own_s(self) -> float:
        """What the C-arm's clock said, on our origin."""
        return self.came_s - (self.lag_s or 0.0)


@dataclass(frozen=True, slots=True)
class Timeline:
    """The order in which pictures were taken.

    Attributes
    ----------
    order : tuple of int
        Numbers of all pictures.
    taken_s : tuple of float
        When each of them was taken, by our clock; of one without a time of its own, when it came.
    late : tuple of int
        Those that came after one that was taken later.
    offset_s : float or None
        How far the C-arm's clock is behind ours now, at most; negative where it is ahead.
    timed : int
        Pictures on which that rests.
    set_back : bool
        The C-arm's clock was set back in mid-case.
    """

    order: tuple[int, ...]
    taken_s: tuple[float, ...]
    late: tuple[int, ...] = ()
    offset_s: float | None = None
    timed: int = 0
    set_back: bool = False


def read(moments: Sequence[Moment], *, as_they_came: bool = False) -> Timeline:
    """Put pictures in the order in which they were taken.

    Parameters
    ----------
    moments : sequence of Moment
        In the order in which they came.
    as_they_came : bool
        The C-arm's clock is not to be used; its offset is still told.

    Returns
    -------
    Timeline

    Examples
    --------
    >>> came = [Moment(1, 0.0, 20.0), Moment(2, 90.0, 20.0), Moment(3, 95.0, 60.0)]
    >>> read(came).order, read(came).late
    ((1, 3, 2), (3,))
    """
    lags, epochs = _lags(moments)
    offsets: dict[int, float] = {}
    for lag, epoch in zip(lags, epochs, strict=True):
        if lag is not None:
            offsets[epoch] = min(lag, offsets.get(epoch, lag))
    placed: list[tuple[float, int]] = []
    late = []
    for moment, lag, epoch in zip(moments, lags, epochs, strict=True):
        taken = moment.came_s
        if lag is not None and not as_they_came:
            under_way = lag - offsets[epoch]
            taken -= under_way if under_way > _LATE_S else 0.0
        place = len(placed)
        while place and placed[place - 1][0] > taken + _TIE_S:
            place -= 1
        if place < len(placed):
            late.append(moment.number)
        placed.insert(place, (taken, moment.number))
    timed = sum(lag is not None for lag in lags)
    return Timeline(
        tuple(number for _, number in placed),
        tuple(taken for taken, _ in placed),
        tuple(late),
        offsets[epochs[-1]] if timed else None,
        timed,
        bool(epochs) and epochs[-1] > 0,
    )


def _lags(moments: Sequence[Moment]) -> tuple[list[float | None], list[int]]:
    """Return each picture's lag, days' names mended, and between which settings it was taken."""
    lags: list[float | None] = []
    epochs: list[int] = []
    epoch, least = 0, None
    suspect: int | None = None
    for place, moment in enumerate(moments):
        lag = moment.lag_s
        if lag is not None and least is not None:
            if abs(lag - least - _DAY_S) < _STALE_WITHIN_S:
                lag -= _DAY_S
            if lag - least <= _LATE_S:
                suspect = None
            elif _counts_on(moment, moments[:place], lags, epochs, epoch):
                epoch, least, suspect = epoch + 1, None, None
            elif suspect is not None and _same_lag(moments[suspect], moment):
                # Two in a row that lag alike were not under way alike: the clock was set back.
                epoch, least = epoch + 1, lags[suspect]
                epochs[suspect], suspect = epoch, None
            else:
                suspect = place
        if lag is not None:
            least = lag if least is None else min(least, lag)
        lags.append(lag)
        epochs.append(epoch)
    return lags, epochs


def _same_lag(one: Moment, other: Moment) -> bool:
    if one.lag_s is None or other.lag_s is None or other.came_s - one.came_s < _APART_S:
        return False
    return abs(one.lag_s - other.lag_s) < _SAME_LAG_S


def _counts_on(
    moment: Moment,
    before: Sequence[Moment],
    lags: Sequence[float | None],
    epochs: Sequence[int],
    epoch: int,
) -> bool:
    """Tell whether a picture counts on from one that its time says was taken later."""
    if moment.count is None or not moment.series:
        return False
    later = [
        one.count
        for one, lag, where in zip(before, lags, epochs, strict=True)
        if lag is not None
        and where == epoch
        and one.series == moment.series
        and one.count is not None
        and one.own_s > moment.own_s + _TIE_S
    ]
    return bool(later) and moment.count > max(later)
