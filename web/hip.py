"""Addresses around the opening of a case: its other views, the rehearsal, the theatre card."""

from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from tracker.errors import InputError
from tracker.service import Service
from tracker.values import Plan, View
from web import card, forms
from web.contexts import case_base
from web.pages import render

router = APIRouter(prefix="/cases/{case_id}")


def _service(request: Request) -> Service:
    service: Service = request.app.state.service
    return service


def _to(address: str) -> Response:
    return RedirectResponse(address, 303)


def _plan_of(service: Service, view: View, depth_mm: str, max_depth_mm: str) -> Plan:
    """Return the plan of another view, in millimetres, from what was typed."""
    if view == "AP":
        raise InputError(
            "An AP view has a plan in degrees.", hint="Open it first, and the others from it."
        )
    typed = forms.CaseForm(depth_mm=depth_mm, max_depth_mm=max_depth_mm)
    with forms.in_its_words():
        return service.plan_of_view(typed.depths())


@router.post("/views")
def add_view(
    request: Request,
    case_id: str,
    view: Annotated[View, Form()],
    depth_mm: Annotated[str, Form()] = "",
    max_depth_mm: Annotated[str, Form()] = "",
) -> Response:
    """Open another view of the same hip."""
    service = _service(request)
    plan = _plan_of(service, view, depth_mm, max_depth_mm)
    return _to(case_base(service.hips.add_view(case_id, view, plan).row.id))


@router.post("/pictures/{number}/as-view")
def take_as_view(
    request: Request,
    case_id: str,
    number: int,
    view: Annotated[View, Form()],
    depth_mm: Annotated[str, Form()] = "",
    max_depth_mm: Annotated[str, Form()] = "",
) -> Response:
    """Take a picture that could not be measured here as one of another view."""
    service = _service(request)
    is_open = any(case.setup.view == view for case in service.hips.views(case_id))
    plan = None if is_open else _plan_of(service, view, depth_mm, max_depth_mm)
    return _to(case_base(service.take_as_view(case_id, number, view, plan).row.id))


@router.post("/rehearsal")
def rehearse(request: Request, case_id: str, what: Annotated[forms.Rehearse, Form()]) -> Response:
    """Begin a rehearsal, or end it."""
    acts = _service(request).agreeing
    act = acts.begin_rehearsal if what == "begin" else acts.end_rehearsal
    act(case_id)
    return _to(case_base(case_id))


@router.get("/rehearsal.png")
def rehearsal_png(request: Request, case_id: str) -> Response:
    """Return the rehearsal's picture."""
    return Response(_service(request).agreeing.rehearsal_png(case_id), media_type="image/png")


@router.get("/card")
def theatre_card(request: Request, case_id: str) -> Response:
    """Show what to keep in mind beside the C-arm, on one page to print."""
    service = _service(request)
    views = service.hips.views(case_id)
    return render("card.html", card.card_context(service.case(case_id), views))
