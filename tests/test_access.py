"""The door: who gets in from another machine, and what each role may do."""

import re
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from argon2 import PasswordHasher
from fastapi.routing import iter_route_contexts
from starlette.datastructures import Headers

from tests import standins
from tests.asking import Client
from tests.standins import png
from tests.test_ways import dicom, related
from tracker import pairing
from tracker.errors import InputError
from tracker.service import DeviceRole, Service
from web import access, formtoken
from web import app as web_app
from web.access import LOOPBACK, Door
from web.serving import Serving

PAGE = {"Accept": "text/html"}
LAN = "http://192.0.2.2:8321"
SHARED = Door((*LOOPBACK, "theatre3.example"), is_shared=True)


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)
    hasher = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
    monkeypatch.setattr(pairing, "_HASHER", hasher)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    with Service(tmp_path / "record") as opened:
        opened.open_case(standins.setup())
        opened.add_picture("p1", png(0), "000.png")
        opened.accept_proposed("p1")
        opened.add_picture("p1", png(18), "001.png")
        yield opened


class Device(Client):
    """A browser on another machine."""

    def __init__(self, service: Service, door: Door = SHARED, base: str = LAN) -> None:
        super().__init__(web_app.create_app(service, door=door), base, comes_from="192.0.2.9")
        self.service = service

    def pair(self, role: DeviceRole, device: str = "Screen", to: str = "") -> httpx.Response:
        code = self.service.gate.new_code(role).digits
        sent = {"form_token": self.token(), "code": code, "device": device, "to": to}
        return self.post("/pair", data=sent, headers=PAGE, follow_redirects=False)

    def token(self) -> str:
        """What the pages' scripts send; nothing for who is not paired."""
        page = self.get("/devices", headers=PAGE).text
        found = re.findall(r'name="form-token" content="(\w+)"', page)
        return found[0] if found else ""

    def send(self, path: str, data: dict[str, Any] | None = None, **more: Any) -> httpx.Response:
        """Send a form of a page, with what a browser sends beside it."""
        sent = {"form_token": self.token()} | (data or {})
        return self.post(path, data=sent, headers=PAGE | {"Origin": LAN}, **more)


@pytest.fixture
def stranger(service: Service) -> Iterator[Device]:
    with Device(service) as device:
        yield device


@pytest.fixture
def laptop(service: Service) -> Iterator[Device]:
    with Device(service) as device:
        device.pair("theatre", "Laptop")
        yield device


@pytest.fixture
def wall(service: Service) -> Iterator[Device]:
    with Device(service) as device:
        device.pair("look", "Wall")
        yield device


@pytest.fixture
def here(service: Service) -> Iterator[Client]:
    """A browser on the machine that serves the pages to others too."""
    with Client(web_app.create_app(service, door=SHARED)) as client:
        yield client


def addresses(service: Service) -> list[tuple[str, str]]:
    """Every method and address that the pages answer to, filled in."""
    app = web_app.create_app(service)
    filled = {"case_id": "p1", "number": "1", "form": "rim"}
    found = []
    for route in iter_route_contexts(app.routes):
        path = re.sub(r"\{(\w+)[^}]*\}", lambda m: filled.get(m[1], "1"), route.path or "")
        found += [(method, path) for method in route.methods or () if method != "HEAD"]
    return found


# --- strangers ---------------------------------------------------------------------------


def test_a_stranger_is_shown_nothing_but_where_to_type_a_code(stranger: Device) -> None:
    for method, path in addresses(stranger.service):
        answer = stranger.request(method, path, follow_redirects=False)
        if path in ("/pair", "/api/pair"):
            assert answer.status_code in (200, 401, 422)
        else:
            assert answer.status_code == 401, (method, path)
            assert set(answer.json()["error"]) == {"message", "hint", "status"}
            assert answer.headers["www-authenticate"] == "Bearer"
    assert stranger.get("/static/look.css").status_code == 200


def test_there_are_many_addresses_to_look_at(service: Service) -> None:
    found = addresses(service)
    assert len(found) > 20
    assert ("POST", "/cases/p1/marks") in found
    assert ("GET", "/openapi.json") in found


