"""Leakage of one capacitor from meter readings on the live set: how much, how sure, and whether it is too much.

Owns the estimate and its finding. The readings are described in `leakage_readings`, weighed in `leakage_posterior`,
held against `leakage_limits` and put into words in `leakage_words` and `leakage_report`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.estimated import Quantity
from twonode.analysis.findings import STATED_FROM, Finding, FindingState
from twonode.analysis.leakage_circuit import Nodes
from twonode.analysis.leakage_limits import Condition, LeakageLimits, Limit, shipped_limits
from twonode.analysis.leakage_posterior import LeakPosterior, leak_posterior
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
from twonode.analysis.leakage_words import (
    action_words,
    against_words,
    cannot_tell,
    figures_words,
    leak_notes,
    too_low,
)

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
    avc_lost : share of the control voltage that the leak of an AVC filter takes, R feed / (R feed + R leak).
    bias_v : as given, negative where the drive node is positive.
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
    avc_lost: Quantity
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
        avc_lost=_avc_lost(nodes, posterior, readings, reasons),
        reasons=reasons,
        finding=finding,
        limits=tuple(limit.words for limit in applied),
        limits_file=table.where,
        bias_v=_bias_v(readings),
        uncorrected_ohm=_uncorrected(readings),
        cannot_tell=cannot_tell(readings, posterior, finding, told_apart=told_apart),
        notes=leak_notes(readings, resistance),
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
        return _quantity(nodes, nodes.leak_a, "A")
    if posterior.zero_share >= posterior.short_share:
        reasons["leakage_current"] = "no leak at all is not excluded by the readings"
        return Quantity(unit="A", at_most=nodes.quantile(nodes.leak_a, 0.95))
    # Through a short the current is what the resistor lets through, whatever the short's own ohms are.
    return _quantity(nodes, nodes.leak_a, "A")


def _far_voltage(nodes: Nodes, readings: LeakageReadings, reasons: dict[str, str]) -> Quantity:
    if not readings.node_known:
        reasons["far_voltage_without_meter"] = _unknown_node(readings)
        return Quantity(unit="V")
    return _quantity(nodes, nodes.far_v, "V")


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
        shift = Quantity(unit="V", at_most=nodes.quantile(np.abs(nodes.rise_v), 0.95))
    else:
        shift = _quantity(nodes, nodes.rise_v, "V")
    if readings.bias_v is None:
        reasons["bias_share"] = "the bias of the next stage was not given"
        return shift, Quantity(unit="")
    over = np.abs(nodes.rise_v / readings.bias_v)
    if bounded:
        return shift, Quantity(unit="", at_most=nodes.quantile(over, 0.95))
    return shift, _quantity(nodes, over, "")


def _bias_v(readings: LeakageReadings) -> float | None:
    """Against the cathode; at a negative drive node, or with reversed leads, nobody knows better than it was given."""
    if readings.bias_v is None or readings.polarity < 0:
        return readings.bias_v
    return -abs(readings.bias_v)


def _avc_lost(
    nodes: Nodes, posterior: LeakPosterior, readings: LeakageReadings, reasons: dict[str, str]
) -> Quantity:
    if readings.role is not LeakRole.AVC_FILTER or readings.resistor is None:
        reasons["avc_lost"] = (
            "the capacitor is no AVC filter"
            if readings.role is not LeakRole.AVC_FILTER
            else "the resistor that feeds the AVC line was not given"
        )
        return Quantity(unit="")
    if not posterior.stated and posterior.zero_share >= posterior.short_share:
        reasons["avc_lost"] = "no leak at all is not excluded by the readings"
        return Quantity(unit="", at_most=nodes.quantile(nodes.lost_share, 0.95))
    return _quantity(nodes, nodes.lost_share, "")


def _shares(nodes: Nodes, reasons: dict[str, str], *, told_apart: bool) -> tuple[Quantity, Quantity]:
    if not told_apart:
        reasons["grid_current"] = reasons["leak_share"] = (
            "it takes a second reading of the far node, with the capacitor lifted or the next valve out"
        )
        return Quantity(unit="A"), Quantity(unit="")
    valve = _quantity(nodes, nodes.valve_a, "A")
    sizes = np.abs(nodes.leak_a), np.abs(nodes.valve_a)
    return valve, _quantity(nodes, sizes[0] / (sizes[0] + sizes[1]), "")


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
    phrase = f"{readings.part}: {figures_words(readings, nodes, resistance)}"
    if at[Condition.SHORTED] >= STATED_FROM:
        state, probability = FindingState.SHORTED, at[Condition.SHORTED]
    elif faulty >= STATED_FROM:
        state, probability = FindingState.LEAKY, faulty
    elif at[Condition.SOUND] >= STATED_FROM:
        state, probability = FindingState.WITHIN_TOLERANCE, at[Condition.SOUND]
    else:
        state = FindingState.UNDECIDED
        probability = max(at.values())
    because = f"{phrase}{against_words(state, at)}."
    return Finding(
        state=state,
        probability=min(1.0, probability),
        because=because,
        action=action_words(readings, state, at[Condition.BETWEEN]),
        not_tested=("leakage at working voltage", *NOT_TESTED_BY_DC)
        if too_low(readings)
        else NOT_TESTED_BY_DC,
        probabilities=probabilities,
    )


def _uncorrected(readings: LeakageReadings) -> float | None:
    if readings.far is None or readings.resistor is None or readings.role.position is Position.TO_GROUND:
        return None
    if not readings.polarity * readings.far.volts > 0:
        return None
    ohm = (
        readings.resistor.measured.value if readings.resistor.measured is not None else readings.resistor.ohm
    )
    return ohm * (readings.drive.volts - readings.far.volts) / readings.far.volts


def _quantity(nodes: Nodes, values: Real, unit: str) -> Quantity:
    low, bottom, middle, top, high = nodes.quantiles(
        values, (0.025, (1 - _STANDARD) / 2, 0.5, (1 + _STANDARD) / 2, 0.975)
    )
    return Quantity(
        unit=unit, value=middle, standard_uncertainty=(top - bottom) / 2.0, interval95=(low, high)
    )
