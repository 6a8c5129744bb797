"""Addresses of the pages: a request is read, the service is asked, a template is filled."""

from collections.abc import AsyncIterator, Callable
from dataclasses import asdict, replace
from functools import partial
from typing import Annotated, Literal

import numpy as np
from fastapi import APIRouter, Depends, File, Form, Header, Query, Request, UploadFile
from fastapi.sse import EventSourceResponse, ServerSentEvent
from pydantic import Field
from starlette.responses import JSONResponse, RedirectResponse, Response

from tracker.errors import InputError, NotAllowed
from tracker.service import Added, Beside, Case, Service
from tracker.values import Floats
from web import around_phrases, caselist, forms, live, phrases, reviewing, words
from web.asker import asker
from web.contexts import case_base
from web.pages import render

router = APIRouter()


class FirstMarksForm(forms.MarksForm):
    """The handles' places on the first picture, and what else is agreed with them."""

    object_x: list[float] = Field(default_factory=list)
    object_y: list[float] = Field(default_factory=list)
    beside: forms.BesideHow = ""
    beside_what: forms.BesideWhat = "ossicle"
    confirmed: bool = False

    def object_px(self) -> Floats | None:
        """Return the ends of the object of known size, where both are given."""
        if len(self.object_x) != 2 or len(self.object_y) != 2:
            return None
        return np.column_stack([self.object_x, self.object_y])


def _service(request: Request) -> Service:
    service: Service = request.app.state.service
    return service


def _existing_case(request: Request, case_id: str) -> str:
    """Refuse an unknown case before a stream of events begins."""
    _service(request).case(case_id)
    return case_id


def _wants_page(request: Request) -> bool:
    return "text/html" in request.headers.get("accept", "")


def _to(address: str) -> Response:
    """Send a browser on after a form, so that going back does not send it again."""
    return RedirectResponse(address, 303)


# --- cases -------------------------------------------------------------------------------


@router.get("/")
def home(
    request: Request,
    before: Annotated[int | None, Query(ge=0, le=2**62)] = None,
    find: str = "",
) -> Response:
    """List the cases, the newest first, with the form that opens one."""
    page = _service(request).listing.page(before=before, find=find.strip()[:64])
    return render("home.html", caselist.home_context(page, forms.EMPTY))


@router.post("/cases")
def open_case(request: Request, form: Annotated[forms.CaseForm, Form()]) -> Response:
    """Open a case."""
    service = _service(request)
    try:
        case = service.open_hip(form.plain(), form.terms(), form.others())
    except InputError as error:
        if not _wants_page(request):
            raise
        filled = caselist.home_context(
            service.listing.page(),
            form.as_filled(),
            words.ended(forms.in_form_words(error.message)),
            words.sentence(error.hint),
        )
        return render("home.html", filled, status=422)
    base = case_base(case.row.id)
    if _wants_page(request):
        return _to(base)
    return JSONResponse({"case": case.row.id, "address": base}, 201)


# --- Pictures ----------------------------------------------------------------------------


@router.get("/cases/{case_id}")
def pictures(
    request: Request, case_id: str, part: str = "", marks: Literal["", "again"] = ""
) -> Response:
    """Show what to do next and what the last picture gave, or the marks once more."""
    service = _service(request)
    view = service.glance(case_id)
    # While marks are still being looked for there is nothing to work on yet.
    looked = view.case.proposal is not None or view.case.setup.marks is not None
    asked = marks == "again" and view.case.first is not None and not view.case.log.closed
    to_agree = looked and (asked or view.case.standing in ("marks to agree", "first unusable"))
    shown = service.marks_to_agree(case_id) if to_agree else None
    template = "pictures_live.html" if part == "live" else "pictures.html"
    said = phrases.pictures_context(view, shown, service.sources())
    beside = around_phrases.brief_context(service.around.view(case_id))
    return render(template, replace(said, around=beside))


@router.post("/cases/{case_id}/pictures")
def add_picture(
    request: Request,
    case_id: str,
    picture: Annotated[UploadFile, File()],
    as_zero: Annotated[bool, Form()] = False,
) -> Response:
    """Take in a picture; it is on disk before this is answered."""
    service = _service(request)
    data = picture.file.read()
    added = service.add_picture(case_id, data, picture.filename or "picture", as_zero=as_zero)
    if _wants_page(request):
        return _to(case_base(case_id))
    return JSONResponse(_added_plain(added), 201 if added.is_new else 200)


def _added_plain(added: Added) -> dict[str, object]:
    result = added.result
    if added.rehearsed:
        return {"number": None, "is_new": False, "rehearsed": True}
    return {
        "number": added.number,
        "is_new": added.is_new,
        "verdict": result.verdict if result else None,
        "reasons": [str(reason.reason) for reason in result.reasons] if result else [],
    }


@router.post("/cases/{case_id}/first-picture-again")
def first_picture_again(request: Request, case_id: str) -> Response:
    """Set the first picture aside; the next one takes its place."""
    _service(request).replace_first(case_id)
    return _to(case_base(case_id))


