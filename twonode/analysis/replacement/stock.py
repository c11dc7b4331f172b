"""A list of parts at hand, as CSV.

Owns its form: a header line with ``value`` and ``voltage``, and if wanted ``tolerance``, ``dielectric`` and
``quantity``; other columns are left alone. Every error names line and column.
"""

from __future__ import annotations

import csv
import difflib
import io
from dataclasses import dataclass

from twonode.analysis.errors import AnalysisError
from twonode.analysis.quantities import Tolerance, parse_quantity, parse_tolerance
from twonode.analysis.replacement.errors import StockError
from twonode.analysis.replacement.suitability import dielectric_named
from twonode.analysis.replacement.values import check_value

__all__ = ["StockPart", "parse_stock"]

_NEEDED = ("value", "voltage")
_OPTIONAL = ("tolerance", "dielectric", "quantity")
_MOST_LINES = 1000  # pairs are tried, so the work grows with the square
_MOST_V = 20e3


@dataclass(frozen=True, slots=True, kw_only=True)
class StockPart:
    """One line of the list.

    line : in the file, the header being line 1. tolerance, dielectric : None where the list does not say.
    quantity : how many are there, 0 if none are left.
    """

    line: int
    value_farad: float
    rated_v: float
    tolerance: Tolerance | None
    dielectric: str | None
    quantity: int


def parse_stock(text: str, name: str) -> tuple[StockPart, ...]:
    """Read a list of parts.

    text : the file's content. name : the file, for error texts.

    Raises StockError naming file, line and column.
    """
    rows = csv.reader(io.StringIO(text.removeprefix("\N{ZERO WIDTH NO-BREAK SPACE}"), newline=""))
    parts: list[StockPart] = []
    columns: dict[str, int] | None = None
    width = 0
    try:
        for row in rows:
            if not any(cell.strip() for cell in row):
                continue
            if columns is None:
                columns, width = _columns(row, name), len(row)
                continue
            if len(row) > width:
                raise StockError(
                    f"{name}, line {rows.line_num}: {len(row)} fields for {width} columns.",
                    "Nobody can say which field belongs to which column; a decimal comma does this.",
                    'Write the decimal point as a point (0.047uF), or put a text with a comma in "...".',
                )
            cells = {
                column: row[place].strip() if place < len(row) else "" for column, place in columns.items()
            }
            parts.append(_part(cells, name, rows.line_num))
            if len(parts) > _MOST_LINES:
                raise StockError(
                    f"{name} has more than {_MOST_LINES} lines.",
                    "Every pair of parts is tried, which would take too long.",
                    "Give a list of parts near the value wanted.",
                )
    except csv.Error as exc:
        raise StockError(
            f"{name}, line {rows.line_num}: no CSV ({exc}).",
            "The list cannot be read.",
            "Save it as comma-separated text with a header line: value,voltage,tolerance,dielectric,quantity.",
        ) from exc
    if columns is None or not parts:
        raise StockError(
            f"{name} lists no part.",
            "There is nothing to choose from.",
            "Write a header line and one part a line, such as 47n,630V.",
        )
    return tuple(parts)


def _columns(header: list[str], name: str) -> dict[str, int]:
    found: dict[str, int] = {}
    for place, cell in enumerate(header):
        word = cell.strip().lower()
        if word in (*_NEEDED, *_OPTIONAL):
            if word in found:
                raise StockError(
                    f"{name}, line 1: column {word!r} stands there twice.",
                    "Nobody can say which of them counts.",
                    "Leave one of them out.",
                )
            found[word] = place
            continue
        near = difflib.get_close_matches(word, (*_NEEDED, *_OPTIONAL), n=1, cutoff=0.75)
        if near:
            raise StockError(
                f"{name}, line 1: column {cell.strip()!r} is not known; did you mean {near[0]!r}?",
                "A column that is misspelt would be left out without a word.",
                f"Call it {near[0]!r}, or give it a name that is unlike the known ones.",
            )
    missing = [column for column in _NEEDED if column not in found]
    if missing:
        semicolons = " The fields seem to be separated by semicolons." if ";" in "".join(header) else ""
        raise StockError(
            f"{name}, line 1: column {missing[0]!r} is missing.{semicolons}",
            "Each part needs a value and a rated voltage.",
            "Start the file with: value,voltage,tolerance,dielectric,quantity (the last three may be left out).",
        )
    return found


def _part(cells: dict[str, str], name: str, line: int) -> StockPart:
    column = "value"
    try:
        value = parse_quantity(cells["value"], "F")
        check_value(value)
        column = "voltage"
        rated = parse_quantity(cells["voltage"], "V")
        column = "tolerance"
        tolerance = parse_tolerance(cells["tolerance"]) if cells.get("tolerance") else None
    except AnalysisError as exc:
        raise _bad(name, line, column, exc.what, exc.do) from exc
    if not 0 < rated <= _MOST_V:
        raise _bad(
            name, line, "voltage", f"{rated:g} V is no rated voltage.", "Write it as printed, such as 630V."
        )
    quantity = cells.get("quantity") or "1"
    if not (quantity.isascii() and quantity.isdigit()) or len(quantity) > 6:
        raise _bad(
            name,
            line,
            "quantity",
            f"{quantity!r} is no number of parts.",
            "Write a whole number, 0 if none are left.",
        )
    dielectric = cells.get("dielectric") or None
    known = None if dielectric is None else dielectric_named(dielectric)
    if dielectric is not None and known is None:
        raise _bad(
            name,
            line,
            "dielectric",
            f"{dielectric!r} is no dielectric that is known here.",
            "Write film, polypropylene, polyester, mica, C0G, ceramic, electrolytic, paper or X2, or leave it empty.",
        )
    return StockPart(
        line=line,
        value_farad=value,
        rated_v=rated,
        tolerance=tolerance,
        dielectric=known,
        quantity=int(quantity),
    )


def _bad(name: str, line: int, column: str, what: str, do: str) -> StockError:
    return StockError(
        f"{name}, line {line}, column {column!r}: {what}",
        "A part that is read wrong could be put where it does not belong.",
        do,
    )
