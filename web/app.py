"""The application: routes, headers, limits, and one way to tell an error."""

import socket
from pathlib import Path
from typing import Final

import uvicorn
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.responses import JSONResponse, Response

from tracker.errors import HTTP_STATUS, InputError, TrackerError
from tracker.service import Service
from web import around, routes, ways, words
from web.access import LOOPBACK, Guarded, error_body
from web.pages import render
from web.phrases import error_context
from web.reporting import router as reports

_HERE: Final = Path(__file__).parent
_FORM_OVERHEAD: Final = 1_000_000
_PLAIN_WORDS: Final = {
    404: "There is nothing at this address.",
    405: "This can't be done at this address.",
    413: "The file is larger than the limit.",
}


def create_app(service: Service, *, hosts: tuple[str, ...] = LOOPBACK) -> FastAPI:
    """Make the application over a service.

    Parameters
    ----------
    service : Service
    hosts : tuple of str
        Names by which the pages may be asked for; others are refused.

    Returns
    -------
    FastAPI
    """
    most_bytes = service.settings.images.max_bytes + _FORM_OVERHEAD
    app = FastAPI(
        title="Rim resection tracker",
        docs_url=None,
        redoc_url=None,
        middleware=[Middleware(Guarded, hosts=hosts, most_bytes=most_bytes)],
    )
    app.state.service = service
    app.state.is_closing = False
    app.include_router(routes.router)
    app.include_router(around.router)
    app.include_router(ways.router)
    app.include_router(reports)
    app.mount("/static", StaticFiles(directory=_HERE / "static"), name="static")
    for kind in (TrackerError, HTTPException, RequestValidationError, Exception):
        app.add_exception_handler(kind, tell_error)
    return app


def tell_error(request: Request, error: Exception) -> Response:
    """Answer an error: as a page to who reads pages, else in the one JSON shape.

    No text of a library's exception reaches anyone.
    """
    message, hint, status = "Something in the machinery failed.", "The record is safe.", 500
    if isinstance(error, TrackerError):
        message, hint = words.ended(error.message), words.sentence(error.hint)
        status = HTTP_STATUS[type(error)]
    elif isinstance(error, RequestValidationError):
        places = {".".join(str(part) for part in one["loc"][1:]) for one in error.errors()}
        message = f"The request can't be used: {', '.join(sorted(places)) or 'its form'}."
        hint, status = "Fill in what is missing.", 422
    elif isinstance(error, HTTPException):
        status = error.status_code
        message, hint = _PLAIN_WORDS.get(status, "The request can't be answered."), ""
    if "text/html" in request.headers.get("accept", ""):
        return render("error.html", error_context(message, hint, status), status=status)
    return JSONResponse(error_body(message, hint, status), status)


def run(service: Service, *, host: str = "127.0.0.1", port: int = 8000) -> None:
    """Serve the pages until interrupted.

    Parameters
    ----------
    service : Service
    host : str
        A loopback address: the pages have no log-in.
    port : int
        0 takes a free one.

    Raises
    ------
    InputError
        The address is not this machine's own, or the port is taken.
    """
    if host not in ("127.0.0.1", "localhost", "::1"):
        raise InputError(
            f"The pages are not served on {host}.",
            hint="They have no log-in yet, so only 127.0.0.1 is allowed.",
        )
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as listener:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind((host, port))
        except OSError:
            raise InputError(
                f"Port {port} is taken.", hint="Give another one with --port."
            ) from None
        shown = f"[{host}]" if ":" in host else host
        _announce(f"http://{shown}:{listener.getsockname()[1]}/")
        Server(create_app(service)).run(sockets=[listener])


class Server(uvicorn.Server):
    """A server that ends the event streams of open pages when it is stopped.

    Parameters
    ----------
    app : FastAPI
        Of :func:`create_app`.
    """

    def __init__(self, app: FastAPI) -> None:
        super().__init__(
            uvicorn.Config(app, log_level="warning", access_log=False, timeout_graceful_shutdown=5)
        )
        self._app = app

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Let the streams end by themselves, then stop."""
        self._app.state.is_closing = True
        await super().shutdown(sockets)


def _announce(address: str) -> None:
    print(f"The pages are at {address}  (Ctrl+C ends)", flush=True)  # noqa: T201
