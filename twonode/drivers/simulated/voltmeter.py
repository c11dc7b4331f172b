"""The simulated voltmeter: DC volts of one node of the live circuit, in SCPI-1999.

Owns the DC solution and the meter's commands. Generator and scope are not clipped on during a DC check, so
only the stage, its supplies and the meter's own 10 Mohm are in it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import ClassVar

import numpy as np

from twonode.analysis.stage import GROUND, Part, PartKind
from twonode.drivers.simulated.scpi import COMMON, SYSTEM, ScpiInstrument
from twonode.drivers.simulated.scpi_table import Command, Reply, command_table
from twonode.drivers.simulated.scpi_values import Call
from twonode.drivers.simulated.world import World

__all__ = ["SimulatedVoltmeter", "dc_volts"]

_METER_OHM = 10e6
_RANGES_V = (0.6, 6.0, 60.0, 600.0, 1000.0)
_COUNTS = 6000
# A node held by nothing but capacitors: keeps the equations solvable without being seen beside 10 Mohm.
_STRAY_SIEMENS = 1e-15
_LEAST_OHM = 1e-3


def dc_volts(parts: Iterable[Part], node: str, *, load_ohm: float = _METER_OHM) -> float:
    """DC volts of a node with a load on it: capacitors open but for their leaks, inductors their winding.

    parts : the stage with its supplies, at true values. Unknown node: KeyError.
    """
    everything = tuple(parts)
    if node == GROUND:
        return 0.0
    held = {GROUND: 0.0}
    for part in everything:
        if part.kind is PartKind.SUPPLY:
            first, second = part.between
            held[second if first == GROUND else first] = part.value if second == GROUND else -part.value
    if node in held:
        return held[node]
    free = {
        n: i for i, n in enumerate(dict.fromkeys(n for p in everything for n in p.between if n not in held))
    }
    matrix = np.eye(len(free)) * _STRAY_SIEMENS
    current = np.zeros(len(free))
    matrix[free[node], free[node]] += 1 / load_ohm
    for part in everything:
        siemens = _dc_siemens(part)
        if siemens == 0:
            continue
        for here, there in (part.between, part.between[::-1]):
            if here in free:
                matrix[free[here], free[here]] += siemens
                if there in free:
                    matrix[free[here], free[there]] -= siemens
                else:
                    current[free[here]] += siemens * held[there]
    return float(np.linalg.solve(matrix, current)[free[node]])


def _dc_siemens(part: Part) -> float:
    match part.kind:
        case PartKind.CAPACITOR:
            return 0.0 if part.leak_ohm is None else 1 / part.leak_ohm
        case PartKind.RESISTOR:
            return 1 / part.value
        case PartKind.INDUCTOR:
            return 1 / max(part.esr_ohm, _LEAST_OHM)
        case PartKind.SUPPLY:
            return 0.0


class SimulatedVoltmeter(ScpiInstrument):
    """A 6000-count meter on the far node, accuracy class 0.5 % and 3 counts."""

    table: ClassVar[Mapping[str, Command]]

    def __init__(self, world: World) -> None:
        super().__init__(lock=world.lock, clock=world.clock)
        self._world = world
        self.node = world.settings.stage.far
        self.idn = world.settings.voltmeter_idn or "TWONODE,SIM-DMM,SIMULATED,1.0"

    def reset(self) -> None:
        """Back to DC volts, automatic range: the only function there is."""

    def _configure(self, _call: Call) -> Reply:
        return None

    def _read(self, _call: Call) -> Reply:
        truth = self._world.truth
        volts = dc_volts(truth.parts, self.node) + self._world.settings.residual_dc_v.get(self.node, 0.0)
        span = next((r for r in _RANGES_V if abs(volts) <= r), None)
        if span is None:
            return "9.9E+37"
        count = span / _COUNTS
        shown = volts * (1 + truth.meter_gain_error) + truth.meter_counts * count
        return f"{round(shown / count) * count:+.8E}"


SimulatedVoltmeter.table = command_table(
    (
        *COMMON,
        *SYSTEM,
        Command(
            "CONFigure[:VOLTage]:DC", SimulatedVoltmeter._configure, lambda _s, _: '"VOLT"', takes=(0, 2)
        ),
        Command("CONFigure", ask=lambda _s, _: '"VOLT"'),
        Command("MEASure[:VOLTage]:DC", ask=SimulatedVoltmeter._read, asks=(0, 2)),
        Command("READ", ask=SimulatedVoltmeter._read),
        Command("INITiate[:IMMediate]", SimulatedVoltmeter._configure, takes=(0, 0)),
        Command("FETCh", ask=SimulatedVoltmeter._read),
        Command("[SENSe]:FUNCtion", SimulatedVoltmeter._configure, lambda _s, _: '"VOLT"', takes=(1, 1)),
    )
)
