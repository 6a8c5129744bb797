"""Addresses of the page about what is kept in mind between picture and picture."""

import re
from collections.abc import Callable
from dataclasses import asdict, replace
from datetime import datetime, timedelta
from typing import Annotated, Final, Literal

from fastapi import APIRouter, File, Form, Request, UploadFile
from starlette.responses import JSONResponse, RedirectResponse, Response

from tracker.errors import InputError
from tracker.service import Case, Service
from web import words
from web.around_phrases import around_context
from web.contexts import case_base
from web.forms import MarksForm
from web.pages import render
from web.phrases import reading_context

router = APIRouter(prefix="/cases/{case_id}/around")

Page = Literal["pictures", "around", "review"]
When = Literal["before repair", "after traction"]
FilmWhen = Literal["before", "after"]
Capsule = Literal["closed", "closed in part", "left open"]
Edge = Literal["lateral bony edge", "end of the sourcil"]
_TIME: Final = re.compile(r"([01]?\d|2[0-3])[:.]([0-5]\d)")
_FILM_ORDER: Final[tuple[FilmWhen, ...]] = ("before", "after")


def _service(request: Request) -> Service:
    service: Service = request.app.state.service
    return service


def _shown(
    request: Request, case_id: str, *, part: str = "", error: InputError | None = None
) -> Response:
    """Show the page; with an error why the last thing sent was not written down."""
    service = _service(request)
    films = service.around.films
    waiting = (films.marks_to_agree(case_id, when) for when in _FILM_ORDER)
    film = next((marks for marks in waiting if marks is not None), None)
    problem = words.ended(error.message) if error else ""
    hint = words.sentence(error.hint) if error else ""
    # Looked up first: what changes meanwhile is then shown by the next renewal.
    last_event = service.hips.last_event(case_id)
    context = around_context(service.around.view(case_id), film, problem, hint)
    context = replace(context, last_event=last_event)
    template = "around_live.html" if part == "live" else "around.html"
    return render(template, context, status=422 if error else 200)


def _act(
    request: Request,
    case_id: str,
    page: Page,
    act: Callable[[], Case | int | None],
    place: str = "",
) -> Response:
    """Write something down, then go back to the page it came from, or say why it was not."""
    try:
        act()
    except InputError as error:
        if "text/html" not in request.headers.get("accept", ""):
            raise
        return _shown(request, case_id, error=error)
    base = case_base(case_id)
    where = f"#{place}" if page == "around" and place else ""
    return RedirectResponse(base if page == "pictures" else f"{base}/{page}{where}", 303)


@router.get("")
def around(request: Request, case_id: str, part: str = "") -> Response:
    """Show what is kept in mind between picture and picture."""
    return _shown(request, case_id, part=part)


@router.post("/traction")
def traction(
    request: Request,
    case_id: str,
    on: Annotated[bool, Form()],
    at: Annotated[str, Form(max_length=16)] = "",
    picture: Annotated[int | None, Form()] = None,
    corrects: Annotated[int | None, Form()] = None,
    page: Annotated[Page, Form()] = "around",
) -> Response:
    """Write down that traction went on or came off, now or at a time of day."""
    service = _service(request)

    def act() -> Case:
        moment = _moment(at, service.now()) if at.strip() else None
        return service.around.traction(
            case_id, on=on, at=moment, picture=picture, corrects=corrects
        )

    return _act(request, case_id, page, act, "traction")


@router.post("/labrum")
def labrum(
    request: Request,
    case_id: str,
    start: Annotated[str, Form(max_length=16)] = "",
    end: Annotated[str, Form(max_length=16)] = "",
) -> Response:
    """Write down over which stretch the labrum is detached."""
    acts = _service(request).around
    return _act(
        request,
        case_id,
        "around",
        lambda: acts.labrum(case_id, start.strip(), end.strip()),
        "labrum",
    )


@router.post("/spacing")
def spacing(
    request: Request, case_id: str, spacing_mm: Annotated[str, Form(max_length=16)] = ""
) -> Response:
    """Write down the surgeon's own distance from anchor to anchor."""
    acts = _service(request).around
    return _act(
        request,
        case_id,
        "around",
        lambda: acts.spacing(case_id, _number(spacing_mm, "distance")),
        "labrum",
    )


@router.post("/anchor")
def anchor(
    request: Request, case_id: str, place: Annotated[str, Form(max_length=16)] = ""
) -> Response:
    """Tick off an anchor that is in."""
    acts = _service(request).around
    return _act(request, case_id, "around", lambda: acts.anchor(case_id, place.strip()), "labrum")


@router.post("/capsule")
def capsule(request: Request, case_id: str, state: Annotated[Capsule, Form()]) -> Response:
    """Write down what became of the capsule."""
    acts = _service(request).around
    return _act(request, case_id, "around", lambda: acts.capsule(case_id, state), "capsule")


