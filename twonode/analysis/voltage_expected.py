"""What a node of a voltage chart should read today, on this meter, and what a reading there says.

Owns the correction for today's line voltage and for the loading of both meters, its uncertainty, and the finding.
With the node's own resistance Rth (Thévenin) the book's meter showed V, the node without it had V (1 + Rth/Rbook),
today's meter shows that divided by (1 + Rth/Rmine); what follows the mains goes with the ratio of the line voltages.

Source: voltage division; conformity by JCGM 106:2012, 7.3; limits as standard uncertainties by JCGM 100:2008, 4.3.7.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from math import exp, log, sqrt

from twonode.analysis.findings import STATED_FROM, Finding, FindingState, conformity_probability
from twonode.analysis.leakage_readings import Meter, MeterReading
from twonode.analysis.quantities import format_quantity
from twonode.analysis.voltage_chart import BookMeter, ChartError, ChartNode, VoltageChart

__all__ = ["LINE_RATIOS", "Doubt", "Line", "NodeVerdict", "check_line", "expected_now", "judge_reading"]

LINE_RATIOS = (0.75, 1.25)
"""Line today over line of the book: outside of it heaters no longer do what they did (common practice, no source)."""

_LINE_RELATIVE = 0.01
"""Limits of the line's reading (common practice, no source)."""

_LINE_UNKNOWN = 0.10
"""Limits of a line nobody read: IEC 60038 allows the mains ±10 % (from memory)."""

_FOLLOWS = 0.2
"""Rails follow the line in proportion, give or take this exponent: regulation, bias, drift (no source)."""


