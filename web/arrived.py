"""How pictures came: what is held, in which order they were taken, frames, dose - page and API."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Annotated, Final, Literal

from fastapi import APIRouter, Form, Request
from markupsafe import Markup
from starlette.responses import JSONResponse, RedirectResponse, Response

from tracker.service import Case, CaseDose, CasePicture, Service, What, dose_of
from tracker.values import HeaderFacts
from web import words
from web.arrived_contexts import ArrivedContext, HeldContext
from web.contexts import Figure, Shell, case_base
from web.pages import render

router = APIRouter()

_LEAST_TOLD_S: Final = 2.0


def arrived_context(case: Case, number: int | None) -> ArrivedContext:
    """Put into words how a case's pictures came.

    Parameters
    ----------
    case : Case
    number : int or None
        Of the picture that is shown.
    """
    shown = next((one for one in case.pictures if one.number == number), None)
    line, late = case.timeline, case.timeline.late
    known = {one.number: one for one in case.pictures}
    return ArrivedContext(
        held=tuple(_held(case, picture) for picture in case.held),
        run=_run(shown),
        order=_order(case),
        late=tuple(_late(known[one]) for one in late if known[one].role == "still"),
        by_clock=not case.as_they_came,
        can_choose=bool(late) or case.as_they_came,
        clock=clock_words(line.offset_s, line.timed),
        header=header_words(shown),
        dose=dose_words(dose_of(case.pictures)),
    )


def clock_words(offset_s: float | None, timed: int) -> str:
    """Return how far a C-arm's clock is off; empty where nothing is known of it.

    >>> clock_words(72.0, 3)
    'The C-arm’s clock is at most 1:12 behind (3 pictures).'
    >>> clock_words(-3725.0, 1)
    'The C-arm’s clock is at least 1:02:05 ahead (1 picture).'
    >>> clock_words(1.0, 4), clock_words(None, 0)
    ('The C-arm’s clock agrees with this machine’s (4 pictures).', '')
    """
    if offset_s is None:
        return ""
    on = words.count(timed, "picture", "pictures")
    if abs(offset_s) < _LEAST_TOLD_S:
        return f"The C-arm’s clock agrees with this machine’s ({on})."
    if abs(offset_s) >= timedelta(days=2).total_seconds():
        size = f"{abs(offset_s) / 86_400:.0f} days"
    else:
        size = words.age(abs(offset_s))
    # The way here takes time too, so the clock lags by no more than this.
    where = f"at most {size} behind" if offset_s > 0 else f"at least {size} ahead"
    return f"The C-arm’s clock is {where} ({on})."


def header_words(picture: CasePicture | None) -> str:
    """Return what a picture's own header says of time, kV and dose; empty without a header."""
    facts = picture.arrival.facts if picture and picture.arrival else None
    if facts is None:
        return ""
    said = _facts(facts)
    if facts.averaged > 1 and picture is not None and picture.frame is None:
        said.append(f"mean of {facts.averaged} frames of one scene")
    return "By its header: " + ", ".join(said) + "."


def _facts(facts: HeaderFacts) -> list[str]:
    dose, entrance = facts.dose_area_dgycm2, facts.entrance_dose_mgy
    said = [f"taken at {facts.acquired[11:19]}" if facts.acquired else "time not known"]
    said.append(f"{facts.kv:g} kV" if facts.kv is not None else "kV not known")
    said.append(f"{_amount(dose)} dGy·cm²" if dose is not None else "dose not known")
    if entrance is not None:
        said.append(f"{_amount(entrance)} mGy at the entrance")
    return said


def dose_words(dose: CaseDose) -> str:
    """Return the dose of a case with its unit, or that it is not known.

    >>> dose_words(CaseDose(4.0, None, 3, 3))
    'Dose-area product of the case: 4.00 dGy·cm².'
    >>> dose_words(CaseDose(4.0, None, 2, 3))
    'Dose-area product of the case: at least 4.00 dGy·cm² (2 of 3 pictures say theirs).'
    >>> dose_words(CaseDose(6.0, 3.0, 3, 3))
    'Dose-area product of the case: 3.00 to 6.00 dGy·cm² (the C-arm may write a running total).'
    >>> dose_words(CaseDose(pictures=2)), dose_words(CaseDose())
    ('Dose-area product of the case: not known.', '')
    """
    if not dose.pictures:
        return ""
    start = "Dose-area product of the case:"
    if dose.sum_dgycm2 is None:
        return f"{start} not known."
    total = f"{_amount(dose.sum_dgycm2)} dGy·cm²"
    if dose.last_dgycm2 is not None:
        total = f"{_amount(dose.last_dgycm2)} to {total}"
        return f"{start} {total} (the C-arm may write a running total)."
    if dose.said < dose.pictures:
        return f"{start} at least {total} ({dose.said} of {dose.pictures} pictures say theirs)."
    return f"{start} {total}."


