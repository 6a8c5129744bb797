"""Addresses for programs: pictures by POST and by DICOM over the web; the phase; the ways in."""

from dataclasses import asdict, dataclass
from functools import partial
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Form, Query, Request
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, RedirectResponse, Response

from tracker.errors import InputError
from tracker.service import Added, Phase, Service
from tracker.values import Quantity
from web import stow
from web.contexts import case_base

router = APIRouter()


def _service(request: Request) -> Service:
    service: Service = request.app.state.service
    return service


# --- phase -------------------------------------------------------------------------------


@router.post("/cases/{case_id}/phase")
def set_phase(
    request: Request,
    case_id: str,
    phase: Annotated[Phase, Form()],
    paused: Annotated[bool, Form()] = False,
) -> Response:
    """Say what is being done now: pictures are judged aloud only while burring."""
    service = _service(request)
    act = partial(service.set_phase, phase=phase, paused=paused)
    service.hips.everywhere(case_id, act)
    return RedirectResponse(case_base(case_id), 303)


# --- programs ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Brought:
    """A file that a program brought."""

    data: bytes
    name: str


async def _brought(request: Request, name: str = "") -> Brought:
    """Return the file: the request's body as it is, or the form's part named ``picture``."""
    if request.headers.get("content-type", "").startswith("multipart/form-data"):
        async with request.form(max_files=1, max_fields=4) as form:
            part = form.get("picture")
            if not isinstance(part, UploadFile):
                raise InputError(
                    "The form has no file named picture.", hint="Send it as picture=@FILE."
                )
            return Brought(await part.read(), name or part.filename or "picture")
    return Brought(await request.body(), name or "picture")


@router.post("/api/cases/{case_id}/pictures")
def add_picture(
    request: Request,
    case_id: str,
    brought: Annotated[Brought, Depends(_brought)],
    frame: Annotated[int | None, Query(ge=1)] = None,
) -> Response:
    """Take in a picture; it is on disk before this is answered; again, it adds nothing.

    Of a run the last frame is measured, or the one asked for, counted from 1.
    """
    service = _service(request)
    asked = None if frame is None else frame - 1
    added = service.add_picture(case_id, brought.data, brought.name, frame=asked)
    return JSONResponse(_plain(service, case_id, added), 201 if added.is_new else 200)


@router.get("/api/sources")
def sources(request: Request) -> Response:
    """Say how each way in stands that runs by itself."""
    plain = [asdict(state) for state in _service(request).sources()]
    for state in plain:
        state["last_at"] = state["last_at"].isoformat() if state["last_at"] else None
    return JSONResponse({"sources": plain})


def _plain(service: Service, case_id: str, added: Added) -> dict[str, Any]:
    """Return what became of a picture, as the reference describes it."""
    case, result = service.case(case_id), added.result
    if added.number is None:
        return {"case": case_id, "number": None, "is_new": False, "rehearsed": added.rehearsed}
    picture = next(one for one in case.pictures if one.number == added.number)
    counts = picture.counts and result is not None
    removal = result.removal if result is not None and counts else None
    return {
        "case": case_id,
        "number": picture.number,
        "sha256": picture.row.sha256,
        "is_new": added.is_new,
        "role": picture.role,
        "standing": case.standing_of(picture),
        "held": list(picture.arrival.differs) if picture.role == "held" and picture.arrival else [],
        "verdict": result.verdict if result else None,
        "reasons": [str(reason.reason) for reason in result.reasons] if result else [],
        "recession_mm": _quantity(removal.recession_mm) if removal else None,
        "remaining_mm": _quantity(removal.remaining_mm) if removal else None,
        "lcea_deg": _quantity(removal.lcea_deg) if removal else None,
        "message": result.message if result and removal else None,
        "limits": list(result.limits) if result and removal else [],
        "phase": case.phase,
        "aloud": case.aloud,
    }


def _quantity(quantity: Quantity) -> dict[str, float]:
    return {"value": quantity.value, "u": quantity.u}


# --- DICOM over the web ------------------------------------------------------------------


async def _parts(request: Request) -> tuple[bytes, ...]:
    boundary = stow.boundary_of(request.headers.get("content-type", ""))
    if boundary is None:
        raise HTTPException(415)
    return stow.parts_of(await request.body(), boundary)


@router.post("/dicomweb/cases/{case_id}/studies")
def store_instances(
    request: Request, case_id: str, parts: Annotated[tuple[bytes, ...], Depends(_parts)]
) -> Response:
    """Take in DICOM files as STOW-RS sends them; the answer is DICOM JSON."""
    service = _service(request)
    service.case(case_id)
    outcomes = [stow.store(service, case_id, part) for part in parts]
    return JSONResponse(
        stow.answer(outcomes), stow.status_of(outcomes), media_type="application/dicom+json"
    )
