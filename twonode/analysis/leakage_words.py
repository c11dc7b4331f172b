"""What is said of a leak in sentences: the figures, what the limits make of them, what to do, what stays open.

Owns these words; works nothing out but the shares that stand in them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from twonode.analysis.estimated import Quantity
from twonode.analysis.findings import STATED_FROM, Finding, FindingState
from twonode.analysis.leakage_circuit import Nodes
from twonode.analysis.leakage_limits import Condition
from twonode.analysis.leakage_posterior import LeakPosterior
from twonode.analysis.leakage_readings import LeakageReadings, LeakRole, Position
from twonode.analysis.quantities import format_quantity

__all__ = ["action_words", "against_words", "cannot_tell", "figures_words", "leak_notes", "too_low"]

LOW_DRIVE_V = 50.0
"""Below this a leak that shows only near working volts may be missed (common practice, no source)."""
LARGEST_VALVE_A = 20e-6
"""No grid of a receiving valve that still works drives more than this (common practice, no source)."""
SOURCE_MATTERS_OHM = 220e3
SOURCE_MATTERS_BELOW = 0.03
"""An anode load of this size takes 2.2 % off a 10 megohm meter's reading, which matters once R is known that well."""
SMALLEST_GRID_LEAK_OHM, LARGEST_GRID_LEAK_OHM = 10e3, 50e6
"""Outside these a grid leak is more likely a slip in the prefix (common practice, no source)."""


def too_low(readings: LeakageReadings) -> bool:
    """Whether these volts are far below what works on such a part; an AVC line and a cathode have no more."""
    usual = readings.role in (LeakRole.AVC_FILTER, LeakRole.CATHODE_BYPASS)
    return not usual and abs(readings.drive.volts) < LOW_DRIVE_V


def figures_words(readings: LeakageReadings, nodes: Nodes, resistance: Quantity) -> str:
    """How much it leaks, and what that does to the far node."""
    volts = format_quantity(abs(readings.drive.volts), "V")
    if resistance.value is not None:
        said = f"leaks {format_quantity(resistance.value, 'ohm')} at {volts}"
    elif resistance.at_least is not None:
        said = f"leakage resistance at least {format_quantity(resistance.at_least, 'ohm', 2)} at {volts}"
    else:
        assert resistance.at_most is not None
        said = f"is at most {format_quantity(resistance.at_most, 'ohm', 2)} at {volts}"
    if readings.resistor is None:
        return said
    bounded = resistance.at_least is not None
    at_most, share = ("at most ", 0.95) if bounded else ("", 0.5)
    if readings.role is LeakRole.AVC_FILTER:
        lost = nodes.quantile(nodes.lost_share, share)
        return f"{said}, which takes {at_most}{format_quantity(lost, '%', 2)} of the AVC"
    if readings.role.position is Position.TO_GROUND:
        return said
    rise = nodes.quantile(np.abs(nodes.rise_v), share)
    moves = "lifts" if readings.polarity > 0 else "moves"
    said = f"{said}, which {moves} the grid by {at_most}{format_quantity(rise, 'V', 2 if bounded else 3)}"
    if readings.bias_v is None or bounded:
        return said
    return f"{said}, {format_quantity(rise / abs(readings.bias_v), '%', 2)} of the bias"


def against_words(state: FindingState, at: Mapping[Condition, float]) -> str:
    """What the limits make of it; at : probability of each condition."""
    match state:
        case FindingState.WITHIN_TOLERANCE:
            return ": inside the limits"
        case FindingState.LEAKY:
            return ": too much"
        case FindingState.SHORTED:
            return ": as good as a short"
        case _:
            if at[Condition.BETWEEN] >= STATED_FROM:
                return ": more than a sound part, less than the limit for replacing it"
            percent = ", ".join(
                f"{name} {100 * at[key]:.0f} %"
                for name, key in (
                    ("sound", Condition.SOUND),
                    ("in between", Condition.BETWEEN),
                    ("leaky", Condition.LEAKY),
                    ("shorted", Condition.SHORTED),
                )
                if at[key] >= 0.005
            )
            return f": {percent}"


def action_words(readings: LeakageReadings, state: FindingState, between: float) -> str:
    """What to do next; between : probability of a leak between the limits."""
    lifted = f"lift one end of {readings.part} and read the volts from the loose end to ground"
    match state:
        case FindingState.WITHIN_TOLERANCE if too_low(readings):
            return (
                f"Read {readings.part} again with its working volts on it: "
                f"{format_quantity(abs(readings.drive.volts), 'V')} does not clear it."
            )
        case FindingState.WITHIN_TOLERANCE:
            return f"Leave {readings.part} in, as far as leakage goes; sweep it unplugged for its value."
        case FindingState.LEAKY | FindingState.SHORTED:
            told = (
                ", once the valve is ruled out"
                if state is FindingState.LEAKY and not _settled(readings)
                else ""
            )
            if readings.role is LeakRole.AVC_FILTER:
                return f"Replace {readings.part}{told}: with too little AVC strong stations overload the set."
            return f"Do not run the set; replace {readings.part}{told}."
        case _ if between >= STATED_FROM and _settled(readings):
            return f"Watch {readings.part}: read again after an hour of running warm, or replace it."
        case _ if readings.lifted_end is not None:
            return "To decide: read again with more digits, the set warm."
        case _:
            return (
                f"To decide: unplugged and discharged, {lifted} with the set on again and warm. Tape it clear first: "
                "a loose end can carry the full HT."
            )


