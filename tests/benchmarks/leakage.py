"""How often the stated 95 % interval of a leakage resistance holds the true one, and what the textbook makes of it.

Every stage is solved by the simulated voltmeter's own circuit: HT, an anode load of 0 to 220 kohm, the leak, the grid
leak, grid current, and the meter on one node after the other. What is drawn: the leak from 1 Mohm to 10 Gohm
(logarithm uniform), HT from 60 to 350 V, grid leaks of 220 kohm to 1 Mohm, the meter's gain and counts (every range
its own, uniform within 0.5 % and 3 counts) and its 10 Mohm within 1 %. Half of the stages have a grid current,
half-normal with 5 nA. The program is told the nominal resistors with their tolerances, and what the meter shows.

Resistors are drawn as this program reads a tolerance (Gaussian, sigma = t/sqrt(3)); drawn uniformly within it, which
cannot leave it, the same intervals hold the truth more often, and that is shown beside it. The estimate carries its
ordinary allowance for grid current (half of the valves, 5 nA) in every case. It is not told which stage has any.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tests.benchmarks._workers import map_cases
from tests.benchmarks.table import Row
from twonode.analysis.leakage import KnownResistor, LeakageReadings, Meter, estimate_leakage
from twonode.analysis.quantities import Tolerance
from twonode.analysis.stage import GROUND, Part, PartKind
from twonode.drivers.simulated.voltmeter import dc_volts, shown_v

SEEDS = 3000
FIRST_SEED = 50_000
RANGES = 5
GRID_LEAKS_OHM = (220e3, 330e3, 470e3, 1e6)
GRID_TOLERANCES = (0.01, 0.05, 0.1, 0.2)
LOADS_OHM = (1.0, 47e3, 100e3, 220e3)
LOAD_TOLERANCE = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """uniform : resistors drawn uniformly within their tolerance instead of as a Gaussian."""

    seed: int
    uniform: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """leak_ohm : true. inside : None where only a bound was given. bound_true : None where an interval was given.

    below : the true R lies under the interval. value, textbook : our R and the textbook's over the true one.
    node_inside : the node's true volts without the meter lie in their interval.
    """

    leak_ohm: float
    grid_current: bool
    inside: bool | None
    below: bool | None
    bound_true: bool | None
    at_least: float | None
    value: float | None
    textbook: float | None
    node_inside: bool


def _both(share: float) -> Tolerance:
    return Tolerance(minus=share, plus=share)


def _resistor(name: str, between: tuple[str, str], ohm: float) -> Part:
    return Part(name=name, kind=PartKind.RESISTOR, between=between, value=ohm)


def one_case(case: Case) -> Outcome:
    """Draw a stage, read it with the meter, estimate, and compare with what was drawn."""
    chance = np.random.default_rng(case.seed)
    leak_ohm = 10.0 ** chance.uniform(6.0, 10.0)
    ht_v = chance.uniform(60.0, 350.0)
    grid_ohm, tolerance = chance.choice(GRID_LEAKS_OHM), chance.choice(GRID_TOLERANCES)
    load_ohm = chance.choice(LOADS_OHM)

    def drawn(share: float) -> float:
        if case.uniform:
            return 1.0 + share * chance.uniform(-1.0, 1.0)
        return math.exp(share / math.sqrt(3.0) * chance.standard_normal())

    grid_current = case.seed % 2 == 0
    injected_a = {"grid": 5e-9 * abs(chance.standard_normal())} if grid_current else {}
    meter_ohm = 10e6 * (1.0 + 0.01 * chance.uniform(-1.0, 1.0))
    gain = 0.005 * chance.uniform(-1.0, 1.0, RANGES)
    counts = 3.0 * chance.uniform(-1.0, 1.0, RANGES)
    true_grid_ohm = grid_ohm * drawn(tolerance)
    parts = (
        Part(name="HT", kind=PartKind.SUPPLY, between=("ht", GROUND), value=ht_v),
        _resistor("R9", ("ht", "anode"), load_ohm * drawn(LOAD_TOLERANCE)),
        Part(name="C7", kind=PartKind.CAPACITOR, between=("anode", "grid"), value=22e-9, leak_ohm=leak_ohm),
        _resistor("R12", ("grid", GROUND), true_grid_ohm),
    )
    shown = {}
    for node in ("anode", "grid"):
        volts = dc_volts(parts, node, load_ohm=meter_ohm, injected_a=injected_a)
        read = shown_v(volts, gain, counts)
        assert read is not None
        shown[node] = read
    meter = Meter()
    estimate = estimate_leakage(
        LeakageReadings(
            drive=meter.reading(shown["anode"]),
            far=meter.reading(shown["grid"]),
            resistor=KnownResistor(ohm=grid_ohm, tolerance=_both(tolerance)),
            drive_source=KnownResistor(ohm=load_ohm, tolerance=_both(LOAD_TOLERANCE)),
            meter=meter,
            part="C7",
        )
    )
    found = estimate.leakage_resistance
    node = estimate.far_voltage_without_meter.interval95
    assert node is not None
    true_node_v = dc_volts(parts, "grid", load_ohm=math.inf, injected_a=injected_a)
    interval = found.interval95
    textbook = estimate.uncorrected_ohm
    return Outcome(
        leak_ohm=leak_ohm,
        grid_current=grid_current,
        inside=None if interval is None else interval[0] <= leak_ohm <= interval[1],
        below=None if interval is None else leak_ohm < interval[0],
        bound_true=None if found.at_least is None else leak_ohm >= found.at_least,
        at_least=found.at_least,
        value=None if found.value is None else found.value / leak_ohm,
        textbook=None if textbook is None else textbook / leak_ohm,
        node_inside=node[0] <= true_node_v <= node[1],
    )


def _percent(part: int, whole: int) -> str:
    return f"{100.0 * part / whole:.1f} % of {whole}" if whole else "none"


def _coverage(outcomes: list[Outcome], figure: str, *, judged: bool) -> Row:
    stated = [each for each in outcomes if each.inside is not None]
    held = sum(bool(each.inside) for each in stated)
    below = sum(bool(each.below) for each in stated)
    share = held / len(stated)
    return Row(
        figure=figure,
        target="94.0 to 96.0 %" if judged else "",
        measured=f"{_percent(held, len(stated))} (below {below}, above {len(stated) - held - below})",
        met=0.94 <= share <= 0.96 if judged else None,
    )


def _spread(ratios: list[float]) -> str:
    low, middle, high = np.quantile(ratios, (0.05, 0.5, 0.95))
    return (
        f"median {100 * (middle - 1):+.1f} %, 5 to 95 %: {100 * (low - 1):+.1f} to {100 * (high - 1):+.1f} %"
    )


def run(*, quick: bool = False) -> list[Row]:
    """Coverage, bounds, and the textbook's formula on the same readings."""
    seeds = range(FIRST_SEED, FIRST_SEED + (400 if quick else SEEDS))
    gaussian = map_cases(one_case, [Case(seed=seed, uniform=False) for seed in seeds], name="leakage")
    uniform = map_cases(
        one_case,
        [Case(seed=seed, uniform=True) for seed in seeds[: len(seeds) // 3]],
        name="leakage, uniform",
    )
    bounds = [each for each in gaussian if each.bound_true is not None]
    true_bounds = sum(bool(each.bound_true) for each in bounds)
    stated = [each for each in gaussian if each.value is not None]
    rows = [
        # A few hundred seeds are known to 1 %: they show that it runs and judge nothing.
        _coverage(gaussian, "true R inside its 95 % interval, where one is stated", judged=not quick),
        Row(
            figure="no more than a lower bound: given as a bound",
            target="every such case",
            measured=_percent(len(bounds), len(gaussian)),
            met=all((each.inside is None) == (each.at_least is not None) for each in gaussian),
        ),
        Row(
            figure="  the bound is true",
            target="",
            measured=_percent(true_bounds, len(bounds)),
            met=None,
        ),
    ]
    for words, flag in (("with grid current", True), ("without", False)):
        chosen = [each for each in gaussian if each.grid_current is flag]
        rows.append(_coverage(chosen, f"  inside, stages {words}", judged=False))
    for low in (1e6, 1e7, 1e8, 1e9):
        chosen = [each for each in gaussian if low <= each.leak_ohm < 10 * low]
        rows.append(_coverage(chosen, f"  inside, leak from {low:.0e} ohm, a decade", judged=False))
    rows += [
        _coverage(uniform, "  inside, resistors uniform within their tolerance", judged=False),
        Row(
            figure="node volts without the meter inside their interval",
            target="",
            measured=_percent(sum(each.node_inside for each in gaussian), len(gaussian)),
            met=None,
        ),
        Row(
            figure="our R over the true one, where stated",
            target="",
            measured=_spread([each.value for each in stated if each.value is not None]),
            met=None,
        ),
    ]
    for words, flag in (("with grid current", True), ("without", False)):
        ratios = [each.textbook for each in stated if each.textbook is not None and each.grid_current is flag]
        rows.append(
            Row(
                figure=f"textbook R, no correction, same readings, {words}",
                target="shown, with its bias",
                measured=_spread(ratios),
                met=None,
            )
        )
    return rows
