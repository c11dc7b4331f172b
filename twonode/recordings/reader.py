"""Reading a closed recording: compared with its manifests, typed, and consistent before anyone uses it.

Owns `Recording` and its invariants. Computes nothing from the codes; that is the estimate's work.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from twonode.analysis.errors import StageError
from twonode.analysis.stage import Stage, stage_from_document
from twonode.analysis.traces import TracePair
from twonode.recordings.bag import check_bag, damaged
from twonode.recordings.bounded import LARGEST_HEADER_BYTES, LARGEST_TABLE_BYTES, read_bounded
from twonode.recordings.model import Header, PointRow, PointState, RecordingKind, TableRow, decode_header
from twonode.recordings.points import read_rows
from twonode.recordings.tracefile import PointTraces, TraceFile, check_members, read_point

__all__ = ["Recording", "load_recording", "read_header", "read_recording"]


@dataclass(frozen=True, kw_only=True)
class Recording:
    """A closed recording. The codes stay on disk until they are asked for, one point at a time.

    folder : the recording's folder. points : all rows, refused ones too, in the order taken.
    stage : of a sweep; None for a null run, which measures the channels and no circuit.
    """

    folder: Path
    header: Header
    points: tuple[PointRow, ...]
    stage: Stage | None = field(repr=False, default=None)

    @property
    def name(self) -> str:
        """The folder's name."""
        return self.folder.name

    @property
    def has_codes(self) -> bool:
        """Whether the raw codes of its points were kept; an imported table never had any."""
        return self.header.kind is not RecordingKind.POINTS

    @cached_property
    def used(self) -> tuple[PointRow, ...]:
        """The rows that go into an estimate."""
        return tuple(row for row in self.points if row.state is PointState.USED)

    def traces(self, point: int) -> TracePair:
        """The raw codes of one point (its number in points.csv), shape (samples,) each.

        Raises DamagedRecording where they do not fit their row.
        """
        path = self.folder / "data" / "traces.npz"
        return _fitting(self.points[point - 1], read_point(path, point), path)

    def all_traces(self) -> Iterator[tuple[PointRow, TracePair]]:
        """Each row with its codes, one in memory at a time; nothing where there are none (an imported table)."""
        if not self.has_codes:
            return
        path = self.folder / "data" / "traces.npz"
        with TraceFile(path) as stored:
            for row in self.points:
                yield row, _fitting(row, stored.point(row.point), path)

    def check(self) -> None:
        """Raise DamagedRecording unless header, rows and codes agree.

        Points are numbered 1, 2, 3 ...; time never runs backwards; frequencies, intervals and ranges are
        above zero; a used point has a ratio with a covariance that is one; a refused one says why; a sweep has
        a hook-up and a stage, and the asked part is in it, while a null run has neither part nor stage; the
        codes of every point, and no others, are there in the length its row says. An imported table has no codes; a
        point of it may have a size instead of a ratio.
        """
        table = self.folder / "data" / "points.csv"
        before_s = 0.0
        for place, row in enumerate(self.points, start=1):
            where = f"point {row.point}"
            if row.point != place:
                raise damaged(table, f"row {place} is numbered {row.point}")
            if row.time_s < before_s:
                raise damaged(table, f"{where}: time_s runs backwards")
            before_s = row.time_s
            for name in _ABOVE_ZERO + (_WITH_CODES if self.has_codes else ()):
                value = getattr(row, name)
                if value is None or not value > 0:
                    raise damaged(table, f"{where}: {name} is {value}, not above zero")
            _check_ratio(row, table)
        self._check_subject()
        if self.has_codes:
            samples_of = {row.point: row.codes_per_channel for row in self.points}
            check_members(self.folder / "data" / "traces.npz", samples_of)
        elif not self.header.conditions.imported:
            head = self.folder / "data" / "recording.json"
            raise damaged(head, "a table of points is not marked as imported")

    def _check_subject(self) -> None:
        """Raise DamagedRecording unless kind, hook-up, stage and part belong together."""
        header, where = self.header, self.folder / "data" / "recording.json"
        if header.kind is RecordingKind.NULL:
            for name, found in (("stage", self.stage), ("part", header.part)):
                if found is not None:
                    raise damaged(where, f"a null run has a {name}")
            return
        if self.stage is None:
            raise damaged(where, "a sweep has no stage")
        if header.hookup is None:
            raise damaged(where, "a sweep has no hookup")
        if header.part is not None:
            try:
                self.stage.part(header.part)
            except StageError as exc:
                raise damaged(where, exc.what.rstrip(".")) from exc


