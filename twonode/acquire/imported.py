"""Readings that others took: filed as recordings, and turned into what an estimate takes.

Owns both ways in. A table of points becomes a recording of kind "points", which has no raw codes; two-channel traces
become an ordinary sweep, whose frequencies are found in the traces themselves. The files they came from are kept in
the recording. Nothing here was measured by this program, and the conditions of the recording say so.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from math import cos, sin
from pathlib import Path

import twonode
from twonode.acquire.errors import UnfitRequest
from twonode.acquire.filed import filed_probe, filed_versions, traced_row
from twonode.analysis.channel import ChannelClass
from twonode.analysis.errors import AnalysisError
from twonode.analysis.found_trace import codes_of, find_frequency
from twonode.analysis.hookup import HookUp
from twonode.analysis.quantities import Tolerance
from twonode.analysis.ratio import RatioPoint, read_point
from twonode.analysis.ratio_again import RATIO_READING
from twonode.analysis.stage import Stage, stage_to_document
from twonode.analysis.traces import TracePair
from twonode.recordings.errors import UnfitImport
from twonode.recordings.import_points import LEAST_POINTS, PointsTable, TablePoint
from twonode.recordings.import_traces import Trace, read_trace
from twonode.recordings.imports import (
    IMPORTED_NOTE,
    ImportedSweepWriter,
    ImportedTableWriter,
    SourceFile,
    source_names,
)
from twonode.recordings.model import Conditions, Header, PointRow, PointState, RecordingKind, TableRow

__all__ = ["ImportRequest", "Imported", "import_table", "import_traces", "points_of_table"]

UNKNOWN_RANGE_V = 1.0
"""Name of the one range that imported readings are booked under: what they share of a gain error is shared by all."""

FREQUENCY_BY_HAND = 0.005
"""Standard, relative, shared by all rows: a dial or a screen read by hand (common practice, no source)."""
FREQUENCY_BY_TIME_BASE = 1e-4
"""The same of a scope's time base (from memory: 50 to 100 ppm)."""

MOST_TRACES = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportRequest:
    """What the readings are about, as the person says it.

    stage, hookup, part, nominal_farad, tolerance : as in a sweep's request.
    probe_factors : of what loaded the nodes while they were read.
    level_vpp : None where nobody knows.
    frequency_uncertainty : standard, relative, shared by all readings; None is the usual one.
    gain_uncertainty : the same of each channel.
    line_hz : mains frequency, looked for beside the sine in traces.
    """

    hookup: HookUp
    stage: Stage
    part: str
    nominal_farad: float | None = None
    tolerance: Tolerance | None = None
    probe_factors: tuple[float, float] = (10.0, 10.0)
    level_vpp: float | None = None
    frequency_uncertainty: float | None = None
    gain_uncertainty: float | None = None
    line_hz: float = 50.0
    tags: Mapping[str, str] = field(default_factory=dict)
    operator: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """A recording that was made of other people's readings, and what the person has to know of how they were read."""

    recording: Path
    notes: tuple[str, ...]


def import_table(
    request: ImportRequest, table: PointsTable, *, archive: Path, now_utc: datetime | None = None
) -> Imported:
    """File a table of points. Raises RecordingError."""
    notes = table.notes
    header = _header(
        request,
        kind=RecordingKind.POINTS,
        created_utc=now_utc,
        names=[table.source.name],
        digests=[table.source.sha256],
        frequency_uncertainty=FREQUENCY_BY_HAND,
        notes=notes,
    )
    source = SourceFile(table.source.path, table.source.sha256)
    with ImportedTableWriter(archive, header, [source]) as writer:
        for number, point in enumerate(table.points, start=1):
            writer.add_row(_row(number, point))
        folder = writer.close(finished_utc=header.created_utc)
    assert folder is not None, "a table has rows, which is checked when it is read"
    return Imported(recording=folder, notes=notes)


def import_traces(
    request: ImportRequest, files: Sequence[Path], *, archive: Path, now_utc: datetime | None = None
) -> Imported:
    """File traces, one file a frequency, as an ordinary sweep.

    Raises RecordingError, UnfitRequest: a file twice, or too few of them that can be used.
    """
    if len(files) > MOST_TRACES:
        raise UnfitRequest(
            f"{len(files)} files are more than {MOST_TRACES}.",
            "No sweep by hand has so many frequencies.",
            "Name the files of one sweep.",
        )
    taken: list[tuple[PointRow, TracePair]] = []
    sources: dict[str, SourceFile] = {}
    notes: list[str] = []
    for number, path in enumerate(files, start=1):
        trace = read_trace(path)
        if trace.sha256 in sources:
            raise UnfitRequest(
                f"{path} holds what {sources[trace.sha256].path} holds.",
                "The same readings would count as if they had been taken again, and promise too much.",
                "Name each file once.",
            )
        sources[trace.sha256] = SourceFile(path, trace.sha256)
        row, pair = _taken(number, trace, line_hz=request.line_hz)
        taken.append((row, pair))
        if row.state is PointState.REFUSED:
            notes.append(f"{trace.name} is not used: {row.reason}.")
        if trace.passed_over:
            notes.append(f"{trace.name}: columns passed over: {', '.join(trace.passed_over)}.")
    used = [row for row, _ in taken if row.state is PointState.USED]
    if len(used) < LEAST_POINTS:
        reasons = (
            "; ".join(dict.fromkeys(row.reason for row, _ in taken if row.reason)) or "no others were named"
        )
        raise UnfitRequest(
            f"{len(used)} of {len(files)} trace files can be used ({reasons}).",
            f"Value, loss and gain cannot be told apart with fewer than {LEAST_POINTS} frequencies.",
            "Save traces at more frequencies, one file each, and name them all.",
        )
    header = _header(
        request,
        kind=RecordingKind.SWEEP,
        created_utc=now_utc,
        names=[source.path.name for source in sources.values()],
        digests=list(sources),
        frequency_uncertainty=FREQUENCY_BY_TIME_BASE,
        notes=notes,
    )
    with ImportedSweepWriter(archive, header, list(sources.values())) as writer:
        for row, pair in taken:
            writer.add_point(row, pair)
        folder = writer.close(finished_utc=header.created_utc)
    assert folder is not None, "three points at least were written"
    return Imported(recording=folder, notes=tuple(notes))


