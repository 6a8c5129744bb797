"""Write docs/validation.md and its figures anew from measurements.

    python -m tests.validation                      everything; takes half an hour and more
    python -m tests.validation --cases FOLDER       with other cases beside ours, by name
    python -m tests.validation --only speed memory  some blocks only
    python -m tests.validation --short --into DIR   a few pictures of everything: does it run?

FOLDER holds cases/NAME (case folders) and truth/NAME.json (their truth).
"""

import argparse
import sys
from pathlib import Path

from tests.validation.run import BLOCKS, FULL, SHORT, write

ROOT = Path(__file__).resolve().parents[2]

parser = argparse.ArgumentParser(
    prog="python -m tests.validation",
    description=__doc__,
    formatter_class=argparse.RawDescriptionHelpFormatter,
)
parser.add_argument("--cases", type=Path, metavar="FOLDER", help="other cases with truth")
parser.add_argument("--only", nargs="+", choices=sorted(BLOCKS), help="renew these blocks only")
parser.add_argument("--short", action="store_true", help="a few pictures of everything")
parser.add_argument("--into", type=Path, default=ROOT / "docs", help="folder of validation.md")
parser.add_argument("--jobs", type=int, default=2, help="processes for the phantom cases")


if __name__ == "__main__":
    asked = parser.parse_args()
    write(
        asked.into,
        tuple(asked.only or BLOCKS),
        SHORT if asked.short else FULL,
        cases=asked.cases,
        jobs=asked.jobs,
        say=sys.stdout.write,
    )
