"""Leakage of one capacitor from meter readings on the live set: how much, how sure, and whether it is too much.

Owns the estimate and its finding. The readings are described in `leakage_readings`, weighed in `leakage_posterior`,
held against `leakage_limits` and put into words in `leakage_report`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.estimate import Quantity
from twonode.analysis.findings import STATED_FROM, Finding, FindingState
from twonode.analysis.leakage_limits import Condition, LeakageLimits, Limit, shipped_limits
from twonode.analysis.leakage_posterior import LeakPosterior, Nodes, leak_posterior
from twonode.analysis.leakage_readings import (
    NO_GRID_CURRENT,
    GridCurrent,
    KnownResistor,
    LeakageError,
    LeakageReadings,
    LeakRole,
    Meter,
    MeterReading,
    Position,
    leak_role,
)
from twonode.analysis.quantities import format_quantity

__all__ = [
    "NOT_TESTED_BY_DC",
    "NO_GRID_CURRENT",
    "GridCurrent",
    "KnownResistor",
    "LeakRole",
    "LeakageError",
    "LeakageEstimate",
    "LeakageReadings",
    "Meter",
    "MeterReading",
    "estimate_leakage",
    "leak_role",
]

Real = NDArray[np.float64]

NOT_TESTED_BY_DC = ("capacitance and loss", "leakage at a higher voltage or temperature than now")
"""What a DC check of leakage leaves open."""

LOW_DRIVE_V = 50.0
"""Below this a leak that shows only near working volts may be missed (common practice, no source)."""
LARGEST_VALVE_A = 20e-6
"""No grid of a receiving valve that still works drives more than this (common practice, no source)."""
SOURCE_MATTERS_OHM = 220e3
SOURCE_MATTERS_BELOW = 0.03
"""An anode load of this size takes 2.2 % off a 10 megohm meter's reading, which matters once R is known that well."""
_STANDARD = 0.6826894921370859


@dataclass(frozen=True, slots=True, kw_only=True)
class LeakageEstimate:
    """What is said of one capacitor's leakage.

    leakage_resistance : ohm. Value: median; standard uncertainty: half the width of the middle 68.27 %; interval:
        from 2.5 to 97.5 %. With `at_least` where no leak at all is not excluded, `at_most` where a short is not.
    leakage_current : A, through the part in the set, the meter away.
    far_voltage_without_meter : V, of the far node as the set has it.
    bias_shift : V, what the leak alone does to the far node. bias_share : the same over the bias.
    grid_current : A, into the far node from the valve; a value only where a second reading tells it apart.
    leak_share : of the leak in the sum of both, where they are told apart.
    bias_v : as given, with the sign against the drive node's.
    allowed_current : A, for an electrolytic after forming.
    reasons : name of a quantity without a value -> why it has none.
    limits : those that decided, in words with their source; limits_file : where they came from.
    uncorrected_ohm : the textbook's R = Rg (Vs - V) / V, which knows no meter; None where it does not apply.
    cannot_tell : what the readings leave open, and the reading that would tell; None where nothing is.
    """

    part: str
    role: LeakRole
    drive_v: float
    leakage_resistance: Quantity
    leakage_current: Quantity
    far_voltage_without_meter: Quantity
    bias_shift: Quantity
    bias_share: Quantity
    grid_current: Quantity
    leak_share: Quantity
    reasons: Mapping[str, str]
    finding: Finding
    limits: tuple[str, ...]
    limits_file: str
    bias_v: float | None = None
    allowed_current: Quantity | None = None
    uncorrected_ohm: float | None = None
    cannot_tell: str | None = None
    notes: tuple[str, ...] = field(default=())


def estimate_leakage(readings: LeakageReadings, limits: LeakageLimits | None = None) -> LeakageEstimate:
    """Work out a leak, the node as it is without the meter, and a finding.

    limits : None takes those that come with the program.

    Raises LeakageError for readings that no leak explains, LimitsError where no limit applies.
    """
    table = shipped_limits() if limits is None else limits
    applied = table.for_role(
        readings.role,
        bias_known=readings.bias_v is not None,
        resistor_known=readings.resistor is not None,
    )
    posterior = leak_posterior(readings)
    reasons: dict[str, str] = {}
    resistance = _resistance(posterior, reasons)
    cautious = posterior.nodes(flat_in_volts=True)
    nodes = posterior.nodes(flat_in_volts=False) if posterior.stated else cautious
    current = _current(nodes, posterior, reasons)
    shift, share = _shift(nodes, posterior, readings, reasons)
    told_apart = readings.valve_left_over or readings.far_capacitor_lifted is not None
    valve, leak_share = _shares(nodes, reasons, told_apart=told_apart)
    finding = _finding(readings, applied, table, cautious, resistance)
    return LeakageEstimate(
        part=readings.part,
        role=readings.role,
        drive_v=readings.drive.volts,
        leakage_resistance=resistance,
        leakage_current=current,
        far_voltage_without_meter=_far_voltage(nodes, readings, reasons),
        bias_shift=shift,
        bias_share=share,
        grid_current=valve,
        leak_share=leak_share,
        reasons=reasons,
        finding=finding,
        limits=tuple(limit.words for limit in applied),
        limits_file=table.where,
        bias_v=None if readings.bias_v is None else -readings.polarity * abs(readings.bias_v),
        uncorrected_ohm=_uncorrected(readings),
        cannot_tell=_cannot_tell(readings, posterior, finding, told_apart=told_apart),
        notes=_notes(readings, resistance),
    )


