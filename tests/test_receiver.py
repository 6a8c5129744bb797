"""A DICOM sender and the receiver: stored before success, and told plainly when not."""

import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from pydicom.uid import ExplicitVRLittleEndian, JPEGBaseline8Bit
from pynetdicom import AE

from tests import dicom_files, standins
from tracker.errors import InputError, Unwritable
from tracker.images import decode
from tracker.instance import InstanceNames, names_of
from tracker.receiver import Receiver
from tracker.service import Service

# By full path: pynetdicom installs programs of the same names.
STORESCU, ECHOSCU = "/usr/bin/storescu", "/usr/bin/echoscu"

# pynetdicom's own thread can fall over a link that is stopped in the very moment in which the
# other side ends it; the link is over either way.
pytestmark = pytest.mark.filterwarnings(
    r"ignore:Exception in thread Thread-\d+ .run_reactor.:"
    "pytest.PytestUnhandledThreadExceptionWarning"
)


@pytest.fixture(autouse=True)
def _quick_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    with Service(tmp_path / "record") as opened:
        opened.open_case(standins.setup(marks=standins.marks()))
        yield opened


@pytest.fixture
def receiver(service: Service) -> Iterator[Receiver]:
    with Receiver(service, "p1", port=0) as started:
        deadline = time.monotonic() + 10
        while started.state.standing != "open" and time.monotonic() < deadline:
            time.sleep(0.02)
        yield started


def dicom(seed: int, kind: str = "XA") -> bytes:
    pixels = np.random.default_rng(seed).integers(0, 4095, (160, 176)).astype(np.uint16)
    dataset = dicom_files.dataset_of(pixels, kind, SOPInstanceUID=f"{dicom_files.ROOT}{seed + 1}")
    return dicom_files.as_file(dataset, ExplicitVRLittleEndian)


def ask(program: str, receiver: Receiver, *more: str | Path, title: str = "RIMTRACKER") -> str:
    """Run one of dcmtk's programs and return what it says, with its exit status at the end."""
    command = [program, "-v", "-aec", title, "127.0.0.1", str(receiver.port), *more]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    return f"{done.stdout}{done.stderr} exit {done.returncode}"


def hashes(service: Service) -> list[str]:
    return [picture.row.sha256 for picture in service.case("p1").pictures]


@pytest.mark.dcmtk
def test_echo_is_answered(receiver: Receiver) -> None:
    said = ask(ECHOSCU, receiver)
    assert "Received Echo Response (Success)" in said
    assert said.endswith("exit 0")


@pytest.mark.dcmtk
def test_a_picture_that_is_sent_is_in_the_case_and_again_adds_nothing(
    receiver: Receiver, service: Service, tmp_path: Path
) -> None:
    path = tmp_path / "a.dcm"
    path.write_bytes(dicom(0))
    for _ in range(2):
        said = ask(STORESCU, receiver, path)
        assert "Received Store Response (Success)" in said
        assert said.endswith("exit 0")
        assert len(hashes(service)) == 1
    state = receiver.state
    assert (state.taken, state.last_error) == (1, "")
    (kept,) = service.case("p1").pictures
    still = service.still("p1", kept.number)
    assert still.grey.shape == (160, 176)
    # What was sent is what was kept: every pixel, bit by bit.
    data = service._store.picture_bytes(kept.row)
    assert dicom(0)[-160 * 176 * 2 :] in data


@pytest.mark.dcmtk
def test_several_in_one_go_come_in_their_order(
    receiver: Receiver, service: Service, tmp_path: Path
) -> None:
    paths = []
    for number in range(3):
        paths.append(tmp_path / f"{number}.dcm")
        paths[-1].write_bytes(dicom(number))
    assert ask(STORESCU, receiver, *paths).endswith("exit 0")
    assert len(hashes(service)) == 3
    assert receiver.state.taken == 3


@pytest.mark.dcmtk
def test_packed_pixels_are_taken_as_they_were_sent(
    receiver: Receiver, service: Service, tmp_path: Path
) -> None:
    pixels = dicom_files.pattern(bits=8).astype(np.uint8)
    path = tmp_path / "jpeg.dcm"
    path.write_bytes(dicom_files.as_file(dicom_files.dataset_of(pixels), JPEGBaseline8Bit))
    assert ask(STORESCU, receiver, "-xy", path).endswith("exit 0")
    case = service.case("p1")
    (kept,) = case.pictures
    # The record's copy is unpacked; what came was the file itself, not packed anew on its way.
    sent = decode(path.read_bytes(), "sent")
    np.testing.assert_array_equal(service.still("p1", kept.number).grey, sent.grey)
    assert len(case.originals) == 1


@pytest.mark.dcmtk
@pytest.mark.parametrize("program", [ECHOSCU, STORESCU])
def test_another_title_is_refused(
    receiver: Receiver, service: Service, tmp_path: Path, program: str
) -> None:
    path = tmp_path / "a.dcm"
    path.write_bytes(dicom(0))
    more = [path] if program == STORESCU else []
    said = ask(program, receiver, *more, title="SOMEBODY")
    assert "Called AE Title Not Recognized" in said
    assert not said.endswith("exit 0")
    assert hashes(service) == []