def test_who_asks_for_a_page_is_led_to_the_code_and_back(stranger: Device) -> None:
    asked = stranger.get("/cases/p1/glance", headers=PAGE, follow_redirects=False)
    assert (asked.status_code, asked.headers["location"]) == (
        303,
        "/pair?to=%2Fcases%2Fp1%2Fglance",
    )
    page = stranger.get("/cases/p1/glance", headers=PAGE).text
    assert 'name="to" value="/cases/p1/glance"' in page
    assert "p1" not in page.replace("/cases/p1/glance", "")
    answer = stranger.pair("look", to="/cases/p1/glance")
    assert (answer.status_code, answer.headers["location"]) == (303, "/cases/p1/glance")


@pytest.mark.parametrize(
    "to", ["//elsewhere.example", "https://elsewhere.example", "/\\elsewhere.example", "/\n/x", "é"]
)
def test_a_code_leads_to_no_other_site(stranger: Device, to: str) -> None:
    location = stranger.pair("theatre", to=to).headers["location"]
    assert location == "/"


def test_a_screen_begins_at_the_one_case_there_is(stranger: Device, service: Service) -> None:
    assert stranger.pair("look").headers["location"] == "/cases/p1/glance"
    service.open_case(standins.setup("p2"))
    assert stranger.pair("look").headers["location"] == "/"
    service.close_case("p1")
    assert stranger.pair("look").headers["location"] == "/cases/p2/glance"


def test_the_cookie_is_for_this_site_and_no_script(stranger: Device, service: Service) -> None:
    said = stranger.pair("theatre").headers["set-cookie"].lower()
    for part in ("rim-session=", "httponly", "samesite=strict", "path=/"):
        assert part in said
    assert "domain" not in said
    assert "secure" not in said
    secure = Door(is_shared=True, is_secure=True)
    with Device(service, secure, LAN.replace("http:", "https:")) as device:
        said = device.pair("theatre").headers["set-cookie"]
        assert said.startswith("__Host-rim-session=")
        assert "; Secure" in said
        assert device.get("/").status_code == 200


def test_a_wrong_code_is_said_with_what_is_left(stranger: Device) -> None:
    gate = stranger.service.gate
    code = gate.new_code("theatre").digits
    wrong = {"code": "00000000" if code != "00000000" else "11111111", "device": "Mine & yours"}
    for left in (4, 3, 2, 1):
        answer = stranger.post("/pair", data=wrong, headers=PAGE)
        assert answer.status_code == 401
        assert f"{left} more" in answer.text
        assert 'value="Mine &amp; yours"' in answer.text


def test_the_fifth_wrong_code_closes_pairing_also_after_a_restart(
    stranger: Device, tmp_path: Path
) -> None:
    code = stranger.service.gate.new_code("theatre").digits
    wrong = "00000000" if code != "00000000" else "11111111"
    for _ in range(5):
        answer = stranger.post("/pair", data={"code": wrong}, headers=PAGE)
    assert answer.status_code == 429
    assert answer.headers["retry-after"] == "60"
    assert "closed for 15 min" in answer.text
    stranger.service.close()
    with Service(tmp_path / "record") as again, Device(again) as device:
        answer = device.post("/pair", data={"code": code}, headers=PAGE)
        assert answer.status_code == 429
        program = device.post("/api/pair", json={"code": code})
        assert program.status_code == 429


# --- roles -------------------------------------------------------------------------------

UNSAFE_FOR_LOOKERS = {"/pair", "/api/pair", "/devices/leave", "/cases/p1/pictures/1/outline"}


def test_every_address_that_changes_something_is_closed_to_who_only_looks(wall: Device) -> None:
    looked_at = 0
    for method, path in addresses(wall.service):
        if method in ("GET", "OPTIONS") or path in UNSAFE_FOR_LOOKERS:
            continue
        answer = wall.send(path) if method == "POST" else wall.request(method, path)
        assert answer.status_code == 403, (method, path)
        looked_at += 1
    assert looked_at >= 12
    assert len(wall.service.case("p1").pictures) == 2


def test_glance_and_review_are_for_both(wall: Device, laptop: Device) -> None:
    for device in (wall, laptop):
        for path in ("/", "/cases/p1/glance", "/cases/p1/review", "/cases/p1/pictures/1/rim.png"):
            assert device.get(path).status_code == 200
        assert "2.0" in device.get("/cases/p1/glance").text


