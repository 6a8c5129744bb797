"""One case as one file: a ZIP archive that needs nothing else, and reading one without trust.

In it stand

- ``case/``: the case folder in the exchange form, for people and for ``tracker replay``;
- ``aside/``: pictures that belong to the case and not to the sequence;
- ``record/``: the case's rows as JSON, a line each; what is imported is read from here;
- ``manifest.json``: the SHA-256 of every file, and the hash of the case's last entry.

The same case gives the same bytes.  Of a file that comes in, every name, size and hash is checked
before anything is used, and no name in it becomes a path.
"""

import hashlib
import json
import os
import re
import stat
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from tracker.errors import InputError, InternalError, InvalidCase, Unwritable
from tracker.record import (
    CaseRow,
    EventRow,
    PictureRow,
    Plain,
    ResultRow,
    WholeCase,
    decode,
    time_text,
)
from tracker.shelf import disk_speaks_plainly, sync_folder

FORM: Final = "rim resection case"
VERSION: Final = 1
MOST_FILES: Final = 5_000
MOST_PICTURE_BYTES: Final = 256_000_000
MOST_ROW_BYTES: Final = 256_000_000
MOST_BYTES: Final = 8_000_000_000
_MANIFEST: Final = "manifest.json"
_MOST_MANIFEST_BYTES: Final = 4_000_000
_WHEN: Final = (1980, 1, 1, 0, 0, 0)
_SHA256: Final = re.compile(r"[0-9a-f]{64}")
_NAME: Final = re.compile(r"(case|aside|record)/[^/\\\0]{1,255}")
_BLOCK: Final = 1 << 20


@dataclass(frozen=True, slots=True)
class Parcel:
    """An archive that was read and found whole.

    Attributes
    ----------
    whole : WholeCase
        Keys count within the archive.
    head : str
        Hash of the last entry, as the manifest says it.
    places : mapping
        Name in the archive of each picture's file, by its SHA-256.
    path : Path
    """

    whole: WholeCase
    head: str
    places: Mapping[str, str]
    path: Path

    def read(self, digest: str) -> bytes:
        """Return a picture's bytes; they are checked where they are kept."""
        with _plainly(self.path), zipfile.ZipFile(self.path) as archive:
            data = _entry(archive, self.places[digest], MOST_PICTURE_BYTES)
        if hashlib.sha256(data).hexdigest() != digest:
            raise _bad(self.path, "it changed while it was read")
        return data


# --- writing -----------------------------------------------------------------------------


def write(
    path: Path,
    whole: WholeCase,
    names: Mapping[int, str],
    case_toml: str,
    read: Callable[[PictureRow], bytes],
) -> str:
    """Write a case's archive, whole or not at all.

    Parameters
    ----------
    path : Path
        Must not exist yet.
    whole : WholeCase
    names : mapping of int to str
        Place in the archive of each picture, by its number.
    case_toml : str
    read : callable
        Gives the bytes of a picture, checked.

    Returns
    -------
    str
        SHA-256 of the archive.
    """
    numbers = {picture.key: picture.number for picture in whole.pictures}
    rows = {
        "record/case.json": [
            {"id": whole.row.id, "opened_at": time_text(whole.row.opened_at)},
        ],
        "record/pictures.jsonl": [
            _plain(row) | {"file": names[row.number]} for row in whole.pictures
        ],
        "record/results.jsonl": [
            _plain(row) | {"number": numbers[row.picture_key]} for row in whole.results
        ],
        "record/events.jsonl": [_plain(row) for row in whole.events],
    }
    with writing_whole(path) as temporary, zipfile.ZipFile(temporary, "w") as archive:
        hashes: dict[str, str] = {}

        def add(name: str, data: bytes, how: int) -> None:
            entry = zipfile.ZipInfo(name, _WHEN)
            entry.external_attr = (stat.S_IFREG | 0o644) << 16
            archive.writestr(entry, data, how)
            hashes[name] = hashlib.sha256(data).hexdigest()

        add("case/case.toml", case_toml.encode(), zipfile.ZIP_STORED)
        for row in whole.pictures:
            add(names[row.number], read(row), zipfile.ZIP_STORED)
        for name, lines in rows.items():
            text = "".join(f"{_json(line)}\n" for line in lines)
            add(name, text.encode(), zipfile.ZIP_DEFLATED)
        manifest = {
            "form": FORM,
            "version": VERSION,
            "case": whole.row.id,
            "head": whole.events[-1].chain,
            "files": dict(sorted(hashes.items())),
        }
        text = json.dumps(manifest, indent=1, sort_keys=True) + "\n"
        add(_MANIFEST, text.encode(), zipfile.ZIP_STORED)
    return file_hash(path)


