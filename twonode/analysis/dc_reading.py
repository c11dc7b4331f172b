"""A meter's DC reading at a node as one more observation of the same unknown parts.

Owns the DC equations with their slopes: resistors, leaks of capacitors and the meter's own resistance divide what
the supplies hold. No valve current is modelled; a reading on a node where a valve draws current belongs elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import inf

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.errors import AnalysisError
from twonode.analysis.stage import GROUND, Part, PartKind, Stage

__all__ = ["DcReading", "DcReadingError", "DcTerm"]

Real = NDArray[np.float64]

COIL_OHM = 1e-2
"""A coil is a wire for DC; a hundredth of an ohm keeps the equations solvable."""
FLOOR_SIEMENS = 1e-15
FLOOR_SHARE = 1e-15


class DcReadingError(AnalysisError):
    """The stage does not say what would be needed to expect a DC reading."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DcReading:
    """One reading.

    stage : the circuit it was taken in, supplies included.
    node : where the meter's tip was; the other clip is on ground.
    volts, sigma_v : reading and its standard uncertainty, V.
    meter_ohm : the meter's input resistance; None where its loading is already taken out.
    """

    stage: Stage
    node: str
    volts: float
    sigma_v: float
    meter_ohm: float | None = 10e6

    def __post_init__(self) -> None:
        if not self.sigma_v > 0:
            raise ValueError(f"sigma_v: need > 0 V, got {self.sigma_v}")
        if self.node not in self.stage.nodes:
            raise DcReadingError(
                f"There is no node {self.node!r} in the stage.",
                f"It has {', '.join(self.stage.nodes)}.",
                "Name one of these for the DC reading.",
            )
        if not any(p.kind is PartKind.SUPPLY for p in self.stage.parts):
            raise DcReadingError(
                f"The stage has no supply, so no DC volts at {self.node!r} can be expected.",
                "A DC reading tells of leaks and resistors only where it is known what feeds them.",
                "Add the HT rail as a supply part, with its volts.",
            )


class DcTerm:
    """Residual of one reading with its slopes, every index looked up once.

    Parameters
    ----------
    value_place : from a part to the place of its value parameter.
    leak_place : from a capacitor's name to the place of its leak parameter, where it has one.
    """

    def __init__(
        self,
        reading: DcReading,
        *,
        value_place: Callable[[Part], int],
        leak_place: Mapping[str, int],
    ) -> None:
        self._reading = reading
        held: dict[str, tuple[int, float]] = {}
        for part in reading.stage.parts:
            if part.kind is PartKind.SUPPLY:
                node = part.between[0] if part.between[1] == GROUND else part.between[1]
                held[node] = (value_place(part), float(np.sign(part.value)))
        self._held = held
        self._free = [n for n in reading.stage.nodes if n not in held]
        if reading.node in held:
            raise DcReadingError(
                f"Node {reading.node!r} is the supply itself.",
                "Its volts are what the stage says; a reading there tells of no part.",
                "Read a node behind a resistor.",
            )
        self._branches: list[tuple[str, str, int | None, float]] = []
        for part in reading.stage.parts:
            first, second = part.between
            match part.kind:
                case PartKind.RESISTOR:
                    self._branches.append((first, second, value_place(part), 0.0))
                case PartKind.INDUCTOR:
                    self._branches.append((first, second, None, 1.0 / COIL_OHM))
                case PartKind.CAPACITOR:
                    place = leak_place.get(part.name)
                    if place is not None:
                        self._branches.append((first, second, place, 0.0))
                    elif part.leak_ohm not in (None, inf):
                        self._branches.append((first, second, None, 1.0 / float(part.leak_ohm or inf)))
                case PartKind.SUPPLY:
                    pass
        if reading.meter_ohm is not None:
            self._branches.append((reading.node, GROUND, None, 1.0 / reading.meter_ohm))

    def evaluate(self, physical: Real) -> tuple[Real, Real]:
        """Whitened residual, shape (1,), and Jacobian, shape (1, parameters)."""
        size = len(self._free)
        place = {node: k for k, node in enumerate(self._free)}
        matrix = np.zeros((size, size))
        right = np.zeros(size)
        volts = {GROUND: 0.0} | {node: sign * physical[k] for node, (k, sign) in self._held.items()}
        siemens = [1.0 / physical[k] if k is not None else fixed for _, _, k, fixed in self._branches]
        for (first, second, _, _), g in zip(self._branches, siemens, strict=True):
            for here, there in ((first, second), (second, first)):
                if here in place:
                    matrix[place[here], place[here]] += g
                    if there in place:
                        matrix[place[here], place[there]] -= g
                    else:
                        right[place[here]] += g * volts[there]
        # Floating nodes stay solvable: the floor must not drown in what joins them.
        largest = float(np.abs(np.diagonal(matrix)).max())
        matrix[np.diag_indices(size)] += max(FLOOR_SIEMENS, FLOOR_SHARE * largest)
        probe = np.zeros(size)
        probe[place[self._reading.node]] = 1.0
        solved = np.linalg.solve(matrix, np.stack([right, probe], axis=1))
        adjoint = {GROUND: 0.0} | dict.fromkeys(self._held, 0.0)
        for node, row in place.items():
            volts[node] = float(solved[row, 0])
            adjoint[node] = float(solved[row, 1])
        gradient = np.zeros(physical.size)
        for (first, second, k, _), g in zip(self._branches, siemens, strict=True):
            if k is not None:
                # d g / d ln(ohm) = -g
                gradient[k] += g * (adjoint[first] - adjoint[second]) * (volts[first] - volts[second])
            for node, other in ((first, second), (second, first)):
                if node in self._held and other in place:
                    supply, sign = self._held[node]
                    gradient[supply] += g * adjoint[other] * sign * physical[supply]
        spread = self._reading.sigma_v
        residual = np.array([(volts[self._reading.node] - self._reading.volts) / spread])
        return residual, gradient[None, :] / spread
