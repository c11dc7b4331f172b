"""Commands which both simulated scope families have in the same meaning, under whatever header.

Owns channel switches, averages and trigger handlers. Headers, steps and wire formats belong to the families.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, ClassVar

from twonode.drivers.simulated.front_end import ChannelSetup
from twonode.drivers.simulated.scope_core import ScopeCore, Sweep, TriggerSetup, nearest_step, with_step
from twonode.drivers.simulated.scpi import ScpiInstrument
from twonode.drivers.simulated.scpi_table import Reply
from twonode.drivers.simulated.scpi_values import Call, ScpiError
from twonode.drivers.simulated.truth import RANGE_STEPS_V
from twonode.drivers.simulated.world import InputPath, World

__all__ = ["SimulatedScope", "on_off_digit"]


def on_off_digit(value: bool) -> str:
    """How both families answer for a switch: 1 or 0."""
    return "1" if value else "0"


class SimulatedScope(ScpiInstrument):
    """A two-channel scope clipped to a world; channel 1 and 2 of a command are 0 and 1 of the core.

    steps_v : V/div at the scope's input. seconds_per_div_steps, probe_settings, average_counts : ascending.
    """

    steps_v: ClassVar[tuple[float, ...]]
    seconds_per_div_steps: ClassVar[tuple[float, ...]]
    probe_settings: ClassVar[tuple[float, ...]]
    average_counts: ClassVar[tuple[int, ...]]
    trigger_sources: ClassVar[Mapping[str, str]]
    sweeps: ClassVar[Mapping[str, str]] = {"AUTO": "AUTO", "NORMal": "NORM"}
    slopes: ClassVar[Mapping[str, str]]

    def __init__(self, world: World, *, rails: tuple[int, int], single_needs_trigger: bool) -> None:
        super().__init__(lock=world.lock, clock=world.clock)
        self.world = world
        self.core = ScopeCore(world, rails=rails, single_needs_trigger=single_needs_trigger)
        self.seconds_per_div = 1e-3
        self.averaging = False
        self.average_count = 2
        self.source = 0

    def power_on(self, *, seconds_per_div: float, average_count: int) -> None:
        """What a driver must not rely on: channel 1 alone, AC, limited bandwidth, probe 1:1."""
        start = ChannelSetup(path=InputPath(ac_coupled=True, bandwidth_limited=True))
        self.core.clear(start, TriggerSetup())
        self.core.set_channel(1, replace(start, displayed=False))
        self.seconds_per_div = seconds_per_div
        self.averaging = False
        self.average_count = average_count
        self.source = 0
        self.update_timing()

    def update_timing(self) -> None:
        """Sample interval and points from time base and record length."""
        raise NotImplementedError

    def setup(self, call: Call) -> ChannelSetup:
        """Switches of the channel in the header."""
        return self.core.setups[call.suffix - 1]

    def change(self, call: Call, **fields: Any) -> Reply:
        """Change switches of the channel in the header."""
        self.core.set_channel(call.suffix - 1, replace(self.setup(call), **fields))
        return None

    def set_display(self, call: Call) -> Reply:
        """Channel on or off."""
        return self.change(call, displayed=call.boolean())

    def set_coupling(self, call: Call) -> Reply:
        """AC or DC."""
        coupling = call.word({"AC": "AC", "DC": "DC", "GND": "GND"})
        if coupling == "GND":
            raise ScpiError(-224, "GND is not simulated")
        return self.change(call, path=replace(self.setup(call).path, ac_coupled=coupling == "AC"))

    def get_coupling(self, call: Call) -> Reply:
        """AC or DC."""
        return "AC" if self.setup(call).path.ac_coupled else "DC"

    def limit_bandwidth(self, call: Call, limited: bool) -> Reply:
        """Bandwidth limit on or off."""
        return self.change(call, path=replace(self.setup(call).path, bandwidth_limited=limited))

    def set_invert(self, call: Call) -> Reply:
        """Trace upside down or not."""
        return self.change(call, inverted=call.boolean())

    def set_probe(self, call: Call) -> Reply:
        """Probe factor, to the nearest one offered; ranges and readings scale with it."""
        factor = call.number("", low=self.probe_settings[0], high=self.probe_settings[-1], default=1.0)
        return self.change(call, probe_setting=self.probe_settings[nearest_step(factor, self.probe_settings)])

    def new_range(self, call: Call) -> ChannelSetup:
        """The channel's setup on the step nearest to the V/div asked for."""
        setup = self.setup(call)
        factor = setup.probe_setting
        # Half a per mille of grace for numbers that were rounded on the way.
        low, high = self.steps_v[0] * factor * 0.9995, self.steps_v[-1] * factor * 1.0005
        shown = call.number("V", low=low, high=high, default=factor)
        step_v = self.steps_v[nearest_step(shown / factor, self.steps_v)]
        return with_step(setup, RANGE_STEPS_V.index(step_v))

    def set_seconds_per_div(self, call: Call) -> Reply:
        """Time base, to the nearest step."""
        steps = self.seconds_per_div_steps
        seconds = call.number("S", low=steps[0] * 0.9995, high=steps[-1] * 1.0005)
        self.seconds_per_div = steps[nearest_step(seconds, steps)]
        self.update_timing()
        return None

    def set_time_position(self, call: Call) -> Reply:
        """The trigger stays in the middle of the record; only 0 is taken."""
        if call.number("S") != 0:
            raise ScpiError(-222, "the trigger stays in the middle")
        return None

    def use_averaging(self, averaging: bool) -> Reply:
        """Average from the next record on, or not."""
        self.averaging = averaging
        self.core.set_averages(self.average_count if averaging else 1)
        return None

    def set_averages(self, call: Call) -> Reply:
        """Number of averages, to the nearest one offered."""
        counts = self.average_counts
        count = call.integer(low=counts[0], high=counts[-1])
        self.average_count = counts[nearest_step(float(count), tuple(map(float, counts)))]
        return self.use_averaging(self.averaging)

    def set_trigger_source(self, call: Call) -> Reply:
        """Channel 1, channel 2 or a source with nothing connected."""
        source = call.word(self.trigger_sources)
        return self.change_trigger(channel=int(source) if source else None)

    def set_slope(self, call: Call) -> Reply:
        """Rising or falling."""
        return self.change_trigger(rising=call.word(self.slopes) == "rising")

    def set_sweep(self, call: Call) -> Reply:
        """Automatic or normal."""
        word = call.word(self.sweeps)
        return self.change_trigger(sweep=Sweep.AUTO if word == "AUTO" else Sweep.NORMAL)

    def change_trigger(self, **fields: Any) -> Reply:
        """Change the trigger."""
        self.core.set_trigger(replace(self.core.trigger, **fields))
        return None