def _resistance(posterior: LeakPosterior, reasons: dict[str, str]) -> Quantity:
    if posterior.stated:
        low, bottom, middle, top, high = posterior.quantiles_ohm(
            (0.025, (1 - _STANDARD) / 2, 0.5, (1 + _STANDARD) / 2, 0.975)
        )
        return Quantity(
            unit="ohm", value=middle, standard_uncertainty=(top - bottom) / 2.0, interval95=(low, high)
        )
    if posterior.zero_share >= posterior.short_share:
        reasons["leakage_resistance"] = "no leak at all is not excluded by the readings"
        return Quantity(unit="ohm", at_least=posterior.at_least_ohm())
    reasons["leakage_resistance"] = "a dead short is not excluded by the readings"
    return Quantity(unit="ohm", at_most=posterior.at_most_ohm())


def _current(nodes: Nodes, posterior: LeakPosterior, reasons: dict[str, str]) -> Quantity:
    if posterior.stated:
        return _quantity(nodes.leak_a, nodes.weight, "A")
    if posterior.zero_share >= posterior.short_share:
        reasons["leakage_current"] = "no leak at all is not excluded by the readings"
        return Quantity(unit="A", at_most=_weighted_quantile(nodes.leak_a, nodes.weight, 0.95))
    # Through a short the current is what the resistor lets through, whatever the short's own ohms are.
    return _quantity(nodes.leak_a, nodes.weight, "A")


def _far_voltage(nodes: Nodes, readings: LeakageReadings, reasons: dict[str, str]) -> Quantity:
    if not readings.node_known:
        reasons["far_voltage_without_meter"] = _unknown_node(readings)
        return Quantity(unit="V")
    return _quantity(nodes.far_v, nodes.weight, "V")


def _unknown_node(readings: LeakageReadings) -> str:
    if readings.resistor is None:
        return "the resistor at the far node was not given"
    return "the node was not read with the capacitor in place"


def _shift(
    nodes: Nodes, posterior: LeakPosterior, readings: LeakageReadings, reasons: dict[str, str]
) -> tuple[Quantity, Quantity]:
    """What the leak does to the far node, V, and over the bias."""
    if not readings.node_known:
        reasons["bias_shift"] = reasons["bias_share"] = _unknown_node(readings)
        return Quantity(unit="V"), Quantity(unit="")
    bounded = posterior.zero_share >= posterior.short_share and not posterior.stated
    if bounded:
        reasons["bias_shift"] = reasons["bias_share"] = "no leak at all is not excluded by the readings"
        shift = Quantity(unit="V", at_most=_weighted_quantile(np.abs(nodes.rise_v), nodes.weight, 0.95))
    else:
        shift = _quantity(nodes.rise_v, nodes.weight, "V")
    if readings.bias_v is None:
        reasons["bias_share"] = "the bias of the next stage was not given"
        return shift, Quantity(unit="")
    over = np.abs(nodes.rise_v / readings.bias_v)
    if bounded:
        return shift, Quantity(unit="", at_most=_weighted_quantile(over, nodes.weight, 0.95))
    return shift, _quantity(over, nodes.weight, "")


def _shares(nodes: Nodes, reasons: dict[str, str], *, told_apart: bool) -> tuple[Quantity, Quantity]:
    if not told_apart:
        reasons["grid_current"] = reasons["leak_share"] = (
            "it takes a second reading of the far node, with the capacitor lifted or the next valve out"
        )
        return Quantity(unit="A"), Quantity(unit="")
    valve = _quantity(nodes.valve_a, nodes.weight, "A")
    sizes = np.abs(nodes.leak_a), np.abs(nodes.valve_a)
    return valve, _quantity(sizes[0] / (sizes[0] + sizes[1]), nodes.weight, "")


