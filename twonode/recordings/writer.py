"""Writing a sweep: each point on disk before the next begins, the folder closed at the end or not at all.

Owns what a sweep's folder holds on its way from ``NAME.unfinished`` to ``NAME``; that way itself is `life`. In
between it holds::

    NAME.unfinished/
      data/recording.json        as known so far
      data/points.csv            a row for every reported point
      points/point_0001.npy      its raw codes, there before the row is

Closing packs the codes into data/traces.npz, writes the bag's files, and only then renames the folder.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from twonode.analysis.traces import TracePair
from twonode.recordings.disk import sync_folder, write_whole
from twonode.recordings.errors import UnfitRecord, not_writable
from twonode.recordings.life import FolderWriter, bag_up, clear_left_overs, rename_free
from twonode.recordings.model import Header, PointRow, RecordingKind
from twonode.recordings.points import columns_line, encode_row
from twonode.recordings.tracefile import array_name, encode_point, pack

__all__ = ["RecordingWriter", "assemble"]


class RecordingWriter(FolderWriter[Header]):
    """Writes one sweep or null run; use it in a ``with`` block, see `FolderWriter`."""

    def __init__(self, archive: str | os.PathLike[str], header: Header) -> None:
        super().__init__(
            archive,
            header,
            table="points.csv",
            columns=columns_line(),
            about="null" if header.kind is RecordingKind.NULL else header.part,
        )

    @property
    def points(self) -> int:
        """Points safely on disk."""
        return self._rows

    def add_point(self, row: PointRow, traces: TracePair) -> None:
        """Store one finished point; on return codes and row are on the medium.

        The row's point number must follow on, and the row must fit its traces.

        Raises ArchiveNotWritable (the points before stay safe), UnfitRecord.
        """
        self._open_table()
        _fit(row, traces, expected_point=self._rows + 1)
        line = encode_row(row)
        target = self._folder / "points" / f"{array_name(row.point)}.npy"

        def codes_first() -> Path:
            write_whole(target, encode_point(row.frequency_hz, traces))
            return target

        self._append(line, before=codes_first)

    def _make_places(self) -> None:
        (self._folder / "points").mkdir()

    def _seal(self) -> Path:
        return assemble(self._folder, self._header, range(1, self._rows + 1))


def _fit(row: PointRow, traces: TracePair, *, expected_point: int) -> None:
    pairs = (
        ("point", row.point, expected_point),
        ("samples", row.samples, traces.samples),
        ("sample_interval_s", row.sample_interval_s, traces.sample_interval_s),
        ("drive_volts_per_div", row.drive_volts_per_div, traces.drive.volts_per_div),
        ("far_volts_per_div", row.far_volts_per_div, traces.far.volts_per_div),
    )
    for name, in_row, in_traces in pairs:
        if in_row != in_traces:
            raise UnfitRecord(
                f"Point {row.point}: {name} is {in_row} in its row and {in_traces} in its traces.",
                "Row and codes are checked against each other whenever the recording is read.",
                "Make the row from the same record as the traces.",
            )


def assemble(folder: Path, header: Header, points: range) -> Path:
    """Turn an unfinished folder, whose lock the caller holds, into a closed recording; returns its new path.

    Safe to repeat after being killed at any moment: the single point files are set aside only when the packed
    codes and the manifests are on the medium.

    Raises ArchiveNotWritable.
    """
    try:
        clear_left_overs(folder)
        if (folder / "points").is_dir():
            sources = ((point, folder / "points" / f"{array_name(point)}.npy") for point in points)
            packed = folder / "data" / ".traces.npz.tmp"
            pack(packed, sources)
            os.replace(packed, folder / "data" / "traces.npz")
            sync_folder(folder / "data")
        bag_up(folder, header)
        if (folder / "points").is_dir():
            os.rename(folder / "points", folder / "packed")
            sync_folder(folder)
        shutil.rmtree(folder / "packed", ignore_errors=True)
        return rename_free(folder)
    except OSError as exc:
        raise not_writable(folder, exc) from exc