class Doubt(Enum):
    """Where the uncertainty of a node's deviation comes from; the value is said in words."""

    METER = "the meter's accuracy"
    SOURCE = "the node's own resistance"
    LOADING = "the meter's input resistance"
    LINE = "the line voltage"
    RANGE = "the book meter's range"


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """The mains today.

    volts : V rms, None where nobody read it. relative : limits of that reading, a share of it.
    """

    volts: float | None = None
    relative: float = _LINE_RELATIVE

    def __post_init__(self) -> None:
        if self.volts is not None and not (0 < self.volts < 1e5 and 0 < self.relative < 1):
            raise ChartError(
                f"A line of {self.volts:g} V ± {100 * self.relative:g} % is not possible.",
                "The expectation follows the line.",
                "Give the mains as read with a meter, such as --line 123V.",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Expected:
    """Volts that the meter should show, for one resistance of the book's meter.

    doubts : standard uncertainty of its logarithm, from each source.
    """

    volts: float
    doubts: dict[Doubt, float]

    @property
    def relative(self) -> float:
        return sqrt(sum(each**2 for each in self.doubts.values()))


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeVerdict:
    """What a reading says of its node.

    volts : as shown. expected_v : on this meter, at today's line; the middle of `band_v` where there is one.
    band_v : lowest and highest expectation, where the book meter's range is not known.
    unloaded_v : the node without a meter on it, V; None where its resistance is not known.
    limits_v : the tolerance around the expectation, V.
    deviation : share of the expectation, None where that is about nothing. deviation_v : in volts.
    standard_uncertainty_v : of the deviation. shares : of its variance, the largest first.
    corrections : what was corrected, in words; left_out : what could not be.
    """

    node: ChartNode
    volts: float
    half_width_v: float
    expected_v: float
    band_v: tuple[float, float] | None
    unloaded_v: float | None
    limits_v: tuple[float, float]
    deviation_v: float
    deviation: float | None
    standard_uncertainty_v: float
    shares: tuple[tuple[Doubt, float], ...]
    finding: Finding
    corrections: tuple[str, ...]
    left_out: tuple[str, ...]


def check_line(chart: VoltageChart, line: Line) -> None:
    """Raise ChartError where today's line is too far from the book's for any correction."""
    if chart.line_v is None or line.volts is None:
        return
    low, high = LINE_RATIOS
    if not low <= line.volts / chart.line_v <= high:
        raise ChartError(
            f"Today's line is {line.volts:g} V, the book's {chart.line_v:g} V.",
            f"Outside of {100 * low:.0f} to {100 * high:.0f} % the set is not the one of the book: heaters, bias and "
            "rails no longer go with the line.",
            "Check the figure and the set's voltage selector; behind a lamp or a variable supply read again at "
            "full line.",
        )


def expected_now(
    chart: VoltageChart, node: ChartNode, *, meter: Meter, line: Line
) -> tuple[tuple[_Expected, ...], tuple[str, ...], tuple[str, ...]]:
    """The expectation for every resistance the book's meter may have had, what was corrected and what was left out.

    Raises ChartError for a line that is too far from the book's.
    """
    check_line(chart, line)
    done: list[str] = []
    left: list[str] = []
    factor, doubts = _line_factor(chart, node, line, done, left)
    if node.source is None:
        left.append("loading of the meters: the chart does not give the node's resistance")
        return (_Expected(volts=node.book_v * factor, doubts=doubts),), tuple(done), tuple(left)
    prior = node.source.prior
    source_ohm = exp(prior.mean)
    mine = source_ohm / meter.resistance_ohm
    # Nothing divided is nothing, whatever the book's meter was.
    loads = (None,) if node.book_v == 0 else _book_loads(chart.book_meter, node, left)
    found = []
    for load_ohm in loads:
        book = 0.0 if load_ohm is None else source_ohm / load_ohm
        slope = book / (1.0 + book) - mine / (1.0 + mine)
        found.append(
            _Expected(
                volts=node.book_v * (1.0 + book) * factor / (1.0 + mine),
                doubts=doubts
                | {
                    Doubt.SOURCE: abs(slope) * prior.sigma,
                    Doubt.LOADING: mine / (1.0 + mine) * meter.tolerance / sqrt(3.0),
                },
            )
        )
    done.append(f"both meters' loading of {node.source.words}")
    return tuple(found), tuple(done), tuple(left)


def _line_factor(
    chart: VoltageChart, node: ChartNode, line: Line, done: list[str], left: list[str]
) -> tuple[float, dict[Doubt, float]]:
    if not node.follows_line or node.book_v == 0:
        return 1.0, {}
    if chart.line_v is None:
        left.append("line voltage: the chart does not give the book's")
        return 1.0, {Doubt.LINE: _LINE_UNKNOWN / sqrt(3.0)}
    if line.volts is None:
        left.append("line voltage: today's was not given")
        return 1.0, {Doubt.LINE: _LINE_UNKNOWN / sqrt(3.0)}
    ratio = line.volts / chart.line_v
    done.append(f"line {line.volts:g} V against the book's {chart.line_v:g} V")
    spread = sqrt(line.relative**2 + (_FOLLOWS * log(ratio)) ** 2) / sqrt(3.0)
    return ratio, {Doubt.LINE: spread}


def _book_loads(book: BookMeter | None, node: ChartNode, left: list[str]) -> tuple[float | None, ...]:
    """Every resistance the book's meter may have had, ohm; None is one that does not load."""
    if book is None:
        left.append("the book's meter: the chart does not name it")
        # Between the poorest pointer instrument in use and a meter that loads nothing.
        poorest = BookMeter(ohms_per_volt=1000.0).loads_ohm(node.book_v, node.range_v)
        return (*poorest, None)
    loads = book.loads_ohm(node.book_v, node.range_v)
    if len(loads) > 1:
        left.append("the book meter's range: the chart does not say, so a band stands for it")
    return loads


def judge_reading(
    chart: VoltageChart, node: ChartNode, reading: MeterReading, *, meter: Meter, line: Line
) -> NodeVerdict:
    """What a reading says of its node: within tolerance, off value or undecided.

    Where the book meter's range is not known, the statement must hold for every one it may have been.

    Raises ChartError for a line that is too far from the book's.
    """
    expected, done, left = expected_now(chart, node, meter=meter, line=line)
    meter_v = sqrt((reading.relative * reading.volts) ** 2 + reading.counts_v**2 + reading.rounding_v**2)
    meter_sigma = meter_v / sqrt(3.0)
    inside, spreads = [], []
    for each in expected:
        # The tolerance moves with the expectation, so that the deviation carries all the uncertainty.
        sigma = sqrt(meter_sigma**2 + (each.relative * each.volts) ** 2)
        low, high = node.limits.around(each.volts)
        inside.append(conformity_probability(reading.volts, sigma, low, high))
        spreads.append((sigma, each))
    lowest, highest = min(e.volts for e in expected), max(e.volts for e in expected)
    middle = (lowest + highest) / 2.0
    sigma, worst = max(spreads, key=lambda pair: pair[0])
    band_sigma = (highest - lowest) / sqrt(12.0)
    total = sqrt(sigma**2 + band_sigma**2)
    variances = {Doubt.METER: meter_sigma**2, Doubt.RANGE: band_sigma**2}
    variances |= {doubt: (part * worst.volts) ** 2 for doubt, part in worst.doubts.items()}
    shares = sorted(((d, v / total**2) for d, v in variances.items() if v > 0), key=lambda pair: -pair[1])
    deviation_v = reading.volts - middle
    mine = 0.0 if node.source is None else exp(node.source.prior.mean) / meter.resistance_ohm
    return NodeVerdict(
        node=node,
        volts=reading.volts,
        half_width_v=reading.half_width_v,
        expected_v=middle,
        band_v=(lowest, highest) if len(expected) > 1 else None,
        unloaded_v=None if node.source is None else reading.volts * (1.0 + mine),
        limits_v=node.limits.around(middle),
        deviation_v=deviation_v,
        deviation=None if node.book_v == 0 else deviation_v / middle,
        standard_uncertainty_v=total,
        shares=tuple(shares),
        finding=_finding(node, reading, (lowest, highest), inside, shares[0][0]),
        corrections=done,
        left_out=left,
    )


_ACTIONS = {
    Doubt.METER: "read it again with a more accurate meter",
    Doubt.SOURCE: "measure the resistance of what feeds the node, the set unplugged and discharged, and put it into "
    "the chart as source_resistance",
    Doubt.LOADING: "give the meter's input resistance with its tolerance from the data sheet",
    Doubt.LINE: "read the line voltage at the same time and give it with --line",
    Doubt.RANGE: "find out on which range the book's meter was and put it into the chart as range",
}


def _finding(
    node: ChartNode,
    reading: MeterReading,
    band: tuple[float, float],
    inside: list[float],
    largest: Doubt,
) -> Finding:
    """By JCGM 106, for every expectation of the band at once."""
    least, most = min(inside), max(inside)
    within = (least + most) / 2.0
    shown = format_quantity(reading.volts, "V")
    wanted = " to ".join(dict.fromkeys(format_quantity(each, "V") if each else "0 V" for each in band))
    limits = node.limits.words
    not_tested = () if node.source is not None else ("loading of the node by the meters",)
    if least >= STATED_FROM:
        state, probability = FindingState.WITHIN_TOLERANCE, least
        because = f"{node.name}: {shown} lies inside {wanted} {limits}."
        action = "Go on to the next node."
    elif most <= 1.0 - STATED_FROM:
        state, probability = FindingState.OFF_VALUE, 1.0 - most
        because = f"{node.name}: {shown} lies outside {wanted} {limits}."
        action = _off_action(reading.volts, band)
    else:
        state = FindingState.UNDECIDED
        probability = max(within, 1.0 - within)
        because = (
            f"{node.name}: {shown} against {wanted} {limits} lies too near a limit for what is known; "
            f"most of the doubt is {largest.value}."
        )
        action = f"To decide: {_ACTIONS[largest]}."
    return Finding(
        state=state,
        probability=min(1.0, probability),
        because=because,
        action=action,
        not_tested=not_tested,
        probabilities={FindingState.WITHIN_TOLERANCE: within, FindingState.OFF_VALUE: 1.0 - within},
    )


def _off_action(volts: float, band: tuple[float, float]) -> str:
    for factor, words in ((10.0, "ten times"), (0.1, "a tenth of")):
        if band[0] * factor * 0.9 <= volts <= band[1] * factor * 1.1 and band[0] > 0:
            return f"It is {words} what is expected: look at the decimal point and the probe's divider first."
    if not any(band):
        return (
            "Read it again; if it stays, something drives it: check the leak of the capacitor that feeds it, and the "
            "valve's grid current."
        )
    if band[0] * volts < 0:
        return "Its sign is the wrong way round: check the leads and the reference point first."
    return "Read it again; if it stays, follow the current that feeds this node."