def _plain(row: PictureRow | ResultRow | EventRow) -> Plain:
    """Return a row's fields but for its keys, which mean nothing elsewhere."""
    parts = {name: getattr(row, name) for name in row.__slots__ if not name.endswith("key")}
    return {name: time_text(v) if hasattr(v, "astimezone") else v for name, v in parts.items()}


def _json(plain: Plain) -> str:
    return json.dumps(plain, sort_keys=True, separators=(",", ":"))


@contextmanager
def writing_whole(path: Path) -> Iterator[Path]:
    """Give a file to write beside the wanted one, which gets its name once it is whole and synced.

    Raises
    ------
    InputError
        There is something of that name, or its folder is none.
    Unwritable
    """
    if path.exists() or path.is_symlink():
        raise InputError(f"{path} is there already.", hint="Give another name.")
    if not path.parent.is_dir():
        raise InputError(f"{path.parent} is not a folder.", hint="Give a file in one that exists.")
    with disk_speaks_plainly(f"{path}: its"):
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=".coming-")
        os.close(handle)
        temporary = Path(name)
        try:
            yield temporary
            with temporary.open("rb") as file:
                os.fsync(file.fileno())
            temporary.chmod(0o640)
            os.link(temporary, path)
        except FileExistsError:
            raise InputError(f"{path} is there already.", hint="Give another name.") from None
        finally:
            temporary.unlink(missing_ok=True)
        sync_folder(path.parent)


def file_hash(path: Path) -> str:
    """Return the SHA-256 of a file."""
    found = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            found.update(block)
    return found.hexdigest()


# --- reading -----------------------------------------------------------------------------


def read(path: Path) -> Parcel:
    """Read and check an archive; nothing is written anywhere.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Parcel
        Every file in it has the hash that the manifest says; what its rows say of each other is
        not judged here.

    Raises
    ------
    InvalidCase
        It is no archive of a case, or is damaged, too large, or holds what it does not name.
    """
    with _plainly(path), zipfile.ZipFile(path) as archive:
        manifest = _manifest(archive, path)
        hashes: dict[str, str] = manifest["files"]
        _check_names(archive, hashes, path)
        for name, digest in hashes.items():
            if not name.startswith("record/") and _hash_of(archive, name) != digest:
                raise _bad(path, f"{name} is not what the manifest says")
        rows = {}
        for name in ("case.json", "pictures.jsonl", "results.jsonl", "events.jsonl"):
            name = f"record/{name}"
            if name not in hashes:
                raise _bad(path, f"{name} is missing")
            data = _entry(archive, name, MOST_ROW_BYTES)
            if hashlib.sha256(data).hexdigest() != hashes[name]:
                raise _bad(path, f"{name} is not what the manifest says")
            rows[name] = [_keepable(json.loads(line)) for line in data.splitlines()]
        whole, places = _rows(rows)
    for picture in whole.pictures:
        if hashes.get(places[picture.sha256]) != picture.sha256:
            raise _bad(path, f"picture {picture.number} is not the file that its row names")
    if not whole.events or whole.events[-1].chain != manifest["head"]:
        raise _bad(path, "its last entry is not the one that the manifest names")
    return Parcel(whole, str(manifest["head"]), places, path)


def _manifest(archive: zipfile.ZipFile, path: Path) -> Plain:
    if _MANIFEST not in archive.namelist():
        raise _bad(path, "it is no archive of a case")
    plain = json.loads(_entry(archive, _MANIFEST, _MOST_MANIFEST_BYTES))
    if not isinstance(plain, dict) or plain.get("form") != FORM:
        raise _bad(path, "it is no archive of a case")
    if plain.get("version") != VERSION:
        raise InvalidCase(
            f"{path} has form {plain.get('version')}; this software reads form {VERSION}.",
            hint="Use the software that wrote it, or a newer one.",
        )
    files = plain.get("files")
    right = isinstance(files, dict) and all(
        isinstance(name, str) and isinstance(digest, str) and _SHA256.fullmatch(digest)
        for name, digest in files.items()
    )
    if not right or not isinstance(plain.get("head"), str):
        raise _bad(path, "its manifest can't be read")
    return plain


