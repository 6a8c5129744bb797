"""Pages on which a device is let in by a code, and on which paired devices are looked after."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated, Any, Final, Literal

from fastapi import APIRouter, Form, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import JSONResponse, RedirectResponse, Response

from tracker.errors import HTTP_STATUS, AccessError, InputError, NotAllowed, PairingClosed
from tracker.service import DeviceRole, NewCode, Service, Session
from web import words
from web.access import Door
from web.asker import Asker, asker
from web.contexts import Shell, case_base
from web.pages import render

pages = APIRouter()
programs = APIRouter()

_DAYS: Final = 90
ROLES: Final[dict[DeviceRole, tuple[str, str]]] = {
    "theatre": ("Theatre", "brings pictures and agrees the plan"),
    "look": ("Look", "shows Glance and Review"),
}


class ShownCodes:
    """The digits of the codes that were made in this process, for the machine's own page.

    Parameters
    ----------
    codes : iterable of NewCode
    """

    def __init__(self, codes: Iterable[NewCode] = ()) -> None:
        self._codes = {code.role: code for code in codes}

    def add(self, code: NewCode) -> None:
        """Show a code that was just made."""
        self._codes[code.role] = code

    def of(self, role: DeviceRole, until: datetime | None) -> str:
        """Return the digits of the code that can be used until then; empty where not known."""
        code = self._codes.get(role)
        return code.shown if code is not None and code.until == until else ""


@dataclass(frozen=True, slots=True)
class PairContext:
    """Of pair.html."""

    shell: Shell
    to: str
    device: str
    paired_as: str
    error: str
    hint: str


@dataclass(frozen=True, slots=True)
class CodeLine:
    """A role's code on the machine's own page."""

    role: DeviceRole
    name: str
    may: str
    code: str
    until: str


@dataclass(frozen=True, slots=True)
class DeviceLine:
    """One paired device."""

    key: int
    device: str
    role: str
    kind: str
    paired: str
    seen: str
    is_this: bool


@dataclass(frozen=True, slots=True)
class DevicesContext:
    """Of devices.html."""

    shell: Shell
    is_here: bool
    is_shared: bool
    may_end: bool
    closed: str
    codes: tuple[CodeLine, ...]
    devices: tuple[DeviceLine, ...]


# --- pairing -----------------------------------------------------------------------------


@pages.get("/pair")
def pair_page(to: str = "") -> Response:
    """Ask for a code; the machine that serves the pages needs none."""
    if asker().is_here:
        return RedirectResponse("/devices", 303)
    return render("pair.html", _pair_context(own_address(to)))


@pages.post("/pair")
def pair(
    request: Request,
    code: Annotated[str, Form()] = "",
    device: Annotated[str, Form()] = "",
    to: Annotated[str, Form()] = "",
) -> Response:
    """Let a browser in by a code."""
    service, who, door = _service(request), asker(), _door(request)
    if who.is_here:
        return RedirectResponse("/devices", 303)
    named = device.strip() or _browser_of(request.headers.get("user-agent", ""))
    old = who.session.key if who.session else 0
    try:
        admitted = service.gate.pair(code, named, old=old)
    except (AccessError, InputError) as error:
        message, hint = words.ended(error.message), words.sentence(error.hint)
        context = _pair_context(own_address(to), device, message, hint)
        return _with_wait(render("pair.html", context, status=HTTP_STATUS[type(error)]), error)
    wanted = own_address(to) or _first_page(service, admitted.session)
    answer = RedirectResponse(wanted, 303)
    answer.set_cookie(
        door.cookie,
        admitted.token,
        max_age=_DAYS * 86400,
        httponly=True,
        samesite="strict",
        secure=door.is_secure,
    )
    return answer


class PairingRequest(BaseModel):
    """What a program sends to be let in."""

    model_config = ConfigDict(extra="forbid")

    code: str = Field(
        max_length=64,
        pattern=r"^[ -]*([0-9][ -]*){8}$",
        description="Eight digits, as shown on the machine, with or without blanks",
    )
    device: str = Field(default="", max_length=200, description="What the program is called")


class PairingAnswer(BaseModel):
    """What a program is told that was let in."""

    token: str = Field(description="Sent as Authorization: Bearer TOKEN; told only this once")
    role: Literal["theatre", "look"]
    session: int
    device: str


@programs.post("/api/pair", status_code=201, response_model=PairingAnswer)
def pair_program(request: Request, wanted: PairingRequest) -> Any:
    """Let a program in by a code; what it gets is a bearer token."""
    try:
        admitted = _service(request).gate.pair(wanted.code, wanted.device, "program")
    except PairingClosed as error:
        return _with_wait(request.app.state.failed(request.headers, error), error)
    session = admitted.session
    plain = {"token": admitted.token, "role": session.role, "device": session.device}
    return JSONResponse(plain | {"session": session.key}, 201)


# --- devices -----------------------------------------------------------------------------


@pages.get("/devices")
def devices(request: Request) -> Response:
    """Show which devices are paired; on the machine itself, the codes that let one in."""
    service, who, door = _service(request), asker(), _door(request)
    gate, now = service.gate, service.now()
    may_end = who.role == "theatre"
    found = gate.live_sessions()
    if not may_end:
        found = tuple(one for one in found if who.session and one.key == who.session.key)
    codes: tuple[CodeLine, ...] = ()
    closed = gate.closed_until()
    if who.is_here and door.is_shared:
        usable, shown = gate.usable(), request.app.state.codes
        codes = tuple(
            CodeLine(
                role,
                *ROLES[role],
                shown.of(role, usable.get(role)),
                words.minute(usable[role]) if role in usable else "",
            )
            for role in ROLES
        )
    context = DevicesContext(
        shell=Shell("Devices", "devices"),
        is_here=who.is_here,
        is_shared=door.is_shared,
        may_end=may_end,
        closed=words.minute(closed) if closed else "",
        codes=codes,
        devices=tuple(_device_line(one, who, now) for one in found),
    )
    return render("devices.html", context)


@pages.post("/devices/code")
def new_code(request: Request, role: Annotated[DeviceRole, Form()]) -> Response:
    """Make a new code; only who stands at the machine may."""
    if not asker().is_here:
        raise NotAllowed("Codes are made on the machine that serves the pages.")
    request.app.state.codes.add(_service(request).gate.new_code(role))
    return RedirectResponse("/devices", 303)


@pages.post("/devices/end")
def end_session(request: Request, which: Annotated[str, Form()]) -> Response:
    """Send one device away, or all of them."""
    if which != "all" and not (which.isascii() and which.isdecimal() and len(which) < 16):
        raise InputError("No device has this number.", hint="Choose one of the list.")
    _service(request).gate.end(None if which == "all" else (int(which),))
    return RedirectResponse("/devices", 303)


@pages.post("/devices/leave")
def leave(request: Request) -> Response:
    """End this device's own session."""
    who = asker()
    if who.session is not None:
        _service(request).gate.end((who.session.key,), "left")
    answer = RedirectResponse("/pair", 303)
    answer.delete_cookie(_door(request).cookie, secure=_door(request).is_secure, httponly=True)
    return answer