def test_pictures_and_the_form_for_a_case_are_not_offered_to_who_only_looks(
    wall: Device, laptop: Device
) -> None:
    asked = wall.get("/cases/p1", headers=PAGE, follow_redirects=False)
    assert (asked.status_code, asked.headers["location"]) == (303, "/cases/p1/glance")
    assert "Open a case" not in wall.get("/").text
    assert 'href="/cases/p1"' not in wall.get("/cases/p1/review").text
    assert laptop.get("/cases/p1", headers=PAGE).url.path == "/cases/p1"
    assert "Open a case" in laptop.get("/").text


def test_who_looks_can_take_a_wrong_number_off_and_not_bring_it_back(
    wall: Device, laptop: Device
) -> None:
    judge = "/cases/p1/pictures/1/outline"
    wall.send(judge, {"looks": "wrong", "page": "glance"})
    assert "mm left" not in laptop.get("/cases/p1/glance").text
    assert wall.send(judge, {"looks": "right"}).status_code == 403
    assert "mm left" not in laptop.get("/cases/p1/glance").text
    laptop.send(judge, {"looks": "right"})
    assert "mm left" in wall.get("/cases/p1/glance").text


def test_the_theatre_s_device_works(laptop: Device) -> None:
    answer = laptop.send("/cases/p1/notes", {"text": "From the laptop"})
    assert answer.status_code == 200
    assert laptop.service.case("p1").log.notes[0].text == "From the laptop"
    files = {"picture": ("002.png", png(20), "image/png")}
    sent = laptop.send("/cases/p1/pictures", files=files)
    assert sent.status_code == 200
    assert len(laptop.service.case("p1").pictures) == 3


def test_what_was_written_says_which_role_wrote_it(
    wall: Device, laptop: Device, here: Client
) -> None:
    service = laptop.service
    wall.send("/cases/p1/pictures/1/outline", {"looks": "wrong"})
    laptop.send("/cases/p1/pictures/1/outline", {"looks": "right"})
    here.post("/cases/p1/notes", data={"text": "From here"})
    events = service._store.events(service.case("p1").row)
    said = {event.kind: event.role for event in events}
    assert said["outline-wrong"] == "look"
    assert said["outline-right"] == "theatre"
    assert said["note"] == "theatre"


def test_another_code_changes_the_role_and_ends_the_old_session(wall: Device) -> None:
    wall.pair("theatre", "Wall, for now")
    assert wall.get("/cases/p1", headers=PAGE).url.path == "/cases/p1"
    (live,) = wall.service.gate.live_sessions()
    assert (live.role, live.device) == ("theatre", "Wall, for now")


# --- tokens of programs ------------------------------------------------------------------


def bearer(device: Device, role: DeviceRole) -> dict[str, str]:
    code = device.service.gate.new_code(role).shown
    answer = device.post("/api/pair", json={"code": code, "device": "C-arm gateway"})
    assert answer.status_code == 201
    assert set(answer.json()) == {"token", "role", "session", "device"}
    return {"Authorization": f"Bearer {answer.json()['token']}"}


def test_a_program_brings_pictures_with_its_token(stranger: Device) -> None:
    token = bearer(stranger, "theatre")
    sent = stranger.post("/api/cases/p1/pictures", content=png(22), headers=token)
    assert sent.status_code == 201
    stow = related(dicom(3))
    stow["headers"] |= token
    assert stranger.post("/dicomweb/cases/p1/studies", **stow).status_code == 200
    assert len(stranger.service.case("p1").pictures) == 4


def test_a_program_that_looks_brings_none(stranger: Device) -> None:
    token = bearer(stranger, "look")
    assert stranger.get("/api/sources", headers=token).status_code == 200
    for path in ("/api/cases/p1/pictures", "/dicomweb/cases/p1/studies"):
        assert stranger.post(path, content=png(22), headers=token).status_code == 403


@pytest.mark.parametrize("said", ["Bearer", "Bearer ", "Bearer x", "bearer \udcff", "Basic YTpi"])
def test_a_token_that_is_none_lets_nobody_in(stranger: Device, said: str) -> None:
    headers = {"Authorization": said.encode("utf-8", "surrogateescape")}
    assert stranger.get("/cases/p1/glance", headers=headers).status_code == 401


def test_a_token_is_no_cookie_and_a_cookie_no_token(stranger: Device, laptop: Device) -> None:
    token = bearer(stranger, "theatre")["Authorization"].removeprefix("Bearer ")
    answer = stranger.get("/", headers={"Cookie": f"rim-session={token}"})
    assert answer.status_code == 401
    cookie = laptop.cookies["rim-session"]
    assert stranger.get("/", headers={"Authorization": f"Bearer {cookie}"}).status_code == 401


