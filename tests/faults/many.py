"""A record of thousands of cases: how long the list and the opening of a case take."""

import json
import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import sqlalchemy as sa

from tests import standins
from tests.asking import Client
from tests.faults.served import SIDE_PX, opened, picture, quick
from tracker import chain
from tracker.record import Stamp, WholeCase, time_text
from tracker.store import Store
from tracker.tables import CASES, EVENTS, PICTURES, RESULTS, insert
from tracker.verifying import broken_link, wrong_with
from web.app import create_app

PICTURES_A_CASE = 10
_PAGE = {"accept": "text/html"}


def filled(folder: Path, cases: int) -> None:
    """Fill a record with copies of one case under other names, chained anew, pictures shared."""
    with quick(), opened(folder) as service:
        service.open_case(standins.setup("case-00000"))
        service.add_picture("case-00000", standins.png(0, side_px=SIDE_PX), "first.png")
        service.accept_proposed("case-00000")
        for k in range(1, PICTURES_A_CASE):
            service.add_picture("case-00000", picture(k), f"{k:03}.png")
        service.close_case("case-00000")
    with Store(folder, Stamp("0.1.0", "abcdef012345")) as store:
        pattern = store.whole(store.case("case-00000"))
        for begin in range(1, cases, 250):
            with store.writing() as link:
                for k in range(begin, min(begin + 250, cases)):
                    _add(link, pattern, f"case-{k:05}")
        last = store.whole(store.case(f"case-{cases - 1:05}"))
        assert wrong_with(last) is None


def _add(link: sa.Connection, pattern: WholeCase, name: str) -> None:
    row = pattern.row
    opened_at = time_text(row.opened_at)
    key = insert(link, CASES, id=name, opened_at=opened_at)
    pictures = {}
    for one in pattern.pictures:
        values = asdict(one) | {"case_key": key, "received_at": time_text(one.received_at)}
        del values["key"]
        pictures[one.key] = insert(link, PICTURES, **values)
    results = [
        {
            "case_key": key, "serial": result.serial, "picture_key": pictures[result.picture_key],
            "sha256": result.sha256, "at": time_text(result.at), "kind": result.kind,
            "body": result.body, "software": result.software, "settings": result.settings,
        }
        for result in pattern.results
    ]  # fmt: skip
    link.execute(RESULTS.insert(), results)
    before, events = chain.start(name, opened_at), []
    for event in pattern.events:
        said = {part: getattr(event, part) for part in chain.FIELDS if part != "at"}
        said |= {"at": time_text(event.at)}
        if event.kind == "opened":
            said["body"] = json.dumps(json.loads(event.body) | {"id": name})
        before = chain.link(before, (said[part] for part in chain.FIELDS))
        events.append(said | {"case_key": key, "chain": before})
    link.execute(EVENTS.insert(), events)
    assert broken_link(pattern.events, chain.start(row.id, opened_at)) is None


def measured(folder: Path, cases: int, rounds: int = 15) -> dict[str, Any]:
    """Measure a service that has just been started, and one that has been asked before."""
    filled(folder, cases)
    cold_list, cold_open, warm_list, older, find = [], [], [], [], []
    rng = np.random.default_rng(3)
    # What it costs this process alone, whatever else the machine does meanwhile.
    busy = []
    for _ in range(rounds):
        with quick(), opened(folder) as service, Client(create_app(service)) as client:
            client.get("/static/look.css")
            before = time.process_time()
            cold_list.append(_ms(client, "/"))
            cold_open.append(_ms(client, f"/cases/case-{rng.integers(0, cases):05}"))
            busy.append((time.process_time() - before) * 1000)
            warm_list.append(_ms(client, "/"))
            older.append(_ms(client, f"/?before={rng.integers(100, cases)}"))
            find.append(_ms(client, f"/?find={rng.integers(100, 999)}"))
    together = np.add(cold_list, cold_open)
    first, again, choice, grown = _together(folder)
    return {
        "cases": cases,
        "pictures": cases * PICTURES_A_CASE,
        "rounds": rounds,
        "list first asked for, ms, median": float(np.median(cold_list)),
        "list again, ms, median": float(np.median(warm_list)),
        "older part, ms, median": float(np.median(older)),
        "search, ms, median": float(np.median(find)),
        "open a case, ms, median": float(np.median(cold_open)),
        "list and open, ms, median": float(np.median(together)),
        "list and open, ms, worst": float(np.max(together)),
        "all cases together, first asked for, ms": first,
        "all cases together, again, ms, median": again,
        "all cases together, another choice, ms, median": choice,
        "all cases together, after an entry, ms": grown,
        "list and open, processor time, ms, median": float(np.median(busy)),
    }


def _together(folder: Path) -> tuple[float, float, float, float]:
    """Ask for the page of many cases: without rows, again, for other days, after an entry."""
    with quick(), opened(folder) as service, Client(create_app(service)) as client:
        first = _ms(client, "/cohort")
        again = [_ms(client, "/cohort") for _ in range(5)]
        choice = [_ms(client, f"/cohort?since=2000-01-0{day}") for day in range(1, 6)]
        service.take_note("case-00000", "one more entry")
        grown = _ms(client, "/cohort")
    return first, float(np.median(again)), float(np.median(choice)), grown


def _ms(client: Client, address: str) -> float:
    before = time.perf_counter()
    answer = client.get(address, headers=_PAGE)
    took = (time.perf_counter() - before) * 1000
    assert answer.status_code == 200, answer.text
    return took
