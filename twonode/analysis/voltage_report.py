"""What is said of a voltage chart: lines for the screen, and the JSON object.

Owns the wording. The figures come from `voltage_expected`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from twonode.analysis.findings import Finding, FindingState
from twonode.analysis.leakage_readings import Meter
from twonode.analysis.quantities import format_quantity
from twonode.analysis.voltage_chart import VoltageChart
from twonode.analysis.voltage_expected import Line, NodeVerdict

__all__ = ["chart_document", "chart_finding", "chart_lines", "chart_remarks", "chart_rows"]

_NOT_A_LEAK_TEST = "leakage of single capacitors"


def chart_finding(verdicts: Sequence[NodeVerdict], not_read: Sequence[str] = ()) -> Finding:
    """One finding for the set: off value as soon as one node is, within tolerance only where every node read is.

    verdicts : at least one. not_read : nodes of the chart without a reading.

    Its probability is that of the node that decides: the surest that is off, else the least sure of the others.
    """
    by_state = {state: [v for v in verdicts if v.finding.state is state] for state in FindingState}
    off, undecided = by_state[FindingState.OFF_VALUE], by_state[FindingState.UNDECIDED]
    not_tested = (*(f"{name}: not read" for name in not_read), _NOT_A_LEAK_TEST)
    if off:
        decides = max(off, key=lambda v: v.finding.probability)
        state, because = FindingState.OFF_VALUE, _listed(off, "is", "are", "off value")
    elif undecided:
        decides = max(undecided, key=lambda v: v.finding.probability)
        state, because = FindingState.UNDECIDED, _listed(undecided, "is", "are", "undecided")
    else:
        decides = min(verdicts, key=lambda v: v.finding.probability)
        state = FindingState.WITHIN_TOLERANCE
        because = f"Every node read ({len(verdicts)}) lies within its tolerance."
    within = FindingState.WITHIN_TOLERANCE
    action = decides.finding.action
    if state is within:
        action = f"Read the others: {', '.join(not_read)}." if not_read else "The chart is done."
    return Finding(
        state=state,
        probability=decides.finding.probability,
        because=because,
        action=action,
        not_tested=not_tested,
        probabilities=decides.finding.probabilities,
    )


def _listed(verdicts: Sequence[NodeVerdict], one: str, many: str, what: str) -> str:
    names = ", ".join(v.node.name for v in verdicts)
    return f"{names} {one if len(verdicts) == 1 else many} {what}. {verdicts[0].finding.because}"


def chart_lines(
    chart: VoltageChart,
    verdicts: Sequence[NodeVerdict],
    *,
    not_read: Sequence[str],
    meter: Meter,
    line: Line,
    simulated: bool,
) -> tuple[str, ...]:
    """Lines for the screen, the finding first."""
    finding = chart_finding(verdicts, not_read)
    lines = [
        f"{finding.state.value.upper()}: {finding.because}",
        f"  {chart.title}{' (SIMULATED BENCH)' if simulated else ''}",
        f"  {_conditions(chart, meter, line)}",
        "",
        f"  {'node':<20}{'read':>10}{'expected':>18}{'off by':>12}  finding",
    ]
    for node, read, expected, off_by, found in chart_rows(verdicts, not_read):
        lines.append(f"  {node:<20.20}{read:>10}{expected:>18}{off_by:>12}  {found}".rstrip())
    lines.append("")
    lines += [
        f"  {text}" if not text.startswith("Next: ") else text for text in chart_remarks(verdicts, not_read)
    ]
    return tuple(lines)


def chart_rows(verdicts: Sequence[NodeVerdict], not_read: Sequence[str]) -> list[tuple[str, ...]]:
    """Node, reading, what was expected, how far off, and finding, in words, for every node of the chart."""
    rows: list[tuple[str, ...]] = [
        (
            verdict.node.name,
            _volts(verdict.volts),
            _expected(verdict),
            _deviation(verdict),
            f"{verdict.finding.state.value} ({_certainty(verdict.finding)})",
        )
        for verdict in verdicts
    ]
    return rows + [(name, "not read", "", "", "") for name in not_read]


def chart_remarks(verdicts: Sequence[NodeVerdict], not_read: Sequence[str]) -> list[str]:
    """What was corrected for and what not, and what to do next."""
    said: dict[str, list[str]] = {}
    for verdict in verdicts:
        for text in verdict.left_out:
            said.setdefault(text, []).append(verdict.node.name)
    corrected = dict.fromkeys(text for v in verdicts for text in v.corrections if text.startswith("line"))
    loaded = [v.node.name for v in verdicts if any("loading" in text for text in v.corrections)]
    lines = [f"Corrected for the {text}." for text in corrected]
    if loaded:
        lines.append(f"Corrected for both meters' loading: {', '.join(loaded)}.")
    lines += [f"Not corrected: {text} ({', '.join(names)})." for text, names in said.items()]
    open_ones = [v for v in verdicts if v.finding.state is not FindingState.WITHIN_TOLERANCE]
    lines += [f"{v.node.name}: {v.finding.action}" for v in open_ones]
    if not open_ones:
        lines.append(f"Next: {chart_finding(verdicts, not_read).action}")
    return lines


def _conditions(chart: VoltageChart, meter: Meter, line: Line) -> str:
    pieces = [
        f"to {chart.reference}",
        *([chart.condition] if chart.condition else []),
        f"meter {format_quantity(meter.resistance_ohm, 'ohm')}",
        "line not read" if line.volts is None else f"line {line.volts:g} V",
    ]
    return "; ".join(pieces)


def _certainty(finding: Finding) -> str:
    if finding.state is FindingState.UNDECIDED:
        return f"inside: {100 * finding.probabilities[FindingState.WITHIN_TOLERANCE]:.0f} %"
    return "over 99 %" if finding.probability > 0.99 else f"{100 * finding.probability:.0f} %"


def _volts(volts: float) -> str:
    return format_quantity(volts, "V") if volts else "0 V"


def _expected(verdict: NodeVerdict) -> str:
    if verdict.band_v is None:
        return _volts(verdict.expected_v)
    low, high = verdict.band_v
    return f"{_volts(low)} to {_volts(high)}"


def _deviation(verdict: NodeVerdict) -> str:
    if verdict.deviation is None:
        return f"{round(verdict.deviation_v, 2) + 0.0:+.2f} V"
    return f"{100 * verdict.deviation:+.1f} %"


def chart_document(
    chart: VoltageChart,
    verdicts: Sequence[NodeVerdict],
    *,
    not_read: Sequence[str],
    meter: Meter,
    line: Line,
    simulated: bool,
    recording: str | None,
) -> dict[str, Any]:
    """The JSON object of a voltage chart; SI numbers, null where something was not determined."""
    return {
        "format": 1,
        "recording": recording,
        "chart": chart.title,
        "conditions": {
            "line_volts": line.volts,
            "book_line_volts": chart.line_v,
            "meter_ohm": meter.resistance_ohm,
            "reference": chart.reference,
            "simulated": simulated,
        },
        "nodes": [_node_document(verdict) for verdict in verdicts],
        "not_read": list(not_read),
        "finding": _finding_document(chart_finding(verdicts, not_read)),
    }


def _node_document(verdict: NodeVerdict) -> dict[str, Any]:
    return {
        "node": verdict.node.name,
        "volts": verdict.volts,
        "half_width": verdict.half_width_v,
        "book_volts": verdict.node.book_v,
        "expected": {
            "value": verdict.expected_v,
            "band": None if verdict.band_v is None else list(verdict.band_v),
            "unit": "V",
        },
        "limits": list(verdict.limits_v),
        "without_meter": verdict.unloaded_v,
        "deviation": verdict.deviation,
        "deviation_volts": verdict.deviation_v,
        "standard_uncertainty": verdict.standard_uncertainty_v,
        "budget": [{"source": doubt.value, "share": share} for doubt, share in verdict.shares],
        "corrected_for": list(verdict.corrections),
        "not_corrected_for": list(verdict.left_out),
        "finding": _finding_document(verdict.finding),
    }


def _finding_document(finding: Finding) -> dict[str, Any]:
    return {
        "state": finding.state.value,
        "probability": finding.probability,
        "because": finding.because,
        "action": finding.action,
        "not_tested": list(finding.not_tested),
    }
