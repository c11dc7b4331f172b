"""The words over the columns of other people's tables: which quantity, in which unit.

Owns the words that are understood and finding the line that holds them. A column is named by a word and its unit in
any of the usual forms: "frequency_hz", "f (kHz)", "gain dB", "phase [deg]", "time (s)", "CH1 (V)", "u(ratio) %". The
unit may also stand in a line of its own below. A unit is never guessed.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import islice

from twonode.recordings.errors import UnfitImport
from twonode.recordings.foreign_csv import ForeignText, cells_of, unfit

__all__ = ["Column", "Layout", "Quantity", "column_named", "find_layout"]

_SEARCHED_LINES = 60
"""A header further down is not looked for."""
_MOST_COLUMNS = 200
"""A line with more of them is none that names columns."""
_SHOWN_CHARACTERS = 60


class Quantity(Enum):
    """What a column holds; the value is the word in errors."""

    FREQUENCY = "frequency"
    SIZE = "size of the ratio"
    PHASE = "phase"
    SIZE_UNCERTAINTY = "uncertainty of the size"
    PHASE_UNCERTAINTY = "uncertainty of the phase"
    TIME = "time"
    DRIVE = "channel 1"
    FAR = "channel 2"


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column that is understood.

    place : from 0. written : the header's own words.
    unit : "Hz", "s", "V", "deg", "dB", "V/V" or "%"; None where the header has none. scale : to that unit.
    kind : how volts are counted, such as "pp" or "rms"; empty where it is not said.
    """

    place: int
    quantity: Quantity
    written: str
    unit: str | None
    scale: float = 1.0
    kind: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """Where the columns are. first_line : of the rows. passed_over : columns that are not used, as written."""

    delimiter: str
    header_line: int
    first_line: int
    width: int
    columns: dict[Quantity, Column]
    passed_over: tuple[str, ...]


_NAMES: dict[Quantity, frozenset[str]] = {
    Quantity.FREQUENCY: frozenset({"f", "freq", "frequency"}),
    Quantity.SIZE: frozenset(
        {
            *(
                "ratio",
                "magnitude",
                "mag",
                "size",
                "|h|",
                "h",
                "transfer ratio",
                "voltage ratio",
                "far/drive",
            ),
            *("gain", "level", "response", "transfer"),
        }
    ),
    Quantity.PHASE: frozenset({"phase", "phi", "φ", "angle", "arg"}),
    Quantity.TIME: frozenset({"time", "t"}),
    Quantity.DRIVE: frozenset(
        {"ch1", "channel1", "c1", "v1", "u1", "drive", "vin", "in", "input", "drive node", "drive voltage"}
    ),
    Quantity.FAR: frozenset(
        {"ch2", "channel2", "c2", "v2", "u2", "far", "vout", "out", "output", "far node", "far voltage"}
    ),
}
_PLAIN_RATIO = frozenset(
    {"ratio", "magnitude", "mag", "|h|", "h", "transfer ratio", "voltage ratio", "far/drive"}
)
"""Words that say without a unit that the number is a ratio; "gain" may as well be in dB."""
_UNCERTAIN = frozenset({"u", "uncertainty", "sigma", "std", "standard uncertainty"})

_ANY_CASE: dict[str, tuple[str, float]] = {
    "hz": ("Hz", 1.0),
    "khz": ("Hz", 1e3),
    "s": ("s", 1.0),
    "sec": ("s", 1.0),
    "seconds": ("s", 1.0),
    "ms": ("s", 1e-3),
    "us": ("s", 1e-6),
    "ns": ("s", 1e-9),
    "v": ("V", 1.0),
    "volt": ("V", 1.0),
    "volts": ("V", 1.0),
    "uv": ("V", 1e-6),
    "deg": ("deg", 1.0),
    "degree": ("deg", 1.0),
    "degrees": ("deg", 1.0),
    "rad": ("deg", 57.29577951308232),
    "radians": ("deg", 57.29577951308232),
    "db": ("dB", 1.0),
    "v/v": ("V/V", 1.0),
    "%": ("%", 1.0),
}
# Where milli and mega differ by the case alone, the case decides; "mhz" decides nothing.
_BY_CASE: dict[str, tuple[str, float]] = {
    "mHz": ("Hz", 1e-3),
    "MHz": ("Hz", 1e6),
    "MHZ": ("Hz", 1e6),
    "mV": ("V", 1e-3),
    "mv": ("V", 1e-3),
    "MV": ("V", 1e6),
}
_VOLTS_COUNTED = {"pp": "pp", "p-p": "pp", "rms": "rms", "pk": "peak", "peak": "peak", "p": "peak"}

