"""Time-domain form of a small circuit: what it does after a change.

Owns the descriptor equations E x' + A x = b u + c u' (x: free node voltages, inner nodes of capacitors with ESR,
inductor currents; u: the forced node's voltage) and their natural modes. Dielectric loss is left out: a tan delta
that is constant over frequency has no such form.

Who waits for a circuit to settle asks for the slowest mode; the simulated bench uses all of them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.network.admittance import Complex
from twonode.analysis.network.nodal import Network
from twonode.analysis.stage import Part, PartKind

__all__ = ["Modes", "StateSpace"]

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Modes:
    """Natural modes: x(t) = sum over k of c_k * shapes[:, k] * exp(rates[k] * t).

    rates : shape (k,), 1/s; a passive circuit has only negative real parts.
    shapes : shape (states, k).
    """

    rates: Complex
    shapes: Complex
    _storage: Real

    def coefficients(self, deviation: Real) -> Complex:
        """Mode amplitudes of a state that is off its steady course.

        deviation : shape (states,). Only what the storage elements carry counts; the rest follows at once.
        """
        if self.rates.size == 0:
            return np.zeros(0, dtype=np.complex128)
        stored = self._storage @ self.shapes
        found = np.linalg.lstsq(stored, self._storage @ deviation.astype(complex), rcond=None)[0]
        return np.asarray(found, dtype=np.complex128)

    def slowest_s(self) -> float:
        """Longest time constant, s; 0.0 where nothing stores energy."""
        decaying = -self.rates.real
        return float(1.0 / decaying.min()) if decaying.size else 0.0


class StateSpace:
    """Descriptor equations of the parts with one forced node (module docstring).

    states : names; the free nodes come first, in the order of `Network.free_nodes`.
    """

    def __init__(self, parts: Iterable[Part], *, forced: str) -> None:
        network = Network(parts, forced=forced)
        self.forced = forced
        self.free_nodes = network.free_nodes
        inner = [p.name for p in network.parts if p.kind is PartKind.CAPACITOR and p.esr_ohm > 0]
        coils = [p.name for p in network.parts if p.kind is PartKind.INDUCTOR]
        self.states = (*network.free_nodes, *(f"{n} inner" for n in inner), *(f"{n} current" for n in coils))
        size = len(self.states)
        free = len(network.free_nodes)
        self.storage = np.zeros((size, size))
        self.conduction = np.zeros((size, size))
        self.drive = np.zeros(size)
        self.drive_rate = np.zeros(size)
        for row, part in enumerate(network.parts):
            ends = np.zeros(size)
            ends[:free] = network.incidence[row]
            to_forced = network.to_forced[row]
            match part.kind:
                case PartKind.RESISTOR:
                    self._add(self.conduction, self.drive, ends, to_forced, 1.0 / part.value)
                case PartKind.CAPACITOR:
                    self._add_capacitor(part, ends, to_forced, inner)
                case PartKind.INDUCTOR:
                    current = self.states.index(f"{part.name} current")
                    self.conduction[:, current] += ends
                    self.storage[current, current] = part.value
                    self.conduction[current, current] = part.esr_ohm
                    self.conduction[current, :] -= ends
                    self.drive[current] += to_forced

    @staticmethod
    def _add(matrix: Real, column: Real, ends: Real, to_forced: float, value: float) -> None:
        matrix += value * np.outer(ends, ends)
        column -= value * to_forced * ends

    def _add_capacitor(self, part: Part, ends: Real, to_forced: float, inner: list[str]) -> None:
        if part.leak_ohm is not None:
            self._add(self.conduction, self.drive, ends, to_forced, 1.0 / part.leak_ohm)
        if part.name not in inner:
            self._add(self.storage, self.drive_rate, ends, to_forced, part.value)
            return
        middle = self.states.index(f"{part.name} inner")
        first, second = np.where(ends > 0, ends, 0.0), np.where(ends < 0, ends, 0.0)
        first[middle] -= 1.0
        second[middle] += 1.0
        self._add(self.storage, self.drive_rate, first, max(to_forced, 0.0), part.value)
        self._add(self.conduction, self.drive, second, min(to_forced, 0.0), 1.0 / part.esr_ohm)

    def steady(self, s: complex) -> Complex:
        """State phasor per volt of forced exp(s*t), shape (states,). Exact for any s that is no natural mode."""
        solved = np.linalg.solve(s * self.storage + self.conduction, self.drive + s * self.drive_rate)
        return np.asarray(solved, dtype=np.complex128)

    def modes(self) -> Modes:
        """Natural modes with the forced node held at 0 V."""
        from scipy.linalg import eig

        if not self.storage.any():
            empty = np.zeros((len(self.states), 0), dtype=np.complex128)
            return Modes(rates=np.zeros(0, dtype=np.complex128), shapes=empty, _storage=self.storage)
        # Storage is of order 1e-12 beside conductances of 1e-6 and currents of 1e-6 A: unscaled, the modes of the
        # small ones would drown in rounding.
        node = np.arange(len(self.states)) < len(self.free_nodes)
        siemens = float(np.median(np.abs(np.diag(self.conduction))[node])) if node.any() else 1.0
        column = np.where(np.char.endswith(np.array(self.states), " current"), max(siemens, 1e-12), 1.0)
        storage, conduction = self.storage * column, self.conduction * column
        size = np.abs(storage).max(axis=1), np.abs(conduction).max(axis=1)
        storing = size[0] > 0
        typical = float(np.median(size[1][storing] / size[0][storing])) or 1.0
        row = 1.0 / np.maximum(size[0] * typical, size[1])
        pair, shapes = eig(
            -row[:, None] * conduction, row[:, None] * storage * typical, homogeneous_eigvals=True
        )
        shapes = shapes * column[:, None]
        top, bottom = pair
        rank = int(np.linalg.matrix_rank(row[:, None] * storage * typical))
        # A node without storage follows at once: its mode is infinitely fast, the bottom of its pair vanishes.
        finite = np.argsort(-np.abs(bottom) / np.hypot(np.abs(top), np.abs(bottom)))[:rank]
        rates = np.asarray(typical * top[finite] / bottom[finite], dtype=np.complex128)
        return Modes(rates=rates, shapes=shapes[:, finite].astype(np.complex128), _storage=self.storage)
