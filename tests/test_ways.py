"""What comes in otherwise than by the page's drop: the phase, programs, DICOM over the web."""

import hashlib
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pydicom.dataset import Dataset

from tests import dicom_files, standins
from tests.asking import Client
from tests.standins import png
from tracker.inbox import Inbox
from tracker.service import Service
from web import app as web_app
from web import stow


@pytest.fixture(autouse=True)
def _quick_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    with Service(tmp_path / "record") as opened:
        yield opened


@pytest.fixture
def client(service: Service) -> Iterator[Client]:
    with Client(web_app.create_app(service)) as opened:
        yield opened


@pytest.fixture
def marked(service: Service, client: Client) -> Client:
    """A case with its first picture, marked."""
    service.open_case(standins.setup())
    service.add_picture("p1", png(0), "000.png")
    service.accept_proposed("p1")
    return client


# --- phase -------------------------------------------------------------------------------


@pytest.mark.parametrize("phase", ["before burring", "repair", "femur"])
def test_outside_burring_glance_says_no_number(
    marked: Client, service: Service, phase: str
) -> None:
    service.add_picture("p1", png(18), "001.png")
    assert "2.0" in marked.get("/cases/p1/glance").text
    page = marked.post("/cases/p1/phase", data={"phase": phase})
    assert "Glance shows no number" in page.text
    assert f'value="{phase}" aria-pressed="true"' in page.text
    glance = marked.get("/cases/p1/glance?part=live").text
    assert "2.0" not in glance
    assert "Pictures are kept, not judged." in glance
    assert "mm" not in glance
    # Kept and measured all the same, and there again when burring goes on.
    service.add_picture("p1", png(20), "002.png")
    marked.post("/cases/p1/phase", data={"phase": "burring"})
    # What was taken in repair or at the femur is no pass: the last pass stands.
    left = "1.8" if phase == "before burring" else "2.0"
    assert f'<span class="value">{left}' in marked.get("/cases/p1/glance?part=live").text


def test_pause_and_resume(marked: Client, service: Service) -> None:
    service.add_picture("p1", png(18), "001.png")
    page = marked.post("/cases/p1/phase", data={"phase": "burring", "paused": "true"})
    assert "Resume" in page.text
    assert "Burring, paused" in marked.get("/cases/p1/glance").text
    page = marked.post("/cases/p1/phase", data={"phase": "burring", "paused": "false"})
    assert "Pause" in page.text
    assert "2.0" in marked.get("/cases/p1/glance").text


def test_what_is_to_be_done_first_is_said_in_every_phase(client: Client, service: Service) -> None:
    service.open_case(standins.setup())
    assert "No picture yet" in client.get("/cases/p1/glance").text


def test_an_unknown_phase_is_refused(marked: Client, service: Service) -> None:
    before = service.case("p1").last_event
    assert marked.post("/cases/p1/phase", data={"phase": "lunch"}).status_code == 422
    assert service.case("p1").last_event == before


# --- programs ----------------------------------------------------------------------------


def test_a_program_brings_a_picture_and_gets_the_documented_answer(
    marked: Client, service: Service
) -> None:
    address = "/api/cases/p1/pictures?name=001.png"
    answer = marked.post(address, content=png(18), headers={"Content-Type": "image/png"})
    assert answer.status_code == 201
    plain = answer.json()
    assert set(plain) == documented_fields()
    assert plain["recession_mm"]["value"] == pytest.approx(1.8)
    assert plain["sha256"] == hashlib.sha256(png(18)).hexdigest()
    del plain["recession_mm"], plain["remaining_mm"], plain["lcea_deg"], plain["sha256"]
    assert plain == {
        "case": "p1",
        "number": 1,
        "is_new": True,
        "role": "still",
        "standing": "measured",
        "held": [],
        "verdict": "measured",
        "reasons": [],
        "message": "more to go",
        "limits": [],
        "phase": "burring",
        "aloud": True,
    }
    assert service.case("p1").pictures[1].row.name == "001.png"


