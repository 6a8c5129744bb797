"""A case goes out and comes in as it was; what is not as it was does not come in."""

import hashlib
import io
import json
import re
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from tests import standins
from tests.postgres import Server
from tests.records import fill, rows, table
from tests.test_store import STAMP
from tracker import casefolder, chain, parcel, verifying
from tracker.errors import InputError, InvalidCase, NotFound, StoreError, TrackerError, Unwritable
from tracker.moving import export_case, import_case
from tracker.store import Store


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Made once: a record with two cases, one's archive, and a record with another case."""
    folder = tmp_path_factory.mktemp("made")
    fill(folder / "from", "p1", "p2")
    fill(folder / "other", "p9", pictures=())
    with Store(folder / "from", STAMP) as store:
        export_case(store, "p1", folder / "p1.zip")
    return folder


@pytest.fixture
def archive(made: Path, tmp_path: Path) -> Path:
    """One case's archive, with the record that it comes from beside it."""
    shutil.copytree(made / "from", tmp_path / "from")
    shutil.copy(made / "p1.zip", tmp_path)
    shutil.copytree(made / "other", tmp_path / "into")
    return tmp_path / "p1.zip"


@pytest.mark.parametrize("kind", ["sqlite", "postgres"])
def test_a_case_comes_in_as_it_went_out(
    archive: Path, tmp_path: Path, kind: str, request: pytest.FixtureRequest
) -> None:
    database = ""
    if kind == "postgres":
        server: Server = request.getfixturevalue("server")
        database = server.database()
    # Another case first, so that no key is by chance the same.
    into = tmp_path / ("into" if not database else "into-postgres")
    if database:
        fill(into, "p9", database=database)
    with Store(into, STAMP, database=database) as store:
        case = import_case(store, archive)
        assert case.id == "p1"
        [line] = store.audit_of("imported")
        assert json.loads(line.body)["head"] == store.head(case)
        with Store(tmp_path / "from", STAMP, reads_only=True) as old:
            assert rows(store)["p1"] == rows(old)["p1"]
            assert store.head(case) == old.head(old.case("p1"))
        export_case(store, "p1", tmp_path / "again.zip")
        verifying.verify(store)
    assert (tmp_path / "again.zip").read_bytes() == archive.read_bytes()
    assert table(into, "p1", database) == table(tmp_path / "from", "p1")


def test_an_imported_case_goes_on(archive: Path, tmp_path: Path) -> None:
    with Store(tmp_path / "into", STAMP) as store:
        case = import_case(store, archive)
        picture, is_new = store.keep_picture(case, standins.png(5), "again.png")
        assert not is_new
        assert store.add_result(case, picture, "still", "{}").serial == 4
        verifying.verify(store)


def test_the_archive_holds_a_case_folder_that_can_be_replayed(
    archive: Path, tmp_path: Path
) -> None:
    with zipfile.ZipFile(archive) as packed:
        packed.extractall(tmp_path / "out")
    found = casefolder.read_case(tmp_path / "out" / "case")
    assert found.setup.id == "p1"
    assert found.setup.marks is not None
    assert [path.read_bytes() for path in found.pictures] == [
        standins.png(tenths) for tenths in (0, 5, 9)
    ]


def test_an_export_never_writes_over_anything(archive: Path, tmp_path: Path) -> None:
    before = archive.read_bytes()
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    with Store(tmp_path / "from", STAMP) as store:
        for path in (archive, tmp_path / "link"):
            with pytest.raises(InputError, match="there already"):
                export_case(store, "p1", path)
        with pytest.raises(InputError, match="not a folder"):
            export_case(store, "p1", tmp_path / "none" / "x.zip")
        with pytest.raises(NotFound):
            export_case(store, "p7", tmp_path / "x.zip")
    assert archive.read_bytes() == before
    assert not list(tmp_path.glob(".coming-*"))


