"""The little circuit of a leakage check: volts and currents from a leak, and a leak from volts.

Owns its equations, for arrays of draws of everything that is not exactly known, and what is worked out at each draw.
For a positive drive node; signs of the readings come in and go out here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.leakage_readings import LeakageReadings, Position

__all__ = ["LARGEST_OHM", "SHORTEST_OHM", "Draws", "Nodes", "between", "to_ground"]

Real = NDArray[np.float64]

SHORTEST_OHM, LARGEST_OHM = 1.0, 1e14
"""Edges of the scale of R. A leak beyond the upper one drives a picoampere at 100 V: no meter on a grid shows it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Nodes:
    """The circuit with each draw's leak in it and the meter away; arrays of shape (n,), weights adding up to 1.

    leak_ohm : the leak. resistor_ohm : the known one; NaN where none was given.
    leak_a : through the leak, counted along the volts that drive it. valve_a : into the far node from the valve.
    rise_v : what the leak does to the far node. far_v : the far node.
    """

    weight: Real
    leak_ohm: Real
    resistor_ohm: Real
    leak_a: Real
    valve_a: Real
    rise_v: Real
    far_v: Real

    @property
    def lost_share(self) -> Real:
        """Share of the far node's volts that a leak from there to ground takes, shape (n,)."""
        share: Real = self.resistor_ohm / (self.resistor_ohm + self.leak_ohm)
        return share

    def quantiles(self, values: Real, shares: Sequence[float]) -> tuple[float, ...]:
        """Values, shape (n,), below which each share of the weight lies."""
        order = np.argsort(values)
        mass = np.cumsum(self.weight[order])
        at = np.searchsorted(mass, np.array(shares) * mass[-1])
        return tuple(float(each) for each in values[order][at])

    def quantile(self, values: Real, share: float) -> float:
        """The value below which one share lies."""
        return self.quantiles(values, (share,))[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Draws:
    """Draws of everything but the leak, shape (n,) each; `valve_a` as the readings leave it."""

    readings: LeakageReadings
    drive_v: Real
    resistor_ohm: Real
    meter_ohm: Real
    source_ohm: Real
    valve_a: Real
    far_v: Real | None
    place: Real

    def kept(self, mask: NDArray[np.bool_]) -> Draws:
        """Those draws alone for which mask, shape (n,), is true."""
        return Draws(
            readings=self.readings,
            drive_v=self.drive_v[mask],
            resistor_ohm=self.resistor_ohm[mask],
            meter_ohm=self.meter_ohm[mask],
            source_ohm=self.source_ohm[mask],
            valve_a=self.valve_a[mask],
            far_v=None if self.far_v is None else self.far_v[mask],
            place=self.place[mask],
        )

    def feeding_v(self, leak_ohm: Real) -> Real:
        """Open-circuit volts behind the drive node, from what was read on it with the meter's own load."""
        feeding = self.drive_v * (1.0 + self.source_ohm / self.meter_ohm)
        if not self.readings.in_place:
            return feeding
        if self.readings.role.position is Position.TO_GROUND:
            return self.drive_v  # a rail, as read
        drawn = (self.drive_v - self.valve_a * self.resistor_ohm) / (leak_ohm + self.resistor_ohm)
        return feeding + self.source_ohm * drawn

    def nodes(self, leak_ohm: Real, weight: Real) -> Nodes:
        """The circuit with a leak in each draw, the meter away; weight : of each, adding up to 1."""
        valve_a = self.valve_a
        feeding = self.feeding_v(leak_ohm)
        load = 1.0 / self.resistor_ohm + 1.0 / self.meter_ohm
        # The valve's current is what the leak leaves over of the reading with everything in place.
        shown_v = self.far_v if self.readings.valve_left_over else None
        if self.readings.role.position is Position.BETWEEN:
            path = leak_ohm + self.source_ohm
            if shown_v is not None:
                valve_a = shown_v * (1.0 / path + load) - feeding / path
            far_v = (feeding / path + valve_a) / (1.0 / path + 1.0 / self.resistor_ohm)
            leak_a = (feeding - far_v) / path
            rise_v = far_v - valve_a * self.resistor_ohm
        else:
            if shown_v is not None:
                valve_a = shown_v * (1.0 / leak_ohm + load) - feeding / self.resistor_ohm
            fed = feeding / self.resistor_ohm + valve_a
            far_v = fed / (1.0 / self.resistor_ohm + 1.0 / leak_ohm)
            leak_a = far_v / leak_ohm
            rise_v = far_v - fed * self.resistor_ohm
        if not self.readings.node_known:
            # Only the loose end was read: the part alone, across the node's full volts.
            leak_a = feeding / (leak_ohm + self.source_ohm)
            far_v = rise_v = np.full_like(leak_a, np.nan)
        sign = self.readings.polarity
        return Nodes(
            weight=weight,
            leak_ohm=leak_ohm,
            resistor_ohm=self.resistor_ohm,
            leak_a=leak_a,
            valve_a=sign * valve_a,
            rise_v=sign * rise_v,
            far_v=sign * far_v,
        )


def between(draw: Draws, load: Real, current: Real, far_v: Real) -> Real:
    """ln R of the leak from drive to far node that makes these far volts.

    load : siemens from the far node to ground. current : into the far node, A. The drive node was read with the
    meter on it and the far node with the meter there, so that R is the root of a quadratic where the drive node has
    a resistance of its own.
    """
    a = draw.drive_v * (1.0 + draw.source_ohm / draw.meter_ohm)
    p = far_v * load - current
    q = far_v + p * draw.source_ohm - a
    if draw.readings.in_place and draw.readings.role.position is Position.BETWEEN:
        c = draw.source_ohm * (draw.drive_v - draw.valve_a * draw.resistor_ohm)
        rg = draw.resistor_ohm
    else:
        c, rg = np.zeros_like(a), np.zeros_like(a)
    with np.errstate(divide="ignore", invalid="ignore"):
        b, free = p * rg + q, q * rg - c
        root = np.sqrt(np.maximum(b * b - 4.0 * p * free, 0.0))
        ohm = np.where(b < 0, (root - b) / (2.0 * p), -2.0 * free / (b + root))
    ohm = np.where(p > 0, ohm, np.inf)
    return _log(ohm)


def to_ground(draw: Draws, current: Real, far_v: Real) -> Real:
    """ln R of the leak from far node to ground that leaves these far volts."""
    with np.errstate(divide="ignore", invalid="ignore"):
        drawn = (draw.drive_v - far_v) / draw.resistor_ohm + current - far_v / draw.meter_ohm
        ohm = np.where(drawn > 0, far_v / drawn, np.inf)
    return _log(ohm)


def _log(ohm: Real) -> Real:
    logs: Real = np.log(np.clip(np.nan_to_num(ohm, nan=0.0), SHORTEST_OHM, LARGEST_OHM))
    return logs