def _amount(value: float) -> str:
    return f"{value:.3g}" if 0 < value < 1 else f"{value:.2f}"


def said_of(case: Case, number: int, *, header: bool = False) -> tuple[str, ...]:
    """Say of a picture that no total is built on it, where that is so, and what its header says."""
    picture = _picture(case, number)
    said = [header_words(picture)] if header else []
    if picture is not None and picture.quiet and picture.is_measured:
        when = "while paused" if picture.paused else f"during {_PHASES[picture.phase]}"
        said.insert(
            0, f"Taken {when}: measured, but it is no pass of burring and no total builds on it."
        )
    return tuple(filter(None, said))


def beside_burring(case: Case, number: int) -> str:
    """Return in which phase a picture was taken that is no pass; empty for a pass."""
    picture = _picture(case, number)
    if picture is None or not picture.quiet:
        return ""
    return ", paused" if picture.paused else f", {picture.phase}"


_PHASES: Final = {
    "before burring": "the time before burring",
    "burring": "burring",
    "repair": "the repair",
    "femur": "work on the femur",
}


def seen_words(differs: tuple[What, ...], case: Case) -> tuple[str, ...]:
    """Say what of a picture's header does not fit the case."""
    side = case.setup.side
    said: dict[What, str] = {
        "patient": "Its header names another patient than the pictures of this case.",
        "side": f"Its header says the other side; this case is of the {side} hip.",
        "study": "Its header names another examination than the pictures of this case, of the same"
        " patient as far as it says.",
    }
    return tuple(said[one] for one in differs)


def _held(case: Case, picture: CasePicture) -> HeldContext:
    differs = picture.arrival.differs if picture.arrival else ()
    return HeldContext(
        picture.number,
        words.clock(picture.row.received_at),
        seen_words(differs, case),
        differs != ("study",),
    )


def _run(picture: CasePicture | None) -> tuple[int, str] | None:
    facts = picture.arrival.facts if picture and picture.arrival else None
    if picture is None or facts is None or facts.frames < 2:
        return None
    frame = facts.frames - 1 if picture.frame is None else picture.frame
    which = f"frame {frame + 1} of {facts.frames}"
    if picture.frame is None:
        which = f"the last of {facts.frames} frames"
    return picture.number, which


def _order(case: Case) -> str:
    if case.as_they_came:
        return "Pictures are in the order in which they came; the C-arm’s clock is not used."
    if case.timeline.set_back:
        return (
            "The C-arm’s clock was set back during the case: pictures from before and after that"
            " are in the order in which they came."
        )
    return ""


def _late(picture: CasePicture) -> str:
    came = words.clock(picture.row.received_at)
    return (
        f"Picture {picture.number} came at {came} and was taken earlier: it stands in its place,"
        " and what followed was measured again."
    )


# --- pages and API -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class HeldPageContext:
    """Of held.html: a held picture looked at, and the second step."""

    shell: Shell
    who: str
    held: HeldContext
    word: str
    figure: Figure


@dataclass(frozen=True, slots=True)
class FramesContext:
    """Of frames.html: the frames of a run, one at a time."""

    shell: Shell
    who: str
    number: int
    frame: int
    frames: int
    measured: str
    is_measured: bool
    figure: Figure


def _service(request: Request) -> Service:
    service: Service = request.app.state.service
    return service


def _picture(case: Case, number: int) -> CasePicture | None:
    return next((one for one in case.pictures if one.number == number), None)


@router.get("/cases/{case_id}/pictures/{number}/held")
def held(request: Request, case_id: str, number: int) -> Response:
    """Show a held picture and what differs, with the second step."""
    service = _service(request)
    case = service.case(case_id)
    picture = _picture(case, number)
    if picture is None or picture.role != "held":
        return RedirectResponse(case_base(case_id), 303)
    shell = Shell(f"Held picture {number}, case {case_id}", "pictures", case_id)
    context = HeldPageContext(
        shell,
        _who(case),
        _held(case, picture),
        service.intake.word(case_id, number),
        _figure(service, shell, picture, "recorded"),
    )
    return render("held.html", context)


