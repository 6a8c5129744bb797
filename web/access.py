"""Who may ask for what: headers on every answer, and where a changing request may come from.

Pages hold no inline script or style, load nothing from elsewhere, can't be framed and are not
kept by caches.  A request that changes something must come from the pages themselves.
"""

from typing import Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LOOPBACK: Final = ("127.0.0.1", "localhost", "[::1]")

HEADERS: Final = {
    "Content-Security-Policy": (
        "default-src 'self'; object-src 'none'; base-uri 'none'; "
        "frame-ancestors 'none'; form-action 'self'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
"""On every answer.  Strict transport security is left out: the pages are plain HTTP here."""

_SAFE_METHODS: Final = frozenset({"GET", "HEAD", "OPTIONS"})


class Guarded:
    """An application whose answers carry the headers and whose changes come from its own pages.

    Parameters
    ----------
    app : ASGI application
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                if not scope["path"].startswith("/static/"):
                    headers["Cache-Control"] = "no-store"
            await send(message)

        if scope["method"] not in _SAFE_METHODS and not comes_from_own_page(Headers(scope=scope)):
            refusal = JSONResponse(
                error_body("The request does not come from these pages.", "", 403), 403
            )
            await refusal(scope, receive, send_guarded)
            return
        await self._app(scope, receive, send_guarded)


def comes_from_own_page(headers: Headers) -> bool:
    """Tell whether a request that changes something comes from these pages.

    Parameters
    ----------
    headers : Headers
        Of the request.

    Returns
    -------
    bool
        True as well for programs that send neither ``Origin`` nor ``Sec-Fetch-Site``: those are
        not browsers, and nobody's page can make them ask.
    """
    origin = headers.get("origin")
    if origin is not None:
        return urlsplit(origin).netloc == headers.get("host")
    return headers.get("sec-fetch-site", "same-origin") in ("same-origin", "none")


def error_body(message: str, hint: str, status: int) -> dict[str, dict[str, object]]:
    """Return the one shape in which errors are told to programs."""
    return {"error": {"message": message, "hint": hint, "status": status}}