def documented_fields() -> set[str]:
    """Fields of the answer that the reference describes."""
    text = (Path(__file__).resolve().parents[1] / "docs" / "reference.md").read_text("utf-8")
    part = text[text.index("### `POST /api/cases/{id}/pictures`") :]
    table = part[part.index("| field |") : part.index("\n\n", part.index("| field |"))]
    rows = table.splitlines()[2:]
    return {name for row in rows for name in re.findall(r"`(\w+)`", row.split("|")[1])}


def test_the_same_picture_again_changes_nothing_and_says_the_same(
    marked: Client, service: Service
) -> None:
    first = marked.post("/api/cases/p1/pictures", files={"picture": ("a.png", png(18))})
    before = service.case("p1").last_event
    again = marked.post("/api/cases/p1/pictures", content=png(18))
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.json() == first.json() | {"is_new": False}
    assert service.case("p1").last_event == before


def test_what_is_not_measured_is_answered_without_numbers(marked: Client) -> None:
    plain = marked.post("/api/cases/p1/pictures", content=png(255)).json()
    assert (plain["verdict"], plain["reasons"]) == ("refused", ["rim-hidden"])
    assert plain["standing"] == "not measured"
    assert plain["recession_mm"] is plain["remaining_mm"] is plain["message"] is None


def test_outside_burring_the_answer_says_that_nothing_is_judged_aloud(
    marked: Client, service: Service
) -> None:
    service.set_phase("p1", "burring", paused=True)
    plain = marked.post("/api/cases/p1/pictures", content=png(18)).json()
    assert (plain["phase"], plain["aloud"]) == ("burring", False)


@pytest.mark.parametrize(
    ("case", "sent", "status"),
    [
        ("p1", {"content": b"no picture"}, 422),
        ("p1", {"content": b""}, 422),
        ("p1", {"files": {"other": ("a.png", b"x")}}, 422),
        ("p9", {"content": b"no picture"}, 404),
    ],
)
def test_a_request_that_can_not_be_used_is_told_in_the_one_shape(
    marked: Client, case: str, sent: dict[str, Any], status: int
) -> None:
    answer = marked.post(f"/api/cases/{case}/pictures", **sent)
    assert answer.status_code == status
    assert set(answer.json()["error"]) == {"message", "hint", "status"}


def test_another_sites_page_can_not_bring_pictures(marked: Client, service: Service) -> None:
    headers = {"Origin": "http://elsewhere.example"}
    assert marked.post("/api/cases/p1/pictures", content=png(1), headers=headers).status_code == 403
    assert len(service.case("p1").pictures) == 1


def test_the_ways_in_are_told(client: Client, service: Service, tmp_path: Path) -> None:
    assert client.get("/api/sources").json() == {"sources": []}
    service.open_case(standins.setup())
    inbox = Inbox(service, tmp_path, "p1")
    service.attach(inbox)
    (tmp_path / "a.png").write_bytes(png(0))
    inbox.look()
    assert client.get("/api/sources").json()["sources"] == [
        {
            "kind": "folder",
            "where": str(tmp_path),
            "case_id": "p1",
            "standing": "open",
            "taken": 0,
            "last_file": "",
            "last_at": None,
            "last_error": "",
        }
    ]


# --- DICOM over the web ------------------------------------------------------------------


def dicom(seed: int) -> bytes:
    pixels = np.random.default_rng(seed).integers(0, 4095, (160, 176)).astype(np.uint16)
    name = f"{dicom_files.ROOT}{seed + 1}"
    return dicom_files.as_file(dicom_files.dataset_of(pixels, SOPInstanceUID=name))


def related(*parts: bytes, boundary: str = "the+boundary") -> dict[str, Any]:
    """A request as STOW-RS wants it."""
    body = b"".join(
        b"--%s\r\nContent-Type: application/dicom\r\n\r\n%s\r\n" % (boundary.encode(), part)
        for part in parts
    )
    kind = f'multipart/related; type="application/dicom"; boundary="{boundary}"'
    return {
        "content": body + b"--%s--\r\n" % boundary.encode(),
        "headers": {"Content-Type": kind, "Accept": "application/dicom+json"},
    }


