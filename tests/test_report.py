"""The report of a case: what it says, for every kind of case, in every form."""

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta
from html import unescape
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tests import report_cases, standins
from tests.dicom_files import MADE_UP_NAME, as_file, dataset_of
from tests.report_cases import KINDS, bring
from tracker import report as report_room
from tracker import report_pdf
from tracker.errors import InputError, InternalError, NotFound
from tracker.images import decode
from tracker.report_entries import entries
from tracker.report_exposure import ASKS_FOR_EXPOSURE
from tracker.service import Service
from tracker.values import CAUTION, REMEDIES, Reason
from web import agreed, words


@pytest.fixture(autouse=True)
def _quick_pipeline(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tracker.ledger.pipeline", standins)
    monkeypatch.setattr("tracker.around_films.pipeline", standins)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    with Service(tmp_path / "record", clock=report_cases.Clock()) as opened:
        yield opened


def page_of(service: Service) -> str:
    html = service.reports.page("p1", lambda number, form: f"/{number}/{form}.png")
    return " ".join(html.split())


def text_of(html: str) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", re.sub(r"<svg.*?</svg>", "", html)).split())


# --- every kind of case ------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_case_gives_a_sane_report(service: Service, kind: str) -> None:
    KINDS[kind](service)
    html = page_of(service)
    assert CAUTION.split(".")[0] in html
    said = text_of(html)
    assert not re.search(r"\b(None|nan|inf|Quantity)\b", said)
    for heading in ("For the operation note", "Plan, marks, scale", "What this view can’t see"):
        assert heading in said
    plain = json.loads(service.reports.json("p1"))
    assert plain["numbers"].keys() == {e.key for e in entries(service.reports.report("p1"))}
    assert service.reports.csv("p1").startswith("key,picture,what,value,u,low,high,unit\r\n")
    has_final = plain["final"] is not None
    measured = {"whole", "depth_only", "limits_reached", "outline_wrong", "two_series"}
    assert has_final == (kind in measured | {"other_view"})
    # Only what was saved as final is called so.
    names = {"two exposures": "Final before repair", "last measured": "Last measured"}
    names["last while burring"] = "Last while burring"
    chosen = {name for how, name in names.items() if f"{name} Picture" in said}
    assert chosen == ({names[plain["final"]["chosen"]]} if has_final else set())


@pytest.mark.slow
@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "whole"])
def test_every_kind_of_case_gives_a_pdf(service: Service, kind: str) -> None:
    KINDS[kind](service)
    assert service.reports.pdf("p1").startswith(b"%PDF-1.7")


def test_what_a_whole_case_says(service: Service) -> None:
    report_cases.whole(service)
    report, said = service.reports.report("p1"), text_of(page_of(service))
    final = report.final
    assert final is not None
    assert final.numbers == (5, 6)
    assert final.removed_mm.value == pytest.approx(2.2)
    assert final.difference_mm is not None
    assert final.difference_mm.value == pytest.approx(0.2)
    assert report.beside.traction_s is not None
    assert report.exposure.received == 9
    assert report.exposure.retakes == 1
    assert report.exposure.asked_for == 1 + 1 + 2
    assert report.made.chain == service._store.events(service.case("p1").row)[-1].chain
    for words_ in (
        "two exposures saved as the final one before repair, pictures 5 and 6",
        "11:00 to 2:30",
        "11:30, 12:30, 1:30",
        "closed in part",
        "picture 2: 1.1 mm against 0.8 mm",
        "Cartilage soft at 1 o&#39;clock &lt;b&gt;&amp;",
        "taken while nothing was burred, in no total",
        "Draw burr and scope back about 2 cm",
        report.made.chain,
    ):
        assert words_ in said


def test_two_exposures_that_disagree_give_no_mean(service: Service) -> None:
    report_cases.opened(service)
    bring(service, 8, 30)
    service.around.final("p1", "before repair", 1, 2)
    final = service.reports.report("p1").final
    assert final is not None
    assert (final.how, final.agree, final.number) == ("two exposures", False, 2)
    assert final.removed_mm.value == pytest.approx(3.0)
    assert "no mean is given" in page_of(service)


def test_without_a_final_it_is_the_last_pass_while_burring(service: Service) -> None:
    report_cases.opened(service)
    bring(service, 8, 14)
    assert service.reports.report("p1").final.how == "last measured"  # type: ignore[union-attr]
    service.set_phase("p1", "repair")
    bring(service, 20)
    final = service.reports.report("p1").final
    assert final is not None
    assert (final.how, final.number) == ("last while burring", 2)


def test_an_outline_that_looks_wrong_is_nowhere_a_number(service: Service) -> None:
    report_cases.outline_wrong(service)
    report = service.reports.report("p1")
    assert report.final is not None
    assert report.final.number == 1
    assert not [e for e in entries(report) if e.key.startswith("picture.2.")]
    assert "outline looks wrong" in page_of(service)


