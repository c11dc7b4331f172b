"""What readings say of a leak: the posterior of ln R, by sampling everything else.

Owns the integration; the circuit's equations are those of `leakage_circuit`. Everything but the leak (resistors, the
meter, errors of the readings, grid current) is drawn from what is known of it. For each draw the last error left,
uniform within its limits, allows the true reading an interval, and the circuit turns that into an interval of the
leak: a *box*. With a flat prior in x the posterior of x is the sum of the boxes, exactly; several readings cut their
boxes with each other.

Two priors are used. A value's interval is worked out flat in ln R: every decade is as likely. A bound, and the
probability that a limit is kept, are worked out flat in the volts that the leak makes at the far node, so that they
do not lean on how many decades of sound capacitors were allowed beforehand.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.leakage_circuit import LARGEST_OHM, SHORTEST_OHM, Draws, Nodes, between, to_ground
from twonode.analysis.leakage_readings import (
    KnownResistor,
    LeakageError,
    LeakageReadings,
    MeterReading,
    Position,
)

__all__ = ["LeakPosterior", "leak_posterior"]

Real = NDArray[np.float64]

DRAWS = 1 << 14
MORE_DRAWS = 1 << 18
"""Taken where readings that cut each other leave fewer than ENOUGH of the first draws."""
ENOUGH = 1500.0
NOT_EXCLUDED = 0.001
"""A value is stated where zero leak (or a dead short) has less than this share of the greatest likelihood."""
_SEED = 20_110_719  # of the draws, which are the same for every estimate
_GRID = 160


@dataclass(frozen=True, slots=True, kw_only=True)
class LeakPosterior:
    """Posterior of ln(R / ohm) as a sum of boxes.

    zero_share, short_share : likelihood of no leak at all, and of a dead short, over the greatest.
    """

    low: Real
    high: Real
    weight: Real
    siemens: Real
    zero_share: float
    short_share: float
    _draws: Draws

    @property
    def stated(self) -> bool:
        """Whether the data hold R on both sides."""
        return self.zero_share < NOT_EXCLUDED and self.short_share < NOT_EXCLUDED

    def quantiles_ohm(self, shares: Sequence[float]) -> tuple[float, ...]:
        """R below which each share of the posterior lies, every decade as likely beforehand."""
        found = _box_quantiles(self.low, self.high, self.weight, shares)
        return tuple(math.exp(each) for each in found)

    def at_least_ohm(self, probability: float = 0.95) -> float:
        """R is larger with this probability, flat in the far node's volts."""
        low, high = self._volt_shares()
        return self._ohm_at(_box_quantiles(low, high, self.weight, (probability,))[0])

    def at_most_ohm(self, probability: float = 0.95) -> float:
        """R is smaller with this probability, flat in the far node's volts."""
        low, high = self._volt_shares()
        return self._ohm_at(_box_quantiles(low, high, self.weight, (1.0 - probability,))[0])

    def _volt_shares(self) -> tuple[Real, Real]:
        typical = float(np.median(self.siemens))
        return 1.0 / (1.0 + typical * np.exp(self.high)), 1.0 / (1.0 + typical * np.exp(self.low))

    def _ohm_at(self, share: float) -> float:
        typical = float(np.median(self.siemens))
        return (1.0 / share - 1.0) / typical

    def nodes(self, *, flat_in_volts: bool) -> Nodes:
        """One leak from each box, weighted by the prior, and the volts and currents that go with it."""
        place = self._draws.place
        if flat_in_volts:
            near = 1.0 / (1.0 + self.siemens * np.exp(self.high))
            far = 1.0 / (1.0 + self.siemens * np.exp(self.low))
            share = near + place * (far - near)
            ohm = (1.0 / share - 1.0) / self.siemens
            weight = self.weight * (far - near)
        else:
            ohm = np.exp(self.low + place * (self.high - self.low))
            weight = self.weight * (self.high - self.low)
        return self._draws.nodes(ohm, weight / weight.sum())


def leak_posterior(readings: LeakageReadings) -> LeakPosterior:
    """Weigh every leak against the readings.

    Raises LeakageError where no leak between a short and none fits all of them.
    """
    found = _posterior(readings, DRAWS)
    if found is None or _effective(found) < ENOUGH:
        found = _posterior(readings, MORE_DRAWS) or found
    if found is None:
        raise LeakageError(
            "The readings contradict each other: no leak explains all of them.",
            "One of them was taken on another node, on another range, or before the set was warm.",
            "Take them again, one after the other, and write down every digit with its sign.",
        )
    return found


def _effective(found: LeakPosterior) -> float:
    mass = found.weight * (found.high - found.low)
    return float(mass.sum() ** 2 / np.sum(mass**2))