def _finding(
    readings: LeakageReadings,
    applied: tuple[Limit, ...],
    table: LeakageLimits,
    nodes: Nodes,
    resistance: Quantity,
) -> Finding:
    """Sort every draw by the limits; a state is stated from 95 % on.

    Source: JCGM 106:2012, conformance probability; the prior is flat in the volts at the far node.
    """
    sorted_draws = table.conditions(applied, nodes, readings.bias_v)
    at = {each: float(nodes.weight[sorted_draws == each].sum()) for each in Condition}
    faulty = at[Condition.LEAKY] + at[Condition.SHORTED]
    probabilities = {
        FindingState.WITHIN_TOLERANCE: at[Condition.SOUND],
        FindingState.LEAKY: at[Condition.LEAKY],
        FindingState.SHORTED: at[Condition.SHORTED],
        FindingState.UNDECIDED: at[Condition.BETWEEN],
    }
    phrase = f"{readings.part}: {_figures(readings, nodes, resistance)}"
    if at[Condition.SHORTED] >= STATED_FROM:
        state, probability = FindingState.SHORTED, at[Condition.SHORTED]
    elif faulty >= STATED_FROM:
        state, probability = FindingState.LEAKY, faulty
    elif at[Condition.SOUND] >= STATED_FROM:
        state, probability = FindingState.WITHIN_TOLERANCE, at[Condition.SOUND]
    else:
        state = FindingState.UNDECIDED
        probability = max(at.values())
    because = f"{phrase}{_against(state, at)}."
    return Finding(
        state=state,
        probability=min(1.0, probability),
        because=because,
        action=_action(readings, state, at[Condition.BETWEEN]),
        not_tested=("leakage at working voltage", *NOT_TESTED_BY_DC)
        if _too_low(readings)
        else NOT_TESTED_BY_DC,
        probabilities=probabilities,
    )


def _too_low(readings: LeakageReadings) -> bool:
    """Whether these volts are far below what works on such a part; an AVC line and a cathode have no more."""
    usual = readings.role in (LeakRole.AVC_FILTER, LeakRole.CATHODE_BYPASS)
    return not usual and abs(readings.drive.volts) < LOW_DRIVE_V


def _figures(readings: LeakageReadings, nodes: Nodes, resistance: Quantity) -> str:
    volts = format_quantity(abs(readings.drive.volts), "V")
    if resistance.value is not None:
        said = f"leaks {format_quantity(resistance.value, 'ohm')} at {volts}"
    elif resistance.at_least is not None:
        said = f"leakage resistance at least {format_quantity(resistance.at_least, 'ohm', 2)} at {volts}"
    else:
        assert resistance.at_most is not None
        said = f"lets {volts} through at most {format_quantity(resistance.at_most, 'ohm', 2)}"
    if readings.role.position is Position.TO_GROUND or readings.resistor is None:
        return said
    if resistance.at_least is not None:
        most = _weighted_quantile(np.abs(nodes.rise_v), nodes.weight, 0.95)
        return f"{said}, which lifts the grid by at most {format_quantity(most, 'V', 2)}"
    middle = _weighted_quantile(np.abs(nodes.rise_v), nodes.weight, 0.5)
    of_bias = ""
    if readings.bias_v is not None:
        of_bias = f", {format_quantity(middle / abs(readings.bias_v), '%', 2)} of the bias"
    return f"{said}, which lifts the grid by {format_quantity(middle, 'V')}{of_bias}"


def _against(state: FindingState, at: Mapping[Condition, float]) -> str:
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


def _action(readings: LeakageReadings, state: FindingState, between: float) -> str:
    lifted = f"lift one end of {readings.part} and read the volts from the loose end to ground"
    match state:
        case FindingState.WITHIN_TOLERANCE if _too_low(readings):
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


def _cannot_tell(
    readings: LeakageReadings, posterior: LeakPosterior, finding: Finding, *, told_apart: bool
) -> str | None:
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


def _notes(readings: LeakageReadings, resistance: Quantity) -> tuple[str, ...]:
    notes = []
    sign = readings.polarity
    if abs(readings.drive.volts) < LOW_DRIVE_V:
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
    if readings.drive_source is None and sharp and readings.role.position is Position.BETWEEN:
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


def _uncorrected(readings: LeakageReadings) -> float | None:
    if readings.far is None or readings.resistor is None or readings.role.position is Position.TO_GROUND:
        return None
    if not readings.polarity * readings.far.volts > 0:
        return None
    ohm = (
        readings.resistor.measured.value if readings.resistor.measured is not None else readings.resistor.ohm
    )
    return ohm * (readings.drive.volts - readings.far.volts) / readings.far.volts


def _quantity(values: Real, weight: Real, unit: str) -> Quantity:
    low, bottom, middle, top, high = _weighted_quantiles(
        values, weight, (0.025, (1 - _STANDARD) / 2, 0.5, (1 + _STANDARD) / 2, 0.975)
    )
    return Quantity(
        unit=unit, value=middle, standard_uncertainty=(top - bottom) / 2.0, interval95=(low, high)
    )


def _weighted_quantile(values: Real, weight: Real, share: float) -> float:
    return _weighted_quantiles(values, weight, (share,))[0]


def _weighted_quantiles(values: Real, weight: Real, shares: tuple[float, ...]) -> tuple[float, ...]:
    order = np.argsort(values)
    mass = np.cumsum(weight[order])
    at = np.searchsorted(mass, np.array(shares) * mass[-1])
    return tuple(float(each) for each in values[order][at])