# --- the machine itself ------------------------------------------------------------------


def test_the_codes_are_shown_here_and_nowhere_else(
    here: Client, laptop: Device, wall: Device
) -> None:
    page = here.post("/devices/code", data={"role": "look"}).text
    (code,) = re.findall(r'<p class="code">(\d{4} \d{4})</p>', page)
    for device in (laptop, wall):
        page = device.get("/devices").text
        assert code not in page
        assert "New code" not in page
        assert device.send("/devices/code", {"role": "look"}).status_code == 403
    with Device(laptop.service) as other:
        assert other.post("/pair", data={"code": code}).status_code == 200


def test_a_code_that_was_replaced_elsewhere_is_no_longer_shown(
    here: Client, service: Service
) -> None:
    page = here.post("/devices/code", data={"role": "look"}).text
    assert '<p class="code">' in page
    time.sleep(0.001)
    service.gate.new_code("look")
    page = here.get("/devices").text
    assert '<p class="code">' not in page
    assert "A code made elsewhere" in page


def test_the_codes_of_the_start_are_on_the_machine_s_page(service: Service) -> None:
    codes = service.gate.codes_at_start()
    with Client(web_app.create_app(service, door=SHARED, codes=codes)) as client:
        page = client.get("/devices").text
    assert all(code.shown in page for code in codes)


def test_the_machine_itself_needs_no_code(here: Client) -> None:
    assert here.get("/pair", headers=PAGE).url.path == "/devices"
    assert here.get("/cases/p1").status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"X-Forwarded-For": "192.0.2.9"},
        {"Forwarded": "for=192.0.2.9"},
        {"Via": "1.1 proxy"},
        {"Host": "theatre3.example"},
    ],
)
def test_what_a_proxy_passes_on_does_not_come_from_here(
    here: Client, headers: dict[str, str]
) -> None:
    assert here.get("/cases/p1/glance", headers=headers).status_code == 401


def test_no_header_makes_another_machine_this_one(stranger: Device) -> None:
    for headers in (
        {"Host": "127.0.0.1:8321"},
        {"X-Forwarded-For": "127.0.0.1"},
        {"Forwarded": "for=127.0.0.1"},
        {"X-Real-IP": "127.0.0.1"},
    ):
        assert stranger.get("/cases/p1/glance", headers=headers).status_code == 401


@pytest.mark.parametrize(
    ("host", "status"),
    [
        ("192.0.2.2:8321", 200),
        ("192.0.2.2", 200),
        ("theatre3.example", 200),
        ("THEATRE3.example:8321", 200),
        ("192.0.2.3", 400),
        ("elsewhere.example", 400),
        ("theatre3.example.elsewhere.example", 400),
        ("", 400),
    ],
)
def test_only_own_names_and_the_address_that_was_reached_are_answered(
    laptop: Device, host: str, status: int
) -> None:
    assert laptop.get("/", headers={"Host": host}).status_code == status


def test_the_address_that_was_reached_is_no_name_where_only_this_machine_is_served(
    service: Service,
) -> None:
    app = web_app.create_app(service)
    with Client(app, LAN, comes_from="192.0.2.9") as client:
        assert client.get("/").status_code == 400
        assert client.get("/", headers={"Host": "127.0.0.1"}).status_code == 401


# --- devices -----------------------------------------------------------------------------


def test_devices_are_listed_with_role_and_ended_one_by_one(laptop: Device, wall: Device) -> None:
    page = laptop.get("/devices").text
    assert re.search(r"Laptop <span>this device</span>", page)
    assert re.search(r"Wall</p>\s*<p>Look. Seen now", page)
    (key,) = re.findall(r'name="which" value="(\d+)"', page)
    assert "Laptop" not in wall.get("/devices").text
    laptop.send("/devices/end", {"which": key})
    assert wall.get("/cases/p1/glance").status_code == 401
    assert laptop.get("/cases/p1/glance").status_code == 200


def test_all_are_sent_away_at_once(laptop: Device, wall: Device, here: Client) -> None:
    here.post("/devices/end", data={"which": "all"})
    for device in (laptop, wall):
        assert device.get("/cases/p1/glance").status_code == 401
    assert "None." in here.get("/devices").text


