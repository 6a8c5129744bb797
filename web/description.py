"""The description of the addresses for programs, as OpenAPI: what to send, what is answered.

The pages are for people and are not described; their forms may change with them.
"""

from typing import Any, Final, Literal

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from fastapi.routing import iter_route_contexts
from pydantic import BaseModel, ConfigDict
from pydantic.json_schema import models_json_schema

from tracker.service import Phase
from web.pairing import PairingAnswer

Plain = dict[str, Any]

PREFIXES: Final = ("/api/", "/dicomweb/", "/healthz")
_JSON: Final = "application/json"
_DICOM_JSON: Final = "application/dicom+json"


class Said(BaseModel):
    """What was answered instead of what was asked for."""

    model_config = ConfigDict(extra="forbid")

    message: str
    hint: str
    status: int


class Error(BaseModel):
    """The one shape of every error."""

    model_config = ConfigDict(extra="forbid")

    error: Said


class Number(BaseModel):
    """A measured number with its standard uncertainty."""

    model_config = ConfigDict(extra="forbid")

    value: float
    u: float


class PictureAnswer(BaseModel):
    """What became of a picture.  Without a number it was a rehearsal's and is none of the case."""

    case: str
    number: int | None
    is_new: bool
    rehearsed: bool = False
    sha256: str = ""
    role: str = ""
    standing: str = ""
    verdict: Literal["measured", "refused"] | None = None
    reasons: list[str] = []
    recession_mm: Number | None = None
    remaining_mm: Number | None = None
    lcea_deg: Number | None = None
    message: str | None = None
    limits: list[str] = []
    phase: Phase = "before burring"
    aloud: bool = False


class BelongsAnswer(BaseModel):
    """Whether a held picture belongs to the case; ``confirm`` is to be sent back for a yes."""

    belongs: bool
    differs: list[str]
    confirm: str | None


class FrameAnswer(BaseModel):
    """Which frame of a run is measured, counted from 1."""

    case: str
    number: int
    frame: int
    standing: str


class Source(BaseModel):
    """How a way in stands that runs by itself."""

    kind: Literal["folder", "video", "receiver"]
    where: str
    case_id: str
    standing: str
    taken: int
    last_file: str
    last_at: str | None
    last_error: str


class SourcesAnswer(BaseModel):
    """Every way in that runs by itself."""

    sources: list[Source]


class Trouble(BaseModel):
    """Something that is not as it should be; while it ``stops``, no picture can be kept."""

    what: str
    hint: str
    stops: bool


class HealthAnswer(BaseModel):
    """Whether pictures can be kept, and what is wrong."""

    ok: bool
    cases: int | None
    troubles: list[Trouble]


_MODELS: Final = (
    Error,
    PictureAnswer,
    BelongsAnswer,
    FrameAnswer,
    SourcesAnswer,
    HealthAnswer,
    PairingAnswer,
)
_REFUSED: Final = {
    "400": "The pages are not served under this name",
    "401": "The device is not paired, or the code can't be used",
    "403": "The device may look only, or the request comes from another site's page",
    "404": "There is no such case",
    "413": "The request is larger than the limit",
    "415": "The body is not of a kind that is taken here",
    "422": "What was sent can't be used",
    "429": "Too many wrong codes; pairing is closed",
    "500": "Something in the machinery failed; the record is safe",
    "503": "The record is busy",
    "507": "The record's disk is full",
}
_FILE: Final[Plain] = {"type": "string", "format": "binary"}
_DICOM_PARTS: Final = 'multipart/related; type="application/dicom"'


def _model(name: str) -> Plain:
    return {"$ref": f"#/components/schemas/{name}"}


def _answer(what: str, kind: str, schema: Plain) -> Plain:
    return {"description": what, "content": {kind: {"schema": schema}}}