@pytest.mark.dcmtk
def test_a_full_disk_is_answered_with_a700(
    receiver: Receiver, service: Service, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.dcm"
    path.write_bytes(dicom(0))

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("tracker.shelf.os.fsync", full)
        said = ask(STORESCU, receiver, "-d", path)
    assert "0xa700" in said
    assert "The record's disk is full." in receiver.state.last_error
    assert hashes(service) == []
    assert ask(STORESCU, receiver, path).endswith("exit 0")
    assert len(hashes(service)) == 1


@pytest.mark.dcmtk
def test_success_means_that_the_file_was_synced(
    receiver: Receiver, service: Service, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    order: list[str] = []
    put, took = service._store.shelf.put, receiver._took

    def noted_put(digest: str, data: bytes) -> None:
        put(digest, data)
        order.append("on the disk")

    def noted_took(name: str, *, is_new: bool) -> None:
        assert len(hashes(service)) == 1
        order.append("success")
        took(name, is_new=is_new)

    monkeypatch.setattr(service._store.shelf, "put", noted_put)
    monkeypatch.setattr(receiver, "_took", noted_took)
    path = tmp_path / "a.dcm"
    path.write_bytes(dicom(0))
    assert ask(STORESCU, receiver, path).endswith("exit 0")
    assert order == ["on the disk", "success"]


@pytest.mark.dcmtk
def test_what_is_no_picture_is_told_so_and_the_next_is_taken(
    receiver: Receiver, service: Service, tmp_path: Path
) -> None:
    bad, good = tmp_path / "bad.dcm", tmp_path / "good.dcm"
    dataset = dicom_files.dataset_of(dicom_files.pattern(64, 64))
    bad.write_bytes(dicom_files.as_file(dataset))
    good.write_bytes(dicom(1))
    said = ask(STORESCU, receiver, "-d", bad)
    assert "0xc000" in said
    assert len(service.case("p1").unreadable) == 1
    assert ask(STORESCU, receiver, good).endswith("exit 0")
    assert len(hashes(service)) == 1


def test_pictures_of_another_kind_are_not_negotiated(receiver: Receiver) -> None:
    entity = AE()
    entity.add_requested_context("1.2.840.10008.5.1.4.1.1.2")
    link = entity.associate("127.0.0.1", receiver.port, ae_title="RIMTRACKER")
    assert link.accepted_contexts == []
    link.abort()


def test_a_case_that_is_not_open_fails_and_says_why(service: Service) -> None:
    receiver = Receiver(service, "p9", port=0)
    with receiver:
        while receiver.state.standing != "open":
            time.sleep(0.02)
        assert send(receiver, dicom(0)) == 0x0110
    assert "p9" in receiver.state.last_error


def send(receiver: Receiver, data: bytes) -> int | None:
    """Send by the library itself; None where the connection was cut."""
    from io import BytesIO

    from pydicom import dcmread

    dataset = dcmread(BytesIO(data))
    entity = AE()
    entity.add_requested_context(dataset.SOPClassUID, dataset.file_meta.TransferSyntaxUID)
    link = entity.associate("127.0.0.1", receiver.port, ae_title="RIMTRACKER")
    status = link.send_c_store(dataset)
    if link.is_established:
        link.release()
    found: int | None = status.get("Status")
    return found


def test_a_sender_without_end_is_cut_off(
    receiver: Receiver, monkeypatch: pytest.MonkeyPatch, service: Service
) -> None:
    monkeypatch.setattr("tracker.receiver._OVERHEAD", 10_000 - service.settings.images.max_bytes)
    assert send(receiver, dicom(0)) is None
    assert "cut off" in receiver.state.last_error
    monkeypatch.undo()


def test_a_taken_port_is_said(receiver: Receiver, service: Service) -> None:
    second = Receiver(service, "p1", port=receiver.port)
    with second:
        deadline = time.monotonic() + 10
        while not second.state.last_error and time.monotonic() < deadline:
            time.sleep(0.02)
        assert second.state.last_error.startswith(f"Port {receiver.port} can't be opened")


@pytest.mark.parametrize("title", ["", "   ", "much too long a title", "Übermut"])
def test_a_title_that_can_be_none_is_refused(service: Service, title: str) -> None:
    with pytest.raises(InputError):
        Receiver(service, "p1", port=0, title=title)


def test_a_files_own_names_are_read_without_decoding() -> None:
    data = dicom(0)
    assert names_of(data) == InstanceNames(dicom_files.CLASSES["XA"], f"{dicom_files.ROOT}1")
    assert names_of(data[128:]) == InstanceNames()
    for length in range(120, 400, 7):
        names_of(data[:length])
    assert names_of(b"") == InstanceNames()


def test_every_error_has_its_status() -> None:
    from tracker import receiver as room

    assert room._code(Unwritable("full")) == 0xA700
    assert room._code(ValueError()) == 0x0110
