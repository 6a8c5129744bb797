"""The long forms of the fault tests, with their figures.

    python -m tests.faults --long                     everything; takes half an hour and more
    python -m tests.faults --long --only kills        one part
    python -m tests.faults --long --only soak --minutes 10

The figures go to docs/faults.json, from which ``python -m tests.validation --only faults`` writes
its section.  A part that fails ends the run with status 1 and writes nothing.
"""

import argparse
import json
import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from tests.faults import kills, many, soak
from tests.faults.served import quick_place
from tests.validation.run import machine
from tracker import __version__
from tracker.settings import DEFAULTS

OUT = Path(__file__).resolve().parents[2] / "docs" / "faults.json"
Figures = dict[str, Any]


def _kills(asked: argparse.Namespace) -> Figures:
    with tempfile.TemporaryDirectory(dir=quick_place()) as place:
        found = kills.killed(Path(place), asked.rounds, seed=2)
    assert (found.lost, found.unmeasured, found.twice, found.broken) == (0, 0, 0, []), found
    return {
        "kills": found.kills,
        "while starting": found.before_listening,
        "acknowledged": found.acknowledged,
        "kept without acknowledgement": found.unacknowledged_but_kept,
        "from the watched folder": found.from_folder,
        "lost": found.lost,
        "not measured": found.unmeasured,
        "twice": found.twice,
        "broken chains": len(found.broken),
        "restart, ms, median": float(np.median(found.restart_ms)),
    }


def _many(asked: argparse.Namespace) -> Figures:
    with tempfile.TemporaryDirectory() as place:
        return many.measured(Path(place), asked.cases)


def _soak(asked: argparse.Namespace) -> Figures:
    with tempfile.TemporaryDirectory() as place:
        return soak.soaked(Path(place), cases=8, every_s=2.0, minutes=asked.minutes)


def _long_case(asked: argparse.Namespace) -> Figures:
    with tempfile.TemporaryDirectory() as place:
        return soak.long_case(Path(place), pictures=asked.pictures)


PARTS: dict[str, Callable[[argparse.Namespace], Figures]] = {
    "kills": _kills,
    "many cases": _many,
    "soak": _soak,
    "long case": _long_case,
}


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.faults",
        description=__doc__,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--long", action="store_true", required=True)
    parser.add_argument("--only", nargs="+", choices=list(PARTS), default=list(PARTS))
    parser.add_argument("--rounds", type=int, default=208, help="kills")
    parser.add_argument("--cases", type=int, default=5000, help="in the list")
    parser.add_argument("--minutes", type=float, default=10.0, help="of the soak")
    parser.add_argument("--pictures", type=int, default=200, help="of the long case")
    parser.add_argument("--out", type=Path, default=OUT)
    asked = parser.parse_args()
    for name in asked.only:
        started = time.perf_counter()
        before = os.getloadavg()[0]
        found = PARTS[name](asked)
        found |= {
            "took, s": round(time.perf_counter() - started, 1),
            # What else the machine was doing when it began.
            "load before": round(before, 2),
            "machine": machine(),
            "software": f"version {__version__}, settings {DEFAULTS.digest()}",
        }
        known = json.loads(asked.out.read_text(encoding="utf-8")) if asked.out.exists() else {}
        text = json.dumps(known | {name: found}, indent=1)
        asked.out.write_text(text + "\n", encoding="utf-8")
        sys.stdout.write(f"{name}: {json.dumps(found)}\n")
        sys.stdout.flush()
    return 0


if __name__ == "__main__":
    sys.exit(main())
