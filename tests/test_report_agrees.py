"""Page, PDF, CSV, JSON and DICOM report say the same numbers: read back from each."""

import csv
import io
import json
import math
import re
import shutil
import subprocess
from collections import Counter
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pydicom
import pytest

from tests import report_cases, standins
from tracker import report_page, report_words
from tracker.report_entries import NAMES, Entry, entries
from tracker.report_page import Drawings
from tracker.report_sr import PLACES
from tracker.service import Service
from tracker.values import CAUTION

needs_pdftotext = pytest.mark.skipif(
    shutil.which("pdftotext") is None, reason="needs pdftotext (Debian's package poppler-utils)"
)
NUMBER = re.compile(r"[−-]?\d+(?:[.:]\d+)*")
NOT_ON_THE_PAGE = re.compile(
    r"picture\.\d+\.(left_to_limit_mm|tilt_deg|oblique_deg|hidden_share|thinned_mm2|dose_dgycm2|"
    r"entrance_mgy)|final\.hidden_share"
)
"""Numbers that the page leaves to the tables: of each pass those that are no part of its story."""


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("tracker.ledger.pipeline", standins)
        patch.setattr("tracker.around_films.pipeline", standins)
        folder = tmp_path_factory.mktemp("record")
        with Service(folder, clock=report_cases.Clock()) as opened:
            report_cases.whole(opened)
            yield opened


@pytest.fixture(scope="module")
def known(service: Service) -> dict[str, Entry]:
    return {entry.key: entry for entry in entries(service.reports.report("p1"))}


class Reader(HTMLParser):
    """Reads what a page says: numbers by key, and the text apart from drawings and hashes."""

    def __init__(self) -> None:
        super().__init__()
        self.numbers: list[tuple[str, str, str]] = []
        self.text: list[str] = []
        self._inside: list[str] = []
        self._data: tuple[str, str] | None = None

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        found = {name: value or "" for name, value in attributes}
        if tag in ("svg", "style") or "hash" in found.get("class", "").split():
            self._inside.append(tag)
        elif tag == "data":
            self._data = found["data-key"], found["value"]

    def handle_endtag(self, tag: str) -> None:
        if self._inside and self._inside[-1] == tag:
            self._inside.pop()

    def handle_data(self, text: str) -> None:
        if self._inside:
            return
        if self._data is not None:
            self.numbers.append((*self._data, text))
            self._data = None
        self.text.append(text)


def read(html: str) -> Reader:
    reader = Reader()
    reader.feed(html)
    return reader


def test_keys_are_unique_and_codes_too(service: Service, known: dict[str, Entry]) -> None:
    assert len(known) == len(entries(service.reports.report("p1"))) > 80
    assert len({part[:16] for part in NAMES}) == len(NAMES)
    assert all(len(name) <= 64 for name, _ in NAMES.values())


def test_csv(service: Service, known: dict[str, Entry]) -> None:
    rows = list(csv.DictReader(io.StringIO(service.reports.csv("p1"))))
    assert [row["key"] for row in rows] == list(known)
    for row in rows:
        entry = known[row["key"]]
        assert float(row["value"]) == entry.value
        assert (float(row["u"]) if row["u"] else None) == entry.u
        assert row["unit"] == entry.unit
        if entry.u is not None:
            assert float(row["low"]) == entry.value - 2 * entry.u
            assert float(row["high"]) == entry.value + 2 * entry.u


def test_json(service: Service, known: dict[str, Entry]) -> None:
    plain = json.loads(service.reports.json("p1"))
    found = {key: (n["value"], n["u"], n["unit"]) for key, n in plain["numbers"].items()}
    assert found == {key: (e.value, e.u, e.unit) for key, e in known.items()}
    assert plain["caution"] == CAUTION


def test_page(service: Service, known: dict[str, Entry]) -> None:
    reader = read(service.reports.page("p1", lambda number, form: "x.png"))
    for key, value, text in reader.numbers:
        entry = known[key]
        assert float(value) == entry.value
        shown = report_words.left(entry)[0] if report_words.is_left(entry) else None
        assert text == (shown or report_words.number(entry))
    missing = known.keys() - {key for key, _, _ in reader.numbers}
    assert {key for key in missing if not NOT_ON_THE_PAGE.fullmatch(key)} == set()
    said = " ".join("".join(reader.text).split())
    for entry in known.values():
        on_page = entry.key.startswith("final.") and entry.u is not None
        if on_page and not report_words.is_left(entry):
            assert report_words.interval(entry) in said
            assert report_words.uncertainty(entry) in said


