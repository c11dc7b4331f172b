"""What an export holds of each recording: a row of the parts table, rows of points and of DC readings.

Owns the columns, whose names carry their units, and where each figure is taken from: header and newest result for a
part, the filed rows for points. Nothing is worked out anew but decibels and degrees of a filed ratio.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec

from twonode.recordings.anykind import AnyRecording, read_any
from twonode.recordings.dc import DcRecording
from twonode.recordings.entry import Entry
from twonode.recordings.gist import read_gist
from twonode.recordings.model import PointRow, PointState, RecordingKind, TableRow
from twonode.recordings.reader import Recording
from twonode.recordings.results import StoredResult, read_results

__all__ = [
    "ExportedPoint",
    "ExportedReading",
    "Gathered",
    "PartRow",
    "gather",
    "part_row",
    "point_rows",
    "reading_rows",
]


class PartRow(msgspec.Struct, frozen=True, kw_only=True):
    """One recording of a part, and what came of it; None for what was not determined or nobody said.

    low95, high95 : the 95 % coverage interval. at_least, at_most : 95 % bounds where there is no value.
    leak_ohm : across the part, as a sweep shows it at 0 V; leakage_resistance_ohm : from DC readings at its voltage.
    budget_source, budget_share : the largest line of the variance budget.
    drawer, label : of a loose part, the batch it belongs to, and what to write on it.
    """

    recording: str
    recorded_utc: str
    kind: str
    title: str
    set_name: str | None = None
    serial: str | None = None
    part: str | None = None
    position: str | None = None
    when: str | None = None
    operator: str | None = None
    hookup: str | None = None
    ended: str | None = None
    simulated: bool = False
    imported: bool = False
    level_vpp: float | None = None
    bias_v: float | None = None
    null_recording: str | None = None
    points: int | None = None
    refused_points: int | None = None
    readings: int | None = None
    finding: str | None = None
    finding_probability: float | None = None
    because: str | None = None
    capacitance_farad: float | None = None
    capacitance_standard_uncertainty_farad: float | None = None
    capacitance_low95_farad: float | None = None
    capacitance_high95_farad: float | None = None
    capacitance_at_least_farad: float | None = None
    capacitance_at_most_farad: float | None = None
    tan_delta: float | None = None
    tan_delta_at_most: float | None = None
    esr_ohm: float | None = None
    leak_ohm: float | None = None
    leakage_resistance_ohm: float | None = None
    leakage_resistance_low95_ohm: float | None = None
    leakage_resistance_high95_ohm: float | None = None
    leakage_resistance_at_least_ohm: float | None = None
    leakage_resistance_at_most_ohm: float | None = None
    expected_farad: float | None = None
    expected_low_farad: float | None = None
    expected_high_farad: float | None = None
    reduced_chi_square: float | None = None
    budget_source: str | None = None
    budget_share: float | None = None
    result: str | None = None
    result_program: str | None = None
    drawer: str | None = None
    label: str | None = None
    notes: str | None = None


class ExportedPoint(msgspec.Struct, frozen=True, kw_only=True):
    """One point of one recording, as filed.

    magnitude : |far / drive|, V/V; its standard uncertainty in V/V. Without a phase there is no ratio.
    """

    recording: str
    kind: str
    part: str | None
    point: int
    frequency_hz: float
    ratio_re: float | None
    ratio_im: float | None
    var_re: float | None
    cov_re_im: float | None
    var_im: float | None
    magnitude: float | None
    magnitude_standard_uncertainty: float | None
    magnitude_db: float | None
    phase_deg: float | None
    state: str
    reason: str | None
    time_s: float | None
    drive_vpp: float | None
    far_vpp: float | None
    drive_volts_per_div: float | None
    far_volts_per_div: float | None
    level_vpp: float | None


class ExportedReading(msgspec.Struct, frozen=True, kw_only=True):
    """One DC reading of one recording, as filed."""

    recording: str
    part: str | None
    reading: int
    time_s: float
    node: str
    volts: float
    half_width_v: float
    step_v: float | None
    state: str
    typed: str | None
    note: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Gathered:
    """One recording with all that was added to it.

    entry : as lists show it, corrections in its notes included. newest : the result that speaks for it.
    """

    recording: AnyRecording
    entry: Entry
    results: tuple[StoredResult, ...]
    newest: Mapping[str, Any]


def gather(folder: Path) -> Gathered:
    """Read a recording, every file compared with its manifests. Raises RecordingError."""
    place = folder.resolve()
    recording = read_any(place)
    entry = read_gist(place.parent, place.name).entry
    results = read_results(place)
    newest = next((each.document for each in results if each.path.name == entry.result), {})
    return Gathered(recording=recording, entry=entry, results=results, newest=newest)


def part_row(found: Gathered) -> PartRow | None:
    """The row of a part; None for a null run and for a drawer's by-work, which are about none."""
    recording, entry, newest = found.recording, found.entry, found.newest
    header = recording.header
    if header.kind is RecordingKind.NULL or entry.drawer_by_work:
        return None
    capacitance, leakage = _section(newest, "capacitance"), _section(newest, "leakage_resistance")
    low, high = _interval(capacitance)
    leakage_low, leakage_high = _interval(leakage)
    finding = _section(newest, "finding")
    # A loose part says it by its own name.
    loss = _section(newest, "loss") or _section(newest, "tan_delta")
    lines = newest.get("budget")
    first = lines[0] if isinstance(lines, list) and lines and isinstance(lines[0], dict) else {}
    return PartRow(
        recording=recording.name,
        recorded_utc=_time(header.created_utc),
        kind=header.kind.value,
        title=header.title,
        set_name=entry.identity.set_name,
        serial=entry.identity.serial,
        part=entry.identity.part,
        position=entry.identity.position,
        when=entry.identity.when,
        operator=entry.identity.operator,
        ended=None if header.ended is None else header.ended.value,
        simulated=entry.simulated,
        finding=_text(finding, "state"),
        finding_probability=_number(finding, "probability"),
        because=_text(finding, "because") or _text(newest, "because"),
        capacitance_farad=_number(capacitance, "value"),
        capacitance_standard_uncertainty_farad=_number(capacitance, "standard_uncertainty"),
        capacitance_low95_farad=low,
        capacitance_high95_farad=high,
        capacitance_at_least_farad=_number(capacitance, "at_least"),
        capacitance_at_most_farad=_number(capacitance, "at_most"),
        tan_delta=_number(loss, "value"),
        tan_delta_at_most=_number(loss, "at_most"),
        esr_ohm=_number(_section(newest, "esr"), "value"),
        leak_ohm=_number(_section(newest, "leak"), "value"),
        leakage_resistance_ohm=_number(leakage, "value"),
        leakage_resistance_low95_ohm=leakage_low,
        leakage_resistance_high95_ohm=leakage_high,
        leakage_resistance_at_least_ohm=_number(leakage, "at_least"),
        leakage_resistance_at_most_ohm=_number(leakage, "at_most"),
        expected_farad=_number(_section(newest, "expected"), "value"),
        expected_low_farad=entry.expected_low,
        expected_high_farad=entry.expected_high,
        reduced_chi_square=_number(_section(newest, "fit"), "reduced_chi_square"),
        budget_source=_text(first, "source"),
        budget_share=_number(first, "share"),
        result=entry.result,
        result_program=_text(newest, "program"),
        drawer=entry.drawer,
        label=_text(newest, "label"),
        notes=" | ".join(entry.notes) or None,
        **_method(recording, newest),
    )


