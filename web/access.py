"""Who may ask for what: headers on every answer, and where a changing request may come from.

Pages hold no inline script or style, load nothing from elsewhere, can't be framed and are not
kept by caches.  A request that changes something must come from the pages themselves.
"""

from collections.abc import Sequence
from typing import Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LOOPBACK: Final = ("127.0.0.1", "localhost", "[::1]")

HEADERS: Final = {
    "Content-Security-Policy": (
        "default-src 'self'; object-src 'none'; base-uri 'none'; "
        "frame-ancestors 'none'; form-action 'self'"
    ),
    "X-Content-Type-Options": "nosniff",
    # "no-referrer" would blank the Origin of the forms of these very pages.
    "Referrer-Policy": "same-origin",
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
    hosts : sequence of str
        Names by which the pages may be asked for: a name that somebody else's server gave to this
        machine is not one of them.
    most_bytes : int
        Largest request.
    """

    def __init__(self, app: ASGIApp, hosts: Sequence[str], most_bytes: int) -> None:
        self._app = app
        self._hosts = frozenset(hosts)
        self._most_bytes = most_bytes

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

        refusal = self._refusal(scope["method"], Headers(scope=scope))
        if refusal is not None:
            await refusal(scope, receive, send_guarded)
        else:
            await self._app(scope, self._counted(receive), send_guarded)

    def _counted(self, receive: Receive) -> Receive:
        """Stop a request that sends more than the limit without having said so."""
        taken = 0

        async def receive_counted() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > self._most_bytes:
                raise HTTPException(413)
            return message

        return receive_counted

    def _refusal(self, method: str, headers: Headers) -> JSONResponse | None:
        host = headers.get("host", "").rsplit(":", 1)
        name = host[0] if len(host) == 2 and host[1].isdecimal() else ":".join(host)
        if name not in self._hosts:
            return _refused("The pages are not served under this name.", 400)
        if method not in _SAFE_METHODS and not comes_from_own_page(headers):
            return _refused("The request does not come from these pages.", 403)
        length = headers.get("content-length", "0")
        if length.isdecimal() and int(length) > self._most_bytes:
            return _refused("The file is larger than the limit.", 413)
        return None


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


def _refused(message: str, status: int) -> JSONResponse:
    return JSONResponse(error_body(message, "", status), status)
