"""The last long run of damaged files, kept by ``python -m tests.fuzz --count 20000``."""

import json

from tests.fuzz import KEPT, Report, Tally
from tests.renew_reference import table
from tests.validation.document import Block

HEADS = ("kind of file", "mutations", "read", "kept", "refused", "decoder lost", "slowest, ms")


def block() -> Block:
    """What became of damaged files, by kind."""
    plain = json.loads(KEPT.read_text(encoding="utf-8"))
    kinds = {kind: Tally(**one) for kind, one in plain["kinds"].items()}
    report = Report(kinds, plain["wrong"], plain["most_memory"], plain["elapsed_s"])
    rows = [
        (
            kind,
            str(one.tried),
            str(one.read),
            str(one.kept),
            str(one.refused),
            str(one.lost),
            f"{one.slowest_s * 1000:.0f}",
        )
        for kind, one in [*report.kinds.items(), ("all", report.total)]
    ]
    wrong = "nothing else" if not report.wrong else f"{len(report.wrong)} times something else"
    said = (
        f"Seed {plain['seed']}: a picture or one line came of every file, and {wrong}."
        f" Most memory in a child: {report.most_memory / 1e6:.0f} MB."
        f" The run took {report.elapsed_s:.0f} s."
    )
    mark = f"Measured with version {plain['software']}, settings {plain['settings']}."
    return Block(f"{said}\n\n{table(HEADS, rows)}\n{mark}\n")
