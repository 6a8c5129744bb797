"""Hours of work in minutes: many cases at once over the real pipeline, and one very long case.

The service runs as ``tracker serve`` does, in a process of its own with its own decoders.
"""

import http.client
import json
import re
import signal
import subprocess
import sys
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Self

import numpy as np

from tests.strategies import setup
from tests.validation.steps import FIRST, at_size
from tracker import images, phantom
from tracker.casetext import case_text
from tracker.record import Stamp
from tracker.store import Store
from tracker.verifying import verify

SIZE_PX = 512
ROOT = Path(__file__).resolve().parents[2]


@dataclass
class Taken:
    """What the senders saw."""

    sent: int = 0
    measured: int = 0
    seconds: list[float] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)


class Serving:
    """``tracker serve`` in a process of its own."""

    def __init__(self, data: Path) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tracker", "serve", "--port", "0", "--data", str(data)],
            stdout=subprocess.PIPE, text=True, cwd=ROOT,
        )  # fmt: skip
        assert self.process.stdout is not None
        for line in self.process.stdout:
            found = re.search(r"http://127\.0\.0\.1:(\d+)/", line)
            if found:
                self.port = int(found[1])
                break
        else:
            raise RuntimeError("the service did not start")
        # It says where it will be before it listens.
        until = time.monotonic() + 60
        while True:
            with suppress(ConnectionError):
                if self.ask("GET", "/healthz")[0] == 200:
                    return
            if time.monotonic() > until:
                self.stop()
                raise RuntimeError("the service does not answer")
            time.sleep(0.1)

    def memory_mb(self) -> float:
        """Of the service, without its decoders."""
        status = Path(f"/proc/{self.process.pid}/status").read_text(encoding="ascii")
        return int(re.findall(r"VmRSS:\s+(\d+)", status)[0]) * 1024 / 1e6

    def stop(self) -> None:
        self.process.send_signal(signal.SIGINT)
        try:
            self.process.wait(60)
        finally:
            self.process.kill()
            if self.process.stdout is not None:
                self.process.stdout.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def ask(self, method: str, path: str, body: bytes = b"", kind: str = "") -> tuple[int, bytes]:
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=300)
        try:
            link.request(method, path, body, {"content-type": kind} if kind else {})
            answer = link.getresponse()
            return answer.status, answer.read()
        finally:
            link.close()


class Patient:
    """One phantom hip: its case and endless exposures of it, each with grain of its own."""

    def __init__(self, k: int) -> None:
        first = at_size(FIRST, SIZE_PX)
        still, truth = phantom.render(first, k + 1)
        later = replace(first, noise=0.003, traction_mm=9.0, recession_mm=1.5)
        self.case_id = f"soak-{k}"
        self.setup = replace(setup(first, phantom.marks(truth)), id=self.case_id)
        self._first = np.round(255 * still.grey)
        self._later = np.round(255 * phantom.render(later, k + 100)[0].grey)
        self._rng = np.random.default_rng(k)

    def first(self) -> bytes:
        return images.encode_png(self._first.astype(np.uint8))

    def next(self) -> bytes:
        grain = self._rng.normal(0, 3.0, self._later.shape)
        return images.encode_png(np.clip(np.round(self._later + grain), 0, 255).astype(np.uint8))


def _opened(data: Path, patients: list[Patient]) -> None:
    """Open the cases with their marks, as ``tracker import`` of a folder does."""
    from tracker.service import Service

    with Service(data) as service:
        for patient in patients:
            folder = data.parent / patient.case_id
            folder.mkdir()
            (folder / "case.toml").write_text(case_text(patient.setup), encoding="utf-8")
            (folder / "000.png").write_bytes(patient.first())
            list(service.import_folder(folder, "live"))


def _bring(serving: Serving, patient: Patient, taken: Taken, guard: threading.Lock) -> None:
    data = patient.next()
    before = time.perf_counter()
    status, body = serving.ask(
        "POST", f"/api/cases/{patient.case_id}/pictures", data, "application/octet-stream"
    )
    took = time.perf_counter() - before
    with guard:
        taken.sent += 1
        taken.seconds.append(took)
        if status != 201:
            taken.failed.append(f"{status} {body[:200]!r}")
        else:
            taken.measured += json.loads(body)["verdict"] == "measured"


