"""Server-sent events: a page hears of every change, and notices within seconds when it can't.

Each change carries the key of the case's last journal entry.  A browser that comes back sends the
last key it saw; if the case has moved on meanwhile it is told at once.  A beat every second tells
the page that the connection lives.
"""

import asyncio
from collections.abc import AsyncIterator, Callable
from typing import Final

from fastapi.sse import ServerSentEvent

from tracker.service import Case, Service

BEAT_S: Final = 1.0
RETRY_MS: Final = 1000


async def changes(
    service: Service,
    case_id: str,
    last_seen: int,
    is_closing: Callable[[], bool],
    may_stay: Callable[[], bool] = lambda: True,
) -> AsyncIterator[ServerSentEvent]:
    """Yield the changes of a case and the beats between them, until the service closes.

    Parameters
    ----------
    service : Service
    case_id : str
    last_seen : int
        Key of the last journal entry that the page knows; 0 for none.
    is_closing : callable
        Tells whether the service is being stopped; asked once a beat.
    may_stay : callable, optional
        Tells whether the device that listens is still let in; asked once a beat, in a thread.

    Yields
    ------
    ServerSentEvent
        "changed" with the key as its id, "trouble" when what is wrong with the record has changed,
        "beat", or at last "ended" when the device was sent away.
    """
    loop = asyncio.get_running_loop()
    stirred = asyncio.Event()

    members = {case_id}

    def hear(changed_id: str, _event: int) -> None:
        if changed_id in members:
            loop.call_soon_threadsafe(stirred.set)

    def look() -> tuple[bool, tuple[Case, ...]]:
        # Every view of the hip: the wall shows the one that came last.
        return may_stay(), service.hips.views(case_id)

    troubled = await asyncio.to_thread(service.health.troubles)
    stop = service.listen(hear)
    try:
        yield ServerSentEvent(event="beat", data={}, retry=RETRY_MS)
        while not is_closing():
            stays, views = await asyncio.to_thread(look)
            if not stays:
                yield ServerSentEvent(event="ended", data={})
                break
            members = {case.row.id for case in views}
            now = max(case.last_event for case in views)
            if now != last_seen:
                last_seen = now
                yield ServerSentEvent(event="changed", data={"event": now}, id=str(now))
            found = await asyncio.to_thread(service.health.troubles)
            if found != troubled:
                troubled = found
                yield ServerSentEvent(event="trouble", data={})
            try:
                await asyncio.wait_for(stirred.wait(), BEAT_S)
                stirred.clear()
            except TimeoutError:
                yield ServerSentEvent(event="beat", data={})
    finally:
        stop()
