"""What an estimate is to a reader: the JSON object of the commands, and sentences for a screen.

Owns the keys of that object and the wording of the lines. Takes an estimate and the circumstances it was measured
under as plain data; prints nothing and knows no recording.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import PurePath
from typing import Any

from twonode.analysis import findings
from twonode.analysis.electrolytic import (
    Electrolytic,
    electrolytic_document,
    electrolytic_figures,
    electrolytic_words,
    is_electrolytic,
)
from twonode.analysis.estimate import Estimate
from twonode.analysis.estimated import Quantity
from twonode.analysis.findings import SWEEP_LIMITS, FindingState
from twonode.analysis.hookup import HookUp
from twonode.analysis.jsonvalues import finite_document
from twonode.analysis.quantities import format_level, format_plus_minus, format_quantity, prefix_of

__all__ = [
    "FORMAT",
    "IMPORTED",
    "UNTESTED",
    "Circumstances",
    "RefusedReading",
    "against_words",
    "because_words",
    "budget_words",
    "certainty_words",
    "conditions_words",
    "estimate_document",
    "ratio_words",
    "report_lines",
    "value_words",
]

FORMAT = 1
"""Of the JSON object; a change of meaning takes a new number."""

UNTESTED = "untested on hardware"
IMPORTED = "Imported, not measured by this program"

_BUDGET_LINES = 3
_SMALLEST_SHARE = 0.03


@dataclass(frozen=True, slots=True, kw_only=True)
class RefusedReading:
    """A point that was taken and not used.

    ratio : V/V, None where none could be worked out.
    """

    frequency_hz: float
    ratio: complex | None
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Circumstances:
    """How the sweeps behind an estimate were taken, as far as a result has to say so.

    title : of the stage. level_vpp : generator setting, open circuit; None where nobody knows. bias_v : DC across the
    part. imported : the readings were not taken by this program.
    null : path of the null run used. null_age : how old it was then, in words. simulated : no real part was measured.
    sweeps : how many were estimated together. companions : names of what was clipped on for one of them.
    line_hz : mains frequency; an electrolytic is judged at twice that.
    """

    title: str
    hookup: HookUp
    level_vpp: float | None
    bias_v: float = 0.0
    null: str | None = None
    null_age: str | None = None
    simulated: bool = False
    refused: tuple[RefusedReading, ...] = field(default=())
    sweeps: int = 1
    companions: tuple[str, ...] = ()
    line_hz: float = 50.0
    imported: bool = False


def estimate_document(
    estimate: Estimate,
    circumstances: Circumstances,
    *,
    recordings: Sequence[str],
    picture: str | None = None,
) -> dict[str, Any]:
    """The JSON object of ``sweep``, ``estimate`` and ``demo``: SI units, no NaN, no infinity, null for not known.

    recordings : paths of the sweeps behind the estimate, the leading one first.
    """
    expected = None
    if estimate.nominal_farad is not None:
        limits = estimate.tolerance.limits(estimate.nominal_farad) if estimate.tolerance is not None else None
        expected = {"value": estimate.nominal_farad, "limits": limits and list(limits), "unit": "F"}
    document: dict[str, Any] = {
        "format": FORMAT,
        "recording": recordings[0] if recordings else None,
        "recordings": list(recordings),
        "picture": picture,
        "part": estimate.part,
        "expected": expected,
        "conditions": {
            "hookup": circumstances.hookup.value,
            "level_vpp": circumstances.level_vpp,
            "bias_v": circumstances.bias_v,
            "null": circumstances.null,
            "simulated": circumstances.simulated,
            "imported": circumstances.imported,
            "companions": list(circumstances.companions),
        },
        "capacitance": estimate.capacitance.document(),
        "others": {name: found.document() for name, found in estimate.others.items()},
        "budget": [
            {"source": line.source, "share": line.share, "action": line.action} for line in estimate.budget
        ],
        "fit": {
            "points": estimate.points,
            "refused": len(circumstances.refused),
            "reduced_chi_square": estimate.reduced_chi_square,
            "corner_hz": estimate.corner_hz,
            "misfit": estimate.misfit,
            "left_out": [
                {"frequency_hz": gone.frequency_hz, "standard_uncertainties": gone.sigma}
                for gone in estimate.left_out
            ],
        },
        "finding": {
            "state": estimate.finding.state.value,
            "probability": estimate.finding.probability,
            "because": estimate.finding.because,
            "action": estimate.finding.action,
            "not_tested": list(estimate.finding.not_tested),
            "probabilities": {
                state.value: value
                for state, value in sorted(estimate.finding.probabilities.items(), key=lambda each: -each[1])
            },
        },
    }
    for key in ("loss", "esr", "leak"):
        found = getattr(estimate, key)
        if found is not None:
            document[key] = found.document()
    figures = _electrolytic(estimate, circumstances)
    if figures is not None:
        document["electrolytic"] = electrolytic_document(figures)
    return finite_document(document)


def report_lines(estimate: Estimate, circumstances: Circumstances) -> tuple[str, ...]:
    """The estimate in a few lines of plain text, the part first."""
    state = estimate.finding.state
    lines = [
        f"{estimate.part}: {state.value.upper()} ({certainty_words(estimate)})",
        *(() if estimate.misfit is None else (f"  DO NOT TRUST THIS YET: {estimate.misfit}",)),
        f"  {value_words(estimate)} in the circuit; {against_words(estimate)}",
    ]
    if state not in (FindingState.WITHIN_TOLERANCE, FindingState.OFF_VALUE):
        lines.append(f"  {because_words(estimate)}")
    figures = _electrolytic(estimate, circumstances)
    words = None if figures is None else electrolytic_words(figures)
    if words is not None:
        lines.append(f"  {words}")
    for gone in estimate.left_out:
        lines.append(
            f"  Left out: the point at {format_quantity(gone.frequency_hz, 'Hz')} misses the others by "
            f"{gone.sigma:.0f} standard uncertainties (a slipped probe?)."
        )
    sources = budget_words(estimate)
    if sources is not None:
        lines.append(f"  {sources}")
    lines.append(f"  Next: {estimate.finding.action}")
    lines.append(f"  {conditions_words(circumstances)}")
    lines += [f"  {limit}" for limit in SWEEP_LIMITS]
    return tuple(lines)


def _electrolytic(estimate: Estimate, circumstances: Circumstances) -> Electrolytic | None:
    """C, ESR and loss of an electrolytic that works as one; None for other parts, and for an open or shorted one."""
    if estimate.finding.state in (FindingState.OPEN, FindingState.SHORTED) or not estimate.budget:
        return None
    part = next(
        (
            p
            for s in estimate.posterior.model.sweeps
            if s.stage
            for p in s.stage.parts
            if p.name == estimate.part
        ),
        None,
    )
    if part is None or not is_electrolytic(part):
        return None
    return electrolytic_figures(estimate.posterior, part, line_hz=circumstances.line_hz)


def because_words(estimate: Estimate) -> str:
    """Why the finding is what it is, without the part's name in front."""
    words = estimate.finding.because.removeprefix(f"{estimate.part}: ")
    return words[:1].upper() + words[1:]


