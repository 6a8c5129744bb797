"""The door: who may ask for what, and what every answer carries.

Pages hold no inline script or style, load nothing from elsewhere, can't be framed and are not
kept by caches.  On the machine that serves them nobody logs in; every other device has to be
paired.  A request that changes something must come from the pages themselves, by a device whose
role allows it.
"""

import asyncio
import ipaddress
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final
from urllib.parse import quote, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import cookie_parser
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from tracker.errors import NotAllowed, NotPaired, TrackerError, Unwritable
from tracker.service import Gate, Session, acting_as
from web.asker import STRANGER, Asker, set_asker
from web.formtoken import FormBody, is_right

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
"""On every answer.  Strict transport security is left out: a browser would then refuse for months
to show the pages of a machine whose certificate has run out."""

_SAFE_METHODS: Final = frozenset({"GET", "HEAD", "OPTIONS"})
_FORWARDED: Final = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip", "via")
_OPEN: Final = re.compile(r"/(static/.*|pair|api/pair)")
"""What is answered to who is not paired: the page on which a code is typed, and its looks."""
_LOOK_MAY_SAY: Final = re.compile(
    r"/(devices/leave|pair|api/pair|cases/[^/]+/pictures/\d+/outline)"
)
"""What a device that only looks may send: it may leave, and take a number off every screen."""
_WORKING_PAGE: Final = re.compile(r"(/cases/[^/]+)/?")
"""Pictures is for work: a device that only looks is shown Glance instead."""


@dataclass(frozen=True, slots=True)
class Door:
    """How the pages are reached.

    Attributes
    ----------
    names : tuple of str
        By which the pages may be asked for, beside the address that was reached: a name that
        somebody else's server gave to this machine is not one of them.
    is_shared : bool
        Other machines can reach the pages.
    is_secure : bool
        The connection is encrypted.
    is_here : callable
        Tells whether a request comes from the machine that serves the pages.
    """

    names: tuple[str, ...] = LOOPBACK
    is_shared: bool = False
    is_secure: bool = False
    is_here: Callable[[Scope], bool] = lambda scope: comes_from_here(scope)

    @property
    def cookie(self) -> str:
        """Name of the cookie; the prefix lets a browser take it over encrypted connections only."""
        return "__Host-rim-session" if self.is_secure else "rim-session"


