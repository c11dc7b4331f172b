"""The measured ratios of one or several sweeps as a function of everything that is not exactly known.

Owns the list of parameters with their priors and the whitened residuals with their exact Jacobian. Finds no
minimum and draws no conclusion.

A sweep's ratio is the circuit's transfer, loaded by the far probe, times far over drive channel::

    ratio(f) = H(f) * (g2 Q2(f)) / (g1 Q1(f)) * exp(-j w skew)

with one gain g per channel and range, the probes' compensation Q and one skew. A null run has H = 1. Parameters
that sweeps of one bench share appear once, which is what makes joint estimates and null runs work.

A probe's trimming error e acts at its tip's time constant T, which is itself known to some 10 % only. Near a
corner at T the data see both through the product e * (error of T); fitted as two Gaussians it would make the
posterior a ridge that no local approximation describes. So Q is taken at the nominal T, and the product is a
parameter of its own ("shape") with the product's own standard deviation: the problem stays nearly linear. A null
run is precise enough to see more than the product (an error of 3 % at a time constant 25 % off leaves 4e-4), and it
holds e and T apart; with one among the sweeps, both are parameters and Q is exact.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.dc_reading import DcReading, DcTerm
from twonode.analysis.parameters import Aspect, Free, Parameter, ParameterList, UnseenPart
from twonode.analysis.stage import Part
from twonode.analysis.sweep_term import Sweep, SweepTerm

__all__ = ["STRAYED", "Aspect", "Evaluation", "Free", "Model", "Parameter", "Sweep", "UnseenPart"]

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]


STRAYED = 16.0
"""Of a logarithm: a factor of nine million."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluation:
    """Residuals at one place in parameter space.

    residual : shape (2 n + r,), whitened data residuals: all sweeps one after the other, then the DC readings. Where a
        point has no phase, its second residual and that one's slopes are zero.
    jacobian : shape (2 n + r, parameters).
    ratio : per sweep, the modelled ratio, shape (n_i,), V/V.
    """

    residual: Real
    jacobian: Real
    ratio: tuple[Complex, ...]


class Model:
    """Residuals of several sweeps over one list of parameters.

    Parameters
    ----------
    sweeps : at least one, with at least one point among them.
    free : aspects of asked parts to estimate; a freed VALUE replaces that part's tolerance prior.
    readings : a meter's DC readings in the same stage.
    """

    def __init__(
        self, sweeps: Iterable[Sweep], free: Iterable[Free] = (), readings: Iterable[DcReading] = ()
    ) -> None:
        self.sweeps = tuple(sweeps)
        self.readings = tuple(readings)
        self._parameters = ParameterList(free)
        # A null run holds a probe's trimming and its time constant apart (module docstring).
        exact = any(sweep.stage is None for sweep in self.sweeps)
        self._terms = [SweepTerm(sweep, self._parameters, exact=exact) for sweep in self.sweeps]
        self._check_seen()
        leaks = self._parameters.owners_of(Aspect.LEAK)
        self._dc_terms = [
            DcTerm(reading, value_place=self._parameters.part_value, leak_place=leaks)
            for reading in self.readings
        ]
        self.parameters = tuple(self._parameters)
        self.mean = np.array([p.mean for p in self.parameters])
        self.sigma = np.array([p.sigma for p in self.parameters])
        self.logarithmic = np.array([p.logarithmic for p in self.parameters], dtype=bool)
        self.points = sum(len(s.points) for s in self.sweeps)
        sizes = sum(p.magnitude_only for s in self.sweeps for p in s.points)
        self.observations = 2 * self.points - sizes + len(self.readings)

    def _check_seen(self) -> None:
        """Raise UnseenPart for an asked part that is in the circuit and that no sweep and no reading shows."""
        read = {p.name for reading in self.readings for p in reading.stage.parts}
        for asked in {name for name, _ in self._parameters.wanted} - read:
            hiding = [t for t in self._terms if asked in t.hidden]
            if hiding and not any(asked in t.shown for t in self._terms):
                stage = hiding[0].sweep.stage
                assert stage is not None
                raise UnseenPart(
                    f"{asked} cannot be seen between {stage.drive!r} and {stage.far!r}.",
                    "It only loads the drive node, and the ratio to that node does not change with its load.",
                    "Clip channel 1 to the generator's side of a known resistor that feeds that node.",
                )

    def index(self, owner: str, aspect: Aspect) -> int:
        """Place of a parameter; KeyError where there is none."""
        place = self._parameters.find(owner, aspect)
        if place is None:
            raise KeyError((owner, aspect))
        return place

    def _physical(self, theta: Real) -> Real:
        """SI values of parameters; a search that strays is held at seven decades from where it should be.

        Further off, two admittances at one node differ by more than a float can hold, and nothing can be solved.
        """
        exponent = np.clip(np.where(self.logarithmic, theta, 0.0), self.mean - STRAYED, self.mean + STRAYED)
        return np.where(self.logarithmic, np.exp(exponent), theta)

    def evaluate(self, theta: Real) -> Evaluation:
        """Whitened residuals and Jacobian at theta, shape (parameters,)."""
        physical = self._physical(theta)
        pieces = [term.evaluate(physical) for term in self._terms]
        dc_pieces = [term.evaluate(physical) for term in self._dc_terms]
        return Evaluation(
            residual=np.concatenate([*(p[0] for p in pieces), *(p[0] for p in dc_pieces)]),
            jacobian=np.concatenate([*(p[1] for p in pieces), *(p[1] for p in dc_pieces)]),
            ratio=tuple(piece[2] for piece in pieces),
        )

    def curve(self, theta: Real, sweep: int, frequency_hz: Real) -> Complex:
        """The circuit's ratio over any frequencies, without the channels' errors: what the fit says of the stage."""
        original = self._terms[sweep]
        if original.network is None:
            return np.ones(len(frequency_hz), dtype=np.complex128)
        physical = self._physical(theta)
        values = np.concatenate([physical, original.constants])
        y, *_ = original.admittances(values, 2j * np.pi * np.asarray(frequency_hz, dtype=float))
        return original.network.transfer(y, original.far)

    def fitted_parts(self, theta: Real, sweep: int) -> tuple[tuple[Part, ...], dict[str, float]]:
        """The parts behind `curve` with their values at theta, the far probe's loading among them.

        Parts that the ratio does not show are left out; a null run has none.

        Returns the parts, and the fitted tan delta by name: noise may put it below zero, where no part's can be.
        """
        term = self._terms[sweep]
        return term.parts_at(np.concatenate([self._physical(theta), term.constants]))