def certainty_words(estimate: Estimate) -> str:
    """How sure the finding is, never rounded up to certainty."""
    if estimate.misfit is not None:
        return "no circuit that was tried describes the readings"
    return findings.certainty_words(estimate.finding.state, estimate.finding.probability)


def value_words(estimate: Estimate, *, quantity: Quantity | None = None) -> str:
    """A value with its 95 % half-width in one prefix, an interval where that is lopsided, or a bound."""
    found = estimate.capacitance if quantity is None else quantity
    if found.value is not None and found.interval95 is not None:
        low, high = found.interval95
        if abs((high - found.value) - (found.value - low)) > 0.25 * (high - low):
            return f"{_span(low, high, found.unit)} (95 %)"
        return f"{format_plus_minus(found.value, (high - low) / 2.0, found.unit)} (95 %)"
    if quantity is None and estimate.finding.state is FindingState.SHORTED:
        return "no capacitance to be seen"
    if found.at_most is not None:
        return f"at most {format_quantity(found.at_most, found.unit, 2)}"
    if found.at_least is not None:
        return f"at least {format_quantity(found.at_least, found.unit, 2)}"
    return "value not determined"


def _span(low: float, high: float, unit: str) -> str:
    factor, symbol = prefix_of(high, unit)
    digits = 3 if (high - low) < 0.2 * high else 2
    lowest, highest = (format_quantity(value / factor, "", digits) for value in (low, high))
    return f"{lowest} to {highest} {symbol}".rstrip()