def reference(seed: int) -> dict[str, Any]:
    """What DICOM JSON says of an instance, written down from the standard's own form."""
    return {
        "00081150": {"vr": "UI", "Value": [dicom_files.CLASSES["XA"]]},
        "00081155": {"vr": "UI", "Value": [f"{dicom_files.ROOT}{seed + 1}"]},
    }


def test_instances_are_stored_and_named_in_dicom_json(marked: Client, service: Service) -> None:
    for _ in range(2):
        answer = marked.post("/dicomweb/cases/p1/studies", **related(dicom(0), dicom(1)))
        assert answer.status_code == 200
        assert answer.headers["content-type"] == "application/dicom+json"
        assert answer.json() == {"00081199": {"vr": "SQ", "Value": [reference(0), reference(1)]}}
        assert len(service.case("p1").pictures) == 3


def test_the_answer_is_what_a_dicom_library_reads(marked: Client) -> None:
    sent = related(dicom(0), b"no DICOM file")
    said = Dataset.from_json(marked.post("/dicomweb/cases/p1/studies", **sent).text)
    assert said.ReferencedSOPSequence[0].ReferencedSOPInstanceUID == f"{dicom_files.ROOT}1"
    assert said.FailedSOPSequence[0].FailureReason == 0xC000


def test_some_stored_and_none_stored_have_their_own_status(marked: Client) -> None:
    some = marked.post("/dicomweb/cases/p1/studies", **related(dicom(0), b"no DICOM file"))
    none = marked.post("/dicomweb/cases/p1/studies", **related(dicom(1)[:-500]))
    assert (some.status_code, none.status_code) == (202, 409)
    (failed,) = none.json()["00081198"]["Value"]
    assert failed == reference(1) | {"00081197": {"vr": "US", "Value": [0xC000]}}


def test_a_full_disk_is_out_of_resources(
    marked: Client, service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("tracker.shelf.os.fsync", full)
        answer = marked.post("/dicomweb/cases/p1/studies", **related(dicom(0)))
    assert answer.status_code == 409
    assert answer.json()["00081198"]["Value"][0]["00081197"]["Value"] == [0xA700]
    assert marked.post("/dicomweb/cases/p1/studies", **related(dicom(0))).status_code == 200


def test_other_forms_of_request_are_refused(marked: Client) -> None:
    whole = related(dicom(0))
    cut = {"content": whole["content"][:-60], "headers": whole["headers"]}
    assert marked.post("/dicomweb/cases/p1/studies", **cut).status_code == 422
    assert marked.post("/dicomweb/cases/p1/studies", content=dicom(0)).status_code == 415
    kind = 'multipart/related; type="application/dicom+json"; boundary=b'
    other = marked.post("/dicomweb/cases/p1/studies", content=b"", headers={"Content-Type": kind})
    assert other.status_code == 415
    assert marked.post("/dicomweb/cases/p9/studies", **whole).status_code == 404


def test_line_ends_and_dashes_in_the_pixels_stay_as_they_are() -> None:
    inner = b"\r\n\r\n--the+\r\n--other--\r\n"
    assert stow.parts_of(related(inner, b"")["content"], b"the+boundary") == (inner, b"")


# --- ways in that run by themselves, on Pictures -----------------------------------------


def test_pictures_says_how_the_ways_in_of_this_case_stand(
    marked: Client, service: Service, tmp_path: Path
) -> None:
    share = tmp_path / "share"
    inbox, other = Inbox(service, share, "p1"), Inbox(service, tmp_path / "other", "p2")
    service.attach(inbox)
    service.attach(other)
    inbox.look()
    page = marked.get("/cases/p1").text
    assert f"Folder {share}: not reachable. The folder can&#39;t be read" in page
    assert "other" not in page
    share.mkdir()
    inbox.look()
    assert f"Folder {share}: watched" in marked.get("/cases/p1").text
