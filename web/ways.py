"""Addresses for programs, and the phase of a case: what comes in otherwise than by the page's drop."""

from typing import Annotated

from fastapi import APIRouter, Form, Request
from starlette.responses import RedirectResponse, Response

from tracker.service import Phase, Service
from web.contexts import case_base

router = APIRouter()


def _service(request: Request) -> Service:
    service: Service = request.app.state.service
    return service


@router.post("/cases/{case_id}/phase")
def set_phase(
    request: Request,
    case_id: str,
    phase: Annotated[Phase, Form()],
    paused: Annotated[bool, Form()] = False,
) -> Response:
    """Say what is being done now: pictures are judged aloud only while burring."""
    _service(request).set_phase(case_id, phase, paused=paused)
    return RedirectResponse(case_base(case_id), 303)
