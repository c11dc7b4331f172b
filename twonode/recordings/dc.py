"""Recordings of DC readings: written reading by reading, closed as a bag, read back and checked.

Owns `DcWriter` and `DcRecording`. While it is being written the folder holds data/recording.json and
data/readings.csv; each reading is on the medium before the next one is taken.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from math import isfinite
from pathlib import Path

from twonode.recordings.bag import check_bag, damaged
from twonode.recordings.bounded import LARGEST_HEADER_BYTES, LARGEST_TABLE_BYTES, read_bounded
from twonode.recordings.csvtable import columns_of, encode_cells, read_table
from twonode.recordings.dcmodel import DcHeader, DcRow, decode_dc_header
from twonode.recordings.errors import UnfitRecord, not_writable
from twonode.recordings.life import FolderWriter, bag_up, clear_left_overs, rename_free
from twonode.recordings.model import RecordingKind

__all__ = [
    "READINGS",
    "DcRecording",
    "DcWriter",
    "assemble_dc",
    "load_dc_recording",
    "read_dc_header",
    "read_dc_recording",
]

READINGS = "readings.csv"


class DcWriter(FolderWriter[DcHeader]):
    """Writes one set of DC readings; use it in a ``with`` block, see `FolderWriter`."""

    def __init__(self, archive: str | os.PathLike[str], header: DcHeader) -> None:
        super().__init__(
            archive, header, table=READINGS, columns=columns_of(DcRow), about=header.part or "voltages"
        )

    @property
    def readings(self) -> int:
        """Readings safely on disk."""
        return self._rows

    def add_reading(self, row: DcRow) -> None:
        """Store one reading; on return it is on the medium. Its number must follow on.

        Raises ArchiveNotWritable (the readings before stay safe), UnfitRecord.
        """
        self._open_table()
        if row.reading != self._rows + 1:
            raise UnfitRecord(
                f"Reading {row.reading} follows reading {self._rows}.",
                "Readings are numbered in the order taken, without a gap.",
                f"Number it {self._rows + 1}.",
            )
        for because in _unsound(row):
            raise UnfitRecord(
                f"Reading {row.reading}: {because}.",
                "Such a row would be refused when the recording is read.",
                "Correct the reading.",
            )
        self._append(encode_cells(row))

    def _seal(self) -> Path:
        return assemble_dc(self._folder, self._header)


def assemble_dc(folder: Path, header: DcHeader) -> Path:
    """Turn an unfinished folder, whose lock the caller holds, into a closed recording; returns its new path.

    Safe to repeat after being killed at any moment. Raises ArchiveNotWritable.
    """
    try:
        clear_left_overs(folder)
        bag_up(folder, header)
        return rename_free(folder)
    except OSError as exc:
        raise not_writable(folder, exc) from exc


@dataclass(frozen=True, slots=True, kw_only=True)
class DcRecording:
    """A closed recording of DC readings.

    folder : the recording's folder. readings : all rows, in the order taken.
    """

    folder: Path
    header: DcHeader
    readings: tuple[DcRow, ...]

    @property
    def name(self) -> str:
        """The folder's name."""
        return self.folder.name

    def check(self) -> None:
        """Raise DamagedRecording unless header and rows hold together.

        There is a reading; readings are numbered 1, 2, 3 ...; time never runs backwards; every volt is a number
        with limits above zero; nodes and states have names; the meter has a resistance above zero.
        """
        table = self.folder / "data" / READINGS
        head = self.folder / "data" / "recording.json"
        if self.header.kind is not RecordingKind.DC:
            raise damaged(head, f"kind is {self.header.kind.value!r}, not 'dc'")
        meter = self.header.meter
        if not 0 < meter.resistance_ohm < float("inf"):
            raise damaged(head, f"meter.resistance_ohm is {meter.resistance_ohm}, not above zero")
        for name in ("resistance_relative", "relative", "counts", "floor_v"):
            if not 0 <= getattr(meter, name) < float("inf"):
                raise damaged(head, f"meter.{name} is {getattr(meter, name)}, below zero")
        if not self.readings:
            raise damaged(table, "it holds no reading")
        before_s = 0.0
        for place, row in enumerate(self.readings, start=1):
            if row.reading != place:
                raise damaged(table, f"row {place} is numbered {row.reading}")
            if row.time_s < before_s:
                raise damaged(table, f"reading {place}: time_s runs backwards")
            before_s = row.time_s
            for because in _unsound(row):
                raise damaged(table, f"reading {place}: {because}")


def _unsound(row: DcRow) -> Iterator[str]:
    """What no reading may be."""
    if not isfinite(row.volts):
        yield f"volts is {row.volts}"
    if not 0 < row.half_width_v < float("inf"):
        yield f"half_width_v is {row.half_width_v}, not above zero"
    if row.step_v is not None and not 0 < row.step_v < float("inf"):
        yield f"step_v is {row.step_v}, not above zero"
    if not 0 <= row.time_s < float("inf"):
        yield f"time_s is {row.time_s}, below zero"
    for name in ("node", "state"):
        if not getattr(row, name).strip():
            yield f"{name} is empty"


def read_dc_recording(path: str | os.PathLike[str]) -> DcRecording:
    """Read a closed recording of DC readings.

    Raises NotARecording, OtherKind, NewerFormat, or DamagedRecording naming file and field. Every file is compared
    with the manifests before anything in it is believed.
    """
    folder = Path(path)
    check_bag(folder)
    return load_dc_recording(folder)


def load_dc_recording(folder: Path) -> DcRecording:
    """The same for a folder whose files were compared with the manifests already."""
    header = read_dc_header(folder)
    table = folder / "data" / READINGS
    recording = DcRecording(
        folder=folder,
        header=header,
        readings=read_table(read_bounded(table, LARGEST_TABLE_BYTES), DcRow, where=str(table)),
    )
    recording.check()
    return recording


def read_dc_header(folder: Path) -> DcHeader:
    """recording.json alone, not compared with the manifest: for lists and indexes.

    Raises OtherKind, NewerFormat, or DamagedRecording naming the field.
    """
    path = folder / "data" / "recording.json"
    return decode_dc_header(read_bounded(path, LARGEST_HEADER_BYTES), where=str(path))