def test_exposures_after_traction_that_no_longer_stand_are_no_number(service: Service) -> None:
    report_cases.opened(service)
    bring(service, 8, 9)
    service.around.final("p1", "after traction", 1, 2)
    assert "after_traction.removed_mm" in service.reports.csv("p1")
    service.judge_outline("p1", 2, wrong=True)
    assert "after_traction" not in service.reports.csv("p1")
    assert "two exposures that no longer stand" in page_of(service)


def test_numbers_that_are_recorded_only_are_in_no_form_until_the_case_is_closed(
    service: Service,
) -> None:
    report_cases.recorded_only(service)
    said, table = page_of(service), service.reports.csv("p1")
    assert "shown once the case is closed" in said
    assert "removed_mm" not in table
    assert "lcea_deg" not in table.replace("target_lcea_deg", "").replace("limit_lcea_deg", "")
    service.close_case("p1")
    assert "final.removed_mm" in service.reports.csv("p1")


def test_a_view_without_angles_has_none(service: Service) -> None:
    report_cases.other_view(service)
    assert "lcea" not in service.reports.csv("p1")
    assert "LCEA" not in text_of(page_of(service)).replace("lower limit of the LCEA", "")


def test_what_was_carried_over_is_in_the_total(service: Service) -> None:
    report_cases.two_series(service)
    report = service.reports.report("p1")
    assert report.final is not None
    assert report.final.total_mm is not None
    assert report.final.total_mm.value == pytest.approx(1.4 + 0.6)
    # The budgets of these pictures are wider than the interval that was carried.
    assert report.final.total_mm.u > report.final.removal.running_mm.u
    assert "at least" in page_of(service)
    assert [line.series for line in report.lines] == ["earlier", "earlier", "present"]


def test_limits_are_said(service: Service) -> None:
    report_cases.limits_reached(service)
    said = text_of(page_of(service))
    assert said.count("may have been reached") >= 3
    assert "past the plan" in said


def bring_dicom(service: Service, tenths: int, dose: float | None, **more: str) -> None:
    number = len(service.case("p1").pictures)
    grey = decode(standins.png(tenths, noise=number), "x.png").grey
    pixels = np.round(grey * 255).astype(np.uint8)
    names = {"SOPInstanceUID": f"2.25.{1000 + number}", "KVP": 68 + number, **more}
    dataset = dataset_of(pixels, "XA", **names)
    if dose is not None:
        dataset.ImageAndFluoroscopyAreaDoseProduct = dose
    service.add_picture("p1", as_file(dataset), f"{number:03}.dcm")


def test_dose_is_what_the_headers_say_and_nobody_is_named(service: Service) -> None:
    service.open_case(standins.setup())
    bring_dicom(service, 0, 1.25)
    service.accept_proposed("p1")
    for tenths, dose in ((8, 2.0), (14, None), (18, 3.5)):
        bring_dicom(service, tenths, dose)
    plain = json.loads(service.reports.json("p1"))
    numbers = {key: entry["value"] for key, entry in plain["numbers"].items()}
    assert numbers["exposure.dose_sum_dgycm2"] == pytest.approx(6.75)
    assert numbers["exposure.dose_last_dgycm2"] == pytest.approx(3.5)
    assert numbers["picture.3.dose_dgycm2"] == pytest.approx(3.5)
    assert (numbers["exposure.least_kv"], numbers["exposure.greatest_kv"]) == (68, 71)
    said = text_of(page_of(service))
    assert "6.750 dGy cm², added over the 3 of 4 pictures whose headers say it" in said
    assert "3.500 dGy cm² if this C-arm counts on" in said
    forms = [service.reports.csv("p1").encode(), service.reports.json("p1").encode()]
    forms += [page_of(service).encode(), service.reports.structured("p1")]
    for name in MADE_UP_NAME.split("^"):
        assert not [form for form in forms if name.encode() in form]


def test_a_picture_that_may_be_another_patient_s_is_named_and_not_shown(service: Service) -> None:
    service.open_case(standins.setup())
    bring_dicom(service, 0, None)
    service.accept_proposed("p1")
    bring_dicom(service, 8, 7.0, PatientID="somebody else", PatientName="Else^Somebody")
    assert [picture.number for picture in service.case("p1").held] == [1]
    html = page_of(service)
    assert "somebody has to say whether it belongs to this case" in html
    assert "/0/rim.png" in html
    assert "/1/" not in html
    assert "dose_dgycm2" not in service.reports.csv("p1")


# --- its parts ---------------------------------------------------------------------------