@pytest.mark.parametrize("which", ["", "x", "-1", "9" * 400, "1 or 1"])
def test_a_device_that_is_none_is_told(here: Client, which: str) -> None:
    assert here.post("/devices/end", data={"which": which}).status_code == 422


def test_a_device_leaves_by_itself(wall: Device, laptop: Device) -> None:
    left = wall.send("/devices/leave", follow_redirects=False)
    assert (left.status_code, left.headers["location"]) == (303, "/pair")
    assert 'rim-session=""' in left.headers["set-cookie"]
    assert wall.get("/").status_code == 401
    assert laptop.get("/").status_code == 200


def test_a_device_without_a_name_gets_its_browser_s(service: Service) -> None:
    agent = "Mozilla/5.0 (X11; Linux x86_64) AppleWebKit/537.36 Chrome/142.0.0.0 Safari/537.36"
    with Device(service) as device:
        code = service.gate.new_code("look").digits
        device.post("/pair", data={"code": code}, headers={"User-Agent": agent})
    assert service.gate.live_sessions()[0].device == "Chromium on Linux"


def test_a_damaged_list_of_devices_lets_nobody_in_and_says_so(
    laptop: Device, tmp_path: Path
) -> None:
    (tmp_path / "record" / "gate.json").write_text("{", encoding="utf-8")
    answer = laptop.get("/cases/p1/glance")
    assert answer.status_code == 500
    assert "damaged" in answer.json()["error"]["message"]


# --- the forms' token --------------------------------------------------------------------


def test_every_form_of_every_page_carries_the_token(laptop: Device) -> None:
    seen = 0
    for path in ("/", "/devices", "/cases/p1", "/cases/p1?part=live", "/cases/p1/glance",
                 "/cases/p1/review"):  # fmt: skip
        page = laptop.get(path).text
        forms = re.findall(r'<form method="post"[^>]*>(.{0,120})', page, re.DOTALL)
        assert all(re.match(r'<input type="hidden" name="form_token"', one) for one in forms), path
        assert page.count('method="post"') == len(forms)
        seen += len(forms)
    assert seen > 15


@pytest.mark.parametrize("token", [None, "", "0" * 64, "é"])
def test_without_the_token_nothing_changes(laptop: Device, token: str | None) -> None:
    sent = {"text": "Forged"} if token is None else {"form_token": token, "text": "Forged"}
    answer = laptop.post("/cases/p1/notes", data=sent, headers={"Origin": LAN})
    assert answer.status_code == 403
    late = {"text": "Forged", "form_token": laptop.service.gate.form_token(None)}
    assert laptop.post("/cases/p1/notes", data=late, headers={"Origin": LAN}).status_code == 403
    assert laptop.service.case("p1").log.notes == ()


def test_another_device_s_token_is_none(laptop: Device, wall: Device) -> None:
    (key,) = re.findall(r'name="form-token" content="(\w+)"', wall.get("/devices").text)
    sent = {"form_token": key, "text": "Forged"}
    answer = laptop.post("/cases/p1/notes", data=sent, headers={"Origin": LAN})
    assert answer.status_code == 403


def test_a_script_sends_it_as_a_header(laptop: Device) -> None:
    (key,) = re.findall(r'name="form-token" content="(\w+)"', laptop.get("/devices").text)
    headers = {"Origin": LAN, "X-Form-Token": key}
    answer = laptop.post("/cases/p1/notes", data={"text": "By script"}, headers=headers)
    assert answer.status_code == 200
    both = {"form_token": key, "text": "Both"}
    assert laptop.post("/cases/p1/notes", data=both, headers=headers).status_code == 200


def test_another_site_is_refused_even_with_the_token(laptop: Device) -> None:
    (key,) = re.findall(r'name="form-token" content="(\w+)"', laptop.get("/devices").text)
    for headers in ({"Origin": "http://elsewhere.example"}, {"Sec-Fetch-Site": "cross-site"}):
        sent = {"form_token": key, "text": "Forged"}
        assert laptop.post("/cases/p1/notes", data=sent, headers=headers).status_code == 403


class Pieces:
    """A request's body that comes in pieces."""

    def __init__(self, body: bytes, size: int) -> None:
        self.pieces = [body[k : k + size] for k in range(0, len(body), size)] or [b""]

    async def __call__(self) -> dict[str, Any]:
        piece = self.pieces.pop(0)
        return {"type": "http.request", "body": piece, "more_body": bool(self.pieces)}


