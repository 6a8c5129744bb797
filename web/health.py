"""Whether everything works: one address for machines, and a line on every page for people."""

from contextvars import ContextVar
from typing import Final

import anyio.to_thread
from fastapi import APIRouter, Request
from starlette.responses import JSONResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from tracker.service import Service, Trouble
from web import words

ADDRESS: Final = "/healthz"
_TROUBLES: ContextVar[tuple[Trouble, ...]] = ContextVar("troubles", default=())
_QUIET: Final = ("/static/", "/events", ADDRESS)

router = APIRouter()


def troubles() -> tuple[tuple[str, str, bool], ...]:
    """Return what the page that is being made has to say: what, what to do, whether it stops."""
    return tuple(
        (words.ended(one.what), words.sentence(one.hint), one.stops) for one in _TROUBLES.get()
    )


class Watching:
    """Looks at the record's state before a page is made.

    Parameters
    ----------
    app : ASGI application
    service : Service
    """

    def __init__(self, app: ASGIApp, service: Service) -> None:
        self._app = app
        self._service = service

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] == "http" and not any(part in scope["path"] for part in _QUIET):
            found = await anyio.to_thread.run_sync(self._service.health.troubles)
            _TROUBLES.set(found)
        await self._app(scope, receive, send)


@router.get(ADDRESS)
def health(request: Request) -> Response:
    """Say whether pictures can be kept: status 200, or 503 while they can't."""
    service: Service = request.app.state.service
    found = service.health.troubles()
    stops = any(one.stops for one in found)
    said = {
        "ok": not stops,
        "cases": None if stops else service.count_cases(),
        "troubles": [{"what": one.what, "hint": one.hint, "stops": one.stops} for one in found],
    }
    return JSONResponse(said, 503 if stops else 200)
