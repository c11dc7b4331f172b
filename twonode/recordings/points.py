"""points.csv: one row a point of a sweep, or of an imported table.

Owns which rows stand there; how a row is written belongs to `csvtable`.
"""

from __future__ import annotations

from twonode.recordings.csvtable import columns_of, encode_cells, read_table
from twonode.recordings.model import PointRow, RecordingKind, TableRow

__all__ = ["COLUMNS", "columns_line", "encode_row", "read_rows", "row_type"]

COLUMNS: tuple[str, ...] = PointRow.__struct_fields__


def row_type(kind: RecordingKind) -> type[PointRow]:
    """What a row of points.csv is in a recording of this kind."""
    return TableRow if kind is RecordingKind.POINTS else PointRow


def columns_line(kind: RecordingKind = RecordingKind.SWEEP) -> bytes:
    """The first line of points.csv."""
    return columns_of(row_type(kind))


def encode_row(row: PointRow) -> bytes:
    """One line of points.csv. Raises UnfitRecord for NaN, infinity, or text that is no Unicode."""
    return encode_cells(row)


def read_rows(
    content: bytes, *, where: str, kind: RecordingKind = RecordingKind.SWEEP
) -> tuple[PointRow, ...]:
    """points.csv read back; ``where`` names the file in errors. Raises DamagedRecording naming line and column."""
    return read_table(content, row_type(kind), where=where)
