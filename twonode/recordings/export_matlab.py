"""The archive as a MATLAB file (level 5), which numerical programs read without parsing text.

Owns the shape of that file: three structures of columns, `parts`, `points` and `readings`, and `about`. A column of
numbers is a vector in which NaN, MATLAB's own word for it, stands for what was not determined; a column of texts is a
cell array, empty text for nothing.
"""

from __future__ import annotations

import io
import types
import typing
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from twonode.recordings.export_rows import (
    ExportedPoint,
    ExportedReading,
    Gathered,
    PartRow,
    part_row,
    point_rows,
    reading_rows,
)

__all__ = ["matlab_file"]


def matlab_file(found: Iterable[Gathered], *, program: str, now_utc: datetime) -> tuple[bytes, int]:
    """The file's content, and how many recordings are in it."""
    from scipy.io import savemat

    parts: list[PartRow] = []
    points: list[ExportedPoint] = []
    readings: list[ExportedReading] = []
    count = 0
    for each in found:
        count += 1
        row = part_row(each)
        if row is not None:
            parts.append(row)
        points += point_rows(each)
        readings += reading_rows(each)
    content: Any = io.BytesIO()  # scipy's annotations know of paths only
    savemat(
        content,
        {
            "about": {
                "program": program,
                "exported_utc": now_utc.isoformat(timespec="seconds"),
                "note": "SI units, named in the columns; NaN: not determined",
            },
            "parts": _columns(PartRow, parts),
            "points": _columns(ExportedPoint, points),
            "readings": _columns(ExportedReading, readings),
        },
        long_field_names=True,
        do_compression=True,
        oned_as="column",
    )
    written: bytes = content.getvalue()
    return written, count


def _columns(kind: type[msgspec.Struct], rows: Sequence[msgspec.Struct]) -> dict[str, NDArray[Any]]:
    return {
        each.name: _column(each.type, [getattr(row, each.name) for row in rows])
        for each in msgspec.structs.fields(kind)
    }


def _column(kind: Any, values: Sequence[Any]) -> NDArray[Any]:
    """A column as its declared type has it, also where no row fills it; shape (rows, 1)."""
    if str in _types(kind):
        cells = np.empty((len(values), 1), dtype=object)
        for place, value in enumerate(values):
            cells[place, 0] = value or ""
        return cells
    numbers = [np.nan if value is None else float(value) for value in values]
    return np.array(numbers, dtype=np.float64).reshape(-1, 1)


def _types(kind: Any) -> tuple[Any, ...]:
    return typing.get_args(kind) if isinstance(kind, types.UnionType) else (kind,)
