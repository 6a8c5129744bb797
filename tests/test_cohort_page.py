"""The page of many cases, as a browser asks for it."""

import csv
import dataclasses
import io
import re
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from jinja2 import meta

from tests import standins
from tests.asking import Client
from tests.standins import png
from tracker.cohort_table import NO_RANKING, WHAT_INTERVALS
from tracker.many import Wanted
from tracker.service import Service
from tracker.values import CAUTION
from web import cohort as page
from web import pages
from web.app import create_app
from web.cohort_contexts import CohortContext

PAGE = {"Accept": "text/html"}


@pytest.fixture(autouse=True)
def _quick_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    with Service(tmp_path / "record") as opened:
        yield opened


@pytest.fixture
def client(service: Service) -> Iterator[Client]:
    with Client(create_app(service)) as opened:
        yield opened


def bring(service: Service, case_id: str, *tenths: int) -> None:
    service.open_case(standins.setup(case_id))
    service.add_picture(case_id, png(0), "000.png")
    service.accept_proposed(case_id)
    for k, removed in enumerate(tenths, 1):
        service.add_picture(case_id, png(removed, noise=k), f"{k:03}.png")


def shown(client: Client, asked: str = "", status: int = 200) -> str:
    answer = client.get(f"/cohort{asked}", headers=PAGE)
    assert answer.status_code == status
    return str(answer.text)


def test_the_template_uses_its_context_and_nothing_else() -> None:
    loader = pages.ENVIRONMENT.loader
    assert loader is not None
    source, _, _ = loader.get_source(pages.ENVIRONMENT, "cohort.html")
    used = meta.find_undeclared_variables(pages.ENVIRONMENT.parse(source))
    assert used == {part.name for part in dataclasses.fields(CohortContext)} - {"shell"}


def test_an_empty_record_has_a_page(client: Client) -> None:
    text = shown(client)
    for said in ("0 cases chosen", "Not recorded", "No picture was looked at", NO_RANKING[:30]):
        assert said in text.replace("&#39;", "'")
    assert CAUTION[:30] in text
    assert "<table" not in text


def test_the_page_says_what_the_cases_say(client: Client, service: Service) -> None:
    bring(service, "p1", 10, 255, 37)
    bring(service, "p2", 12, 52)
    service.close_case("p2")
    text = shown(client)
    assert "2 cases chosen, 2 with numbers." in text
    assert "2 live, 0 from folders, 0 of the demo" in text
    assert "1 case is not closed" in text
    assert "too few cases for an interval" in text
    assert "Metal or a drawn line lies over the edge of the roof." in text
    assert WHAT_INTERVALS in text
    for row in service.many.cohort(Wanted()).rows:
        assert row.removed_mm is not None
        assert f"{row.removed_mm.value:.1f} mm ({row.removed_mm.low:.1f}" in text
        assert f'href="/cases/{row.case_id}/review"' in text
    assert text.count("<svg") >= 10
    assert "<script" not in text
    assert "style=" not in text


def test_a_case_with_a_dangerous_name_is_text(client: Client, service: Service) -> None:
    bring(service, "<b>x&y", 10)
    text = shown(client)
    assert "<b>x" not in text
    assert "&lt;b&gt;x&amp;y" in text


def test_the_address_chooses(client: Client, service: Service) -> None:
    bring(service, "p1", 10)
    assert "0 cases chosen" in shown(client, "?side=right")
    assert "1 case chosen" in shown(client, "?side=left&plan=angle&since=2020-01-01&until=")
    assert "0 cases chosen" in shown(client, "?cases=demo")
    assert "0 cases chosen" in shown(client, "?view=oblique")
    assert 'href="/cohort?cases=all"' in shown(client, "?cases=demo")
    assert "of every origin" not in shown(client, "?side=right")
    text = shown(client, "?cases=all&view=all")
    assert 'value="all" selected' in text
    assert 'href="/cohort.csv?view=all&amp;cases=all"' in text


@pytest.mark.parametrize(
    "asked",
    [
        "?since=yesterday",
        "?since=2026-02-01&until=2026-01-01",
        "?side=middle",
        "?plan=none",
        "?view=X",
        "?cases=some",
    ],
)
def test_what_cant_be_chosen_is_named_and_all_are_shown(client: Client, asked: str) -> None:
    text = shown(client, asked, 422)
    assert 'role="alert"' in text
    assert "All are shown" in text
    assert client.get(f"/cohort.csv{asked}").status_code == 422


@pytest.mark.parametrize("asked", ["?page=0", "?page=-3", "?page=99999999"])
def test_a_part_that_is_not_there_is_the_nearest_one(client: Client, asked: str) -> None:
    assert "0 cases chosen" in shown(client, asked)


def test_the_table_comes_in_parts(
    client: Client, service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(page, "LINES", 2)
    for k in range(5):
        service.open_case(standins.setup(f"c{k}"))
    first, last = shown(client), shown(client, "?page=3")
    assert "1 to 2 of 5" in first
    assert re.findall(r'href="/cohort\?page=(\d)"', first) == ["2"]
    assert "5 to 5 of 5" in last
    assert re.findall(r'href="/cohort\?page=(\d)"', last) == ["2"]


def test_csv_goes_out_as_a_file(client: Client, service: Service) -> None:
    bring(service, "p1", 10, 25)
    for path, lines in (("/cohort.csv", 1), ("/cohort-passes.csv", 2)):
        answer = client.get(path)
        assert answer.status_code == 200
        assert answer.headers["content-type"] == "text/csv; charset=utf-8"
        assert "attachment" in answer.headers["content-disposition"]
        found = list(csv.DictReader(io.StringIO(answer.text)))
        assert len(found) == lines
        assert {line["case"] for line in found} == {"p1"}


def test_the_page_is_quick_once_it_has_been_put_together(client: Client, service: Service) -> None:
    for k in range(12):
        bring(service, f"c{k}", 10, 20)
    shown(client)
    started = time.perf_counter()
    shown(client)
    assert time.perf_counter() - started < 1.0
