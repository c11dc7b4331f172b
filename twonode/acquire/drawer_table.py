"""The table of a batch: one row for every time a part was measured, as a CSV file that is whole at any moment.

Owns the rows, their columns and the bins. A row is never removed: one that was taken back is marked as withdrawn, with
the reason. What the columns of a part hold is `analysis.loose_report`'s business.
"""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Any

from twonode.acquire.errors import UnfitRequest
from twonode.recordings.disk import write_whole
from twonode.recordings.errors import DamagedRecording, RecordingError, not_writable

if TYPE_CHECKING:
    from twonode.analysis.loose_part import LoosePart

__all__ = ["BatchTable", "Bin", "DrawerRow", "RowState"]

_FIRST = ("part", "state", "because", "measured_utc", "simulated")
_LAST = ("bin", "label", "recording")
_LARGEST_BYTES = 64_000_000


class RowState(Enum):
    """Whether a row counts."""

    KEPT = "kept"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawerRow:
    """One measurement of one part.

    number : of the part in its batch, from 1. because : why it was withdrawn, else None.
    simulated : measured on a simulated bench; 1 or 0 in the file.
    recordings : folders of its sweeps, the one that carries the result last.
    cells : columns of the part, by name. document : the result as JSON; None in a row read back from the file.
    loose : the result itself; None likewise. bin, label : where it belongs, and what to write on it.
    """

    number: int
    state: RowState = RowState.KEPT
    because: str | None = None
    measured_utc: datetime
    simulated: bool
    recordings: tuple[Path, ...]
    cells: Mapping[str, str | float | int | bool | None]
    document: Mapping[str, Any] | None
    bin: str
    label: str
    loose: LoosePart | None = None

    @property
    def recording(self) -> Path:
        """The folder with the result."""
        return self.recordings[-1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bin:
    """Parts that belong together: their numbers in rising order."""

    name: str
    numbers: tuple[int, ...]


class BatchTable:
    """The rows of a batch, written to its file after every change.

    columns : names of the part's own columns, in order.
    """

    def __init__(self, path: Path, columns: Sequence[str]) -> None:
        self.path = path
        self._columns = tuple(columns)
        self._rows: list[DrawerRow] = []

    @classmethod
    def opened(cls, path: Path, columns: Sequence[str]) -> BatchTable:
        """The table of a batch that goes on, or an empty one where there is no file yet.

        Raises DamagedRecording where the file is no such table.
        """
        table = cls(path, columns)
        if path.exists():
            table._rows = _read(path, table._header())
        return table

    @property
    def rows(self) -> tuple[DrawerRow, ...]:
        """All rows in the order they were measured."""
        return tuple(self._rows)

    @property
    def kept(self) -> tuple[DrawerRow, ...]:
        """The rows that count, by number."""
        return tuple(sorted((r for r in self._rows if r.state is RowState.KEPT), key=lambda row: row.number))

    @property
    def last(self) -> DrawerRow | None:
        """The row measured last of those that count."""
        kept = [row for row in self._rows if row.state is RowState.KEPT]
        return kept[-1] if kept else None

    @property
    def next_number(self) -> int:
        """The number of the next part."""
        return max((row.number for row in self.kept), default=0) + 1

    def refuse_mixture(self, *, simulated: bool) -> None:
        """Raise UnfitRequest where parts that count were measured on the other kind of bench."""
        if any(row.simulated is not simulated for row in self.kept):
            held, coming = ("real", "simulated") if simulated else ("simulated", "real")
            raise UnfitRequest(
                f"The batch in {self.path.name} is of {held} parts; {coming} ones do not go into it.",
                "Nobody could tell later which of its values are true.",
                "Begin another batch (--batch).",
            )

    def add(self, row: DrawerRow, *, because: str = "") -> DrawerRow | None:
        """Append a row and write the file; a row of the same number is withdrawn for the reason given and returned.

        Raises ArchiveNotWritable; the table is then as before.
        """
        rows = list(self._rows)
        place = next(
            (i for i, r in enumerate(rows) if r.state is RowState.KEPT and r.number == row.number), None
        )
        replaced = None
        if place is not None:
            replaced = rows[place] = replace(rows[place], state=RowState.WITHDRAWN, because=because)
        self._write([*rows, row])
        return replaced

    def withdraw_last(self, because: str) -> DrawerRow | None:
        """Mark the last row that counts as withdrawn; None where there is none. Raises ArchiveNotWritable."""
        last = self.last
        if last is None:
            return None
        withdrawn = replace(last, state=RowState.WITHDRAWN, because=because)
        self._write([withdrawn if row is last else row for row in self._rows])
        return withdrawn

    def bins(self) -> tuple[Bin, ...]:
        """The rows that count, sorted into their bins: the smallest value first, those without a value last."""
        numbers: dict[str, list[int]] = {}
        for row in sorted(self.kept, key=_value_order):
            numbers.setdefault(row.bin, []).append(row.number)
        return tuple(Bin(name=name, numbers=tuple(sorted(found))) for name, found in numbers.items())

    def _header(self) -> tuple[str, ...]:
        return (*_FIRST, *self._columns, *_LAST)

    def _write(self, rows: list[DrawerRow]) -> None:
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(self._header())
        for row in rows:
            when = f"{row.measured_utc:%Y-%m-%dT%H:%M:%SZ}"
            first = (row.number, row.state.value, row.because, when, int(row.simulated))
            last = (row.bin, row.label, _relative(row.recording, self.path.parent))
            cells = [row.cells.get(name) for name in self._columns]
            writer.writerow([_cell(each) for each in (*first, *cells, *last)])
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            write_whole(self.path, text.getvalue().encode("utf-8"))
        except OSError as exc:
            raise not_writable(self.path, exc) from exc
        self._rows = rows


def _cell(value: object) -> str:
    """The shortest decimal that reads back exactly; nothing for None; a text stays on its line."""
    if value is None:
        return ""
    return repr(value) if isinstance(value, float) else " ".join(str(value).split())


def _value_order(row: DrawerRow) -> tuple[bool, float, str]:
    try:
        return (False, float(row.cells.get("nearest_farad") or ""), row.bin)
    except ValueError:
        return (True, 0.0, row.bin)


def _relative(folder: Path, place: Path) -> str:
    """Relative to the table where that is possible, so that both can be moved together."""
    try:
        return Path(os.path.relpath(folder, place)).as_posix()
    except ValueError:  # Windows: on another drive
        return folder.as_posix()


def _read(path: Path, header: tuple[str, ...]) -> list[DrawerRow]:
    try:
        content = path.read_bytes()[: _LARGEST_BYTES + 1]
        text = content.decode("utf-8")
        lines = list(csv.DictReader(io.StringIO(text, newline="")))
        if len(content) > _LARGEST_BYTES:
            raise ValueError(f"it is longer than {_LARGEST_BYTES} bytes")
        if lines and tuple(lines[0]) != header:
            raise ValueError("its columns are not those of a batch")
        return [_row(line, path.parent) for line in lines]
    except OSError as exc:
        raise RecordingError(
            f"{path} cannot be read: {exc.strerror or exc}.",
            "It is the table of the batch that is to go on.",
            "Check the file, or begin another batch (--batch).",
        ) from exc
    except (UnicodeDecodeError, csv.Error, ValueError, TypeError) as exc:
        raise DamagedRecording(
            f"{path} is no table of a batch: {exc}.",
            "Its rows would be lost if another table took its place.",
            "Move the file away, or begin another batch (--batch).",
        ) from exc


def _row(line: Mapping[str, str], place: Path) -> DrawerRow:
    return DrawerRow(
        number=int(line["part"]),
        state=RowState(line["state"]),
        because=line["because"] or None,
        measured_utc=datetime.fromisoformat(line["measured_utc"]),
        simulated=bool(int(line["simulated"])),
        recordings=(place / line["recording"],),
        cells={name: text for name, text in line.items() if name not in (*_FIRST, *_LAST)},
        document=None,
        bin=line["bin"],
        label=line["label"],
    )
