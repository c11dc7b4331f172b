"""What stands on the sheet of DC readings: a part's leak, or a set's voltages against its chart.

Owns which fact goes where.
"""

from __future__ import annotations

from collections.abc import Sequence

from twonode.analysis.quantities import format_plus_minus, format_quantity
from twonode.analysis.sheet import Field, Listing, RecordingSheet, Verdict
from twonode.recordings.dc import DcRecording
from twonode.recordings.dcmodel import DcRow, DcState
from twonode.recordings.entry import Entry
from twonode.recordings.model import RecordingKind
from twonode.recordings.sheet_result import Result, StatedFinding
from twonode.recordings.sheet_source import BLANKS, Source, because_words, worst_first
from twonode.recordings.sheet_words import (
    certainty_words,
    day_words,
    entry_words,
    instrument_words,
    mark_of,
    plain_finding,
    plain_role,
    quantity_words,
    span_words,
)

__all__ = ["dc_sheet"]


def dc_sheet(source: Source, recording: DcRecording, cautions: tuple[str, ...]) -> RecordingSheet:
    """The page's content."""
    header, result = recording.header, source.result
    sweeps = source.beside(RecordingKind.SWEEP, RecordingKind.POINTS)
    headline, note = _headline(source.part_words(), result)
    finding = None if result is None else result.finding
    name = source.part_words()
    sentences = [
        f"{name} is a capacitor ({header.role})." if name and header.role else "",
        plain_role(header.role),
    ]
    if finding is not None:
        if name:
            sentences.append(plain_finding(finding.state, leak=True))
        sentences.append(because_words(finding.because, header.part))
    return RecordingSheet(
        title=header.title,
        stamps=source.stamps(),
        identity=source.identity_fields(""),
        headline=headline,
        headline_note=note,
        verdicts=worst_first(_dc_verdict(finding, chart=not name), _sweep_beside(sweeps, chart=not name)),
        plain=" ".join(sentence for sentence in sentences if sentence),
        bar=None,
        points_out=_dc_points_out(result),
        not_tested=("capacitance and loss",) if finding is None else finding.not_tested,
        plot=None,
        listing=_listing(recording, result),
        method=_method(recording),
        readings=(),
        notes=source.note_lines(),
        blanks=BLANKS,
        cautions=cautions,
        trail=source.trail(),
        made=source.made(),
    )


def _dc_verdict(finding: StatedFinding | None, *, chart: bool) -> Verdict:
    return Verdict(
        about="Finding from the voltage chart" if chart else "Finding from the DC check",
        mark=mark_of(None if finding is None else finding.state),
        words="not worked out" if finding is None else finding.state,
        detail="" if finding is None else certainty_words(finding.state, finding.probability),
    )


def _sweep_beside(sweeps: Sequence[Entry], *, chart: bool) -> Verdict:
    if chart:
        return Verdict(
            about="Single capacitors",
            mark=mark_of(None),
            words="not tested",
            detail="each part has a sheet of its own",
        )
    if not sweeps:
        return Verdict(
            about="Value", mark=mark_of(None), words="not tested", detail="meter readings do not give it"
        )
    newest = sweeps[-1]
    return Verdict(
        about=f"Value, from {'readings imported on' if newest.imported else 'the sweep of'} "
        f"{day_words(newest.created_utc)}",
        mark=mark_of(newest.finding),
        words=newest.finding or "no finding",
        detail=entry_words(newest),
    )


def _dc_points_out(result: Result | None) -> tuple[Field, ...]:
    if result is None:
        return ()
    found = []
    if result.finding is not None and result.finding.action:
        found.append(Field(label="Next", text=result.finding.action))
    if result.cannot_tell:
        found.append(Field(label="Cannot tell", text=result.cannot_tell))
    return tuple(found)