def unpacked(kind: str, body: bytes, size: int) -> tuple[str, bytes, int]:
    """Token, body and its told length once the token is taken out."""
    import asyncio

    async def take() -> tuple[str, bytes, int]:
        headers = [(b"content-type", kind.encode()), (b"content-length", b"%d" % len(body))]
        found = formtoken.FormBody({"headers": headers}, Pieces(body, size))
        await found.find_token()
        rest, more = b"", True
        while more:
            message = await found.receive()
            rest, more = rest + message["body"], message["more_body"]
        return found.token, rest, int(Headers(scope=found.scope)["content-length"])

    return asyncio.run(take())


@pytest.mark.parametrize("size", [1, 3, 7, 64, 10_000])
def test_the_token_is_taken_out_however_the_body_is_cut(size: int) -> None:
    parts = b'--B\r\nContent-Disposition: form-data; name="%s"\r\n\r\n%s\r\n'
    rest = parts % (b"other", b"\r\n--C\r\nx") + b"--B--\r\n"
    whole = parts % (b"form_token", b"abc") + rest
    token, left, told = unpacked("multipart/form-data; boundary=B", whole, size)
    assert (token, left, told) == ("abc", rest, len(rest))
    form = b"form_token=abc&text=form_token%3D1"
    token, left, told = unpacked("application/x-www-form-urlencoded", form, size)
    assert (token, left, told) == ("abc", b"text=form_token%3D1", len(left))


@pytest.mark.parametrize("size", [1, 5, 10_000])
@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("application/x-www-form-urlencoded", b""),
        ("application/x-www-form-urlencoded", b"text=a&form_token=abc"),
        ("application/x-www-form-urlencoded", b"form_tok"),
        ("multipart/form-data; boundary=B", b""),
        ("multipart/form-data; boundary=B", b"--B\r\nno head at all"),
        (
            "multipart/form-data; boundary=B",
            b"--B\r\nA: b\r\nC: d\r\nE: f\r\nG: h\r\n\r\nx\r\n--B--",
        ),
        ("multipart/form-data", b"--B\r\n\r\n\r\n"),
        ("multipart/form-data; boundary=B", b"form_token=abc"),
        ("application/json", b'{"form_token": "abc"}'),
        ("", b"form_token=abc"),
    ],
)
def test_a_body_without_the_token_stays_as_it_is(kind: str, body: bytes, size: int) -> None:
    assert unpacked(kind, body, size) == ("", body, len(body))


# --- where the pages are served ----------------------------------------------------------


@pytest.mark.parametrize(
    ("host", "shared"),
    [("127.0.0.1", False), ("localhost", False), ("::1", False), ("[::1]", False),
     ("127.0.0.2", False), ("0.0.0.0", True), ("192.0.2.2", True), ("::", True)],
)  # fmt: skip
def test_only_the_loopback_is_without_log_in(host: str, shared: bool) -> None:
    assert Serving(host).is_shared is shared
    assert Serving(host).door().is_shared is shared


@pytest.mark.parametrize("host", ["theatre3.example", "", "192.0.2", "0.0.0.0/0"])
def test_what_is_no_address_is_told(host: str) -> None:
    with pytest.raises(InputError, match="not an address"):
        Serving(host).door()


def test_the_loopback_listens_beside_another_address() -> None:
    with Serving("0.0.0.0", 0).listening() as listeners:
        assert len(listeners) == 1
    with (
        pytest.raises(InputError, match="taken, or the address"),
        Serving("192.0.2.77", 0).listening(),
    ):
        pass


def test_a_port_that_is_taken_is_told() -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        taken = other.getsockname()[1]
        with pytest.raises(InputError, match=f"Port {taken}"), Serving(port=taken).listening():
            pass