@router.post("/cases/{case_id}/marks")
def agree_marks(
    request: Request, case_id: str, form: Annotated[FirstMarksForm, Form()]
) -> Response:
    """Agree the marks on the first picture."""
    service = _service(request)
    marks = None if form.as_proposed else service.given_marks(form.plain())
    service.agreeing.say_beside(case_id, Beside(form.beside, form.beside_what))
    service.agree_marks(case_id, marks, object_px=form.object_px(), confirmed=form.confirmed)
    return _to(case_base(case_id))


@router.post("/cases/{case_id}/marks/reading")
def read_marks(request: Request, case_id: str, form: Annotated[FirstMarksForm, Form()]) -> Response:
    """Say what the marks give, without agreeing them."""
    service = _service(request)
    marks = None if form.as_proposed else service.given_marks(form.plain())
    reading = service.read_marks(case_id, marks, form.object_px())
    case = service.case(case_id)
    said = phrases.reading_context(reading, angles=case.angles, silent=case.silent)
    return JSONResponse(asdict(said))


@router.get("/cases/{case_id}/pictures/{number}/{form}.png")
def picture_png(request: Request, case_id: str, number: int, form: forms.PictureForm) -> Response:
    """Return a picture as a page shows it."""
    data = _service(request).picture_png(case_id, number, form)
    return Response(data, media_type="image/png")


@router.post("/cases/{case_id}/say")
def say(request: Request, case_id: str, what: Annotated[forms.Said, Form()]) -> Response:
    """Write down what one button says of the case."""
    service = _service(request)
    acts: dict[str, Callable[[str], Case]] = {
        "close": lambda _: service.hips.everywhere(case_id, service.close_case),
        "reopen": lambda _: service.hips.everywhere(case_id, service.reopen_case),
        "burr runs": partial(service.say_burr, runs=True),
        "burr stopped": partial(service.say_burr, runs=False),
        "no zero": service.skip_zero,
        "new series": partial(service.begin_series, nothing_burred=True),
        "new series, burred since": partial(service.begin_series, nothing_burred=False),
    }
    acts[what](case_id)
    return _to(case_base(case_id))


@router.post("/cases/{case_id}/notes")
def take_note(
    request: Request,
    case_id: str,
    text: Annotated[str, Form()] = "",
    number: Annotated[int | None, Form()] = None,
) -> Response:
    """Write a note about the case or one of its pictures."""
    _service(request).take_note(case_id, text, number)
    return _to(case_base(case_id))


@router.post("/cases/{case_id}/pictures/{number}/aside")
def put_aside(
    request: Request, case_id: str, number: int, how: Annotated[forms.Aside, Form()]
) -> Response:
    """Take the latest picture back, or keep one that is not measured to look at."""
    service = _service(request)
    if how == "take back":
        service.take_back(case_id, number)
    else:
        service.keep_to_look_at(case_id, number)
    return _to(case_base(case_id))


# --- Glance and Review -------------------------------------------------------------------


@router.get("/cases/{case_id}/glance")
def glance(request: Request, case_id: str, part: str = "") -> Response:
    """Show what is left, from across the room."""
    template = "glance_live.html" if part == "live" else "glance.html"
    service = _service(request)
    said = phrases.glance_context(service.wall(case_id))
    clock = around_phrases.clock_context(service.around.view(case_id))
    return render(template, replace(said, traction=clock if clock.is_on else None))


@router.get("/cases/{case_id}/review")
def review(
    request: Request,
    case_id: str,
    first: int | None = None,
    second: int | None = None,
    mode: reviewing.Mode = "side",
    extent: reviewing.Extent = "rim",
    part: str = "",
) -> Response:
    """Show the whole case for reading afterwards; the address says which two to compare."""
    template = "review_live.html" if part == "live" else "review.html"
    wanted = reviewing.Wanted(first, second, mode, extent)
    service = _service(request)
    view, beside = service.review(case_id), service.around.beside_review(case_id)
    around = service.around.view(case_id)
    return render(template, reviewing.review_context(view, around, beside, wanted))


@router.post("/cases/{case_id}/pictures/{number}/outline")
def judge_outline(
    request: Request,
    case_id: str,
    number: int,
    looks: Annotated[forms.Looks, Form()],
    page: Annotated[forms.CasePage, Form()] = "",
) -> Response:
    """Write down that an outline looks wrong, or right after all.

    Who only looks may take a number off the screens, and not bring one back.
    """
    if looks == "right" and asker().role == "look":
        raise NotAllowed(
            "This device may take a number off, not bring it back.",
            hint="Say so on Pictures, on a device of the theatre.",
        )
    _service(request).judge_outline(case_id, number, wrong=looks == "wrong")
    base = case_base(case_id)
    return _to(f"{base}/{page}" if page else base)


@router.get("/cases/{case_id}/events", response_class=EventSourceResponse)
async def events(
    request: Request,
    case_id: Annotated[str, Depends(_existing_case)],
    last_event_id: Annotated[int, Header()] = 0,
    after: int = 0,
) -> AsyncIterator[ServerSentEvent]:
    """Tell of the case's changes as they happen, from past the last one seen."""
    state, who = request.app.state, asker()
    last_seen = max(last_event_id, after)

    def may_stay() -> bool:
        return who.session is None or state.service.gate.stays(who.session)

    async for event in live.changes(
        state.service, case_id, last_seen, lambda: state.is_closing, may_stay
    ):
        yield event
