"""The application: routes, headers, limits, and one way to tell an error."""

import socket
from importlib.metadata import version
from pathlib import Path
from typing import Final

import uvicorn
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.staticfiles import StaticFiles
from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.responses import JSONResponse, Response

from tracker.errors import HTTP_STATUS, TrackerError
from tracker.service import NewCode, Service
from web import around, arrived, health, hip, pairing, routes, ways, words
from web.access import Door, Guarded, error_body
from web.cohort import router as many_cases
from web.description import Described
from web.health import Watching
from web.pages import render
from web.phrases import error_context
from web.reporting import router as reports
from web.serving import Serving

_HERE: Final = Path(__file__).parent
_FORM_OVERHEAD: Final = 1_000_000
_PLAIN_WORDS: Final = {
    400: "The form that was sent can't be read.",
    404: "There is nothing at this address.",
    405: "This can't be done at this address.",
    413: "The file is larger than the limit.",
    415: "What was sent is of no kind that is taken here.",
}


def create_app(
    service: Service, *, door: Door | None = None, codes: tuple[NewCode, ...] = ()
) -> FastAPI:
    """Make the application over a service.

    Parameters
    ----------
    service : Service
    door : Door, optional
        How the pages are reached; by this machine only, if not said.
    codes : tuple of NewCode
        By which other devices come in at first.

    Returns
    -------
    FastAPI
    """
    most_bytes = service.settings.images.max_bytes + _FORM_OVERHEAD
    door = door or Door()
    app = Described(
        title="Rim resection tracker",
        version=version("rim-tracker"),
        docs_url=None,
        redoc_url=None,
        middleware=[
            Middleware(Guarded, door, service.gate, most_bytes, failed),
            Middleware(Watching, service),
        ],
    )
    app.state.service = service
    app.state.is_closing = False
    app.state.door, app.state.failed = door, failed
    app.state.codes = pairing.ShownCodes(codes)
    app.include_router(routes.router)
    app.include_router(around.router)
    app.include_router(arrived.router)
    app.include_router(hip.router)
    app.include_router(many_cases)
    app.include_router(ways.router)
    app.include_router(health.router)
    app.include_router(reports)
    app.include_router(pairing.pages)
    app.include_router(pairing.programs)
    app.mount("/static", StaticFiles(directory=_HERE / "static"), name="static")
    for kind in (TrackerError, HTTPException, RequestValidationError, Exception):
        app.add_exception_handler(kind, tell_error)
    return app


def tell_error(request: Request, error: Exception) -> Response:
    """Answer an error: as a page to who reads pages, else in the one JSON shape.

    No text of a library's exception reaches anyone.
    """
    return failed(request.headers, error)


def failed(headers: Headers, error: Exception) -> Response:
    """Return the answer to an error, for a request with these headers."""
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
    if "text/html" in headers.get("accept", ""):
        return render("error.html", error_context(message, hint, status), status=status)
    return JSONResponse(error_body(message, hint, status), status)


def run(
    service: Service,
    *,
    host: str = "127.0.0.1",
    port: int = 8000,
    names: tuple[str, ...] = (),
    certificate: Path | None = None,
    key: Path | None = None,
) -> None:
    """Serve the pages until interrupted.

    Parameters
    ----------
    service : Service
    host : str
        An address of this machine.  Off the loopback every device has to be paired.
    port : int
        0 takes a free one.
    names : tuple of str
        Under which other machines know this one.
    certificate, key : Path, optional
        PEM files, to encrypt connections.

    Raises
    ------
    InputError
        The address is not this machine's own, the port is taken, or the certificate can't be used.
    """
    serving = Serving(host, port, names, certificate, key)
    door = serving.door()
    serving.check_certificate()
    with serving.listening() as listeners:
        codes = service.gate.codes_at_start() if door.is_shared else ()
        closed = service.gate.closed_until() if door.is_shared else None
        until = words.minute(closed) if closed else ""
        for line in serving.lines(listeners[0].getsockname()[1], codes, until):
            _announce(line)
        Server(create_app(service, door=door, codes=codes), serving).run(sockets=listeners)


class Server(uvicorn.Server):
    """A server that ends the event streams of open pages when it is stopped.

    Parameters
    ----------
    app : FastAPI
        Of :func:`create_app`.
    serving : Serving, optional
        Says whether connections are encrypted.
    """

    def __init__(self, app: FastAPI, serving: Serving | None = None) -> None:
        serving = serving or Serving()
        super().__init__(
            uvicorn.Config(
                app,
                log_level="warning",
                access_log=False,
                timeout_graceful_shutdown=5,
                # Nobody may say for whom he asks: this machine itself would be believed.
                proxy_headers=False,
                server_header=False,
                ssl_certfile=serving.certificate,
                ssl_keyfile=serving.key,
            )
        )
        self._app = app

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Let the streams end by themselves, then stop."""
        self._app.state.is_closing = True
        await super().shutdown(sockets)


def _announce(line: str) -> None:
    print(line, flush=True)  # noqa: T201