def _method(recording: AnyRecording, newest: Mapping[str, Any]) -> dict[str, Any]:
    """How it was measured: what sweeps and DC readings do not have in common."""
    if isinstance(recording, DcRecording):
        return {"readings": len(recording.readings)}
    header, conditions = recording.header, recording.header.conditions
    return {
        "hookup": None if header.hookup is None else header.hookup.value,
        "imported": conditions.imported,
        "level_vpp": conditions.level_vpp,
        "bias_v": conditions.bias_v,
        # The one that the result went by; before there is a result, the one the sweep was made with.
        "null_recording": _text(_section(newest, "conditions"), "null")
        if newest
        else (None if header.null is None else header.null.recording),
        "points": len(recording.used),
        "refused_points": len(recording.points) - len(recording.used),
    }


def point_rows(found: Gathered) -> Iterator[ExportedPoint]:
    """Every point of a sweep, a null run or an imported table, refused ones too; none of DC readings."""
    recording = found.recording
    if not isinstance(recording, Recording):
        return
    for row in recording.points:
        size, sigma = _size(row)
        yield ExportedPoint(
            recording=recording.name,
            kind=recording.header.kind.value,
            part=found.entry.identity.part,
            point=row.point,
            frequency_hz=row.frequency_hz,
            ratio_re=row.ratio_re,
            ratio_im=row.ratio_im,
            var_re=row.var_re,
            cov_re_im=row.cov_re_im,
            var_im=row.var_im,
            magnitude=size,
            magnitude_standard_uncertainty=sigma,
            magnitude_db=20.0 * math.log10(size) if size else None,
            phase_deg=math.degrees(cmath.phase(row.ratio)) if row.ratio else None,
            state=row.state.value,
            reason=row.reason if row.state is PointState.REFUSED else None,
            time_s=row.time_s if recording.has_codes and not recording.header.conditions.imported else None,
            drive_vpp=row.drive_vpp,
            far_vpp=row.far_vpp,
            drive_volts_per_div=row.drive_volts_per_div,
            far_volts_per_div=row.far_volts_per_div,
            level_vpp=row.level_vpp if row.level_vpp is not None else recording.header.conditions.level_vpp,
        )


