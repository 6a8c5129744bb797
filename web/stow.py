"""STOW-RS: a request's parts to the service, and what became of each as DICOM JSON."""

from collections.abc import Sequence
from dataclasses import dataclass
from email.message import Message
from typing import Any, Final

from tracker.errors import InputError, TrackerError, UnreadableImage, Unwritable
from tracker.service import InstanceNames, Service

FAILED: Final = 0x0110
OUT_OF_RESOURCES: Final = 0xA700
NOT_UNDERSTOOD: Final = 0xC000

_CLASS, _INSTANCE, _REASON = "00081150", "00081155", "00081197"
_FAILED_ONES, _STORED_ONES = "00081198", "00081199"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one instance; without a reason for failure it is stored."""

    names: InstanceNames
    reason: int | None = None


def boundary_of(content_type: str) -> bytes | None:
    """Return what separates the parts of a STOW-RS request; None where it is none.

    >>> boundary_of('multipart/related; type="application/dicom"; boundary=abc')
    b'abc'
    >>> boundary_of("multipart/form-data; boundary=abc") is None
    True
    """
    header = Message()
    header["content-type"] = content_type
    kind, boundary = header.get_param("type", "application/dicom"), header.get_param("boundary")
    if header.get_content_type() != "multipart/related" or kind != "application/dicom":
        return None
    if not isinstance(boundary, str) or not 1 <= len(boundary) <= 70 or not boundary.isascii():
        return None
    return boundary.encode()


def parts_of(body: bytes, boundary: bytes) -> tuple[bytes, ...]:
    """Return the DICOM files in a request's body.

    Raises
    ------
    InputError
        The body has no end, or no part.
    """
    pieces = (b"\r\n" + body).split(b"\r\n--" + boundary)
    if len(pieces) < 3 or not pieces[-1].startswith(b"--"):
        raise InputError("The request's parts are cut short.", hint="Send it again.")
    return tuple(piece.partition(b"\r\n\r\n")[2] for piece in pieces[1:-1])


def store(service: Service, case_id: str, data: bytes) -> Outcome:
    """Give one instance to the case."""
    names = service.instance_names(data)
    try:
        service.add_picture(case_id, data, names.file_name)
    except UnreadableImage:
        return Outcome(names, NOT_UNDERSTOOD)
    except Unwritable:
        return Outcome(names, OUT_OF_RESOURCES)
    except TrackerError:
        return Outcome(names, FAILED)
    return Outcome(names)


def answer(outcomes: Sequence[Outcome]) -> dict[str, Any]:
    """Return what became of the instances in the DICOM JSON model."""
    stored = [_item(one) for one in outcomes if one.reason is None]
    failed = [_item(one) for one in outcomes if one.reason is not None]
    found: dict[str, Any] = {}
    if failed:
        found[_FAILED_ONES] = {"vr": "SQ", "Value": failed}
    if stored:
        found[_STORED_ONES] = {"vr": "SQ", "Value": stored}
    return found


def status_of(outcomes: Sequence[Outcome]) -> int:
    """Return 200 where all are stored, 202 where some are, 409 where none is."""
    stored = sum(one.reason is None for one in outcomes)
    if stored == len(outcomes):
        return 200
    return 202 if stored else 409


def _item(outcome: Outcome) -> dict[str, Any]:
    names = outcome.names
    item: dict[str, Any] = {
        tag: {"vr": "UI", "Value": [text]} if text else {"vr": "UI"}
        for tag, text in ((_CLASS, names.sop_class), (_INSTANCE, names.sop_instance))
    }
    if outcome.reason is not None:
        item[_REASON] = {"vr": "US", "Value": [outcome.reason]}
    return item