# --- inside ------------------------------------------------------------------------------


def own_address(to: str) -> str:
    """Return an address of these pages as it is; empty where it leads, or could lead, elsewhere.

    >>> own_address("/cases/p1/glance"), own_address("//elsewhere.example")
    ('/cases/p1/glance', '')
    """
    plain = to.isascii() and to.isprintable() and "\\" not in to
    return to if plain and to.startswith("/") and not to.startswith("//") else ""


def _service(request: Request) -> Service:
    service: Service = request.app.state.service
    return service


def _door(request: Request) -> Door:
    door: Door = request.app.state.door
    return door


def _pair_context(to: str, device: str = "", error: str = "", hint: str = "") -> PairContext:
    session = asker().session
    paired_as = f"{session.device}, {ROLES[session.role][0]}" if session else ""
    return PairContext(Shell("Pair this device", "pair"), to, device, paired_as, error, hint)


def _first_page(service: Service, session: Session) -> str:
    """Return where a device begins: one that looks, at the one case there is to look at."""
    if session.role == "look":
        running = [case for case in service.cases() if not case.log.closed]
        if len(running) == 1:
            return f"{case_base(running[0].row.id)}/glance"
    return "/"


def _device_line(session: Session, who: Asker, now: datetime) -> DeviceLine:
    return DeviceLine(
        key=session.key,
        device=session.device,
        role=ROLES[session.role][0],
        kind=session.kind,
        paired=f"{words.day(session.paired_at)}, {words.minute(session.paired_at)}",
        seen=_when(session.seen_at, now),
        is_this=who.session is not None and who.session.key == session.key,
    )


def _when(at: datetime, now: datetime) -> str:
    if now - at < timedelta(minutes=2):
        return "now"
    if at.astimezone().date() == now.astimezone().date():
        return words.minute(at)
    return f"{words.day(at)}, {words.minute(at)}"


def _browser_of(agent: str) -> str:
    """Return what a browser calls itself, in two words, for who gave the device no name."""
    programs_ = (
        ("Firefox", "Firefox"),
        ("Edg", "Edge"),
        ("Chrom", "Chromium"),
        ("Safari", "Safari"),
    )
    systems = ("Android", "iPad", "iPhone", "Windows", "Mac", "Linux")
    program = next((name for mark, name in programs_ if mark in agent), "Browser")
    system = next((name for name in systems if name in agent), "")
    return f"{program} on {system}" if system else program


def _with_wait(answer: Response, error: Exception) -> Response:
    """Say how long to wait where pairing is closed."""
    if isinstance(error, PairingClosed):
        answer.headers["Retry-After"] = "60"
    return answer