def test_what_the_page_rounds_is_the_number_itself(known: dict[str, Entry]) -> None:
    for entry in known.values():
        places = {"mm": 0.05, "deg": 0.05, "mm2": 0.5, "mm/{pixel}": 5e-5, "min": 0.5}
        text = report_words.number(entry).replace("−", "-")
        shown = float(text) / (100 if entry.unit == "1" else 1)
        assert abs(shown - entry.value) <= places.get(entry.unit, 0.05) + 1e-9


@needs_pdftotext
def test_pdf(service: Service, tmp_path: Path) -> None:
    path = tmp_path / "report.pdf"
    path.write_bytes(service.reports.pdf("p1"))
    text = subprocess.run(
        ["pdftotext", "-raw", path, "-"], check=True, capture_output=True, text=True
    ).stdout
    page = " ".join(read(service.reports.page("p1", lambda number, form: "x.png")).text)
    wanted, found = Counter(NUMBER.findall(page)), Counter(NUMBER.findall(text))
    assert wanted - found == Counter()
    flat = "".join(text.split())
    for row in ("Left to the plan", "Removed, mean of two exposures", "LCEA at the start"):
        [line] = re.findall(rf"<th scope=\"row\">{row}</th>(.*?)</tr>", pages_row(service))
        assert "".join([*row.split(), *"".join(read(line).text).split()]) in flat


def pages_row(service: Service) -> str:
    return service.reports.page("p1", lambda number, form: "x.png").replace("\n", " ")


def names_of(known: dict[str, Entry]) -> dict[tuple[str, str], Entry]:
    """Entries by the name of their group and their own name."""
    found = {}
    for entry in known.values():
        if entry.key.startswith("marks."):
            continue
        place = entry.key.rsplit(".", 1)[0]
        group = PLACES.get(place, place.replace("picture.", "Picture "))
        found[group, entry.name] = entry
    return found


def test_structured_report(service: Service, known: dict[str, Entry]) -> None:
    data = pydicom.dcmread(io.BytesIO(service.reports.structured("p1")))
    wanted, seen = names_of(known), []
    for group in groups(data):
        name = next(i.TextValue for i in group if meaning(i) == "Tracking Identifier")
        for item in group:
            if item.ValueType != "NUM":
                continue
            entry = wanted[name, meaning(item)]
            seen.append(entry.key)
            value, unit = number_of(item)
            assert is_same(value, entry.value)
            assert unit == entry.unit
            inside = {meaning(child): number_of(child) for child in item.get("ContentSequence", ())}
            if entry.u is None:
                assert not inside
            else:
                assert {unit for _, unit in inside.values()} == {entry.unit}
                assert is_same(inside["Standard uncertainty (k = 1)"][0], entry.u)
                upper = inside["+, range of upper measurement uncertainty"][0]
                assert is_same(upper, 2 * entry.u)
    assert Counter(seen) == Counter(entry.key for entry in wanted.values())


def groups(data: Any) -> Iterator[Any]:
    for part in data.ContentSequence:
        if meaning(part) == "Imaging Measurements":
            for group in part.ContentSequence:
                yield group.ContentSequence


def is_same(value: float, other: float) -> bool:
    """A number in DICOM has 16 characters."""
    return math.isclose(value, other, rel_tol=1e-9, abs_tol=1e-12)


def meaning(item: Any) -> str:
    return str(item.ConceptNameCodeSequence[0].CodeMeaning)


def number_of(item: Any) -> tuple[float, str]:
    [value] = item.MeasuredValueSequence
    return float(value.NumericValue), str(value.MeasurementUnitsCodeSequence[0].CodeValue)


@pytest.mark.dcmtk
def test_structured_report_as_another_program_reads_it(
    service: Service, known: dict[str, Entry], tmp_path: Path
) -> None:
    path = tmp_path / "report.dcm"
    path.write_bytes(service.reports.structured("p1"))
    done = subprocess.run(["dsrdump", "+U8", path], check=True, capture_output=True, text=True)
    assert not re.search("^[EF]:", done.stderr, re.MULTILINE)
    wanted, seen, group, last = names_of(known), Counter[str](), "", None
    for line in done.stdout.splitlines():
        if found := re.search(r'"Tracking Identifier"\)="(.*)"', line):
            group = found[1]
        elif found := re.search(r'NUM:\(,,"(.*)"\)="(.*)" \((.*),UCUM,', line):
            name, value, unit = found[1], float(found[2]), found[3]
            if name == "Standard uncertainty (k = 1)":
                assert last is not None
                assert last.u is not None
                assert is_same(value, last.u)
            elif "contains NUM" in line:
                last = wanted[group, name]
                assert is_same(value, last.value)
                assert unit == last.unit
                seen[last.key] += 1
    assert seen == Counter(entry.key for entry in wanted.values())


def test_the_same_value_gives_the_same_text_wherever_it_stands(service: Service) -> None:
    report = service.reports.report("p1")
    once, twice = (report_page.body(report, Drawings()) for _ in range(2))
    assert once == twice
