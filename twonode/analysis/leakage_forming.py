"""An electrolytic's leakage current after forming, held against the limit of its rating.

Owns that comparison. The current was read directly, after the part had been at its volts for a while; it falls while
the oxide forms, so that a current that is still too large early on decides nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from twonode.analysis.estimated import Quantity
from twonode.analysis.findings import STATED_FROM, Finding, FindingState
from twonode.analysis.leakage import NOT_TESTED_BY_DC, LeakageError, LeakageEstimate, LeakRole
from twonode.analysis.leakage_limits import LeakageLimits, LimitsError, RatedLeakage, shipped_limits
from twonode.analysis.quantities import format_quantity

__all__ = ["FormedReadings", "estimate_formed"]

FULL_VOLTS = 0.95
"""At less than this share of its rated volts the part was not tested at them (common practice, no source)."""
LEAST_VOLTS = 0.5
"""At less than this share a small current tells nothing of the part at its volts (common practice, no source)."""
OVER_VOLTS = 1.1


@dataclass(frozen=True, slots=True, kw_only=True)
class FormedReadings:
    """current_a : read at the end, within ± half_width_a. capacitance_farad, rated_v : as marked.

    applied_v : across the part. forming_s : how long it had been there.
    """

    current_a: float
    half_width_a: float
    capacitance_farad: float
    rated_v: float
    applied_v: float
    forming_s: float
    part: str = "the capacitor"

    def __post_init__(self) -> None:
        positive = {
            "half-width of the current": self.half_width_a,
            "capacitance": self.capacitance_farad,
            "rated voltage": self.rated_v,
            "applied voltage": self.applied_v,
        }
        for name, number in positive.items():
            if not 0 < number < math.inf:
                raise LeakageError(
                    f"The {name} is {number:g}.",
                    "The limit follows from the marked value and volts, and the reading has limits of its own.",
                    "Give a number above zero.",
                )
        if not 0 <= self.forming_s < math.inf:
            raise LeakageError(
                f"A forming time of {self.forming_s:g} s is not possible.",
                "The current falls while the part forms.",
                "Give the time that the part has been at its volts.",
            )
        if not math.isfinite(self.current_a):
            raise LeakageError(
                f"A current of {self.current_a} A is none.",
                "The meter was overloaded or nothing was read.",
                "Switch off, and read again on a higher range.",
            )
        if self.current_a < -self.half_width_a:
            raise LeakageError(
                f"The current reads {format_quantity(self.current_a, 'A')}: a negative leak.",
                "No leak drives current backwards; the leads are reversed.",
                "Switch off, discharge, check the polarity of the part first, then that of the meter.",
            )
        if self.applied_v > OVER_VOLTS * self.rated_v:
            raise LeakageError(
                f"{format_quantity(self.applied_v, 'V')} stood across a part rated {self.rated_v:g} V.",
                "Above its rating an electrolytic leaks more, heats up and may burst.",
                "Switch off and discharge it. Leave it cold, and test it again at no more than its rated volts.",
            )


def estimate_formed(readings: FormedReadings, limits: LeakageLimits | None = None) -> LeakageEstimate:
    """Leakage of an electrolytic from its current.

    Raises LimitsError where the table does not reach the part's rating, LeakageError where a current inside the limit
    was read at volts that prove nothing.
    """
    table = shipped_limits() if limits is None else limits
    rated = table.rated
    if rated is None:
        raise LimitsError(
            f"{table.where} has no [rated_leakage].",
            "Without it there is no limit for an electrolytic's current.",
            "Copy that table from the limits that come with the program.",
        )
    allowed_a = rated.limit_a(readings.capacitance_farad, readings.rated_v)
    low_a = max(readings.current_a - readings.half_width_a, 0.0)
    high_a = readings.current_a + readings.half_width_a
    resistance, current, reasons = _quantities(readings, low_a, high_a)
    reasons |= dict.fromkeys(
        ("far_voltage_without_meter", "bias_shift", "bias_share", "grid_current", "leak_share"),
        "the current was read directly, not at a node",
    )
    reasons["avc_lost"] = "the capacitor is no AVC filter"
    # Anything between the limits of the reading is as likely (JCGM 100:2008, 4.3.7; conformance: JCGM 106:2012).
    sound = min(max((allowed_a - low_a) / (high_a - low_a), 0.0), 1.0)
    if readings.applied_v < LEAST_VOLTS * readings.rated_v and sound > 1.0 - STATED_FROM:
        raise LeakageError(
            f"{format_quantity(readings.applied_v, 'V')} is too little for a part rated {readings.rated_v:g} V.",
            "The limit holds at its rated volts, near which an electrolytic leaks most; this current clears nothing.",
            f"Read it at its working volts, {LEAST_VOLTS * readings.rated_v:g} V or more and never above the rating.",
        )
    return LeakageEstimate(
        part=readings.part,
        role=LeakRole.FILTER,
        drive_v=readings.applied_v,
        leakage_resistance=resistance,
        leakage_current=current,
        far_voltage_without_meter=Quantity(unit="V"),
        bias_shift=Quantity(unit="V"),
        bias_share=Quantity(unit=""),
        grid_current=Quantity(unit="A"),
        leak_share=Quantity(unit=""),
        avc_lost=Quantity(unit=""),
        reasons=reasons,
        finding=_finding(readings, rated, allowed_a, sound),
        limits=(f"leakage current: sound below {format_quantity(allowed_a, 'A')} ({rated.source})",),
        limits_file=table.where,
        allowed_current=Quantity(unit="A", value=allowed_a),
    )


def _quantities(
    readings: FormedReadings, low_a: float, high_a: float
) -> tuple[Quantity, Quantity, dict[str, str]]:
    if low_a == 0.0:
        most = 0.95 * high_a
        why = "no leak at all is not excluded by the reading"
        return (
            Quantity(unit="ohm", at_least=readings.applied_v / most),
            Quantity(unit="A", at_most=most),
            {"leakage_resistance": why, "leakage_current": why},
        )
    edge = 0.95 * readings.half_width_a
    ohm = readings.applied_v / readings.current_a
    spread = readings.half_width_a / math.sqrt(3.0)
    return (
        Quantity(
            unit="ohm",
            value=ohm,
            standard_uncertainty=ohm * spread / readings.current_a,
            interval95=(
                readings.applied_v / (readings.current_a + edge),
                readings.applied_v / (readings.current_a - edge),
            ),
        ),
        Quantity(
            unit="A",
            value=readings.current_a,
            standard_uncertainty=spread,
            interval95=(readings.current_a - edge, readings.current_a + edge),
        ),
        {},
    )


def _minutes(seconds: float) -> str:
    return f"{seconds:.3g} s" if seconds < 60.0 else f"{seconds / 60.0:.3g} min"


def _finding(readings: FormedReadings, rated: RatedLeakage, allowed_a: float, sound: float) -> Finding:
    early = readings.forming_s < rated.forming_s
    read = format_quantity(readings.current_a, "A", 2)
    figures = (
        f"{readings.part}: {read} at {format_quantity(readings.applied_v, 'V')} after "
        f"{_minutes(readings.forming_s)}, allowed {format_quantity(allowed_a, 'A', 2)}"
    )
    not_tested: tuple[str, ...] = NOT_TESTED_BY_DC
    if readings.applied_v < FULL_VOLTS * readings.rated_v:
        not_tested = (f"leakage at the rated {readings.rated_v:g} V", *not_tested)
    if sound >= STATED_FROM:
        state, probability = FindingState.WITHIN_TOLERANCE, sound
        because = f"{figures}: inside the limit"
        action = f"Measure the capacitance and ESR of {readings.part} unplugged and discharged."
    elif sound <= 1.0 - STATED_FROM and not early:
        state, probability = FindingState.LEAKY, 1.0 - sound
        because = f"{figures}: too much"
        action = f"Do not run the set on it; replace {readings.part}."
    else:
        state, probability = FindingState.UNDECIDED, max(sound, 1.0 - sound)
        because = f"{figures}: {'still falling, perhaps' if early else 'too near the limit'}"
        action = (
            f"To decide: read again after {rated.forming_s / 60.0:g} min at its volts."
            if early
            else "To decide: read the current with a meter of closer limits."
        )
    return Finding(
        state=state,
        probability=probability,
        because=f"{because}.",
        action=action,
        not_tested=not_tested,
        probabilities={FindingState.WITHIN_TOLERANCE: sound, FindingState.LEAKY: 1.0 - sound},
    )
