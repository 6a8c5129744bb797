"""A DICOM receiver: a C-arm or an archive sends its pictures to a case.

It answers C-ECHO and C-STORE under its own title, on this machine's own address unless told
otherwise.  Success is answered once the picture is on the disk, synced, and in the record;
sending it again adds nothing and succeeds again.
"""

import time
from typing import Any, Final

from pydicom import uid
from pydicom.dataset import Dataset
from pynetdicom import AE, evt

from tracker.dicomfile import X_RAY_CLASSES
from tracker.errors import InputError, UnreadableImage, Unwritable
from tracker.instance import names_of
from tracker.service import Service
from tracker.sources import Source, SourceState, plainly

SUCCESS: Final = 0x0000
FAILED: Final = 0x0110
OUT_OF_RESOURCES: Final = 0xA700
NOT_UNDERSTOOD: Final = 0xC000

_ECHO: Final = "1.2.840.10008.1.1"
_SYNTAXES: Final = (
    uid.ExplicitVRLittleEndian,
    uid.ImplicitVRLittleEndian,
    uid.DeflatedExplicitVRLittleEndian,
    uid.ExplicitVRBigEndian,
    uid.RLELossless,
    uid.JPEGBaseline8Bit,
    uid.JPEGExtended12Bit,
    uid.JPEGLossless,
    uid.JPEGLosslessSV1,
    uid.JPEGLSLossless,
    uid.JPEGLSNearLossless,
    uid.JPEG2000Lossless,
    uid.JPEG2000,
)
_MOST_LINKS: Final = 8
_PATIENCE_S: Final = 30
_ENDING_S: Final = 2.0
_OVERHEAD: Final = 1_000_000
_LONGEST_COMMENT: Final = 64


class Receiver(Source):
    """Takes pictures that are sent by DICOM and gives them to a case.

    Parameters
    ----------
    service : Service
    case_id : str
    port : int
        0 takes a free one.
    title : str
        By which it must be called, 1 to 16 characters.
    host : str
        Address on which it listens.

    Raises
    ------
    InputError
        The title can't be one.
    """

    def __init__(
        self,
        service: Service,
        case_id: str,
        *,
        port: int,
        title: str = "RIMTRACKER",
        host: str = "127.0.0.1",
    ) -> None:
        where = f"{title} at {host}:{port}"
        super().__init__(SourceState("receiver", where, case_id), service.now)
        if not (title.isascii() and title.isprintable()) or not 1 <= len(title.strip()) <= 16:
            raise InputError(
                f"{title!r} can't be a DICOM title.", hint="Give 1 to 16 plain characters."
            )
        self._service = service
        self._case_id = case_id
        self._title = title
        self._host = host
        self.port = port
        """Where it listens, once it does."""
        self._coming: dict[int, int] = {}

    def _work(self) -> None:
        entity = AE(ae_title=self._title)
        entity.require_called_aet = True
        entity.maximum_associations = _MOST_LINKS
        entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = _PATIENCE_S
        entity.add_supported_context(_ECHO)
        for sop_class in X_RAY_CLASSES:
            entity.add_supported_context(sop_class, list(_SYNTAXES))
        handlers: list[Any] = [
            (evt.EVT_C_STORE, self._on_store),
            (evt.EVT_PDU_RECV, self._on_piece),
            (evt.EVT_CONN_CLOSE, self._on_close),
        ]
        try:
            server: Any = entity.start_server(
                (self._host, self.port), block=False, evt_handlers=handlers
            )
        except OSError:
            self._says(
                standing="not reachable",
                last_error=f"Port {self.port} can't be opened: another program may have it.",
            )
            self._stopped.wait(2.0)
            if not self._stopped.is_set():
                self._work()
            return
        self.port = server.socket.getsockname()[1]
        where = f"{self._title} at {self._host}:{self.port}"
        self._says(standing="open", where=where, last_error="")
        try:
            self._stopped.wait()
        finally:
            _let_endings_end(entity)
            entity.shutdown()

    def _on_store(self, event: evt.Event) -> Dataset:
        """Take one picture in; the answer is its status with a word on what went wrong."""
        self._coming[id(event.assoc)] = 0
        try:
            data = event.encoded_dataset()
            name = names_of(data).file_name
            added = self._service.add_picture(self._case_id, data, name)
        except Exception as error:  # noqa: BLE001  the sender is told, whatever it was
            self._says(last_error=plainly(error))
            return _status(_code(error), plainly(error))
        self._took(name, is_new=added.is_new)
        return _status(SUCCESS)

    def _on_piece(self, event: evt.Event) -> None:
        """End a connection that sends more than a picture may have."""
        key = id(event.assoc)
        size = sum(
            len(item.presentation_data_value)
            for item in getattr(event.pdu, "presentation_data_value_items", ())
        )
        self._coming[key] = self._coming.get(key, 0) + size
        if self._coming[key] > self._service.settings.images.max_bytes + _OVERHEAD:
            self._coming[key] = 0
            self._says(last_error="A sender was cut off: the picture is longer than the limit.")
            event.assoc.abort()

    def _on_close(self, event: evt.Event) -> None:
        self._coming.pop(id(event.assoc), None)


def _let_endings_end(entity: AE) -> None:
    """Wait for links that are being ended: to abort one of those as well is a fault of its own."""
    deadline = time.monotonic() + _ENDING_S
    while time.monotonic() < deadline:
        if all(link.is_established for link in entity.active_associations):
            return
        time.sleep(0.02)


def _code(error: Exception) -> int:
    if isinstance(error, UnreadableImage):
        return NOT_UNDERSTOOD
    if isinstance(error, Unwritable):
        return OUT_OF_RESOURCES
    return FAILED


def _status(code: int, comment: str = "") -> Dataset:
    answer = Dataset()
    answer.Status = code
    if comment:
        answer.ErrorComment = comment.encode("ascii", "replace").decode()[:_LONGEST_COMMENT]
    return answer