@router.post("/cases/{case_id}/pictures/{number}/held")
def say_held(
    request: Request,
    case_id: str,
    number: int,
    what: Annotated[Literal["belongs", "belongs not"], Form()],
    word: Annotated[str, Form()] = "",
) -> Response:
    """Say whether a held picture belongs to the case."""
    intake = _service(request).intake
    if what == "belongs":
        intake.belongs(case_id, number, word)
    else:
        intake.belongs_not(case_id, number)
    return RedirectResponse(case_base(case_id), 303)


@router.post("/api/cases/{case_id}/pictures/{number}/belongs")
def belongs(request: Request, case_id: str, number: int, confirm: str = "") -> Response:
    """Say that a held picture belongs to the case: first what differs, then, confirmed, yes."""
    service = _service(request)
    case = service.case(case_id)
    picture = _picture(case, number)
    if picture is not None and picture.role == "held" and not confirm:
        one = _held(case, picture)
        if one.two_steps:
            plain = {"belongs": False, "differs": list(one.seen)}
            return JSONResponse(plain | {"confirm": service.intake.word(case_id, number)}, 202)
    service.intake.belongs(case_id, number, confirm)
    return JSONResponse({"belongs": True, "differs": [], "confirm": None})


@router.post("/api/cases/{case_id}/pictures/{number}/belongs-not")
def belongs_not(request: Request, case_id: str, number: int) -> Response:
    """Set a held picture aside."""
    _service(request).intake.belongs_not(case_id, number)
    return JSONResponse({"belongs": False, "differs": [], "confirm": None})


@router.post("/cases/{case_id}/order")
def order(
    request: Request, case_id: str, by: Annotated[Literal["clock", "arrival"], Form()]
) -> Response:
    """Say whether the C-arm's clock puts pictures in order."""
    _service(request).intake.order_by(case_id, as_they_came=by == "arrival")
    return RedirectResponse(case_base(case_id), 303)


@router.get("/cases/{case_id}/pictures/{number}/frames")
def frames(request: Request, case_id: str, number: int, frame: int | None = None) -> Response:
    """Show one frame of a run, with the way to the others."""
    service = _service(request)
    case = service.case(case_id)
    picture = _picture(case, number)
    facts = picture.arrival.facts if picture and picture.arrival else None
    if picture is None or facts is None or facts.frames < 2:
        return RedirectResponse(case_base(case_id), 303)
    measured = facts.frames if picture.frame is None else picture.frame + 1
    shown = min(max(frame or measured, 1), facts.frames)
    shell = Shell(f"Frames of picture {number}, case {case_id}", "pictures", case_id)
    said = f"Measured is frame {measured}"
    if picture.frame is None and facts.averaged > 1:
        said = f"Measured is the mean of the last {facts.averaged} frames, which show one scene"
    context = FramesContext(
        shell,
        _who(case),
        number,
        shown,
        facts.frames,
        f"{said}.",
        shown == measured and (picture.frame is not None or facts.averaged == 1),
        _figure(service, shell, picture, f"frame/{shown}"),
    )
    return render("frames.html", context)


@router.get("/cases/{case_id}/pictures/{number}/frame/{frame}.png")
def frame_png(request: Request, case_id: str, number: int, frame: int) -> Response:
    """Return one frame of a run, counted from 1."""
    data = _service(request).intake.frame_png(case_id, number, frame - 1)
    return Response(data, media_type="image/png")


@router.post("/cases/{case_id}/pictures/{number}/frames")
def choose_frame(
    request: Request, case_id: str, number: int, frame: Annotated[int, Form()]
) -> Response:
    """Measure another frame of a run, counted from 1."""
    _service(request).intake.choose_frame(case_id, number, frame - 1)
    return RedirectResponse(case_base(case_id), 303)


@router.post("/api/cases/{case_id}/pictures/{number}/frame")
def api_choose_frame(request: Request, case_id: str, number: int, frame: int) -> Response:
    """Measure another frame of a run, counted from 1."""
    case = _service(request).intake.choose_frame(case_id, number, frame - 1)
    picture = _picture(case, number)
    standing = case.standing_of(picture)
    return JSONResponse({"case": case_id, "number": number, "frame": frame, "standing": standing})


def _who(case: Case) -> str:
    return f"{words.hip(case.setup.side)}, case {case.row.id}"


def _figure(service: Service, shell: Shell, picture: CasePicture, form: str) -> Figure:
    width, height = service.intake.size(shell.case_id or "", picture.number)
    src = f"{shell.base}/pictures/{picture.number}/{form}.png"
    return Figure(src, width, height, Markup(), f"C-arm picture {picture.number}")