_ABOVE_ZERO = ("frequency_set_hz", "frequency_hz", "averages")
_WITH_CODES = ("sample_interval_s", "drive_volts_per_div", "far_volts_per_div", "samples")


def _fitting(row: PointRow, read: PointTraces, path: Path) -> TracePair:
    """The codes of one row. Raises DamagedRecording where the two do not fit."""
    pairs = (
        ("frequency_hz", row.frequency_hz, read.frequency_hz),
        ("sample_interval_s", row.sample_interval_s, read.traces.sample_interval_s),
        ("samples", row.samples, read.traces.samples),
        ("drive_volts_per_div", row.drive_volts_per_div, read.traces.drive.volts_per_div),
        ("far_volts_per_div", row.far_volts_per_div, read.traces.far.volts_per_div),
    )
    for name, in_row, in_traces in pairs:
        if in_row != in_traces:
            raise damaged(path, f"point {row.point}: {name} is {in_traces}, points.csv says {in_row}")
    return read.traces


def _check_ratio(row: PointRow, table: Path) -> None:
    if row.state is PointState.REFUSED:
        if not row.reason:
            raise damaged(table, f"point {row.point}: it is refused without a reason")
        return
    if isinstance(row, TableRow) and row.magnitude is not None:
        if row.ratio is not None:
            raise damaged(table, f"point {row.point}: it has a ratio and a size of its own")
        if row.magnitude < 0 or not (row.magnitude_standard_uncertainty or 0.0) > 0:
            raise damaged(table, f"point {row.point}: its size has no uncertainty above zero")
        return
    if row.ratio is None or row.var_re is None or row.var_im is None or row.cov_re_im is None:
        raise damaged(table, f"point {row.point}: it is used and has no ratio with a covariance")
    # A hair of slack: the three were rounded separately.
    if (
        row.var_re < 0
        or row.var_im < 0
        or row.cov_re_im * row.cov_re_im > row.var_re * row.var_im * (1 + 1e-9)
    ):
        raise damaged(table, f"point {row.point}: its covariance is none")


def read_recording(path: str | os.PathLike[str]) -> Recording:
    """Read a closed recording.

    Raises NotARecording, OtherKind (DC readings), NewerFormat, or DamagedRecording naming file and field. Every file
    is compared with the manifests before anything in it is believed.
    """
    folder = Path(path)
    check_bag(folder)
    return load_recording(folder)


def load_recording(folder: Path) -> Recording:
    """The same for a folder whose files were compared with the manifests already."""
    header = read_header(folder)
    for name in ("points.csv", *(() if header.kind is RecordingKind.POINTS else ("traces.npz",))):
        if not (folder / "data" / name).is_file():
            raise damaged(folder / "data" / name, "it is missing")
    table = folder / "data" / "points.csv"
    try:
        stage = None if header.stage is None else stage_from_document(header.stage)
    except StageError as exc:
        raise damaged(folder / "data" / "recording.json", f"stage: {exc.what.rstrip('.')}") from exc
    recording = Recording(
        folder=folder,
        header=header,
        points=read_rows(read_bounded(table, LARGEST_TABLE_BYTES), where=str(table), kind=header.kind),
        stage=stage,
    )
    recording.check()
    return recording


def read_header(folder: Path) -> Header:
    """recording.json alone, not compared with the manifest: for lists and indexes.

    Raises OtherKind (DC readings), NewerFormat, or DamagedRecording naming the field.
    """
    path = folder / "data" / "recording.json"
    return decode_header(read_bounded(path, LARGEST_HEADER_BYTES), where=str(path))