_UNITS_OF: dict[Quantity, frozenset[str]] = {
    Quantity.FREQUENCY: frozenset({"Hz"}),
    Quantity.SIZE: frozenset({"dB", "V/V", "%"}),
    Quantity.PHASE: frozenset({"deg"}),
    Quantity.SIZE_UNCERTAINTY: frozenset({"dB", "V/V", "%"}),
    Quantity.PHASE_UNCERTAINTY: frozenset({"deg"}),
    Quantity.TIME: frozenset({"s"}),
    Quantity.DRIVE: frozenset({"V"}),
    Quantity.FAR: frozenset({"V"}),
}
# A column with nothing but one of these units over it.
_TOLD_BY_UNIT = {"Hz": Quantity.FREQUENCY, "dB": Quantity.SIZE, "deg": Quantity.PHASE}

_EXAMPLE = {
    Quantity.FREQUENCY: '"frequency_hz" or "f (kHz)"',
    Quantity.SIZE: '"gain dB", "gain V/V" or "ratio"',
    Quantity.PHASE: '"phase deg" or "phase rad"',
    Quantity.SIZE_UNCERTAINTY: '"uncertainty %", "uncertainty dB" or "uncertainty V/V"',
    Quantity.PHASE_UNCERTAINTY: '"phase uncertainty deg"',
    Quantity.TIME: '"time (s)" or "time (us)"',
    Quantity.DRIVE: '"CH1 (V)" or "CH1 (mV)"',
    Quantity.FAR: '"CH2 (V)" or "CH2 (mV)"',
}


def _tokens(written: str) -> list[str]:
    """Words and units of a header cell, in their own case."""
    text = written.replace("\u00b5", "u").replace("\u03bc", "u").replace("\u00b0", " deg ").strip("'\"")
    text = re.sub(r"[()\[\]{}_:]", " ", text)
    found: list[str] = []
    for word in text.split():
        if "/" in word and word.lower() not in ("v/v", "far/drive"):
            found += [piece for piece in word.split("/") if piece]
        else:
            found.append(word)
    return found


def _unit(word: str) -> tuple[str, float] | None:
    return _BY_CASE.get(word) or (None if word.lower() == "mhz" else _ANY_CASE.get(word.lower()))


def _volts(word: str) -> tuple[tuple[str, float] | None, str]:
    """A unit of volts with how they are counted behind it: "Vpp", "mVrms"."""
    match = re.fullmatch(r"([uµmM]?[vV])[-_ ]?(p-?p|rms|pk|peak)", word, re.IGNORECASE)
    if match is None:
        return None, ""
    return _unit(match[1]), _VOLTS_COUNTED[match[2].lower()]


def column_named(written: str, place: int = 0) -> Column | None:
    """What a header cell says; None where it is not understood. A unit that does not belong makes it so."""
    words = _tokens(written)
    unit: tuple[str, float] | None = None
    kind = ""
    if len(words) > 1 and words[-1].lower() in _VOLTS_COUNTED:
        kind = _VOLTS_COUNTED[words.pop().lower()]
    if words:
        unit = _unit(words[-1])
        if unit is None and not kind:
            unit, kind = _volts(words[-1])
    # "t" and "f" are names, and a lone "V" or "s" is nothing.
    if unit is not None:
        words = words[:-1]
    name = re.sub(r"\b(ch|channel|v|c|u) (1|2|in|out)\b", r"\1\2", " ".join(words).lower())
    quantity = _quantity(name, unit)
    if quantity is None or (unit is not None and unit[0] not in _UNITS_OF[quantity]):
        return None
    if unit is None and quantity in (Quantity.SIZE, Quantity.SIZE_UNCERTAINTY):
        bare = " ".join(word for word in name.split() if word not in _UNCERTAIN)
        unit = ("V/V", 1.0) if bare in _PLAIN_RATIO else None
    return Column(
        place=place,
        quantity=quantity,
        written=written[:_SHOWN_CHARACTERS],
        unit=None if unit is None else unit[0],
        scale=1.0 if unit is None else unit[1],
        kind=kind,
    )