@cache
def _latin(draws: int, columns: int) -> Real:
    """Stratified uniform numbers in (0, 1), shape (draws, columns): each column has one in every n-th part."""
    chance = np.random.default_rng(_SEED)
    cells = np.stack([chance.permutation(draws) for _ in range(columns)], axis=1)
    numbers: Real = np.asfortranarray(cells + chance.uniform(1e-9, 1 - 1e-9, (draws, columns))) / draws
    numbers.setflags(write=False)
    return numbers


@cache
def _normal(draws: int, column: int) -> Real:
    """The same numbers as standard normal ones."""
    from scipy.special import ndtri

    numbers: Real = ndtri(_latin(draws, len(_COLUMNS))[:, column])
    return numbers


_COLUMNS = (
    *("resistor", "meter", "source", "drive_counts", "drive_rounding", "far", "far_rest"),
    *("lifted_counts", "lifted_rounding", "out", "loose", "flows", "current", "place"),
    *("gain0", "gain1", "gain2", "gain3", "gain4"),
)


class _Chance:
    """Named columns of stratified numbers; readings of one range share their gain error."""

    def __init__(self, draws: int) -> None:
        self._draws = draws
        table = _latin(draws, len(_COLUMNS))
        self._column = {name: table[:, k] for k, name in enumerate(_COLUMNS)}
        self._gain_of: dict[object, str] = {}

    def uniform(self, name: str) -> Real:
        return self._column[name]

    def even(self, name: str) -> Real:
        """Uniform from -1 to 1."""
        return 2.0 * self._column[name] - 1.0

    def normal(self, name: str) -> Real:
        return _normal(self._draws, _COLUMNS.index(name))

    def half_normal(self, name: str) -> Real:
        return np.abs(self.normal(name))

    def gain(self, reading: MeterReading) -> Real:
        key = id(reading) if reading.range_v is None else reading.range_v
        name = self._gain_of.setdefault(key, f"gain{len(self._gain_of)}")
        return 1.0 + reading.relative * self.even(name)


def _posterior(readings: LeakageReadings, draws: int) -> LeakPosterior | None:
    chance = _Chance(draws)
    sign = readings.polarity
    meter_ohm = readings.meter.resistance_ohm * (1.0 + readings.meter.tolerance * chance.even("meter"))
    resistor_ohm = _ohm(readings.resistor, chance, "resistor", draws)
    # The same resistor in both places has one value.
    source_ohm = (
        resistor_ohm
        if readings.drive_source is not None and readings.drive_source is readings.resistor
        else _ohm(readings.drive_source, chance, "source", draws, missing=0.0)
    )
    drive = readings.drive
    errors = drive.counts_v * chance.even("drive_counts") + drive.rounding_v * chance.even("drive_rounding")
    drive_v = (sign * drive.volts - errors) / chance.gain(drive)
    draw = Draws(
        readings=readings,
        drive_v=drive_v,
        resistor_ohm=resistor_ohm,
        meter_ohm=meter_ohm,
        source_ohm=source_ohm,
        valve_a=_valve_current(readings, chance, resistor_ohm, meter_ohm, drive_v),
        far_v=_anywhere(readings.far, chance, sign),
        place=chance.uniform("place"),
    )
    low = np.full(draws, math.log(SHORTEST_OHM))
    high = np.full(draws, math.log(LARGEST_OHM))
    for bottom, top in _boxes(readings, chance, draw):
        low, high = np.maximum(low, bottom), np.minimum(high, top)
    kept = high > low
    if not kept.any():
        return None
    weight = _weight(readings, resistor_ohm, meter_ohm)[kept]
    low, high = low[kept], high[kept]
    siemens = 1.0 / meter_ohm[kept]
    if readings.in_place:
        siemens = siemens + 1.0 / resistor_ohm[kept]
    greatest = _greatest(low, high, weight, siemens)
    edges = (high >= math.log(LARGEST_OHM), low <= math.log(SHORTEST_OHM))
    zero, short = (float(weight[at].sum()) / greatest for at in edges)
    return LeakPosterior(
        low=low,
        high=high,
        weight=weight,
        siemens=siemens,
        zero_share=min(zero, 1.0),
        short_share=min(short, 1.0),
        _draws=draw.kept(kept),
    )


def _ohm(
    resistor: KnownResistor | None, chance: _Chance, name: str, draws: int, missing: float = math.nan
) -> Real:
    if resistor is None:
        return np.full(draws, missing)
    prior = resistor.prior
    drawn: Real = np.exp(prior.mean + prior.sigma * chance.normal(name))
    return drawn


def _anywhere(reading: MeterReading | None, chance: _Chance, sign: float) -> Real | None:
    """The true volts of a reading, all its errors drawn."""
    if reading is None:
        return None
    errors = reading.counts_v * chance.even("far") + reading.rounding_v * chance.even("far_rest")
    drawn: Real = (sign * reading.volts - errors) / chance.gain(reading)
    return drawn