@router.post("/movement")
def movement(request: Request, case_id: str, tested: Annotated[bool, Form()]) -> Response:
    """Write down whether the hip's movement was tested."""
    acts = _service(request).around
    return _act(
        request, case_id, "around", lambda: acts.movement(case_id, tested=tested), "movement"
    )


@router.post("/final")
def final(
    request: Request,
    case_id: str,
    when: Annotated[When, Form()],
    picture: Annotated[list[int] | None, Form()] = None,
    page: Annotated[Page, Form()] = "around",
) -> Response:
    """Save two exposures as the final before repair, or after traction."""
    acts, chosen = _service(request).around, picture or []

    def act() -> Case:
        if len(chosen) != 2:
            raise InputError(
                f"{words.count(len(chosen), 'exposure is', 'exposures are')} chosen.",
                hint="Choose the two that were taken together, with the metal out.",
            )
        return acts.final(case_id, when, *chosen)

    return _act(request, case_id, page, act, "final")


@router.post("/estimates")
def estimates(
    request: Request,
    case_id: str,
    asked: Annotated[bool, Form()],
    page: Annotated[Page, Form()] = "around",
) -> Response:
    """Choose whether a number waits for the surgeon's own estimate."""
    acts = _service(request).around
    return _act(
        request, case_id, page, lambda: acts.ask_estimates(case_id, asked=asked), "estimates"
    )


@router.post("/estimate")
def estimate(
    request: Request,
    case_id: str,
    number: Annotated[int, Form()],
    removed_mm: Annotated[str, Form(max_length=16)] = "",
    skip: Annotated[bool, Form()] = False,
    page: Annotated[Page, Form()] = "pictures",
) -> Response:
    """Write down the surgeon's own estimate of a picture, or that there is none."""
    acts = _service(request).around

    def act() -> Case:
        return acts.estimate(case_id, number, None if skip else _number(removed_mm, "estimate"))

    return _act(request, case_id, page, act)


@router.post("/withdraw")
def withdraw(request: Request, case_id: str, key: Annotated[int, Form()]) -> Response:
    """Withdraw an entry; it stays in the record."""
    acts = _service(request).around
    return _act(request, case_id, "around", lambda: acts.withdraw(case_id, key))


@router.post("/films")
def bring_film(
    request: Request,
    case_id: str,
    when: Annotated[FilmWhen, Form()],
    film: Annotated[UploadFile, File()],
) -> Response:
    """Take in a film; it is on disk before this is answered."""
    data, films = film.file.read(), _service(request).around.films
    name = film.filename or "film"
    return _act(request, case_id, "around", lambda: films.bring(case_id, when, data, name), "films")


@router.post("/films/typed")
def typed_film(
    request: Request,
    case_id: str,
    when: Annotated[FilmWhen, Form()],
    lcea_deg: Annotated[str, Form(max_length=16)] = "",
    edge: Annotated[Edge, Form()] = "lateral bony edge",
) -> Response:
    """Write down an angle as somebody read it off a film."""
    films = _service(request).around.films

    def act() -> Case:
        return films.typed(case_id, when, _number(lcea_deg, "angle"), edge)

    return _act(request, case_id, "around", act, "films")


@router.post("/films/{number}/marks")
def agree_film(
    request: Request, case_id: str, number: int, form: Annotated[MarksForm, Form()]
) -> Response:
    """Measure a film with the marks on it."""
    service = _service(request)

    def act() -> Case:
        marks = None if form.as_proposed else service.given_marks(form.plain())
        return service.around.films.agree(case_id, number, marks)

    return _act(request, case_id, "around", act, "films")


@router.post("/films/{number}/marks/reading")
def read_film(
    request: Request,
    case_id: str,
    number: int,
    form: Annotated[MarksForm, Form()],
) -> Response:
    """Say what the marks on a film give, without agreeing them."""
    service = _service(request)
    marks = None if form.as_proposed else service.given_marks(form.plain())
    reading = service.around.films.read_marks(case_id, marks, number)
    return JSONResponse(asdict(reading_context(reading)))


def _moment(text: str, now: datetime) -> datetime:
    """Return the last time at which this machine's clock showed a time of day.

    Raises
    ------
    InputError
        It is no time of day.
    """
    found = _TIME.fullmatch(text.strip())
    if found is None:
        raise InputError(
            f"{text.strip()!r} is no time of day.", hint="Write it like 9:05 or 14:30."
        )
    local = now.astimezone()
    moment = local.replace(hour=int(found[1]), minute=int(found[2]), second=0, microsecond=0)
    return moment if moment <= local else moment - timedelta(days=1)


def _number(text: str, what: str) -> float:
    try:
        return float(text.strip().replace(",", "."))
    except ValueError:
        raise InputError(
            f"The {what} is not a number." if text.strip() else f"The {what} is missing.",
            hint="Write it like 8 or 2.5.",
        ) from None