def _quantity(name: str, unit: tuple[str, float] | None) -> Quantity | None:
    if not name:
        return None if unit is None else _TOLD_BY_UNIT.get(unit[0])
    words = name.split()
    about = [
        word for word in words if word not in ("u", "uncertainty", "sigma", "std", "standard", "of", "the")
    ]
    if len(about) < len(words) and any(word in _UNCERTAIN for word in words):
        bare = " ".join(about)
        if bare in _NAMES[Quantity.PHASE] or (not bare and unit is not None and unit[0] == "deg"):
            return Quantity.PHASE_UNCERTAINTY
        return Quantity.SIZE_UNCERTAINTY if not bare or bare in _NAMES[Quantity.SIZE] else None
    return next((quantity for quantity, names in _NAMES.items() if name in names), None)


def find_layout(source: ForeignText, needed: Sequence[Collection[Quantity]]) -> Layout:
    """The line that names the columns, and what it says.

    needed : sets of quantities, one of which a table must have whole.

    Raises UnfitImport where no line does, a unit is missing, or two columns say the same.
    """
    best: tuple[int, int, str, list[str]] | None = None
    for delimiter in ("\t", ";", ","):
        for line, cells in islice(cells_of(source, delimiter, strict=False), _SEARCHED_LINES):
            if len(cells) > _MOST_COLUMNS:
                continue
            score = sum(column_named(cell) is not None for cell in cells)
            if score > (best[0] if best else 0):
                best = (score, line, delimiter, cells)
    if best is None:
        raise _no_header(source)
    _, line, delimiter, cells = best
    below = next(iter(cells_of(source, delimiter, first=line + 1)), None)
    first = line + 1
    if below is not None and _is_unit_line(below[1]):
        cells = [f"{cell} {unit}" for cell, unit in zip(cells, [*below[1], *[""] * len(cells)], strict=False)]
        first = below[0] + 1
    columns: dict[Quantity, Column] = {}
    passed: list[str] = []
    for place, cell in enumerate(cells):
        column = column_named(cell, place)
        if column is None:
            if cell:
                passed.append(cell[:_SHOWN_CHARACTERS])
            continue
        if column.quantity in columns:
            raise unfit(
                source,
                f"columns {columns[column.quantity].written!r} and {column.written!r} both give the "
                f"{column.quantity.value}.",
                "Which one is meant would be a guess.",
                "Leave one of them out, or rename it.",
                line=line,
            )
        columns[column.quantity] = column
    _complete(source, line, columns, passed, needed)
    return Layout(
        delimiter=delimiter,
        header_line=line,
        first_line=first,
        width=len(cells),
        columns=columns,
        passed_over=tuple(passed),
    )


def _is_unit_line(cells: Sequence[str]) -> bool:
    words = [_tokens(cell) for cell in cells]
    return any(words) and all(
        _unit(word) is not None or _volts(word)[0] is not None for each in words for word in each
    )


def _complete(
    source: ForeignText,
    line: int,
    columns: dict[Quantity, Column],
    passed: Sequence[str],
    needed: Sequence[Collection[Quantity]],
) -> None:
    if not any(columns.keys() >= set(each) for each in needed):
        wanted = min(needed, key=lambda each: len(set(each) - columns.keys()))
        lacking = [quantity for quantity in wanted if quantity not in columns]
        unread = f" Not understood: {', '.join(map(repr, passed[:6]))}." if passed else ""
        raise unfit(
            source,
            f"no column is named as {' or '.join(q.value for q in lacking)}.{unread}",
            "Which column holds what is told by the words over it, never guessed.",
            f"Name the column {_EXAMPLE[lacking[0]]}.",
            line=line,
        )
    for column in columns.values():
        if column.unit is None:
            raise unfit(
                source,
                f"column {column.written!r} has no unit.",
                f"The {column.quantity.value} can be meant in several.",
                f"Write it into the header, such as {_EXAMPLE[column.quantity]}.",
                line=line,
            )


def _no_header(source: ForeignText) -> UnfitImport:
    return unfit(
        source,
        f"none of its first {_SEARCHED_LINES} lines names the columns.",
        'A table needs a line such as "frequency_hz,gain dB,phase deg", a trace one such as '
        '"time (s),CH1 (V),CH2 (V)"; tabs, semicolons or commas between.',
        "Write such a line above the numbers.",
    )
