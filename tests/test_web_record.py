"""The record's state on the pages and at /healthz; the list of cases in parts."""

from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import pytest

from tests import standins
from tests.asking import Client
from tracker.service import Service
from web.app import create_app

PAGE = {"accept": "text/html"}


@pytest.fixture
def service(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Service]:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)
    monkeypatch.setattr("tracker.health._EVERY_S", 0.0)
    with Service(tmp_path / "record") as opened:
        opened.open_case(standins.setup())
        yield opened


@pytest.fixture
def client(service: Service) -> Iterator[Client]:
    with Client(create_app(service)) as asking:
        yield asking


def test_all_is_well(client: Client) -> None:
    answer = client.get("/healthz")
    assert answer.status_code == 200
    assert answer.json() == {"ok": True, "cases": 1, "troubles": []}
    assert 'class="trouble"' not in client.get("/", headers=PAGE).text


@pytest.mark.parametrize("address", ["/", "/cases/p1", "/cases/p1/glance", "/cases/p1/review"])
def test_what_stops_pictures_stands_once_on_every_page(
    client: Client, service: Service, tmp_path: Path, address: str
) -> None:
    service.add_picture("p1", standins.png(0), "000.png")
    service.accept_proposed("p1")
    lock = tmp_path / "record" / "lock"
    lock.rename(tmp_path / "away")
    answer = client.get("/healthz")
    assert answer.status_code == 503
    assert answer.json()["ok"] is False
    assert "moved or deleted" in answer.json()["troubles"][0]["what"]
    text = client.get(address, headers=PAGE).text
    assert text.count("Pictures can't be kept. The record has") == 1
    assert text.count('role="alert"') == 1
    # A picture that comes now is not acknowledged.
    files = {"picture": ("001.png", standins.png(5), "image/png")}
    assert client.post("/cases/p1/pictures", files=files).status_code == 507
    (tmp_path / "away").rename(lock)
    assert client.get("/healthz").json()["ok"] is True
    assert 'class="trouble"' not in client.get(address, headers=PAGE).text
    assert client.post("/cases/p1/pictures", files=files).status_code == 201


def test_a_warning_stands_on_working_pages_and_not_on_the_wall(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tracker.health.LOW_BYTES", 10**18)
    answer = client.get("/healthz")
    assert (answer.status_code, answer.json()["ok"]) == (200, True)
    assert "MB left" in client.get("/cases/p1", headers=PAGE).text
    assert "MB left" not in client.get("/cases/p1/glance", headers=PAGE).text


def test_the_list_comes_in_parts(client: Client, service: Service) -> None:
    for k in range(35):
        service.open_case(standins.setup(f"q{k:02}"))
    text = client.get("/", headers=PAGE).text
    assert text.count('<p class="name">') == 20
    assert "36 cases" in text
    address = text.split('class="older"><a href="')[1].split('"')[0].replace("&amp;", "&")
    older = client.get(address, headers=PAGE).text
    assert older.count('<p class="name">') == 16
    assert 'class="older"' not in older
    found = client.get("/?find=Q1", headers=PAGE).text
    assert found.count('<p class="name">') == 10
    assert "all 36 cases" in found
    none = client.get(f"/?find={quote('<b>')}", headers=PAGE).text
    assert "No pseudonym holds that." in none
    assert "&lt;b&gt;" in none
    for bad in ("/?before=x", "/?before=99999999999999999999999"):
        assert client.get(bad, headers=PAGE).status_code in (200, 422)
