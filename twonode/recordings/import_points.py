"""A table of frequencies and ratios made by hand or by any other means, read from CSV.

Owns what such a table may hold and turning it into sizes, phases and their standard uncertainties. A phase that is
not in the table is not made up: such a row has a size alone.

A table names its columns (`foreign_header`): a frequency; the size of far / drive as a ratio, in dB or in %, or both
voltages; perhaps a phase (far lags: negative); perhaps standard uncertainties of size and phase.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite, log, radians

from twonode.recordings.errors import UnfitImport
from twonode.recordings.foreign_csv import (
    ForeignText,
    Numbers,
    cells_of,
    check_width,
    comma_numbers,
    read_foreign,
    unfit,
)
from twonode.recordings.foreign_header import Layout, Quantity, find_layout
from twonode.recordings.import_traces import LARGEST_TRACE_BYTES

__all__ = [
    "LEAST_POINTS",
    "MOST_POINTS",
    "USUAL_PHASE_UNCERTAINTY_DEG",
    "USUAL_SIZE_UNCERTAINTY",
    "PointsTable",
    "TablePoint",
    "holds_points",
    "read_points_table",
]

LARGEST_TABLE_BYTES = 4_000_000
LEAST_POINTS, MOST_POINTS = 3, 2_000

USUAL_SIZE_UNCERTAINTY = 0.03
"""Standard, relative: a ratio of two readings off a screen (common practice, no source)."""
USUAL_PHASE_UNCERTAINTY_DEG = 2.0
"""Standard: from the shift of two traces on a screen (common practice, no source)."""

_DB = log(10.0) / 20.0
_LARGEST_DB = 300.0
_LARGEST_SIGMA = 0.5
"""Relative and in radians: beyond it a reading says next to nothing, and no Gaussian describes it."""

NEEDED = (
    (Quantity.FREQUENCY, Quantity.SIZE),
    (Quantity.FREQUENCY, Quantity.DRIVE, Quantity.FAR),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TablePoint:
    """One row.

    line : in the file. size : |far / drive|, V/V, with its standard uncertainty in V/V.
    phase_rad, phase_uncertainty_rad : None where the row has no phase.
    """

    line: int
    frequency_hz: float
    size: float
    size_uncertainty: float
    phase_rad: float | None = None
    phase_uncertainty_rad: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PointsTable:
    """All rows, by rising frequency, and what the person has to know of how they were read."""

    source: ForeignText
    points: tuple[TablePoint, ...]
    notes: tuple[str, ...]


def holds_points(path: str | os.PathLike[str]) -> bool:
    """Whether a file's columns are those of a table of points, not of a trace.

    Raises UnfitImport where it cannot be read, or no line names a frequency or a time.
    """
    source = read_foreign(path, largest_bytes=LARGEST_TRACE_BYTES)
    layout = find_layout(source, [(Quantity.FREQUENCY,), (Quantity.TIME,)])
    return Quantity.FREQUENCY in layout.columns


def read_points_table(
    path: str | os.PathLike[str],
    *,
    size_uncertainty: float | None = None,
    phase_uncertainty_deg: float | None = None,
) -> PointsTable:
    """Read a table.

    Parameters
    ----------
    size_uncertainty : standard, relative; for rows whose size the table gives none. None is the usual one.
    phase_uncertainty_deg : the same of the phase.

    Raises
    ------
    UnfitImport : naming file, line and column; see `foreign_csv` for what is refused. Rows may be in any order; the
        same readings twice are refused, for they would count as if they had been taken again.
    """
    return parse_points(
        read_foreign(path, largest_bytes=LARGEST_TABLE_BYTES),
        size_uncertainty=size_uncertainty,
        phase_uncertainty_deg=phase_uncertainty_deg,
    )


def parse_points(
    source: ForeignText, *, size_uncertainty: float | None = None, phase_uncertainty_deg: float | None = None
) -> PointsTable:
    """`read_points_table` of a text that was read already."""
    layout = find_layout(source, NEEDED)
    _check_volts(source, layout)
    places = [column.place for column in layout.columns.values()]
    decimal_comma = comma_numbers(source, layout.delimiter, layout.first_line, places)
    reader = _Reader(
        source,
        layout,
        Numbers(source=source, decimal_comma=decimal_comma),
        size_uncertainty or USUAL_SIZE_UNCERTAINTY,
        radians(phase_uncertainty_deg or USUAL_PHASE_UNCERTAINTY_DEG),
    )
    points = []
    for line, cells in cells_of(source, layout.delimiter, first=layout.first_line):
        if not any(cells):
            continue
        points.append(reader.point(line, cells))
        if len(points) > MOST_POINTS:
            raise unfit(
                source,
                f"it has more than {MOST_POINTS} rows.",
                "No sweep by hand has, and an estimate would take hours.",
                "Save the rows that matter.",
                line=line,
            )
    if len(points) < LEAST_POINTS:
        raise unfit(
            source,
            f"it has {len(points)} row{'' if len(points) == 1 else 's'} of readings.",
            f"Value, loss and gain cannot be told apart with fewer than {LEAST_POINTS}.",
            "Add readings at other frequencies.",
        )
    ordered = tuple(sorted(points, key=lambda point: (point.frequency_hz, point.line)))
    repeated = _check_repeated(source, ordered)
    return PointsTable(
        source=source,
        points=ordered,
        notes=tuple(
            _notes(
                layout,
                points,
                repeated,
                decimal_comma=decimal_comma,
                stated=size_uncertainty is not None,
                phase_stated=phase_uncertainty_deg is not None,
            )
        ),
    )


class _Reader:
    """Rows into points."""

    def __init__(
        self, source: ForeignText, layout: Layout, numbers: Numbers, size_sigma: float, phase_sigma: float
    ) -> None:
        self._source = source
        self._layout = layout
        self._numbers = numbers
        self._size_sigma = size_sigma
        self._phase_sigma = phase_sigma

    def point(self, line: int, cells: Sequence[str]) -> TablePoint:
        check_width(
            self._source, cells, width=self._layout.width, delimiter=self._layout.delimiter, line=line
        )
        frequency_hz = self._value(Quantity.FREQUENCY, line, cells)
        assert frequency_hz is not None
        if not frequency_hz > 0:
            raise self._wrong(
                Quantity.FREQUENCY,
                line,
                f"{frequency_hz:g} Hz is not above zero",
                "A ratio is read at a frequency.",
            )
        size, sure = self._size(line, cells)
        sigma = self._uncertainty(line, cells, size)
        if not size > 0 and not sure:
            raise self._wrong(
                Quantity.SIZE,
                line,
                f"a ratio of {size:g} is not above zero",
                "Nothing is read as nothing: it lies below what the instrument can show.",
            )
        phase_rad = self._optional(Quantity.PHASE, line, cells)
        if phase_rad is None:
            return TablePoint(line=line, frequency_hz=frequency_hz, size=size, size_uncertainty=sigma)
        spread = self._optional(Quantity.PHASE_UNCERTAINTY, line, cells)
        spread_rad = self._phase_sigma if spread is None else radians(spread)
        if not 0 < spread_rad <= _LARGEST_SIGMA:
            raise self._wrong(
                Quantity.PHASE_UNCERTAINTY,
                line,
                f"an uncertainty of {spread} degrees is none that helps",
                "It has to be above zero and below 29 degrees; without a phase the row counts as a size alone.",
            )
        return TablePoint(
            line=line,
            frequency_hz=frequency_hz,
            size=size,
            size_uncertainty=sigma,
            phase_rad=radians(phase_rad),
            phase_uncertainty_rad=spread_rad,
        )

    def _value(self, quantity: Quantity, line: int, cells: Sequence[str]) -> float:
        column = self._layout.columns[quantity]
        return self._numbers.read(cells[column.place], line, column.written) * column.scale

    def _optional(self, quantity: Quantity, line: int, cells: Sequence[str]) -> float | None:
        column = self._layout.columns.get(quantity)
        if column is None or not cells[column.place]:
            return None
        return self._value(quantity, line, cells)

    def _size(self, line: int, cells: Sequence[str]) -> tuple[float, bool]:
        """The size and whether zero is a possible one: where it has an uncertainty of its own in volts per volt."""
        column = self._layout.columns.get(Quantity.SIZE)
        if column is None:
            drive, far = (self._value(each, line, cells) for each in (Quantity.DRIVE, Quantity.FAR))
            if not drive > 0 or not far > 0:
                raise self._wrong(
                    Quantity.FAR if drive > 0 else Quantity.DRIVE,
                    line,
                    f"{min(drive, far):g} V is not above zero",
                    "A size is that of two alternating voltages.",
                )
            return far / drive, False
        value = self._value(Quantity.SIZE, line, cells)
        if column.unit == "dB":
            if abs(value) > _LARGEST_DB:
                raise self._wrong(
                    Quantity.SIZE, line, f"{value:g} dB is beyond all measure", "No bench reads such a ratio."
                )
            return 10.0 ** (value / 20.0), False
        if value < 0:
            raise self._wrong(
                Quantity.SIZE, line, f"a ratio of {value:g} is below zero", "A size is not; decibels may be."
            )
        size = value / 100.0 if column.unit == "%" else value
        own = self._layout.columns.get(Quantity.SIZE_UNCERTAINTY)
        return size, own is not None and own.unit == "V/V" and bool(cells[own.place])

    def _uncertainty(self, line: int, cells: Sequence[str], size: float) -> float:
        """Standard, V/V."""
        value = self._optional(Quantity.SIZE_UNCERTAINTY, line, cells)
        if value is None:
            return self._size_sigma * size
        unit = self._layout.columns[Quantity.SIZE_UNCERTAINTY].unit
        sigma = value if unit == "V/V" else size * (value / 100.0 if unit == "%" else value * _DB)
        if not (value > 0 and isfinite(sigma)) or (unit != "V/V" and sigma > _LARGEST_SIGMA * size):
            raise self._wrong(
                Quantity.SIZE_UNCERTAINTY,
                line,
                f"an uncertainty of {value:g} {unit} is none that helps",
                "It has to be above zero and below half of the reading; a reading without any says nothing.",
            )
        return sigma

    def _wrong(self, quantity: Quantity, line: int, what: str, why: str) -> UnfitImport:
        column = self._layout.columns.get(quantity) or self._layout.columns[Quantity.FAR]
        return unfit(
            self._source,
            f"{what}, in column {column.written!r}.",
            why,
            "Correct the cell, or take the line out.",
            line=line,
        )


def _check_volts(source: ForeignText, layout: Layout) -> None:
    """Both voltages have to be counted alike."""
    drive, far = (layout.columns.get(each) for each in (Quantity.DRIVE, Quantity.FAR))
    if Quantity.SIZE not in layout.columns and drive and far and drive.kind != far.kind:
        raise unfit(
            source,
            f"columns {drive.written!r} and {far.written!r} count volts differently.",
            "Their quotient is then no ratio of the two nodes.",
            "Give both as peak-to-peak, or both as rms.",
            line=layout.header_line,
        )


def _check_repeated(source: ForeignText, ordered: Sequence[TablePoint]) -> int:
    """How many frequencies were read more than once. Raises UnfitImport for the same readings twice."""
    seen: dict[tuple[float, float, float | None], TablePoint] = {}
    for point in ordered:
        key = (point.frequency_hz, point.size, point.phase_rad)
        if key in seen:
            raise unfit(
                source,
                f"it repeats line {min(seen[key].line, point.line)}: {point.frequency_hz:g} Hz with the same reading.",
                "It would count as if it had been read again, and promise too much.",
                "Take one of the two lines out.",
                line=max(seen[key].line, point.line),
            )
        seen[key] = point
    counts: dict[float, int] = {}
    for point in ordered:
        counts[point.frequency_hz] = counts.get(point.frequency_hz, 0) + 1
    return sum(count > 1 for count in counts.values())


def _notes(
    layout: Layout,
    points: Sequence[TablePoint],
    repeated: int,
    *,
    decimal_comma: bool,
    stated: bool,
    phase_stated: bool,
) -> Iterator[str]:
    columns = layout.columns
    passed = list(layout.passed_over)
    if Quantity.SIZE in columns:
        passed += [columns[each].written for each in (Quantity.DRIVE, Quantity.FAR) if each in columns]
    if passed:
        yield f"Columns passed over: {', '.join(passed)}."
    if decimal_comma:
        yield "Commas were read as decimal marks."
    if any(a.frequency_hz > b.frequency_hz for a, b in pairwise(points)):
        yield "The rows were not in the order of their frequencies; they were sorted."
    if repeated:
        yield f"{repeated} frequenc{'y was' if repeated == 1 else 'ies were'} read more than once; each reading counts."
    without = sum(point.phase_rad is None for point in points)
    if without == len(points):
        yield "There are no phases: the sizes alone count."
    elif without:
        yield f"Without a phase: {without} of {len(points)} rows, of which the size alone counts."
    if all(point.size > 1.0 for point in points):
        yield "Every size is above 1 (0 dB); a loss in decibels is written with a minus."
    if Quantity.SIZE_UNCERTAINTY not in columns and not stated:
        yield f"No uncertainty is given: {_percent(USUAL_SIZE_UNCERTAINTY)} of each size is taken (standard, k = 1)."
    if without < len(points) and Quantity.PHASE_UNCERTAINTY not in columns and not phase_stated:
        yield (
            f"No uncertainty of the phase is given: {USUAL_PHASE_UNCERTAINTY_DEG:g} degrees are taken "
            "(standard, k = 1)."
        )


def _percent(fraction: float) -> str:
    return f"{100 * fraction:g} %"