class Guarded:
    """An application behind a door.

    Parameters
    ----------
    app : ASGI application
    door : Door
    gate : Gate
    most_bytes : int
        Largest request.
    failed : callable
        Makes the answer to an error from a scope and the error.
    """

    def __init__(
        self,
        app: ASGIApp,
        door: Door,
        gate: Gate,
        most_bytes: int,
        failed: Callable[[Headers, TrackerError], Response],
    ) -> None:
        self._app = app
        self._door = door
        self._gate = gate
        self._most_bytes = most_bytes
        self._failed = failed

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request; there is nothing else to be had here, no web socket for instance."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
        if scope["type"] != "http":
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                if not scope["path"].startswith("/static/"):
                    headers["Cache-Control"] = "no-store"
            await send(message)

        headers = Headers(scope=scope)
        receive = self._counted(receive)
        refusal: Response | None = self._refusal(scope, headers)
        if refusal is not None:
            await refusal(scope, receive, send_guarded)
            return
        try:
            who = await self._who(scope, headers)
            set_asker(who)
            refusal = self._elsewhere(scope, who)
            if refusal is None:
                scope, receive = await self._checked(scope, receive, headers, who)
        except TrackerError as error:
            refusal = self._turned_away(scope, headers, error)
        if refusal is not None:
            await refusal(scope, receive, send_guarded)
            return
        with acting_as(who.role):
            await self._app(scope, receive, send_guarded)

    # --- who -----------------------------------------------------------------------------

    async def _who(self, scope: Scope, headers: Headers) -> Asker:
        scheme, _, bearer = headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer":
            session = self._gate.session_of(bearer.strip())
            if session is None or session.kind != "program":
                raise NotPaired("This token is not known here.", hint="Pair the program again.")
            return await self._seen(session)
        if self._door.is_here(scope):
            return Asker("theatre", None, self._own_token(), is_here=True)
        token = cookie_parser(headers.get("cookie", "")).get(self._door.cookie, "")
        session = self._gate.session_of(token) if token else None
        if session is None or session.kind != "browser":
            return STRANGER
        return await self._seen(session)

    def _own_token(self) -> str:
        """Return this machine's form token; none, and so no form, while the disk can't be read.

        The pages and /healthz can then still say what is wrong.
        """
        try:
            return self._gate.form_token(None)
        except Unwritable:
            return ""

    async def _seen(self, session: Session) -> Asker:
        await asyncio.to_thread(self._gate.see, session)
        return Asker(session.role, session, self._gate.form_token(session))

    # --- what ----------------------------------------------------------------------------

    async def _checked(
        self, scope: Scope, receive: Receive, headers: Headers, who: Asker
    ) -> tuple[Scope, Receive]:
        """Refuse what this device may not ask for; return the request without its form's token."""
        path = scope["path"]
        if not who.is_known and not _OPEN.fullmatch(path):
            raise NotPaired("This device is not paired.", hint="Type a code at /pair.")
        if scope["method"] in _SAFE_METHODS:
            return scope, receive
        if who.role == "look" and not _LOOK_MAY_SAY.fullmatch(path):
            raise NotAllowed(
                "This device may look, not change anything.",
                hint="Pair it again with a code for theatre.",
            )
        if not (who.is_known and is_browser(headers)):
            return scope, receive
        body = FormBody(scope, receive)
        await body.find_token()
        if not is_right(body.token, who.form_token):
            raise NotAllowed(
                "The request does not come from a page of this device.",
                hint="Load the page again.",
            )
        return body.scope, body.receive

    def _elsewhere(self, scope: Scope, who: Asker) -> Response | None:
        """Show a device that only looks the page that is made for looking."""
        page = _WORKING_PAGE.fullmatch(scope["path"])
        if page and who.is_known and who.role == "look" and scope["method"] in _SAFE_METHODS:
            return RedirectResponse(quote(page[1]) + "/glance", 303)
        return None

    def _turned_away(self, scope: Scope, headers: Headers, error: TrackerError) -> Response:
        wants_page = "text/html" in headers.get("accept", "")
        if isinstance(error, NotPaired) and wants_page and scope["method"] in _SAFE_METHODS:
            wanted = quote(scope["path"], safe="/")
            return RedirectResponse(f"/pair?to={quote(wanted, safe='')}", 303)
        answer = self._failed(headers, error)
        if isinstance(error, NotPaired):
            answer.headers["WWW-Authenticate"] = "Bearer"
        return answer

    # --- limits --------------------------------------------------------------------------

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

    def _refusal(self, scope: Scope, headers: Headers) -> JSONResponse | None:
        if not self._is_served_as(headers.get("host", ""), scope):
            return _refused("The pages are not served under this name.", 400)
        if scope["method"] not in _SAFE_METHODS and not comes_from_own_page(headers):
            return _refused("The request does not come from these pages.", 403)
        length = headers.get("content-length", "0")
        if length.isdecimal() and int(length) > self._most_bytes:
            return _refused("The file is larger than the limit.", 413)
        return None

    def _is_served_as(self, host: str, scope: Scope) -> bool:
        """Tell whether the pages may be asked for by a name.

        An address that was reached as it stands was looked up nowhere: nobody can have bent it.
        """
        name = name_of(host)
        return name in self._door.names or (
            self._door.is_shared and name == bracketed(_address(scope, "server"))
        )


def name_of(host: str) -> str:
    """Return the name in a Host header, without its port.

    >>> name_of("[::1]:8000"), name_of("localhost"), name_of("theatre3.example:80")
    ('[::1]', 'localhost', 'theatre3.example')
    """
    name, colon, port = host.rpartition(":")
    is_port = bool(colon) and port.isdecimal() and (":" not in name or name.endswith("]"))
    return (name if is_port else host).lower()


def bracketed(address: str) -> str:
    """Return an address as it stands in a Host header; empty where it is none."""
    try:
        ip = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return ""
    return f"[{ip}]" if ip.version == 6 else str(ip)


def comes_from_here(scope: Scope) -> bool:
    """Tell whether the machine that serves the pages asks, under a name of its own.

    Not what was passed on for somebody else: a proxy on this machine speaks for the whole network.
    """
    headers = Headers(scope=scope)
    if any(name in headers for name in _FORWARDED):
        return False
    if name_of(headers.get("host", "")) not in LOOPBACK:
        return False
    try:
        address = ipaddress.ip_address(_address(scope, "client"))
    except ValueError:
        return False
    return address.is_loopback


def is_browser(headers: Headers) -> bool:
    """Tell whether a browser asks on its own account, so that any page could have made it ask."""
    if "authorization" in headers:
        return False
    return any(name in headers for name in ("origin", "cookie", "sec-fetch-site"))


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


def _address(scope: Scope, end: str) -> str:
    found: Sequence[object] | None = scope.get(end)
    return str(found[0]) if found else ""


def _refused(message: str, status: int) -> JSONResponse:
    return JSONResponse(error_body(message, "", status), status)