def test_every_reason_asks_for_an_exposure_or_does_not() -> None:
    asking = {reason for reason, text in REMEDIES.items() if "one more picture" in text}
    assert asking == ASKS_FOR_EXPOSURE
    assert Reason.DUPLICATE not in ASKS_FOR_EXPOSURE


def test_page_and_pages_say_the_same(service: Service) -> None:
    """The words of what is left, and of what a view can't see, are those of the other pages."""
    assert report_room.NOT_SEEN == agreed.LIMITS
    report_cases.whole(service)
    removal = service.case("p1").stills[-1].result.removal  # type: ignore[union-attr]
    assert removal is not None
    said = text_of(page_of(service)).replace(" ° ", "° ")
    figure, word = words.left(removal.remaining_mm)
    assert f"{figure} {word.removesuffix(' the plan').removeprefix('mm ')}" in said
    assert f"({words.left_interval(removal.remaining_mm)})" in said


def test_times_come_from_the_case_alone(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    report_cases.whole(service)
    first = service.reports.json("p1"), page_of(service)
    later = report_cases.START + timedelta(days=400)
    monkeypatch.setattr(service, "now", lambda: later)
    assert (service.reports.json("p1"), page_of(service)) == first


def test_a_picture_that_is_not_there(service: Service) -> None:
    report_cases.refused_only(service)
    with pytest.raises(NotFound):
        service.reports.picture("p1", 1, "rim")
    assert service.reports.picture("p1", 1, "recorded").startswith(b"\x89PNG")
    with pytest.raises(NotFound):
        service.reports.report("nobody")


def test_several_at_once_get_what_one_gets(service: Service) -> None:
    report_cases.opened(service)
    bring(service, 2, 5, 8, 11)
    wanted = [(number, form) for number in range(5) for form in ("rim-small", "recorded")] * 2

    def asked(one: tuple[int, str]) -> bytes:
        return service.reports.picture("p1", *one)

    alone = [asked(one) for one in wanted]
    with ThreadPoolExecutor(4) as threads:
        assert list(threads.map(asked, wanted)) == alone


@pytest.mark.parametrize("kind", ["whole", "two_series", "refused_only", "other_view"])
def test_the_note_to_be_pasted_says_what_the_page_says(service: Service, kind: str) -> None:
    KINDS[kind](service)
    note, caution = service.reports.note("p1").strip().split("\n\n")
    assert caution == CAUTION
    html = page_of(service)
    said = unescape(re.sub(r"<[^>]+>", "", html[html.index("r-note") :]))
    assert note in " ".join(said.split())


def test_start_and_final_side_by_side_as_one_picture(service: Service) -> None:
    report_cases.depth_only(service)
    picture = decode_colour(service.reports.note_picture("p1"))
    height, width = picture.shape[:2]
    assert (width, height > 1024) == (2 * 1280 + 16, True)
    left, right = picture[:1024, :1280], picture[:1024, 1296:]
    for half, has_now in ((left, False), (right, True)):
        sky = np.abs(half.astype(int) - (0x56, 0xB4, 0xE9)).max(axis=2) <= 8
        plan = np.abs(half.astype(int) - (0xE6, 0x9F, 0x00)).max(axis=2) <= 8
        assert (sky.sum() > 200) == has_now
        assert plan.sum() > 200
    with pytest.raises(NotFound):
        service.reports.note_picture("nobody")


def decode_colour(data: bytes) -> NDArray[np.uint8]:
    found = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert found is not None
    return np.asarray(found[:, :, ::-1], np.uint8)


# --- PDF ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def pdf(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Service, Path]]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("tracker.ledger.pipeline", standins)
        patch.setattr("tracker.around_films.pipeline", standins)
        folder = tmp_path_factory.mktemp("pdf")
        with Service(folder / "record", clock=report_cases.Clock()) as opened:
            report_cases.whole(opened)
            (folder / "report.pdf").write_bytes(opened.reports.pdf("p1"))
            yield opened, folder / "report.pdf"


def test_the_pdf_is_tagged_and_dated_by_the_case(pdf: tuple[Service, Path]) -> None:
    from pypdf import PdfReader

    service, path = pdf
    reader = PdfReader(path)
    root: Any = reader.trailer["/Root"].get_object()
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en"
    assert b"pdfuaid:part" in root["/Metadata"].get_object().get_data()
    assert reader.metadata is not None
    assert reader.metadata.title == "Rim resection report, LEFT hip, case p1"
    report = service.reports.report("p1")
    assert reader.metadata.creation_date == report.opened_at.replace(microsecond=0)
    assert reader.metadata.modification_date == report.last_at.replace(microsecond=0)
    tags = list(tags_of(root["/StructTreeRoot"]))
    assert {"/H1", "/H2", "/Table", "/TH", "/Figure"} <= {tag for tag, _ in tags}
    assert all(alt for tag, alt in tags if tag == "/Figure")


def tags_of(element: Any) -> Iterator[tuple[str, str]]:
    element = element.get_object()
    if isinstance(element, list):
        for child in element:
            yield from tags_of(child)
    elif isinstance(element, dict):
        if "/S" in element:
            yield str(element["/S"]), str(element.get("/Alt", ""))
        if "/K" in element:
            yield from tags_of(element["/K"])


@pytest.mark.skipif(shutil.which("pdffonts") is None, reason="needs pdffonts (poppler-utils)")
def test_every_font_is_embedded(pdf: tuple[Service, Path]) -> None:
    lines = subprocess.run(
        ["pdffonts", pdf[1]], check=True, capture_output=True, text=True
    ).stdout.splitlines()
    assert len(lines) > 2
    for line in lines[2:]:
        embedded, subset, _unicode = line.split()[-5:-2]
        assert (embedded, subset) == ("yes", "yes")


def test_the_caution_is_on_every_page(pdf: tuple[Service, Path]) -> None:
    from pypdf import PdfReader

    reader = PdfReader(pdf[1])
    assert len(reader.pages) > 1
    for page in reader.pages:
        text = " ".join(page.extract_text().split())
        assert CAUTION.replace("'", "’") in text.replace("'", "’")
        assert re.search(rf"page \d+ of {len(reader.pages)}", text)


def test_the_same_case_gives_the_same_bytes(pdf: tuple[Service, Path]) -> None:
    service, path = pdf
    assert service.reports.pdf("p1") == path.read_bytes()
    assert service.reports.structured("p1") == service.reports.structured("p1")
    assert service.reports.capture("p1") == service.reports.capture("p1")


@pytest.mark.slow
def test_another_process_gives_the_same_bytes(pdf: tuple[Service, Path], tmp_path: Path) -> None:
    """Nothing hangs on the order of a set or on where memory lies."""
    service, path = pdf
    shutil.copytree(path.parent / "record", tmp_path / "record")
    script = (
        "import sys; from pathlib import Path; from tests import standins;"
        "import tracker.ledger; tracker.ledger.pipeline = standins;"
        "from tracker.service import Service; s = Service(Path(sys.argv[1]));"
        "sys.stdout.buffer.write(s.reports.pdf('p1') + s.reports.structured('p1'))"
    )
    root = Path(__file__).resolve().parents[1]
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path / "record")],
        check=True,
        capture_output=True,
        cwd=root,
        env={**os.environ, "PYTHONHASHSEED": "7", "PYTHONPATH": str(root)},
    )
    assert done.stdout == path.read_bytes() + service.reports.structured("p1")


