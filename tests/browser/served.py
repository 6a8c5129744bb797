"""A service in a process of its own, so that it can be killed: python -m ... FOLDER PORT.

Its pipeline measures at once, as everywhere in these tests.
"""

import sys
from pathlib import Path

from tests import standins
from tracker.service import Service
from web.app import run

if __name__ == "__main__":
    sys.modules["tracker.ledger"].__dict__["pipeline"] = standins
    with Service(Path(sys.argv[1])) as service:
        run(service, port=int(sys.argv[2]))