_INSTANCES: Final[Plain] = {
    "type": "object",
    "description": "ReferencedSOPSequence (00081199) and FailedSOPSequence (00081198)",
    "properties": {"00081199": {"type": "object"}, "00081198": {"type": "object"}},
    "additionalProperties": False,
}
ANSWERS: Final[dict[tuple[str, str], Plain]] = {
    ("post", "/api/cases/{case_id}/pictures"): {
        "200": _answer("The case holds it already", _JSON, _model("PictureAnswer")),
        "201": _answer("It is kept", _JSON, _model("PictureAnswer")),
    },
    ("post", "/api/cases/{case_id}/pictures/{number}/belongs"): {
        "200": _answer("It does", _JSON, _model("BelongsAnswer")),
        "202": _answer("What differs, to be confirmed", _JSON, _model("BelongsAnswer")),
    },
    ("post", "/api/cases/{case_id}/pictures/{number}/belongs-not"): {
        "200": _answer("It is set aside", _JSON, _model("BelongsAnswer")),
    },
    ("post", "/api/cases/{case_id}/pictures/{number}/frame"): {
        "200": _answer("It is measured", _JSON, _model("FrameAnswer")),
    },
    ("get", "/api/sources"): {"200": _answer("They are", _JSON, _model("SourcesAnswer"))},
    ("get", "/healthz"): {
        "200": _answer("They can", _JSON, _model("HealthAnswer")),
        "503": _answer(
            "They can't, or the record is busy",
            _JSON,
            {"anyOf": [_model("HealthAnswer"), _model("Error")]},
        ),
    },
    ("post", "/api/pair"): {"201": _answer("Let in", _JSON, _model("PairingAnswer"))},
    ("post", "/dicomweb/cases/{case_id}/studies"): {
        "200": _answer("All are stored", _DICOM_JSON, _INSTANCES),
        "202": _answer("Some are stored", _DICOM_JSON, _INSTANCES),
        # The same status tells of a case that takes no more pictures.
        "409": _answer("None is stored", _DICOM_JSON, _INSTANCES),
    },
}
"""What is answered where all goes well, by method and address."""

_BODIES: Final[dict[tuple[str, str], Plain]] = {
    ("post", "/api/cases/{case_id}/pictures"): {
        "application/octet-stream": {"schema": _FILE},
        "multipart/form-data": {
            "schema": {
                "type": "object",
                "properties": {"picture": _FILE},
                "required": ["picture"],
                "additionalProperties": False,
            }
        },
    },
    ("post", "/dicomweb/cases/{case_id}/studies"): {_DICOM_PARTS: {"schema": _FILE}},
}
_OPEN: Final = frozenset({"/api/pair"})


class Described(FastAPI):
    """An application whose description is that of its addresses for programs."""

    def openapi(self) -> Plain:
        """Return the description, made once."""
        if not self.openapi_schema:
            self.openapi_schema = described(self)
        return self.openapi_schema


def described(app: FastAPI) -> Plain:
    """Return the OpenAPI description of an application's addresses for programs.

    Parameters
    ----------
    app : FastAPI

    Returns
    -------
    dict
    """
    routes = [
        route for route in iter_route_contexts(app.routes) if is_for_programs(route.path or "")
    ]
    found = get_openapi(
        title=app.title,
        version=app.version,
        description="Addresses for programs.  A program is let in by a code at /api/pair.",
        routes=routes,
    )
    _, models = models_json_schema(
        [(model, "serialization") for model in _MODELS],
        ref_template="#/components/schemas/{model}",
    )
    schemas = found.setdefault("components", {}).setdefault("schemas", {})
    for name in ("HTTPValidationError", "ValidationError"):
        schemas.pop(name, None)
    schemas |= models["$defs"]
    found["components"]["securitySchemes"] = {"paired": {"type": "http", "scheme": "bearer"}}
    for path, methods in found["paths"].items():
        for method, operation in methods.items():
            _complete(path, method, operation)
    return found


def is_for_programs(path: str) -> bool:
    """Tell whether an address is one for programs."""
    return path.startswith(PREFIXES)


def _complete(path: str, method: str, operation: Plain) -> None:
    refused = {status: _answer(what, _JSON, _model("Error")) for status, what in _REFUSED.items()}
    operation["responses"] = refused | ANSWERS.get((method, path), {})
    if (method, path) in _BODIES:
        operation["requestBody"] = {"required": True, "content": _BODIES[method, path]}
    operation["security"] = [] if path in _OPEN else [{"paired": []}]
