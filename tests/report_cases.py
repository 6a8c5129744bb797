"""Cases of every kind that a report has to be sane about, made with a pipeline that is quick."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from tests import standins
from tests.standins import png
from tracker.agreement import Terms
from tracker.errors import UnreadableImage
from tracker.service import Service
from tracker.values import Plan

START = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)
PAUSE = timedelta(seconds=70)


class Clock:
    """A clock that goes on at each look."""

    def __init__(self) -> None:
        self.at = START

    def __call__(self) -> datetime:
        self.at += PAUSE
        return self.at


def bring(service: Service, *tenths: int, case: str = "p1") -> None:
    """Bring pictures on which that many tenths of a millimetre are removed."""
    for removed in tenths:
        number = len(service.case(case).pictures)
        service.add_picture(case, png(removed, noise=number), f"{number:03}.png")


def opened(service: Service, plan: Plan | None = None) -> None:
    """Open a case, bring its first picture and agree the marks."""
    setup = standins.setup()
    service.open_case(replace(setup, plan=plan or setup.plan))
    bring(service, 0)
    service.accept_proposed("p1")


def whole(service: Service) -> None:
    """A case with everything that can be said of one."""
    opened(service)
    service.add_picture("p1", png(1, noise=77), "zero.png", as_zero=True)
    acts = service.around
    acts.ask_estimates("p1", asked=True)
    acts.traction("p1", on=True)
    bring(service, 8)
    acts.estimate("p1", 2, 1.1)
    acts.ask_estimates("p1", asked=False)
    bring(service, 255, 18)
    service.take_note("p1", "Cartilage soft at 1 o'clock <b>&", 4)
    bring(service, 21, 23)
    acts.final("p1", "before repair", 5, 6)
    acts.labrum("p1", "11:00", "2:30")
    acts.spacing("p1", 8.0)
    for place in ("11:30", "12:30", "1:30"):
        acts.anchor("p1", place)
    acts.capsule("p1", "closed in part")
    acts.movement("p1", tested=True)
    acts.films.typed("p1", "before", 41.0, "lateral bony edge")
    acts.films.typed("p1", "after", 34.0, "lateral bony edge")
    acts.traction("p1", on=False)
    service.set_phase("p1", "repair")
    bring(service, 22, 24)
    acts.final("p1", "after traction", 7, 8)
    service.close_case("p1")


def no_picture(service: Service) -> None:
    """Nothing but the plan."""
    service.open_case(standins.setup())


def marks_to_agree(service: Service) -> None:
    """A first picture whose marks nobody has agreed."""
    service.open_case(standins.setup())
    bring(service, 0)


def first_unusable(service: Service) -> None:
    """A first picture that can't be used, with one more that waits on it."""
    service.open_case(standins.setup(marks=standins.marks()))
    bring(service, 253, 5)


def nothing_later(service: Service) -> None:
    """No later picture."""
    opened(service)


def depth_only(service: Service) -> None:
    """A plan of millimetres without a greatest depth."""
    opened(service, Plan(floor_lcea_deg=25.0, depth_mm=3.0))
    bring(service, 8, 34)


def limits_reached(service: Service) -> None:
    """Past the plan and at both limits."""
    opened(service)
    bring(service, 70)


def refused_only(service: Service) -> None:
    """No later picture could be measured; one file was no picture."""
    opened(service)
    bring(service, 255, 255)
    with pytest.raises(UnreadableImage):
        service.add_picture("p1", b"no picture", "a.png")


def outline_wrong(service: Service) -> None:
    """The last outline looks wrong."""
    opened(service)
    bring(service, 8, 18)
    service.judge_outline("p1", 2, wrong=True)


def two_series(service: Service) -> None:
    """A new first picture in mid-case, with something burred unseen before it."""
    opened(service, Plan(floor_lcea_deg=25.0, target_lcea_deg=33.0))
    bring(service, 8, 14)
    service.begin_series("p1", nothing_burred=False)
    bring(service, 0)
    service.accept_proposed("p1")
    bring(service, 6)


def recorded_only(service: Service) -> None:
    """Numbers are shown nowhere until the case is closed."""
    service.hips.open_hip(standins.setup(), Terms(numbers="recorded only"), {})
    bring(service, 0)
    service.accept_proposed("p1")
    bring(service, 8)


def other_view(service: Service) -> None:
    """A false profile: millimetres alone."""
    setup = replace(standins.setup(), view="false-profile")
    service.open_case(replace(setup, plan=Plan(floor_lcea_deg=None, depth_mm=3.0)))
    bring(service, 0)
    service.accept_proposed("p1")
    bring(service, 8)


KINDS: dict[str, Callable[[Service], None]] = {
    kind.__name__: kind
    for kind in (
        whole,
        no_picture,
        marks_to_agree,
        first_unusable,
        nothing_later,
        depth_only,
        limits_reached,
        refused_only,
        outline_wrong,
        two_series,
        recorded_only,
        other_view,
    )
}