def against_words(estimate: Estimate) -> str:
    """What the part is held against."""
    if estimate.nominal_farad is None:
        return "no expected value was given"
    marked = f"expected {format_quantity(estimate.nominal_farad, 'F')}"
    if estimate.tolerance is None:
        return f"{marked}, no tolerance was given"
    return f"{marked} {estimate.tolerance}, {_span(*estimate.tolerance.limits(estimate.nominal_farad), 'F')}"


def budget_words(estimate: Estimate) -> str | None:
    """Where the uncertainty comes from and what would shrink it most; None where C was not determined."""
    if not estimate.budget:
        return None
    leading = [line for line in estimate.budget[:_BUDGET_LINES] if line.share >= _SMALLEST_SHARE]
    sources = ", ".join(f"{line.source} {100 * line.share:.0f} %" for line in leading or estimate.budget[:1])
    words = f"Uncertainty from: {sources}."
    promised = estimate.expected_relative
    found = estimate.capacitance
    if promised is None or found.value is None or not found.standard_uncertainty:
        return words
    best = min(
        (line for line in estimate.budget if line.expected_sigma is not None),
        key=lambda line: line.expected_sigma or 0.0,
        default=None,
    )
    now = found.standard_uncertainty / found.value
    if best is None or promised > 0.8 * now or best.action in estimate.finding.action:
        return words
    return (
        f"{words} To shrink it: {best.action} "
        f"(standard uncertainty {_percent(now)} to {_percent(promised)} %)."
    )


def _percent(fraction: float) -> str:
    """Two figures of a percentage, without an exponent."""
    return format_quantity(100 * fraction, "", 2)


def conditions_words(circumstances: Circumstances) -> str:
    """Under what conditions the figures hold, for one line."""
    bench = "Simulated bench" if circumstances.simulated else f"Bench ({UNTESTED})"
    if circumstances.imported:
        bench = IMPORTED
    parts = [
        f"{bench}: {circumstances.hookup.value} hook-up",
        f"level {format_level(circumstances.level_vpp)}",
        f"bias {'taken as ' if circumstances.imported else ''}{circumstances.bias_v:g} V",
        _null_words(circumstances),
    ]
    if circumstances.sweeps > 1:
        parts.insert(1, f"{circumstances.sweeps} sweeps together")
    parts += [f"with {companion}" for companion in circumstances.companions]
    if circumstances.refused:
        count = len(circumstances.refused)
        parts.append(f"{count} point{'s' if count > 1 else ''} refused")
    return ", ".join(parts) + "."


def _null_words(circumstances: Circumstances) -> str:
    if circumstances.null is None:
        return "no null run"
    name = PurePath(circumstances.null).name
    if circumstances.null_age is None:
        return f"null run {name}"
    before = {"just now": "just before"}.get(circumstances.null_age) or circumstances.null_age.replace(
        " ago", " before"
    )
    return f"null run made {before} ({name})"


def ratio_words(frequency_hz: float, ratio: complex | None) -> str:
    """One point in a few words: "1.54 kHz: -3.0 dB, 45°"."""
    hertz = format_quantity(frequency_hz, "Hz")
    if not ratio:
        return f"{hertz}: no ratio"
    return f"{hertz}: {20 * math.log10(abs(ratio)):.1f} dB, {math.degrees(cmath.phase(ratio)):.0f}°"