def _size(row: PointRow) -> tuple[float | None, float | None]:
    """Size of a ratio and its standard uncertainty, by first-order propagation along the ratio."""
    if isinstance(row, TableRow) and row.magnitude is not None:
        return row.magnitude, row.magnitude_standard_uncertainty
    if row.ratio is None:
        return None, None
    size = abs(row.ratio)
    if size == 0 or row.var_re is None or row.cov_re_im is None or row.var_im is None:
        return size, None
    c, s = row.ratio.real / size, row.ratio.imag / size
    return size, math.sqrt(max(c * c * row.var_re + 2 * c * s * row.cov_re_im + s * s * row.var_im, 0.0))


def reading_rows(found: Gathered) -> Iterator[ExportedReading]:
    """Every DC reading; none of other recordings."""
    recording = found.recording
    if not isinstance(recording, DcRecording):
        return
    for row in recording.readings:
        yield ExportedReading(
            recording=recording.name, part=found.entry.identity.part, **msgspec.structs.asdict(row)
        )


def _time(when: datetime) -> str:
    return f"{when.isoformat()[:19]}Z"


def _section(document: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    found = document.get(key)
    return found if isinstance(found, dict) else {}


def _number(document: Mapping[str, Any], key: str) -> float | None:
    found = document.get(key)
    if isinstance(found, bool) or not isinstance(found, int | float):
        return None
    return float(found) if math.isfinite(found) else None


def _text(document: Mapping[str, Any], key: str) -> str | None:
    found = document.get(key)
    return found if isinstance(found, str) and found else None


def _interval(document: Mapping[str, Any]) -> tuple[float | None, float | None]:
    found = document.get("interval95")
    if not isinstance(found, list) or len(found) != 2:
        return None, None
    ends = {"low": found[0], "high": found[1]}
    return _number(ends, "low"), _number(ends, "high")
