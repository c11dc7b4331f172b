"""Nodal analysis of a small circuit driven by one impressed node voltage.

Owns the incidence of parts to nodes, the batched solution over frequency and the adjoint sensitivities.

With Y the nodal admittance matrix of the free nodes and y_f the column that couples them to the forced node (1 V),
v solves Y v = -y_f. For the transfer H = v[far] and the adjoint Y w = e_far (Y is symmetric), a change of one
branch admittance between nodes a and b gives exactly

    dH/dy = -(w_a - w_b) * (v_a - v_b)

with w = 0 and v = 1 at the forced node, both 0 at ground (Director and Rohrer 1969; from memory). One
factorisation a frequency therefore yields every sensitivity.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.errors import AnalysisError
from twonode.analysis.network.admittance import Complex, part_admittance
from twonode.analysis.stage import GROUND, Part, PartKind

__all__ = ["Network", "NetworkError"]


class NetworkError(AnalysisError):
    """The circuit has no unique solution, or a node that was asked for is not in it."""


class Network:
    """Parts tied to nodes, with one node's voltage impressed and supplies shorted to ground.

    parts : the parts that carry an admittance, in the order given (supplies left out).
    nodes : every node but ground, the forced one first, then the free ones.
    """

    def __init__(self, parts: Iterable[Part], *, forced: str) -> None:
        everything = tuple(parts)
        grounded = {GROUND} | {n for p in everything if p.kind is PartKind.SUPPLY for n in p.between}
        if forced in grounded:
            raise NetworkError(
                f"Node {forced!r} is at ground for AC.",
                "A supply holds it there, so no signal can be impressed on it.",
                "Clip channel 1 to another node.",
            )
        self.forced = forced
        self.parts = tuple(p for p in everything if p.kind is not PartKind.SUPPLY)
        named = (n for p in self.parts for n in p.between)
        self.free_nodes = tuple(dict.fromkeys(n for n in named if n not in grounded and n != forced))
        self.nodes = (forced, *self.free_nodes)
        self._grounded = frozenset(grounded)
        place = {n: i for i, n in enumerate(self.free_nodes)}
        self.incidence = np.zeros((len(self.parts), len(self.free_nodes)))
        self.to_forced = np.zeros(len(self.parts))
        for row, part in enumerate(self.parts):
            for node, sign in zip(part.between, (1.0, -1.0), strict=True):
                if node == forced:
                    self.to_forced[row] += sign
                elif node not in grounded:
                    self.incidence[row, place[node]] += sign
        self._outer = (self.incidence[:, :, None] * self.incidence[:, None, :]).reshape(len(self.parts), -1)
        self._coupling = self.incidence * self.to_forced[:, None]

    def node_index(self, node: str) -> int | None:
        """Place of a node in `free_nodes`; None for a node at AC ground.

        Raises NetworkError for the forced node or one that is not in the circuit.
        """
        if node in self.free_nodes:
            return self.free_nodes.index(node)
        if node in self._grounded:
            return None
        raise NetworkError(
            f"Node {node!r} is not a free node of this circuit.",
            f"Free nodes are: {', '.join(self.free_nodes) or 'none'}.",
            "Check the node names in the stage file.",
        )

    def admittances(self, s: Complex) -> Complex:
        """Admittances of all parts at their stated values, shape (parts, n), S."""
        return np.array([part_admittance(p, s).y for p in self.parts])

    def solve(self, y: Complex, extra_columns: Sequence[int] = ()) -> Complex:
        """Free-node voltages for 1 V at the forced node, and adjoint columns.

        Parameters
        ----------
        y : shape (parts, n), S.
        extra_columns : free-node indices; for each one the response to 1 A into that node with the forced node
            at 0 V is appended (the adjoint, as the matrix is symmetric).

        Returns
        -------
        shape (n, free nodes, 1 + len(extra_columns)); first column V/V, further columns ohm.

        Raises
        ------
        NetworkError : the matrix is singular (a node tied to nothing).
        """
        size = len(self.free_nodes)
        count = y.shape[1]
        matrix = (y.T @ self._outer).reshape(count, size, size)
        right = np.zeros((count, size, 1 + len(extra_columns)), dtype=np.complex128)
        right[:, :, 0] = -(y.T @ self._coupling)
        for column, node in enumerate(extra_columns, start=1):
            right[:, node, column] = 1.0
        if size == 1:
            pivot = matrix[:, 0, 0]
            if not np.all(pivot != 0):
                raise self._singular()
            solved: Complex = right / pivot[:, None, None]
            return solved
        try:
            return np.asarray(np.linalg.solve(matrix, right), dtype=np.complex128)
        except np.linalg.LinAlgError as exc:
            raise self._singular() from exc

    def voltages(self, s: Complex) -> Complex:
        """Voltage of every node in `nodes` per volt at the forced node, shape (n, nodes)."""
        free = self.solve(self.admittances(s))[:, :, 0]
        return np.concatenate([np.ones((free.shape[0], 1), dtype=np.complex128), free], axis=1)

    def transfer(self, y: Complex, far: str) -> Complex:
        """Ratio of the far node's voltage to the forced node's, shape (n,), V/V."""
        if far == self.forced:
            return np.ones(y.shape[1], dtype=np.complex128)
        index = self.node_index(far)
        if index is None:
            return np.zeros(y.shape[1], dtype=np.complex128)
        ratio: Complex = self.solve(y)[:, index, 0]
        return ratio

    def transfer_with_sensitivity(self, y: Complex, far: str) -> tuple[Complex, Complex]:
        """Transfer and its derivative with respect to every part's admittance.

        Parameters
        ----------
        y : shape (parts, n), S.
        far : node name.

        Returns
        -------
        ratio, shape (n,), V/V; d ratio / d y, shape (parts, n), ohm.
        """
        index = None if far == self.forced else self.node_index(far)
        if index is None:
            return self.transfer(y, far), np.zeros_like(y)
        solved = self.solve(y, (index,))
        across = self.incidence @ solved[:, :, 0].T + self.to_forced[:, None]
        adjoint = self.incidence @ solved[:, :, 1].T
        return solved[:, index, 0], -adjoint * across

    def ratio(self, frequency_hz: NDArray[np.float64], far: str) -> Complex:
        """Transfer at the parts' stated values for steady sines, shape (n,), V/V."""
        return self.transfer(self.admittances(2j * np.pi * np.asarray(frequency_hz, dtype=float)), far)

    @staticmethod
    def _singular() -> NetworkError:
        return NetworkError(
            "The circuit has no unique solution at some frequency.",
            "A node is tied to nothing, or a part's value makes it so.",
            "Check the stage file for a node that only one part touches.",
        )
