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
from twonode.recordings.errors import DamagedRecording
from twonode.recordings.model import Header, PointRow, PointState, RecordingKind, decode_header
from twonode.recordings.points import read_rows
from twonode.recordings.tracefile import check_members, read_point

__all__ = ["Recording", "read_header", "read_recording"]

# Far above what a bench produces in a day; they keep a mistaken or hostile file from filling the memory.
_LARGEST_HEADER_BYTES = 16_000_000
_LARGEST_TABLE_BYTES = 64_000_000


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

    @cached_property
    def used(self) -> tuple[PointRow, ...]:
        """The rows that go into an estimate."""
        return tuple(row for row in self.points if row.state is PointState.USED)

    def traces(self, point: int) -> TracePair:
        """The raw codes of one point (its number in points.csv), shape (samples,) each.

        Raises DamagedRecording where they do not fit their row.
        """
        row = self.points[point - 1]
        path = self.folder / "data" / "traces.npz"
        read = read_point(path, point)
        pairs = (
            ("frequency_hz", row.frequency_hz, read.frequency_hz),
            ("sample_interval_s", row.sample_interval_s, read.traces.sample_interval_s),
            ("samples", row.samples, read.traces.samples),
            ("drive_volts_per_div", row.drive_volts_per_div, read.traces.drive.volts_per_div),
            ("far_volts_per_div", row.far_volts_per_div, read.traces.far.volts_per_div),
        )
        for name, in_row, in_traces in pairs:
            if in_row != in_traces:
                raise damaged(path, f"point {point}: {name} is {in_traces}, points.csv says {in_row}")
        return read.traces

    def all_traces(self) -> Iterator[tuple[PointRow, TracePair]]:
        """Each row with its codes, one in memory at a time."""
        for row in self.points:
            yield row, self.traces(row.point)

    def check(self) -> None:
        """Raise DamagedRecording unless header, rows and codes agree.

        Points are numbered 1, 2, 3 ...; time never runs backwards; frequencies, intervals and ranges are
        above zero; a used point has a ratio with a covariance that is one; a refused one says why; a sweep has
        a hook-up and a stage, and the asked part is in it, while a null run has neither part nor stage; the
        codes of every point, and no others, are there in the length its row says.
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
            for name in (
                "frequency_set_hz",
                "frequency_hz",
                "sample_interval_s",
                "drive_volts_per_div",
                "far_volts_per_div",
                "samples",
                "averages",
            ):
                if not getattr(row, name) > 0:
                    raise damaged(table, f"{where}: {name} is {getattr(row, name)}, not above zero")
            _check_ratio(row, table)
        self._check_subject()
        check_members(self.folder / "data" / "traces.npz", {row.point: row.samples for row in self.points})

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


def _check_ratio(row: PointRow, table: Path) -> None:
    if row.state is PointState.REFUSED:
        if not row.reason:
            raise damaged(table, f"point {row.point}: it is refused without a reason")
        return
    if row.ratio is None or row.var_re is None or row.var_im is None or row.cov_re_im is None:
        raise damaged(table, f"point {row.point}: it is used and has no ratio with a covariance")
    # A hair of slack: the three were rounded separately.
    if row.var_re < 0 or row.var_im < 0 or row.cov_re_im**2 > row.var_re * row.var_im * (1 + 1e-9):
        raise damaged(table, f"point {row.point}: its covariance is none")


def read_recording(path: str | os.PathLike[str]) -> Recording:
    """Read a closed recording.

    Raises NotARecording, NewerFormat, or DamagedRecording naming file and field. Every file is compared with
    the manifests before anything in it is believed.
    """
    folder = Path(path)
    check_bag(folder)
    for name in ("recording.json", "points.csv", "traces.npz"):
        if not (folder / "data" / name).is_file():
            raise damaged(folder / "data" / name, "it is missing")
    header = read_header(folder)
    table = folder / "data" / "points.csv"
    try:
        stage = None if header.stage is None else stage_from_document(header.stage)
    except StageError as exc:
        raise damaged(folder / "data" / "recording.json", f"stage: {exc.what.rstrip('.')}") from exc
    recording = Recording(
        folder=folder,
        header=header,
        points=read_rows(_bounded(table, _LARGEST_TABLE_BYTES), where=str(table)),
        stage=stage,
    )
    recording.check()
    return recording


def read_header(folder: Path) -> Header:
    """recording.json alone, not compared with the manifest: for lists and indexes.

    Raises NewerFormat, or DamagedRecording naming the field.
    """
    path = folder / "data" / "recording.json"
    return decode_header(_bounded(path, _LARGEST_HEADER_BYTES), where=str(path))


def _bounded(path: Path, largest: int) -> bytes:
    try:
        with path.open("rb") as file:
            content = file.read(largest + 1)
    except OSError as exc:
        raise damaged(path, f"it cannot be read ({exc.strerror or exc})") from exc
    if len(content) > largest:
        raise DamagedRecording(
            f"{path} is longer than {largest} bytes.",
            "No bench writes that much; reading it could fill the memory.",
            "Look at the file, and fetch the recording from a copy.",
        )
    return content
