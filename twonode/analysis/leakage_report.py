"""What a leakage estimate is to a reader: the JSON object, and sentences for a screen.

Owns the keys of that object and the wording of the lines; prints nothing.
"""

from __future__ import annotations

from typing import Any

from twonode.analysis.estimated import Quantity
from twonode.analysis.findings import STATED_FROM, Finding, FindingState, certainty_words
from twonode.analysis.jsonvalues import finite_document
from twonode.analysis.leakage import LeakageEstimate
from twonode.analysis.quantities import format_plus_minus, format_quantity, prefix_of

__all__ = ["FORMAT", "leakage_document", "leakage_lines", "quantity_words"]

FORMAT = 1
"""Of the JSON object; a change of meaning takes a new number."""

_QUANTITIES = (
    *("leakage_resistance", "leakage_current", "far_voltage_without_meter", "bias_shift", "bias_share"),
    *("grid_current", "leak_share", "avc_lost"),
)
_LOPSIDED = 0.25


def leakage_document(estimate: LeakageEstimate) -> dict[str, Any]:
    """The JSON object: SI units, no NaN, no infinity.

    Every quantity has value, standard_uncertainty, interval95 and unit. Where it was not determined the first three
    are null, "reason" says why, and "at_least" or "at_most" is there where a bound is known.
    """
    document: dict[str, Any] = {
        "format": FORMAT,
        "part": estimate.part,
        "role": estimate.role.value,
        "drive_v": estimate.drive_v,
        "bias_v": estimate.bias_v,
    }
    for name in _QUANTITIES:
        document[name] = _quantity_document(getattr(estimate, name), estimate.reasons.get(name))
    if estimate.allowed_current is not None:
        document["allowed_current"] = {"value": estimate.allowed_current.value, "unit": "A"}
    document |= {
        "uncorrected_resistance": {"value": estimate.uncorrected_ohm, "unit": "ohm"},
        "cannot_tell": estimate.cannot_tell,
        "notes": list(estimate.notes),
        "limits": {"file": estimate.limits_file, "applied": list(estimate.limits)},
        "finding": _finding_document(estimate.finding),
    }
    return finite_document(document)


def _quantity_document(found: Quantity, reason: str | None) -> dict[str, Any]:
    document = found.document()
    if found.value is None and reason is not None:
        document["reason"] = reason
    return document


def _finding_document(finding: Finding) -> dict[str, Any]:
    return {
        "state": finding.state.value,
        "probability": finding.probability,
        "because": finding.because,
        "action": finding.action,
        "not_tested": list(finding.not_tested),
        "probabilities": {
            state.value: value
            for state, value in sorted(finding.probabilities.items(), key=lambda each: -each[1])
        },
    }


def leakage_lines(estimate: LeakageEstimate) -> tuple[str, ...]:
    """The estimate in a few lines of plain text, the finding first."""
    finding = estimate.finding
    because = finding.because.removeprefix(f"{estimate.part}: ")
    named = f"{estimate.part[:1].upper()}{estimate.part[1:]}"
    lines = [
        f"{named}: {finding.state.value.upper()} ({_certainty(finding)})",
        f"  {because[:1].upper()}{because[1:]}",
        f"  Leakage resistance {quantity_words(estimate.leakage_resistance)}, "
        f"current {quantity_words(estimate.leakage_current)}.",
    ]
    far = estimate.far_voltage_without_meter
    if far.value is not None:
        lines.append(f"  Far node without the meter: {quantity_words(far)}.")
    lines += [*_bias_lines(estimate), *_valve_lines(estimate)]
    if estimate.avc_lost != Quantity(unit=""):
        lines.append(f"  AVC lost to the leak: {share_words(estimate.avc_lost)}.")
    if estimate.cannot_tell is not None:
        lines.append(f"  Cannot tell: {estimate.cannot_tell}")
    lines.append(f"  Next: {finding.action}")
    lines += [f"  {note}" for note in estimate.notes]
    lines += [f"  Limit: {limit}" for limit in estimate.limits]
    lines.append(f"  Not tested: {'; '.join(finding.not_tested)}.")
    return tuple(lines)


def _bias_lines(estimate: LeakageEstimate) -> list[str]:
    shift, share = estimate.bias_shift, estimate.bias_share
    if estimate.bias_v is None:
        return []
    if shift.value is not None and share.value is not None:
        if estimate.drive_v < 0:
            return [f"  Bias of the next stage: shifted by {format_quantity(share.value, '%', 2)}."]
        left = estimate.bias_v + shift.value
        return [
            f"  Bias of the next stage: {format_quantity(estimate.bias_v, 'V')} becomes "
            f"{format_quantity(left, 'V')} by the leak ({format_quantity(share.value, '%', 2)})."
        ]
    if share.at_most is not None:
        return [f"  Bias of the next stage: shifted by at most {format_quantity(share.at_most, '%', 2)}."]
    return []


def _valve_lines(estimate: LeakageEstimate) -> list[str]:
    share, valve = estimate.leak_share, estimate.grid_current
    if share.value is None or valve.value is None or valve.interval95 is None:
        return []
    low, high = valve.interval95
    if low <= 0.0 <= high:
        most = format_quantity(max(-low, high), "A", 2)
        return [
            f"  The current at the far node is the leak's: the valve adds or draws at most {most} (95 %)."
        ]
    draws = valve.value < 0.0
    amount = Quantity(unit="A", value=abs(valve.value), interval95=(-high, -low) if draws else (low, high))
    return [
        f"  Of the current at the far node the leak has {100 * share.value:.0f} %, the valve the rest: it "
        f"{'draws' if draws else 'adds'} {quantity_words(amount)}."
    ]


def share_words(found: Quantity) -> str:
    """A share in per cent with its 95 % half-width, or its bound."""
    if found.value is None or found.interval95 is None:
        return f"at most {format_quantity(found.at_most or 0.0, '%', 2)}"
    half = (found.interval95[1] - found.interval95[0]) / 2.0
    return f"{format_plus_minus(100.0 * found.value, 100.0 * half, '')} % (95 %)"


def _certainty(finding: Finding) -> str:
    """How sure, never rounded up to certainty."""
    if finding.probabilities.get(FindingState.UNDECIDED, 0.0) >= STATED_FROM:
        return "between the limits: to be watched"
    return certainty_words(finding.state, finding.probability)


def quantity_words(found: Quantity) -> str:
    """A value with its 95 % half-width, an interval where that is lopsided, or a bound."""
    if found.value is None or found.interval95 is None:
        return str(found)
    low, high = found.interval95
    if abs((high - found.value) - (found.value - low)) > _LOPSIDED * (high - low):
        factor, symbol = prefix_of(high, found.unit)
        ends = " to ".join(format_quantity(end / factor, "", 2) for end in (low, high))
        return f"{ends} {symbol} (95 %)".replace("  ", " ")
    return f"{format_plus_minus(found.value, (high - low) / 2.0, found.unit)} (95 %)"
