"""A video input: exposures shown on the C-arm's monitor go to a case.

Many C-arms let pictures out no other way during a case.  The frames are looked at in a child
process (:mod:`tracker.grabbing`); a picture arrives here as PNG and is taken in like any other.
"""

from hashlib import sha256
from typing import Final

from tracker.child import Child, ChildLost
from tracker.errors import TrackerError, UnreadableImage
from tracker.service import Service
from tracker.sources import Source, SourceState, plainly

_SILENT_S: Final = 20.0
"""A child that says nothing for so long is ended and begun anew."""
_AGAIN_S: Final = 2.0
_MOST_BYTES: Final = 100_000_000


class Video(Source):
    """Watches a video and gives the exposures it shows to a case.

    Parameters
    ----------
    service : Service
    source : str
        Path of a file, address of a stream, or number of a capture device.
    case_id : str
    """

    def __init__(self, service: Service, source: str, case_id: str) -> None:
        super().__init__(SourceState("video", source, case_id), service.now)
        self._service = service
        self._source = source
        self._case_id = case_id
        self._child: Child | None = None

    def stop(self) -> None:
        """End; a picture that is being taken in is finished first."""
        self._stopped.set()
        if self._child is not None:
            self._child.kill()
        super().stop()

    def _work(self) -> None:
        while not self._stopped.is_set():
            self._child = Child("tracker.grabbing", [self._source])
            try:
                if self._follow(self._child):
                    return
            except ChildLost:
                self._out_of_reach("The video has stopped.")
            finally:
                self._child.kill()
            self._stopped.wait(_AGAIN_S)

    def _follow(self, child: Child) -> bool:
        """Take what a child finds; true when a file has come to its end."""
        while not self._stopped.is_set():
            said, data = child.receive(_SILENT_S, most_bytes=_MOST_BYTES)
            match said["event"]:
                case "picture":
                    self._give(data, said["at_s"])
                case "beat":
                    if self.state.standing != "open":
                        self._says(standing="open", last_error="")
                case "closed":
                    self._out_of_reach("The video can't be opened.")
                    return False
                case "end":
                    if said["is_file"]:
                        return True
                    self._out_of_reach("The video has ended.")
                    return False
        return True

    def _give(self, data: bytes, at_s: float | None) -> None:
        """Give a picture to the case; while that can't be done, wait and try again."""
        name = f"video {self._clock():%Y-%m-%d %H.%M.%S}.png"
        if at_s is not None:
            name = f"video {at_s:07.1f} s.png"
        digest = sha256(data).hexdigest()
        while not self._stopped.is_set():
            try:
                if self._service.has_seen(self._case_id, digest):
                    return
                added = self._service.add_picture(self._case_id, data, name)
            except UnreadableImage as error:
                self._says(last_error=plainly(error))
                return
            except TrackerError as error:
                self._says(last_error=f"{name}: {plainly(error)}")
                self._stopped.wait(_AGAIN_S)
            else:
                self._took(name, is_new=added.is_new)
                return

    def _out_of_reach(self, why: str) -> None:
        if not self._stopped.is_set():
            self._says(standing="not reachable", last_error=why)
