"""Two-channel traces that a scope saved to a stick, read from CSV: one file a frequency, time and both channels.

Owns what such a file may hold and turning it into evenly spaced volts. Which frequency it holds, and the converter's
steps, are found by `analysis.found_trace`.
"""

from __future__ import annotations

import os
from array import array
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twonode.recordings.foreign_csv import (
    ForeignText,
    Numbers,
    cells_of,
    check_width,
    comma_numbers,
    read_foreign,
    unfit,
)
from twonode.recordings.foreign_header import Quantity, find_layout

__all__ = ["LARGEST_TRACE_BYTES", "Trace", "parse_trace", "read_trace"]

Real = NDArray[np.float64]

LARGEST_TRACE_BYTES = 48_000_000
LEAST_SAMPLES, MOST_SAMPLES = 40, 1_000_000
_UNEVEN = 0.2
"""Of an interval: what rounding in the file's own times may come to."""

NEEDED = ((Quantity.TIME, Quantity.DRIVE, Quantity.FAR),)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trace:
    """One record of both channels.

    name, sha256 : of the file it came from.
    drive_v, far_v : shape (n,), V, sampled every sample_interval_s.
    passed_over : columns that are not used, as written.
    """

    name: str
    sha256: str
    sample_interval_s: float
    drive_v: Real
    far_v: Real
    passed_over: tuple[str, ...] = ()


def read_trace(path: str | os.PathLike[str]) -> Trace:
    """Read a file. Raises UnfitImport naming file, line and column."""
    return parse_trace(read_foreign(path, largest_bytes=LARGEST_TRACE_BYTES))


def parse_trace(source: ForeignText) -> Trace:
    """`read_trace` of a text that was read already."""
    layout = find_layout(source, NEEDED)
    wanted = [layout.columns[each] for each in NEEDED[0]]
    drive, far = wanted[1], wanted[2]
    if drive.kind or far.kind:
        raise unfit(
            source,
            f"column {(drive if drive.kind else far).written!r} does not hold volts of a moment.",
            "A trace is the voltage at each time.",
            "Save the traces themselves, not what the scope worked out from them.",
            line=layout.header_line,
        )
    numbers = Numbers(
        source=source,
        decimal_comma=comma_numbers(
            source, layout.delimiter, layout.first_line, [column.place for column in wanted]
        ),
    )
    found = [array("d") for _ in wanted]
    lines = array("l")
    for line, cells in cells_of(source, layout.delimiter, first=layout.first_line):
        if not any(cells):
            continue
        check_width(source, cells, width=layout.width, delimiter=layout.delimiter, line=line)
        for column, values in zip(wanted, found, strict=True):
            values.append(numbers.read(cells[column.place], line, column.written) * column.scale)
        lines.append(line)
        if len(lines) > MOST_SAMPLES:
            raise unfit(
                source,
                f"it has more than {MOST_SAMPLES:,} samples.",
                "So many tell no more than a hundredth of them.",
                "Save a shorter record.",
                line=line,
            )
    if len(lines) < LEAST_SAMPLES:
        raise unfit(
            source,
            f"it has {len(lines)} samples.",
            f"A sine needs some cycles with ten samples each; {LEAST_SAMPLES} samples are the least.",
            "Save a longer record.",
        )
    time_s, drive_v, far_v = (np.frombuffer(values, dtype=np.float64) for values in found)
    interval_s = _interval(source, time_s, np.frombuffer(lines, dtype=np.dtype("l")))
    for column, volts in ((drive, drive_v), (far, far_v)):
        if float(np.ptp(volts)) == 0.0:
            raise unfit(
                source,
                f"{column.quantity.value}, column {column.written!r}, is flat: {volts[0]:g} V throughout.",
                "There is no signal in it that could be compared.",
                "Check the clip, and choose a finer range, so that what little arrives there shows.",
            )
    return Trace(
        name=source.name,
        sha256=source.sha256,
        sample_interval_s=interval_s,
        drive_v=drive_v,
        far_v=far_v,
        passed_over=layout.passed_over,
    )


def _interval(source: ForeignText, time_s: Real, lines: NDArray[np.int_]) -> float:
    """Time between samples, s. Raises UnfitImport naming the line where they are not evenly spaced."""
    interval_s = float((time_s[-1] - time_s[0]) / (time_s.size - 1))
    backwards = np.flatnonzero(np.diff(time_s) < 0)
    if backwards.size or not interval_s > 0:
        at = int(backwards[0]) + 1 if backwards.size else 1
        raise unfit(
            source,
            f"time does not run on: {time_s[at]:g} s after {time_s[at - 1]:g} s.",
            "The samples have to stand in the order in which they were taken.",
            "Save the trace again; two records in one file have to be parted.",
            line=int(lines[at]),
        )
    off = np.abs(time_s - time_s[0] - interval_s * np.arange(time_s.size)) / interval_s
    if float(off.max()) > _UNEVEN:
        # The line where the step itself is least like the others is the one to look at.
        at = int(np.argmax(np.abs(np.diff(time_s) - np.median(np.diff(time_s))))) + 1
        raise unfit(
            source,
            f"the samples are not evenly spaced: {time_s[at] - time_s[at - 1]:.4g} s here, "
            f"{interval_s:.4g} s on the average.",
            "Lines are missing, or times were rounded so far that the samples cannot be placed.",
            "Save every sample, with more digits of the time.",
            line=int(lines[at]),
        )
    return interval_s
