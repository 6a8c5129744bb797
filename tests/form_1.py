"""A record as the software of form 1 wrote it: its tables and triggers, and rows of every kind."""

import hashlib
import json
import sqlite3
from pathlib import Path

TABLES = """
CREATE TABLE schema_version (version INTEGER NOT NULL);
CREATE TABLE cases (
    "key" INTEGER NOT NULL, id VARCHAR(64) NOT NULL, opened_at VARCHAR(40) NOT NULL,
    PRIMARY KEY ("key"), UNIQUE (id)
);
CREATE TABLE pictures (
    "key" INTEGER NOT NULL, case_key INTEGER NOT NULL, number INTEGER NOT NULL,
    name VARCHAR(255) NOT NULL, sha256 VARCHAR(64) NOT NULL, bytes INTEGER NOT NULL,
    received_at VARCHAR(40) NOT NULL,
    PRIMARY KEY ("key"), UNIQUE (case_key, sha256), UNIQUE (case_key, number),
    FOREIGN KEY(case_key) REFERENCES cases ("key")
);
CREATE INDEX ix_pictures_case_key ON pictures (case_key);
CREATE TABLE results (
    "key" INTEGER NOT NULL, picture_key INTEGER NOT NULL, sha256 VARCHAR(64) NOT NULL,
    at VARCHAR(40) NOT NULL, kind VARCHAR(32) NOT NULL, software VARCHAR(32) NOT NULL,
    settings VARCHAR(12) NOT NULL, body TEXT NOT NULL,
    PRIMARY KEY ("key"), FOREIGN KEY(picture_key) REFERENCES pictures ("key")
);
CREATE INDEX ix_results_picture_key ON results (picture_key);
CREATE TABLE events (
    "key" INTEGER NOT NULL, case_key INTEGER NOT NULL, at VARCHAR(40) NOT NULL,
    kind VARCHAR(32) NOT NULL, software VARCHAR(32) NOT NULL, settings VARCHAR(12) NOT NULL,
    body TEXT NOT NULL,
    PRIMARY KEY ("key"), FOREIGN KEY(case_key) REFERENCES cases ("key")
);
CREATE INDEX ix_events_case_key ON events (case_key);
"""
_SAID = ("0.1.0", "abcdef012345")


def write(
    folder: Path,
    cases: dict[str, str],
    pictures: list[bytes],
    result: str = "{}",
    of: str = "still",
) -> None:
    """Write a record of form 1.

    Parameters
    ----------
    folder : Path
    cases : dict
        Body of the opening entry by the case's name.
    pictures : list of bytes
        Each case gets all of them, each with one result.
    result : str
        Body of each result.
    of : str
        Kind of each result.
    """
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "key").write_bytes(bytes(range(32)))
    link = sqlite3.connect(folder / "tracker.sqlite")
    link.executescript(TABLES)
    for table in ("cases", "pictures", "results", "events"):
        for action in ("UPDATE", "DELETE"):
            link.execute(
                f"CREATE TRIGGER {table}_no_{action.lower()} BEFORE {action} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, 'append-only'); END"
            )
    link.execute("INSERT INTO schema_version VALUES (1)")
    minute = 0

    def now() -> str:
        nonlocal minute
        minute += 1
        return f"2031-05-04T{minute // 60:02}:{minute % 60:02}:00.000000+00:00"

    def log(case: int, at: str, kind: str, body: str) -> None:
        link.execute(
            "INSERT INTO events (case_key, at, kind, software, settings, body) "
            "VALUES (?, ?, ?, ?, ?, ?)",
            (case, at, kind, *_SAID, body),
        )

    keys = {}
    for case_id, body in cases.items():
        at = now()
        row = link.execute("INSERT INTO cases (id, opened_at) VALUES (?, ?)", (case_id, at))
        keys[case_id] = int(row.lastrowid or 0)
        log(keys[case_id], at, "opened", body)
    # The cases' pictures come in turns, so that their keys are mixed.
    for number, data in enumerate(pictures):
        digest = hashlib.sha256(data).hexdigest()
        path = folder / "pictures" / digest[:2] / digest
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        for case in keys.values():
            at = now()
            picture = link.execute(
                "INSERT INTO pictures (case_key, number, name, sha256, bytes, received_at) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                (case, number, f"{number:03}.png", digest, len(data), at),
            ).lastrowid
            role = json.dumps({"number": number, "role": "still"}, sort_keys=True)
            log(case, at, "picture", role)
            at = now()
            made = link.execute(
                "INSERT INTO results (picture_key, sha256, at, kind, software, settings, body) "
                "VALUES (?, ?, ?, ?, ?, ?, ?)",
                (picture, digest, at, of, *_SAID, result),
            ).lastrowid
            log(case, at, "result", json.dumps({"number": number, "result": made}, sort_keys=True))
    link.commit()
    link.close()
