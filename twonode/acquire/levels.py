"""What to expect at both nodes, and how long to wait for it.

Owns the circuit as the bench loads it (generator impedance and both probes included), the predicted amplitudes and
the settling time after a frequency step. Talks to no instrument.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log

import numpy as np

from twonode.acquire.request import SweepRequest
from twonode.analysis.channel import probe_for_factor, probe_parts
from twonode.analysis.network import Network, StateSpace
from twonode.analysis.stage import Part, PartKind

__all__ = ["Expectation", "Predictor", "loaded_network"]

GENERATOR_OHM = 50.0
SOURCE_NODE = "generator"

SETTLED_TO = 1e-4
"""Remaining transient over the far amplitude: a phase error of 0.006 degrees."""

VALUE_MARGIN = 1.6
"""A part may well be more than its nominal value; the wait is stretched by this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """Expected peak-to-peak volts per volt set at the generator, and the settling time, s."""

    drive: float
    far: float
    settle_s: float


def _probes(request: SweepRequest) -> tuple[Part, ...]:
    parts: list[Part] = []
    for factor, node, name in zip(
        request.probe_factors,
        (request.stage.drive, request.stage.far),
        ("drive probe", "far probe"),
        strict=True,
    ):
        parts += probe_parts(probe_for_factor(factor), node, name)
    return tuple(parts)


def loaded_network(request: SweepRequest) -> Network:
    """The stage with both probes, its drive node impressed."""
    return Network([*request.stage.parts, *_probes(request)], forced=request.stage.drive)


class Predictor:
    """Expected levels and waits for one request, at the stage's nominal values."""

    def __init__(self, request: SweepRequest) -> None:
        source = Part(
            name="generator output",
            kind=PartKind.RESISTOR,
            between=(SOURCE_NODE, request.stage.drive),
            value=GENERATOR_OHM,
        )
        parts = [*request.stage.parts, *_probes(request), source]
        self._network = Network(parts, forced=SOURCE_NODE)
        self._state = StateSpace(parts, forced=SOURCE_NODE)
        self._modes = self._state.modes()
        self._drive = self._network.nodes.index(request.stage.drive)
        self._far = self._network.nodes.index(request.stage.far)

    def at(self, frequency_hz: float) -> Expectation:
        """Expectation at one frequency, Hz."""
        s = 2j * np.pi * frequency_hz
        volts = np.abs(self._network.voltages(np.array([s]))[0])
        return Expectation(
            drive=float(volts[self._drive]),
            far=float(volts[self._far]),
            settle_s=self._settle(s, float(volts[self._far])),
        )

    def _settle(self, s: complex, far: float) -> float:
        """Time for the worst transient of this amplitude to fall to a small part of the far amplitude, s.

        A step can at worst leave the whole steady state as a deviation, at whatever phase.
        """
        if self._modes.rates.size == 0:
            return 0.0
        steady = self._state.steady(s)
        place = self._far - 1
        heights = np.zeros(self._modes.rates.size)
        for part in (steady.real, steady.imag):
            heights += np.abs(self._modes.coefficients(part) * self._modes.shapes[place])
        target = SETTLED_TO * max(far, 1e-3)
        waits = [
            log(height / target) / -rate.real
            for height, rate in zip(heights, self._modes.rates, strict=True)
            if height > target and rate.real < 0
        ]
        return VALUE_MARGIN * max(waits, default=0.0)