def soaked(place: Path, cases: int, every_s: float, minutes: float) -> dict[str, Any]:
    """Bring a picture to each of some cases every so often."""
    data, patients = place / "record", [Patient(k) for k in range(cases)]
    _opened(data, patients)
    taken, guard = Taken(), threading.Lock()
    memory: list[float] = []

    def work(k: int, serving: Serving, until: float) -> None:
        due = time.monotonic() + every_s * k / cases
        while due < until:
            time.sleep(max(0.0, due - time.monotonic()))
            _bring(serving, patients[k], taken, guard)
            # Who is late goes on with the next one at once.
            due = max(due + every_s, time.monotonic())

    with Serving(data) as serving:
        until = time.monotonic() + 60 * minutes
        threads = [threading.Thread(target=work, args=(k, serving, until)) for k in range(cases)]
        for thread in threads:
            thread.start()
        while any(thread.is_alive() for thread in threads):
            memory.append(serving.memory_mb())
            time.sleep(1.0)
    kept, waiting = _kept(data)
    assert not taken.failed, taken.failed[:3]
    assert kept == taken.sent + cases, (kept, taken.sent)
    assert waiting == 0, waiting
    wanted = int(cases * 60 * minutes / every_s)
    return {
        "cases": cases, "every, s": every_s, "minutes": minutes, "size, px": SIZE_PX,
        "asked for": wanted, "sent": taken.sent, "kept": kept - cases,
        "measured": taken.measured, "lost": taken.sent - (kept - cases),
        "accept to verdict, s, median": float(np.median(taken.seconds)),
        "accept to verdict, s, p95": float(np.quantile(taken.seconds, 0.95)),
        "memory after a quarter, MB": _mean_at(memory, 0.25),
        "memory at the end, MB": _mean_at(memory, 1.0),
    }  # fmt: skip


def long_case(place: Path, pictures: int) -> dict[str, Any]:
    """Bring one case very many pictures, one after another."""
    data, patient = place / "record", Patient(0)
    _opened(data, [patient])
    taken, guard = Taken(), threading.Lock()
    memory: list[float] = []
    with Serving(data) as serving:
        for _ in range(pictures):
            _bring(serving, patient, taken, guard)
            memory.append(serving.memory_mb())
        before = time.perf_counter()
        status, _ = serving.ask("GET", f"/cases/{patient.case_id}/review")
        review_s = time.perf_counter() - before
    kept, waiting = _kept(data)
    assert not taken.failed, taken.failed[:3]
    assert (status, kept, waiting) == (200, pictures + 1, 0)
    tenth = max(1, pictures // 10)
    return {
        "pictures": pictures, "size, px": SIZE_PX, "kept": kept - 1, "measured": taken.measured,
        "first tenth, s, median": float(np.median(taken.seconds[:tenth])),
        "last tenth, s, median": float(np.median(taken.seconds[-tenth:])),
        "review, s": review_s,
        "memory after a quarter, MB": _mean_at(memory, 0.25),
        "memory at the end, MB": _mean_at(memory, 1.0),
    }  # fmt: skip


def _mean_at(samples: list[float], share: float) -> float:
    """Mean of the tenth of the samples that ends there."""
    end = max(1, round(len(samples) * share))
    return float(np.mean(samples[max(0, end - max(1, len(samples) // 10)) : end]))


def _kept(data: Path) -> tuple[int, int]:
    """Pictures in the record, and stills without a result; the whole record is walked."""
    with Store(data, Stamp("test", "test"), reads_only=True) as store:
        walked = verify(store)
        missing = 0
        for case in store.cases():
            whole = store.whole(case)
            have = {result.picture_key for result in whole.results}
            missing += sum(picture.key not in have for picture in whole.pictures)
    return walked.pictures, missing
