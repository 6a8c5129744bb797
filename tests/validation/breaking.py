"""The last long runs of the fault tests, kept by ``python -m tests.faults --long``."""

import json
from pathlib import Path
from typing import Any, Final

from tests.renew_reference import table
from tests.validation.document import Block

KEPT: Final = Path(__file__).resolve().parents[2] / "docs" / "faults.json"
_TITLES: Final = {
    "kills": "Killed at random moments",
    "many cases": "Many cases",
    "soak": "Many cases at once, the real pipeline",
    "long case": "One very long case, the real pipeline",
}
_BESIDE: Final = ("machine", "software", "load before", "took, s")


def block() -> Block:
    """What was counted and timed in each part that was run."""
    plain = json.loads(KEPT.read_text(encoding="utf-8"))
    parts = [_part(name, title, plain[name]) for name, title in _TITLES.items() if name in plain]
    return Block("\n\n".join(parts) + "\n")


def _part(name: str, title: str, found: dict[str, Any]) -> str:
    rows = [(what, _shown(value)) for what, value in found.items() if what not in _BESIDE]
    mark = (
        f"Measured with {found['software']}. Machine: {found['machine']}, at a load of"
        f" {found['load before']} when it began; the run took {found['took, s']:.0f} s."
    )
    return f"{title}:\n\n{table((name, 'figure'), rows)}\n{mark}"


def _shown(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.0f}" if abs(value) >= 20 else f"{value:.2f}"
    return str(value)