def _headline(part: str, result: Result | None) -> tuple[str, str]:
    """Headline of a DC recording, and the line under it."""
    name = f"{part}: " if part else ""
    if result is None:
        return f"{name}no result yet", "The readings are filed; nothing has been worked out from them."
    if result.nodes:
        return (
            _nodes_words(result),
            "Each node against its chart, corrected for today's line and for both meters' loading where known.",
        )
    leak = result.leakage_resistance
    if leak is None or str(leak.quantity) == "not determined":
        current = result.leakage_current
        if current is None:
            return f"{name}leak not determined", ""
        return f"{name}leaks {quantity_words(current.quantity)}", ""
    words = f"{name}{quantity_words(leak.quantity)} leak"
    notes = []
    if leak.interval95 is not None:
        notes.append(f"95 % interval {span_words(*leak.interval95, leak.unit).replace('ohm', 'Ω')}.")
    if result.leakage_current is not None:
        notes.append(f"Current {quantity_words(result.leakage_current.quantity)}")
        notes[-1] += "." if result.drive_v is None else f" at {format_quantity(result.drive_v, 'V')}."
    if result.bias_shift is not None and result.bias_shift.value is not None:
        notes.append(f"It lifts the next grid by {quantity_words(result.bias_shift.quantity)}.")
    return words, " ".join(notes)


def _nodes_words(result: Result) -> str:
    """How many nodes are off, of those read; else how many stand as they should, of how many the chart has."""
    states = [None if node.finding is None else node.finding.state for node in result.nodes]
    sound, off = states.count("within tolerance"), states.count("off value")
    count = len(states) + len(result.not_read)
    if off:
        return f"{off} of {len(states)} voltages off"
    if sound == count:
        return "the voltage as it should be" if count == 1 else f"{count} voltages as they should be"
    return f"{sound} of {count} voltages shown to be right"


def _listing(recording: DcRecording, result: Result | None) -> Listing | None:
    """The nodes of a chart against what they should be, or the readings as they were taken."""
    if result is not None and result.nodes:
        rows = []
        for node in result.nodes:
            read = "" if node.volts is None else _volts(node.volts, node.half_width)
            should = (
                ""
                if node.limits is None
                else span_words(*node.limits, "V")
                if node.limits[0] > 0
                else _volts_range(node.limits)
            )
            book = "" if node.book_volts is None else f"{node.book_volts:g} V"
            finding = (
                "" if node.finding is None else f"{mark_of(node.finding.state).value} {node.finding.state}"
            )
            rows.append((node.node, read, book, should, finding))
        rows += [(name, "not read", "", "", "") for name in result.not_read]
        return Listing(
            headings=("Node", "Read", "Book", "Should read", "Finding"),
            widths=(0.3, 0.18, 0.12, 0.2, 0.2),
            rows=tuple(rows),
        )
    if not recording.readings:
        return None
    return Listing(
        headings=("Node", "Circuit", "Read", "As typed"),
        widths=(0.34, 0.26, 0.24, 0.16),
        rows=tuple(_row(row) for row in recording.readings),
    )


def _volts(volts: float, half_width: float | None) -> str:
    return f"{volts:g} V" if not half_width else format_plus_minus(volts, half_width, "V")


def _volts_range(limits: tuple[float, float]) -> str:
    return f"{limits[0]:.3g} to {limits[1]:.3g} V"


def _row(row: DcRow) -> tuple[str, str, str, str]:
    state = "everything connected" if row.state == DcState.IN_PLACE.value else row.state
    return row.node, state, _volts(row.volts, row.half_width_v), row.typed or "by the meter"


def _method(recording: DcRecording) -> tuple[Field, ...]:
    """How the readings were taken."""
    header, conditions = recording.header, recording.header.conditions
    meter = header.meter
    fields = [
        Field(
            label="Set",
            text="simulated"
            if conditions.simulated
            else "switched on: live readings"
            if conditions.live
            else "not switched on",
        ),
        Field(
            label="Meter",
            text=f"{format_quantity(meter.resistance_ohm, 'ohm')} input, ±{100 * meter.relative:g} % of the reading "
            f"and {meter.counts:g} steps of the last digit",
        ),
    ]
    fields += [
        Field(label=each.role.value.capitalize(), text=instrument_words(each.identity))
        for each in header.instruments
    ]
    if not header.instruments:
        fields.append(Field(label="Readings", text="typed in by hand"))
    line = "not read" if conditions.line_volts is None else f"{conditions.line_volts:g} V"
    fields.append(Field(label="Line", text=line))
    if conditions.minutes_on is not None:
        fields.append(Field(label="Switched on for", text=f"{conditions.minutes_on:g} min"))
    bias = header.asked.get("bias_v")
    if isinstance(bias, int | float):
        fields.append(Field(label="Bias the next grid should have", text=f"{bias:g} V"))
    return tuple(fields)