def _settled(readings: LeakageReadings) -> bool:
    """Whether the valve's current cannot be what was read."""
    second = readings.far_capacitor_lifted, readings.far_valve_out, readings.lifted_end
    return any(each is not None for each in second) or readings.grid_current.share == 0.0


def cannot_tell(
    readings: LeakageReadings, posterior: LeakPosterior, finding: Finding, *, told_apart: bool
) -> str | None:
    """What these readings leave open, and the reading that would tell; None where nothing is.

    told_apart : whether leak and grid current are.
    """
    far = readings.far
    if far is None or told_apart or _settled(readings):
        return None
    assert readings.resistor is not None
    load = 1.0 / math.exp(readings.resistor.prior.mean) + 1.0 / readings.meter.resistance_ohm
    if not posterior.stated and posterior.zero_share >= posterior.short_share:
        if finding.state is FindingState.WITHIN_TOLERANCE:
            return None
        times = load * readings.meter.resistance_ohm
        return (
            f"The meter cannot tell a leak from none here. The loose end of {readings.part} to ground is about "
            f"{times:.0f} times more sensitive: lift the far end and read there."
        )
    if finding.state in (FindingState.WITHIN_TOLERANCE, FindingState.SHORTED):
        return None
    alone_a = abs(far.volts) * load
    if readings.role.position is Position.TO_GROUND:
        alone_a = abs(abs(readings.drive.volts) / math.exp(readings.resistor.prior.mean) - alone_a)
    if alone_a > LARGEST_VALVE_A:
        return None
    amount = format_quantity(alone_a, "A", 2)
    usual = format_quantity(readings.grid_current.scale_a, "A", 1)
    what = "grid current (gas, grid emission)" if readings.role is LeakRole.COUPLING else "other current"
    return (
        f"Leak and {what} cannot be told apart by one reading: {amount} from the valve would read the same, and "
        f"about {usual} was allowed for. Read the far node again with {readings.part}'s far end lifted (what stays "
        "is the valve), or with the next valve out, parallel heaters only (what stays is the leak)."
    )


def leak_notes(readings: LeakageReadings, resistance: Quantity) -> tuple[str, ...]:
    """What the person has to know of how the readings were taken."""
    notes = _sign_notes(readings)
    sign = readings.polarity
    between = readings.role.position is Position.BETWEEN
    if between and readings.resistor is not None:
        ohm = math.exp(readings.resistor.prior.mean)
        if not SMALLEST_GRID_LEAK_OHM <= ohm <= LARGEST_GRID_LEAK_OHM:
            notes.append(
                f"A grid leak of {readings.resistor.words} is unusual: check its prefix. The leak follows from it."
            )
    if too_low(readings):
        notes.append(
            f"Tested at {format_quantity(abs(readings.drive.volts), 'V')} only: a leak that shows near working "
            "volts may be missed."
        )
    for name, reading in (("far node", readings.far), ("loose end", readings.lifted_end)):
        if reading is not None and sign * reading.volts < 0 and readings.far_capacitor_lifted is None:
            notes.append(
                f"The {name} reads {format_quantity(reading.volts, 'V')}: a negative leak, so little that it is "
                "within the meter's limits of zero; else it would be grid current or reversed leads."
            )
    sharp = (
        resistance.value is not None
        and (resistance.standard_uncertainty or 0.0) < SOURCE_MATTERS_BELOW * resistance.value
    )
    if readings.drive_source is None and sharp and between:
        share = SOURCE_MATTERS_OHM / (SOURCE_MATTERS_OHM + readings.meter.resistance_ohm)
        notes.append(
            "The drive node's volts are taken as read; behind an anode load of "
            f"{format_quantity(SOURCE_MATTERS_OHM, 'ohm')} this meter would read {100 * share:.1f} % low there."
        )
    if readings.far_valve_out is not None:
        notes.append("With the valve out the supply rises: the drive node's volts should be those read then.")
    if readings.far_capacitor_lifted is not None:
        notes.append("Lifting the capacitor is taken to leave the valve's own current as it was.")
    return tuple(notes)


def _sign_notes(readings: LeakageReadings) -> list[str]:
    bias_v = readings.bias_v
    if readings.polarity > 0:
        if bias_v is None or bias_v < 0:
            return []
        return [
            f"The bias was given as {format_quantity(bias_v, 'V')} and taken as {format_quantity(-bias_v, 'V')}: a "
            "grid's bias is negative against its cathode."
        ]
    if readings.role.position is not Position.BETWEEN:
        return []
    return [
        "The drive node reads negative. With reversed leads the leak lifts the grid, at a truly negative node it "
        "pulls it down: check the leads against B-minus."
    ]