def _check_names(archive: zipfile.ZipFile, hashes: Mapping[str, str], path: Path) -> None:
    """Refuse what is not named, is named twice, is no plain name, or is too much."""
    entries = archive.infolist()
    names = [entry.filename for entry in entries]
    if len(entries) > MOST_FILES:
        raise _bad(path, f"it holds more than {MOST_FILES} files")
    if len(set(names)) < len(names):
        raise _bad(path, "it holds a name twice")
    for name in hashes:
        if not _NAME.fullmatch(name) or name.rsplit("/", 1)[1] in (".", ".."):
            raise _bad(path, "it names a place outside")
    if set(names) != {*hashes, _MANIFEST}:
        raise _bad(path, "it does not hold the files that its manifest names")
    if sum(entry.file_size for entry in entries) > MOST_BYTES:
        raise _bad(path, f"it holds more than {MOST_BYTES // 10**9} GB")
    # Pictures are stored as they are, so that no archive unpacks to more than itself.
    if sum(entry.compress_size for entry in entries) > path.stat().st_size or any(
        entry.compress_type != zipfile.ZIP_STORED
        for entry in entries
        if not entry.filename.startswith("record/")
    ):
        raise _bad(path, "it is packed otherwise than this software packs")
    for entry in entries:
        most = MOST_ROW_BYTES if entry.filename.startswith("record/") else MOST_PICTURE_BYTES
        if entry.file_size > most:
            raise _bad(path, f"one file in it is larger than {most // 10**6} MB")


def _entry(archive: zipfile.ZipFile, name: str, most: int) -> bytes:
    if archive.getinfo(name).file_size > most:
        raise zipfile.BadZipFile("too large")
    # No more than the entry says of itself is ever unpacked.
    with archive.open(name) as file:
        return file.read(most)


def _hash_of(archive: zipfile.ZipFile, name: str) -> str:
    found = hashlib.sha256()
    with archive.open(name) as file:
        while block := file.read(_BLOCK):
            found.update(block)
    return found.hexdigest()


def _keepable(plain: Any) -> Any:
    """Return a row whose texts both databases can keep."""
    for value in dict(plain).values():
        if isinstance(value, str) and b"\0" in value.encode():
            raise InternalError("a text with a zero in it")
    return plain


def _rows(rows: Mapping[str, list[Any]]) -> tuple[WholeCase, dict[str, str]]:
    [case] = rows["record/case.json"]
    pictures, places, keys = [], {}, {}
    for key, plain in enumerate(rows["record/pictures.jsonl"], 1):
        row = dict(plain)
        file = str(row.pop("file"))
        picture = decode(PictureRow, row | {"key": key})
        pictures.append(picture)
        places[picture.sha256], keys[picture.number] = file, key
    results = []
    for key, plain in enumerate(rows["record/results.jsonl"], 1):
        row = dict(plain)
        row |= {"key": key, "picture_key": keys[int(row.pop("number"))]}
        results.append(decode(ResultRow, row))
    events = [
        decode(EventRow, plain | {"key": key})
        for key, plain in enumerate(rows["record/events.jsonl"], 1)
    ]
    whole = WholeCase(
        decode(CaseRow, case | {"key": 0}), tuple(pictures), tuple(results), tuple(events)
    )
    return whole, places


def _bad(path: Path, what: str) -> InvalidCase:
    return InvalidCase(f"{path} can't be used: {what}.", hint="Nothing was taken in.")


@contextmanager
def _plainly(path: Path) -> Iterator[None]:
    """Turn whatever a damaged or hostile file makes a reader raise into one clear line."""
    try:
        yield
    except (InvalidCase, Unwritable):
        raise
    except OSError as error:
        if isinstance(error, FileNotFoundError | PermissionError | IsADirectoryError):
            raise InputError(f"{path} can't be read.", hint="Name an archive.") from None
        raise _bad(path, "it is damaged") from None
    except (ValueError, TypeError, KeyError, AttributeError, InternalError, RecursionError):
        raise _bad(path, "its rows can't be read") from None
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError):
        raise _bad(path, "it is damaged or no ZIP archive") from None