def _header(
    request: ImportRequest,
    *,
    kind: RecordingKind,
    created_utc: datetime | None,
    names: Sequence[str],
    digests: Sequence[str],
    frequency_uncertainty: float,
    notes: Sequence[str],
) -> Header:
    asked = request.stage.asked_part(request.part)
    channels = ChannelClass()
    return Header(
        kind=kind,
        title=request.stage.title,
        created_utc=created_utc or datetime.now(UTC),
        operator=request.operator,
        program_version=twonode.__version__,
        hookup=request.hookup,
        stage=stage_to_document(request.stage),
        part=asked.name,
        conditions=Conditions(level_vpp=request.level_vpp, imported=True),
        drive_probe=filed_probe(request.probe_factors[0]),
        far_probe=filed_probe(request.probe_factors[1]),
        gain_standard_uncertainty=request.gain_uncertainty or channels.gain_sigma,
        skew_standard_uncertainty_s=channels.skew_sigma_s,
        frequency_standard_uncertainty=request.frequency_uncertainty or frequency_uncertainty,
        expected_farad=request.nominal_farad,
        expected_tolerance=None
        if request.tolerance is None
        else (request.tolerance.minus, request.tolerance.plus),
        tags=dict(request.tags),
        plan={
            "kind": "imported",
            "sources": [
                {"file": file, "name": name, "sha256": digest}
                for file, name, digest in zip(source_names(len(names)), names, digests, strict=True)
            ],
        },
        versions=filed_versions(),
        ratio_reading=RATIO_READING,
        notes=(IMPORTED_NOTE, *notes),
    )


def _row(number: int, point: TablePoint) -> TableRow:
    if point.phase_rad is None or point.phase_uncertainty_rad is None:
        return TableRow(
            point=number,
            time_s=0.0,
            frequency_set_hz=point.frequency_hz,
            frequency_hz=point.frequency_hz,
            line=point.line,
            magnitude=point.size,
            magnitude_standard_uncertainty=point.size_uncertainty,
        )
    along, across = point.size_uncertainty**2, (point.size * point.phase_uncertainty_rad) ** 2
    c, s = cos(point.phase_rad), sin(point.phase_rad)
    return TableRow(
        point=number,
        time_s=0.0,
        frequency_set_hz=point.frequency_hz,
        frequency_hz=point.frequency_hz,
        ratio_re=point.size * c,
        ratio_im=point.size * s,
        var_re=c * c * along + s * s * across,
        cov_re_im=c * s * (along - across),
        var_im=s * s * along + c * c * across,
        line=point.line,
    )


def _taken(number: int, trace: Trace, *, line_hz: float) -> tuple[PointRow, TracePair]:
    """A trace as a point with codes. Raises UnfitImport naming the file where no frequency is found in it."""
    pair = TracePair(
        drive=codes_of(trace.drive_v), far=codes_of(trace.far_v), sample_interval_s=trace.sample_interval_s
    )
    try:
        frequency_hz = find_frequency(trace.drive_v, trace.far_v, trace.sample_interval_s)
    except AnalysisError as exc:
        raise UnfitImport(f"{trace.name}: {exc.what}", exc.why, exc.do) from exc
    reading = read_point(pair, frequency_hz, line_hz=line_hz)
    reason = "; ".join(words for _, words in reading.refusals) or None
    if reading.point is None and reason is None:
        reason = "no sine could be fitted"
    return traced_row(number, reading, pair, frequency_hz=frequency_hz, line_hz=line_hz, reason=reason), pair


def points_of_table(rows: Sequence[PointRow]) -> tuple[RatioPoint, ...]:
    """The used rows of an imported table as analysis takes them; a row without a phase stays without one."""
    return tuple(point for row in rows if (point := _point(row)) is not None)


def _point(row: PointRow) -> RatioPoint | None:
    if row.ratio is not None:
        assert row.var_re is not None
        assert row.cov_re_im is not None
        assert row.var_im is not None
        return _ratio_point(row, row.ratio, (row.var_re, row.cov_re_im, row.var_im))
    if not isinstance(row, TableRow) or row.magnitude is None:
        return None
    variance = (row.magnitude_standard_uncertainty or 0.0) ** 2
    return _ratio_point(row, complex(row.magnitude), (variance, 0.0, variance), magnitude_only=True)


def _ratio_point(
    row: PointRow,
    ratio: complex,
    covariance: tuple[float, float, float],
    *,
    magnitude_only: bool = False,
) -> RatioPoint:
    return RatioPoint(
        frequency_hz=row.frequency_hz,
        ratio=ratio,
        ratio_cov=covariance,
        quantisation_share=0.0,
        drive_volts_per_div=UNKNOWN_RANGE_V,
        far_volts_per_div=UNKNOWN_RANGE_V,
        magnitude_only=magnitude_only,
    )