def test_nothing_but_the_case_s_pictures_is_fetched(tmp_path: Path) -> None:
    asked: list[tuple[int, str]] = []

    def picture(number: int, form: str) -> bytes:
        asked.append((number, form))
        return standins.png(number)

    good = f'<img src="{report_pdf.address(3, "rim")}" alt="a">'
    assert report_pdf.render(good, picture, "x").startswith(b"%PDF")
    assert asked == [(3, "rim")]
    secret = tmp_path / "secret.css"
    secret.write_text("p { color: red }")
    for bad in (
        '<img src="http://127.0.0.1:1/a.png" alt="a">',
        f'<link rel="stylesheet" href="{secret.as_uri()}">',
        '<img src="data:image/png;base64,AAAA" alt="a">',
        "<style>@import url(https://example.org/a.css);</style>",
        '<img src="case-picture:1/../x" alt="a">',
    ):
        with pytest.raises(InternalError):
            report_pdf.render(f"<html lang=en><title>t</title>{bad}<p>a", picture, "x")
    assert asked == [(3, "rim")]


def test_without_the_extra_it_says_what_to_install(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    report_cases.nothing_later(service)
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(InputError, match="weasyprint") as pdf_error:
        service.reports.pdf("p1")
    assert "[report]" in pdf_error.value.hint
    monkeypatch.setitem(sys.modules, "highdicom", None)
    with pytest.raises(InputError, match="highdicom") as error:
        service.reports.structured("p1")
    assert "[report,dicom]" in error.value.hint
    assert service.reports.csv("p1")


def test_the_same_page_whatever_the_zone_says_the_zone(service: Service) -> None:
    report_cases.nothing_later(service)
    assert re.search(r"Times are UTC[+-]\d\d:\d\d", page_of(service))


def test_a_name_that_is_markup_stays_a_name(service: Service) -> None:
    setup = replace(standins.setup(), id="<i>&^=\\ ü")
    service.open_case(setup)
    html = service.reports.page(setup.id, lambda number, form: "x")
    assert "<i>" not in html
    assert "&lt;i&gt;" in html
    assert service.reports.structured(setup.id)[128:132] == b"DICM"
    assert service.reports.pdf(setup.id).startswith(b"%PDF")
