"""One line of a benchmark's result, and how a list of them is printed and kept.

Owns the row and its two forms. Measures nothing.
"""

from __future__ import annotations

import json
import platform
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

__all__ = ["Row", "format_rows", "write_json"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One figure beside what it has to reach.

    figure : what was measured, in words. target, measured : as text with units.
    met : whether the target was reached; None for a figure that is only shown beside others.
    """

    figure: str
    target: str
    measured: str
    met: bool | None


_WORDS = {True: "reached", False: "MISSED", None: "shown only"}


def format_rows(rows: Sequence[Row]) -> str:
    """A plain table: figure, target, measured, reached or missed in words."""
    cells = [("figure", "to reach", "measured", "")]
    cells += [(row.figure, row.target, row.measured, _WORDS[row.met]) for row in rows]
    widths = [max(len(line[column]) for line in cells) for column in range(4)]
    lines = ["  ".join(text.ljust(width) for text, width in zip(line, widths, strict=True)) for line in cells]
    lines.insert(1, "  ".join("-" * width for width in widths))
    return "\n".join(line.rstrip() for line in lines)


def write_json(path: Path, results: Mapping[str, Sequence[Row]]) -> None:
    """All rows by benchmark name, with the machine they were measured on."""
    document = {
        "python": platform.python_version(),
        "system": f"{platform.system()} {platform.machine()}",
        "benchmarks": {name: [asdict(row) for row in rows] for name, rows in results.items()},
    }
    path.write_text(json.dumps(document, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
