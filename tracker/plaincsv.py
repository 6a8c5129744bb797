"""CSV text: every digit, empty where there is nothing, and nothing that a spreadsheet would run."""

import csv
from collections.abc import Iterable, Sequence

Cell = str | float | int | None


class _Pieces(list[str]):
    """What a CSV writer writes, piece by piece."""

    def write(self, text: str) -> None:
        """Take a piece."""
        self.append(text)


def csv_text(header: Sequence[str], lines: Iterable[Sequence[Cell]]) -> str:
    """Return lines under a header of names.

    >>> csv_text(["case", "mm"], [["=1+1", 0.5], ["p1", None]]).splitlines()
    ['case,mm', "'=1+1,0.5", 'p1,']
    """
    out = _Pieces()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(header)
    writer.writerows([_text(cell) for cell in line] for line in lines)
    return "".join(out)


def _text(cell: Cell) -> str:
    if cell is None:
        return ""
    if isinstance(cell, str):
        # A spreadsheet would take such a text for a formula.
        return f"'{cell}" if cell[:1] in ("=", "+", "-", "@", "\t", "\r") else cell
    return repr(cell)
