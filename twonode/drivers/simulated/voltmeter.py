"""The simulated voltmeter: DC volts of one node of the live circuit, in SCPI-1999.

Owns the DC solution, where the tip is held, and the meter's commands. Generator and scope are not clipped on during
a DC check, so only the stage, its supplies, what valves drive into grids and the meter's own 10 Mohm are in it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from twonode.analysis.stage import GROUND, Part, PartKind
from twonode.drivers.simulated.scpi import COMMON, SYSTEM, ScpiInstrument
from twonode.drivers.simulated.scpi_table import Command, Reply, command_table
from twonode.drivers.simulated.scpi_values import Call
from twonode.drivers.simulated.world import World

__all__ = ["LOOSE_END", "MeterTip", "SimulatedVoltmeter", "dc_volts", "lift_end", "shown_v"]

_METER_OHM = 10e6
# 0.1 mV steps to 0.4 V, 1 mV to 4 V, 10 mV to 40 V, 0.1 V to 400 V, 1 V above.
_RANGES_V = (0.4, 4.0, 40.0, 400.0, 1000.0)
_STEPS_V = (1e-4, 1e-3, 1e-2, 0.1, 1.0)
LOOSE_END = "loose end"
"""Node of a part's end that hangs in the air."""
# A node held by nothing but capacitors: keeps the equations solvable without being seen beside 10 Mohm.
_STRAY_SIEMENS = 1e-15
_LEAST_OHM = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class MeterTip:
    """Where the tip is held, and what was changed on the set for it.

    node : LOOSE_END for the free end of the lifted part. lifted : part with one end loose: its grounded end where it
        has one, else the one at the stage's far node. valve_out : no valve drives current into any grid.
    """

    node: str
    lifted: str | None = None
    valve_out: bool = False


def dc_volts(
    parts: Iterable[Part],
    node: str,
    *,
    load_ohm: float = _METER_OHM,
    injected_a: Mapping[str, float] | None = None,
) -> float:
    """DC volts of a node with a load on it: capacitors open but for their leaks, inductors their winding.

    parts : the stage with its supplies, at true values. Unknown node: KeyError.
    load_ohm : math.inf takes the meter away. injected_a : node to A driven into it.
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
    for fed, ampere in (injected_a or {}).items():
        if fed in free:
            current[free[fed]] += ampere
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


def lift_end(parts: Iterable[Part], name: str, far: str) -> tuple[Part, ...]:
    """The circuit with one end of a part on LOOSE_END.

    Raises KeyError for a part that is not there.
    """
    everything = tuple(parts)
    part = {each.name: each for each in everything}[name]
    first, second = part.between
    loose = next((end for end in (GROUND, far) if end in part.between), second)
    kept = first if loose == second else second
    lifted = replace(part, between=(kept, LOOSE_END))
    return tuple(lifted if each is part else each for each in everything)


def shown_v(volts: float, gain_error: Iterable[float], counts: Iterable[float]) -> float | None:
    """What the meter shows, automatic range; None beyond its last one.

    gain_error, counts : fractional and in steps, one a range.
    """
    for full, step, gain, count in zip(_RANGES_V, _STEPS_V, gain_error, counts, strict=True):
        if abs(volts) <= full:
            return round((volts * (1 + gain) + count * step) / step) * step
    return None


class SimulatedVoltmeter(ScpiInstrument):
    """A 4000-count meter, accuracy class 0.5 % and 3 counts, 10 Mohm within 1 %."""

    table: ClassVar[Mapping[str, Command]]

    def __init__(self, world: World) -> None:
        super().__init__(lock=world.lock, clock=world.clock)
        self._world = world
        self.tip = MeterTip(node=world.settings.meter_node or world.settings.stage.far)
        self.idn = world.settings.voltmeter_idn or "TWONODE,SIM-DMM,SIMULATED,1.0"

    def hold(self, tip: MeterTip) -> None:
        """Move the tip, as a hand does; lift a part or pull the valve for it.

        Raises ValueError for a node or part that is not in the stage.
        """
        stage = self._world.settings.stage
        if tip.lifted is not None and tip.lifted not in {part.name for part in stage.parts}:
            raise ValueError(f"part {tip.lifted!r} is not in the stage")
        known = {*stage.nodes, GROUND} | ({LOOSE_END} if tip.lifted is not None else set())
        if tip.node not in known:
            raise ValueError(f"node {tip.node!r} is not in the stage; it has {', '.join(sorted(known))}")
        with self._world.lock:
            self.tip = tip

    def reset(self) -> None:
        """Back to DC volts, automatic range: the only function there is."""

    def _configure(self, _call: Call) -> Reply:
        return None

    def _read(self, _call: Call) -> Reply:
        truth, settings, tip = self._world.truth, self._world.settings, self.tip
        parts = truth.parts
        if tip.lifted is not None:
            parts = lift_end(parts, tip.lifted, settings.stage.far)
        volts = dc_volts(
            parts,
            tip.node,
            load_ohm=truth.meter_ohm,
            injected_a={} if tip.valve_out else settings.grid_current_a,
        )
        volts += settings.residual_dc_v.get(tip.node, 0.0)
        shown = shown_v(volts, truth.meter_gain_error, truth.meter_counts)
        return "9.9E+37" if shown is None else f"{shown:+.8E}"


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