def test_an_export_that_the_disk_refuses_leaves_nothing(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with Store(tmp_path / "from", STAMP) as store:
        monkeypatch.setattr("os.fsync", full)
        with pytest.raises(Unwritable, match="disk is full"):
            export_case(store, "p1", tmp_path / "x.zip")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["from", "into", "p1.zip"]


def test_a_damaged_picture_does_not_leave(archive: Path, tmp_path: Path) -> None:
    [picture] = [
        path
        for path in (tmp_path / "from" / "pictures").rglob("*")
        if path.name == hashlib.sha256(standins.png(9)).hexdigest()
    ]
    picture.chmod(0o640)
    picture.write_bytes(b"no picture")
    with Store(tmp_path / "from", STAMP) as store, pytest.raises(StoreError, match="damaged"):
        export_case(store, "p1", tmp_path / "x.zip")
    assert not (tmp_path / "x.zip").exists()


# --- what does not come in ---------------------------------------------------------------


def repacked(
    archive: Path, change: Callable[[dict[str, bytes]], None], *, sealed: bool = True
) -> bytes:
    """The archive with its files changed; ``sealed`` makes the manifest fit again."""
    with zipfile.ZipFile(archive) as packed:
        files = {name: packed.read(name) for name in packed.namelist()}
    change(files)
    if sealed:
        manifest = json.loads(files["manifest.json"])
        manifest["files"] = {
            name: hashlib.sha256(data).hexdigest()
            for name, data in files.items()
            if name != "manifest.json"
        }
        files["manifest.json"] = json.dumps(manifest).encode()
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as packed:
        for name, data in files.items():
            how = zipfile.ZIP_DEFLATED if name.startswith("record/") else zipfile.ZIP_STORED
            packed.writestr(name, data, how)
    return buffer.getvalue()


def replaced(name: str, old: bytes, new: bytes) -> Callable[[dict[str, bytes]], None]:
    def change(files: dict[str, bytes]) -> None:
        assert old in files[name]
        files[name] = files[name].replace(old, new)

    return change


def more(name: str, data: bytes = b"x") -> Callable[[dict[str, bytes]], None]:
    def change(files: dict[str, bytes]) -> None:
        files[name] = data

    return change


def less(name: str) -> Callable[[dict[str, bytes]], None]:
    def change(files: dict[str, bytes]) -> None:
        del files[name]

    return change


def last_line_gone(name: str) -> Callable[[dict[str, bytes]], None]:
    def change(files: dict[str, bytes]) -> None:
        files[name] = b"".join(files[name].splitlines(keepends=True)[:-1])

    return change


Rows = list[dict[str, str]]


def forged(change: Callable[[Rows], None], name: str = "p1") -> Callable[[dict[str, bytes]], None]:
    """A forger who knows the chain."""
    return lambda files: chained_anew(files, change, name)


def no_words(events: Rows) -> None:
    """The words of an entry are such that no page can show them."""
    events[-1]["kind"], events[-1]["body"] = "marks", "{}"


def planned(value: str) -> Callable[[Rows], None]:
    def change(events: Rows) -> None:
        body = re.sub(r'("floor_lcea_deg"):[-0-9.]+', rf"\1:{value}", events[0]["body"])
        assert body != events[0]["body"]
        events[0]["body"] = body

    return change


def named(name: str) -> Callable[[Rows], None]:
    def change(events: Rows) -> None:
        events[0]["body"] = events[0]["body"].replace('"p1"', json.dumps(name))

    return change


def role(text: str) -> Callable[[Rows], None]:
    return lambda events: events[-1].update(role=text)


def chained_anew(files: dict[str, bytes], change: Callable[[Rows], None], name: str) -> None:
    events = [json.loads(line) for line in files["record/events.jsonl"].splitlines()]
    case = json.loads(files["record/case.json"]) | {"id": name}
    files["record/case.json"] = json.dumps(case).encode() + b"\n"
    change(events)
    before = chain.start(case["id"], case["opened_at"])
    for event in events:
        before = event["chain"] = chain.link(before, [event[name] for name in chain.FIELDS])
    files["record/events.jsonl"] = b"".join(json.dumps(one).encode() + b"\n" for one in events)
    manifest = json.loads(files["manifest.json"])
    files["manifest.json"] = json.dumps(manifest | {"head": before}).encode()


TAMPERED: dict[str, tuple[Callable[[dict[str, bytes]], None], bool, str]] = {
    "a picture changed": (more("case/0001.png", b"other"), False, "not what the manifest says"),
    "a picture changed and sealed": (more("case/0001.png", b"other"), True, "its row names"),
    "a picture gone": (less("case/0001.png"), True, "its row names"),
    "a picture gone, still named": (less("case/0001.png"), False, "does not hold the files"),
    "a word changed": (replaced("record/events.jsonl", b"as planned", b"as pl4nned"), True,
                       "hash does not fit"),
    "an early word changed": (replaced("record/events.jsonl", b'"kind":"marks"',
                                       b'"kind":"notes"'), True, "hash does not fit"),
    "a result changed": (replaced("record/results.jsonl", b"measured", b"m3asured"), True,
                         "not what the journal covers"),
    "a result gone": (last_line_gone("record/results.jsonl"), True, "is gone"),
    "the last entry gone": (last_line_gone("record/events.jsonl"), True, "last entry"),
    "a picture's row changed": (replaced("record/pictures.jsonl", b"005.png", b"006.png"), True,
                                "not what the journal covers"),
    "another name": (replaced("record/case.json", b'"p1"', b'"p3"'), True, "hash does not fit"),
    "a file more": (more("case/9999.png"), False, "does not hold the files"),
    "a way out": (more("case/../../../evil.png"), True, "place outside"),
    "another way out": (more("../evil"), True, "place outside"),
    "an absolute name": (more("/etc/evil"), True, "place outside"),
    "a drive": (more("case/..\\evil.png"), True, "place outside"),
    "a folder's own name": (more("case/.."), True, "place outside"),
    "no JSON": (more("record/results.jsonl", b"{"), True, "rows can't be read"),
    "JSON of another kind": (more("record/case.json", b"3\n"), True, "rows can't be read"),
    "two cases": (more("record/case.json", b'{"id":"p1"}\n{"id":"p2"}\n'), True, "rows can't be"),
    "a time without a zone": (replaced("record/case.json", b"+00:00", b""), True, "rows can't be"),
    "no journal": (less("record/events.jsonl"), True, "is missing"),
    "an empty journal": (more("record/events.jsonl", b""), True, "last entry"),
    "no manifest": (less("manifest.json"), False, "no archive of a case"),
    "another manifest": (more("manifest.json", b"[]"), False, "no archive of a case"),
    "words that no page can show": (forged(no_words), True, "software can't read"),
    "no number": (forged(planned("NaN")), True, "must be a finite number"),
    "a number without end": (forged(planned("1e999")), True, "must be a finite number"),
    "a limit that no hip has": (forged(planned("9e9")), True, "must lie between"),
    "a name that leads out": (forged(named("../p1"), "../p1"), True, "can't name a case"),
    "a name with a line in it": (forged(named("p\n1"), "p\n1"), True, "printable"),
    "half a character": (forged(role("\ud800")), True, "rows can't be read"),
    "a zero in a text": (forged(role("a\0b")), True, "rows can't be read"),
    "very deep": (more("record/case.json", b"[" * 100_000), True, "rows can't be read"),
}  # fmt: skip


def refused(tmp_path: Path, data: bytes, match: str) -> None:
    path = tmp_path / "bad.zip"
    path.write_bytes(data)
    with Store(tmp_path / "into", STAMP) as store:
        before = snapshot(tmp_path / "into")
        with pytest.raises(InvalidCase, match=match):
            import_case(store, path)
        assert [case.id for case in store.cases()] == ["p9"]
        assert snapshot(tmp_path / "into") == before
    assert not list(tmp_path.rglob("evil*"))


def snapshot(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file()
    }


@pytest.mark.parametrize("name", TAMPERED)
def test_what_was_tampered_with_is_refused_and_nothing_is_written(
    archive: Path, tmp_path: Path, name: str
) -> None:
    change, sealed, match = TAMPERED[name]
    refused(tmp_path, repacked(archive, change, sealed=sealed), match)


def test_a_newer_form_is_named(archive: Path, tmp_path: Path) -> None:
    data = repacked(
        archive, replaced("manifest.json", b'"version": 1', b'"version": 2'), sealed=False
    )
    refused(tmp_path, data, "form 2")


def test_a_damaged_archive_is_refused(archive: Path, tmp_path: Path) -> None:
    whole = archive.read_bytes()
    for data in (b"", b"PK", whole[:-30], whole[: len(whole) // 2], bytes(500)):
        refused(tmp_path, data, "can't be used")


def test_any_changed_byte_is_refused_or_changes_nothing(archive: Path, tmp_path: Path) -> None:
    whole = archive.read_bytes()
    with Store(tmp_path / "into", STAMP) as store:
        for place in range(0, len(whole), len(whole) // 97):
            changed = bytearray(whole)
            changed[place] ^= 0x55
            path = tmp_path / "bad.zip"
            path.write_bytes(bytes(changed))
            try:
                found = parcel.read(path)
            except TrackerError:
                continue
            # A byte that no reader looks at, such as a date.
            assert verifying.wrong_with(found.whole) is None
            assert found.head == parcel.read(archive).head
        assert [case.id for case in store.cases()] == ["p9"]


def test_too_much_is_refused_before_it_is_unpacked(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(parcel, "MOST_PICTURE_BYTES", 1000)
    refused(tmp_path, archive.read_bytes(), "larger than")
    monkeypatch.undo()
    monkeypatch.setattr(parcel, "MOST_FILES", 5)
    refused(tmp_path, archive.read_bytes(), "more than 5 files")
    monkeypatch.undo()
    monkeypatch.setattr(parcel, "MOST_BYTES", 1000)
    refused(tmp_path, archive.read_bytes(), "more than 0 GB")


def test_an_archive_that_unpacks_to_more_than_itself_is_refused(
    archive: Path, tmp_path: Path
) -> None:
    def bomb(files: dict[str, bytes]) -> None:
        files["record/results.jsonl"] = b" " * (parcel.MOST_ROW_BYTES + 1)

    refused(tmp_path, repacked(archive, bomb), "larger than")
    with zipfile.ZipFile(archive) as packed:
        files = {name: packed.read(name) for name in packed.namelist()}
    with zipfile.ZipFile(tmp_path / "deflated.zip", "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in files.items():
            packed.writestr(name, data)
    with pytest.raises(InvalidCase, match="packed otherwise"):
        parcel.read(tmp_path / "deflated.zip")


def test_a_name_that_stands_twice_is_refused(archive: Path, tmp_path: Path) -> None:
    path = tmp_path / "bad.zip"
    path.write_bytes(archive.read_bytes())
    with (
        pytest.warns(UserWarning, match="Duplicate name"),
        zipfile.ZipFile(path, "a") as packed,
    ):
        packed.writestr("case/0001.png", b"other")
    with pytest.raises(InvalidCase, match="a name twice"):
        parcel.read(path)


def test_a_case_comes_in_once(archive: Path, tmp_path: Path) -> None:
    with Store(tmp_path / "into", STAMP) as store:
        import_case(store, archive)
        before = snapshot(tmp_path / "into")
        with pytest.raises(InvalidCase, match="already in the record"):
            import_case(store, archive)
        assert snapshot(tmp_path / "into") == before


def test_a_full_disk_in_mid_import_leaves_nothing(
    archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Store(tmp_path / "into", STAMP) as store:
        put, count = store.shelf.put, 0
        before = snapshot(tmp_path / "into")

        def sometimes(digest: str, data: bytes) -> None:
            nonlocal count
            count += 1
            if count == 3:
                raise Unwritable("The record's disk is full.")
            put(digest, data)

        monkeypatch.setattr(store.shelf, "put", sometimes)
        with pytest.raises(Unwritable, match="full"):
            import_case(store, archive)
        assert [case.id for case in store.cases()] == ["p9"]
        assert snapshot(tmp_path / "into") == before
        monkeypatch.undo()
        import_case(store, archive)


@pytest.mark.parametrize("name", ["none.zip", "."])
def test_what_is_no_file_is_one_clear_line(tmp_path: Path, name: str) -> None:
    with Store(tmp_path / "into", STAMP) as store, pytest.raises(InputError, match="can't be read"):
        import_case(store, tmp_path / name)