def _valve_current(
    readings: LeakageReadings, chance: _Chance, resistor_ohm: Real, meter_ohm: Real, drive_v: Real
) -> Real:
    """Into the far node, A, for a positive drive node."""
    lifted = readings.far_capacitor_lifted
    sign = readings.polarity
    if lifted is not None:
        errors = lifted.counts_v * chance.even("lifted_counts")
        errors = errors + lifted.rounding_v * chance.even("lifted_rounding")
        volts = (sign * lifted.volts - errors) / chance.gain(lifted)
        current: Real = volts * (1.0 / resistor_ohm + 1.0 / meter_ohm)
        if readings.role.position is Position.TO_GROUND:
            current = current - drive_v / resistor_ohm
        return current
    flows = chance.uniform("flows") < readings.grid_current.share
    size = readings.grid_current.scale_a * chance.half_normal("current")
    drawn: Real = np.where(flows & (readings.resistor is not None), sign * size, 0.0)
    return drawn


def _weight(readings: LeakageReadings, resistor_ohm: Real, meter_ohm: Real) -> Real:
    """A current read with the capacitor lifted was drawn flat in volts; flat in amperes is what was meant."""
    if readings.far_capacitor_lifted is None:
        return np.ones_like(meter_ohm)
    load: Real = 1.0 / resistor_ohm + 1.0 / meter_ohm
    return load


def _boxes(readings: LeakageReadings, chance: _Chance, draw: Draws) -> list[tuple[Real, Real]]:
    """For each reading that tells of the leak the lowest and highest ln R that it allows, shape (n,)."""
    load = 1.0 / draw.resistor_ohm + 1.0 / draw.meter_ohm
    nothing = np.zeros_like(draw.drive_v)
    boxes = []
    for name, reading, current in (
        ("far", None if readings.valve_left_over else readings.far, draw.valve_a),
        ("out", readings.far_valve_out, nothing),
    ):
        if reading is None:
            continue
        bottom, top = _true_volts(reading, chance, name, readings.polarity)
        if readings.role.position is Position.BETWEEN:
            boxes.append(
                (between(draw, load, current, top), between(draw, load, current, bottom)),
            )
        else:
            boxes.append((to_ground(draw, current, bottom), to_ground(draw, current, top)))
    if readings.lifted_end is not None:
        bottom, top = _true_volts(readings.lifted_end, chance, "loose", readings.polarity)
        alone = 1.0 / draw.meter_ohm
        boxes.append((between(draw, alone, nothing, top), between(draw, alone, nothing, bottom)))
    return boxes


def _true_volts(reading: MeterReading, chance: _Chance, name: str, sign: float) -> tuple[Real, Real]:
    """Limits of the true volts: gain and the smaller of the other errors drawn, the larger one left open."""
    gain = chance.gain(reading)
    limits = sorted((reading.counts_v, reading.rounding_v))
    centre = sign * reading.volts - limits[0] * chance.even(name)
    return (centre - limits[1]) / gain, (centre + limits[1]) / gain


def _greatest(low: Real, high: Real, weight: Real, siemens: Real) -> float:
    """The greatest sum of weights that lie over one another, averaged over small steps.

    Looked for where the posterior is, flat in the far volts: the long tail towards no leak would spread the steps.
    """
    typical = float(np.median(siemens))
    shares = 1.0 / (1.0 + typical * np.exp(high)), 1.0 / (1.0 + typical * np.exp(low))
    ends = _box_quantiles(*shares, weight, (0.999, 0.001))
    first, last = (math.log(max((1.0 / end - 1.0) / typical, SHORTEST_OHM)) for end in ends)
    if last - first < 1e-9:
        return float(weight.sum())
    grid = np.linspace(first, last, _GRID)
    return float((np.diff(_box_mass(low, high, weight, grid)) / np.diff(grid)).max())


def _box_mass(low: Real, high: Real, weight: Real, grid: Real) -> Real:
    """Mass below each grid point, shape of the grid; not normalised."""
    below: Real = np.interp(grid, *_cumulated(low, high, weight))
    return below


def _box_quantiles(low: Real, high: Real, weight: Real, shares: Sequence[float]) -> list[float]:
    ends, mass = _cumulated(low, high, weight)
    return [float(np.interp(share * mass[-1], mass, ends)) for share in shares]


def _cumulated(low: Real, high: Real, weight: Real) -> tuple[Real, Real]:
    """Ends of all boxes in rising order, and the mass below each."""
    ends = np.concatenate([low, high])
    order = np.argsort(ends)
    ends = ends[order]
    depth = np.cumsum(np.concatenate([weight, -weight])[order])
    mass = np.concatenate([[0.0], np.cumsum(depth[:-1] * np.diff(ends))])
    # Rounding leaves a depth of some 1e-16 beside nothing: mass never falls.
    return ends, np.maximum.accumulate(mass)