def test_the_terminal_shows_the_codes_to_who_serves_others_and_warns_in_the_clear(
    service: Service,
) -> None:
    codes = service.gate.codes_at_start()
    said = "\n".join(Serving("0.0.0.0", names=("theatre3.example",)).lines(8321, codes))
    for part in ("http://127.0.0.1:8321/", "http://theatre3.example:8321/pair", "not encrypted"):
        assert part in said
    assert all(code.shown in said for code in codes)
    alone = Serving().lines(8321, ())
    assert alone == ["The pages are at http://127.0.0.1:8321/  (Ctrl+C ends)"]


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A throw-away certificate for this machine."""
    folder = tmp_path_factory.mktemp("certificate")
    paths = folder / "certificate.pem", folder / "key.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "1",
         "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1",
         "-out", paths[0], "-keyout", paths[1]],
        check=True,
        capture_output=True,
    )  # fmt: skip
    return paths


def test_connections_are_encrypted_with_the_certificate_that_is_given(
    service: Service, certificate: tuple[Path, Path]
) -> None:
    serving = Serving(port=0, certificate=certificate[0], key=certificate[1])
    serving.check_certificate()
    with serving.listening() as listeners:
        port = listeners[0].getsockname()[1]
        app = web_app.create_app(service, door=serving.door())
        server = web_app.Server(app, serving)
        thread = threading.Thread(target=server.run, kwargs={"sockets": listeners})
        thread.start()
        try:
            import ssl

            trust = ssl.create_default_context(cafile=str(certificate[0]))
            with httpx.Client(verify=trust, base_url=f"https://127.0.0.1:{port}") as client:
                answer = client.get("/cases/p1/glance")
                assert answer.status_code == 200
                assert "server" not in answer.headers
            with pytest.raises(httpx.ConnectError), httpx.Client() as client:
                client.get(f"https://127.0.0.1:{port}/")
            with pytest.raises(httpx.HTTPError), httpx.Client() as client:
                client.get(f"http://127.0.0.1:{port}/")
        finally:
            server.should_exit = True
            thread.join(timeout=20)


def test_a_certificate_that_can_not_be_used_is_told_before_anything_is_served(
    certificate: tuple[Path, Path], tmp_path: Path
) -> None:
    good, key = certificate
    text = tmp_path / "text.pem"
    text.write_text("Dear sir", encoding="utf-8")
    locked = tmp_path / "locked.pem"
    subprocess.run(
        ["openssl", "rsa", "-aes256", "-passout", "pass:abcd", "-in", key, "-out", locked],
        check=True,
        capture_output=True,
    )
    for given, said in (
        ((good, None), "belong together"),
        ((None, key), "belong together"),
        ((good, tmp_path / "none.pem"), "can't be read"),
        ((tmp_path, key), "can't be read"),
        ((good, good), "no certificate with its key"),
        ((text, key), "no certificate with its key"),
        ((good, locked), "pass phrase"),
    ):
        with pytest.raises(InputError, match=said):
            Serving(certificate=given[0], key=given[1]).check_certificate()


# --- streams -----------------------------------------------------------------------------


def test_a_stream_ends_when_its_device_is_sent_away(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("web.live.BEAT_S", 0.05)
    door = Door(is_shared=True, is_here=lambda _scope: False)
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        base = f"http://127.0.0.1:{listener.getsockname()[1]}"
        server = web_app.Server(web_app.create_app(service, door=door))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        try:
            with httpx.Client(base_url=base, timeout=10) as client:
                code = service.gate.new_code("look").digits
                client.post("/pair", data={"code": code})
                (session,) = service.gate.live_sessions()
                lines = []
                with client.stream("GET", "/cases/p1/events?after=1") as answer:
                    assert answer.status_code == 200
                    for line in answer.iter_lines():
                        lines.append(line)
                        if lines.count("event: beat") == 3:
                            service.gate.end((session.key,))
                assert "event: changed" in lines
                assert "event: ended" in lines
                assert client.get("/cases/p1/events").status_code == 401
        finally:
            server.should_exit = True
            thread.join(timeout=20)


def test_every_address_is_behind_the_door(service: Service) -> None:
    """The door stands before the routes, so that a new page is closed unless it is opened there."""
    opened = {path for _, path in addresses(service) if access._OPEN.fullmatch(path)}
    assert opened == {"/api/pair", "/pair"}


def test_the_wall_names_hip_and_case_and_says_left(wall: Device, service: Service) -> None:
    """Two cases are open; each page speaks of its own, and says of its number what it is."""
    service.open_case(standins.setup("p2", "right"))
    page = wall.get("/cases/p1/glance").text
    assert re.search(r"LEFT hip, case p1, opened \d\d:\d\d", page)
    assert "p2" not in page
    assert re.search(r'class="value">2\.0</span> <span class="unit">mm left<', page)
    assert "removed" not in re.sub(r"<svg.*?</svg>", "", page, flags=re.DOTALL)
    other = wall.get("/cases/p2/glance").text
    assert "RIGHT hip, case p2" in other
    assert "mm left" not in other
