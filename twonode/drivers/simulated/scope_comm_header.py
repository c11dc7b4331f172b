"""The language of simulated scopes with `C1:` headers, columns S3 of C1 on the facts page; S4 controls are as S3.

Owns its commands, units in replies and silence on errors. The waveform transfers belong to the two families.

Powers up with the reply header on: replies then repeat the command, and numbers carry their units. There is no error
queue: what is not understood is passed over. Unless said otherwise the commands are from memory ([M] there).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from twonode.drivers.simulated.front_end import ChannelSetup
from twonode.drivers.simulated.scope_base import SimulatedScope
from twonode.drivers.simulated.scope_colon import DECADE_125
from twonode.drivers.simulated.scope_core import AcquisitionState, Sweep
from twonode.drivers.simulated.scpi import COMMON
from twonode.drivers.simulated.scpi_table import Command, Reply
from twonode.drivers.simulated.scpi_values import Call, ScpiError
from twonode.drivers.simulated.settings import Variant
from twonode.drivers.simulated.truth import RANGE_STEPS_V
from twonode.drivers.simulated.world import World

__all__ = ["HEADED_COMMANDS", "HeadedScope"]

_DECADE_125 = DECADE_125
_DECADE_1255 = tuple(float(f"{m}e{e}") for e in range(-9, 2) for m in (1, 2.5, 5))[2:-1]
# 14 M and its kin, and half of them as with both channels on.
_DEPTHS = {
    f"{count}{letter}": count * factor
    for letter, factor in (("K", 1000), ("M", 1_000_000))
    for count in (7, 14, 70, 140, 700)
    if count * factor <= 14_000_000
} | {"1.4M": 1_400_000}
_HIGHEST_RATE_HZ = 1e9
_HIGHEST_OFFSET_DIV = 20.0
_SOURCES = {"C1": 0, "C2": 1, "EX": None, "EX5": None, "LINE": None}


class HeadedScope(SimulatedScope):
    """Two channels, eight bits; powers up running with channel 1 on, probe 1:1, AC coupling, reply header on.

    divisions_x : how many divisions a record spans.
    """

    steps_v = RANGE_STEPS_V
    seconds_per_div_steps = _DECADE_125
    probe_settings = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)
    average_counts = (4, 16, 32, 64, 128, 256, 512, 1024)
    slopes: ClassVar[Mapping[str, str]] = {"POS": "rising", "NEG": "falling"}
    keeps_path = False

    divisions_x: ClassVar[int] = 14
    model: ClassVar[str]

    def __init__(self, world: World, *, rails: tuple[int, int]) -> None:
        super().__init__(world, rails=rails, single_needs_trigger=True)
        if Variant.STEPS_1_25_5 in world.settings.variants:
            self.seconds_per_div_steps = _DECADE_1255  # type: ignore[misc]
        self.idn = world.settings.scope_idn or f"TWONODE,{self.model},SEED-{world.settings.seed},1.0"
        self.reset()

    def reset(self) -> None:
        """Power-on state."""
        self._header = True
        self._mode = "AUTO"
        self._depth = "14K"
        self._levels = [0.0, 0.0]
        self._rising = [True, True]
        self._sparse, self._count, self._first = 1, 0, 0
        self._asked_s = self.world.now_s()
        self.power_on(seconds_per_div=1e-6, average_count=16)
        # The facts page has no command for the bandwidth limit, so there is none to take away.
        for channel in (0, 1):
            setup = self.core.setups[channel]
            self.core.set_channel(channel, replace(setup, path=replace(setup.path, bandwidth_limited=False)))

    def update_timing(self) -> None:
        """Rate from record length and time base, up to the converter's fastest."""
        length_s = self.divisions_x * self.seconds_per_div
        rate = min(_DEPTHS[self._depth] / length_s, _HIGHEST_RATE_HZ)
        self.core.set_timing(step_s=1 / rate, points=max(round(rate * length_s), 2))

    # Language.

    def respond(self, command: Command, suffix: int, reply: str | bytes) -> bytes:
        """Reply with its header in front, where the instrument was not told to leave it out."""
        body = super().respond(command, suffix, reply)
        if not self._header:
            return body
        return f"{command.long_form.replace('#', str(suffix))} ".encode("ascii") + body

    def queue_error(self, error: ScpiError) -> None:
        """Errors show in the event status only."""
        super().queue_error(error)
        self.errors.clear()

    def with_unit(self, value: float, unit: str) -> str:
        """Number as a reply gives it: 5.00E-01V, without the unit where the header is off."""
        return f"{value:.2E}{unit if self._header else ''}"

    def _set_header(self, call: Call) -> Reply:
        self._header = call.word({"OFF": "", "SHORT": "yes", "LONG": "yes"}) == "yes"
        return None

    def _get_header(self, _call: Call) -> Reply:
        return "SHORT" if self._header else "OFF"

    # Channels.

    def _set_trace(self, call: Call) -> Reply:
        return self.change(call, displayed=call.word({"ON": "yes", "OFF": ""}) == "yes")

    def set_coupling(self, call: Call) -> Reply:
        """D1M or A1M."""
        ac_coupled = call.word({"D1M": "", "A1M": "yes"}) == "yes"
        return self.change(call, path=replace(self.setup(call).path, ac_coupled=ac_coupled))

    def _set_range(self, call: Call) -> Reply:
        self.core.set_channel(call.suffix - 1, self.new_range(call))
        return None

    def _set_offset(self, call: Call) -> Reply:
        per_div = self.setup(call).shown_volts_per_div
        limit = _HIGHEST_OFFSET_DIV * per_div
        offset = float(f"{call.number('V', low=-limit, high=limit):.2E}")
        return self.change(call, position_div=offset / per_div)

    def offset_v(self, setup: ChannelSetup) -> float:
        """As OFST? tells it; zero volts lie this far above the centre."""
        return setup.position_div * setup.shown_volts_per_div

    def _set_bandwidth(self, call: Call) -> Reply:
        words = [word.upper() for word in call.parameters]
        if len(words) % 2:
            raise ScpiError(-109, "BWL")
        for name, state in zip(words[::2], words[1::2], strict=True):
            if name not in ("C1", "C2") or state not in ("ON", "OFF"):
                raise ScpiError(-224, f"{name},{state}")
            self.limit_bandwidth(Call(int(name[1]), ()), state == "ON")
        return None

    def _get_bandwidth(self, _call: Call) -> Reply:
        states = ("ON" if s.path.bandwidth_limited else "OFF" for s in self.core.setups)
        return ",".join(f"C{number},{state}" for number, state in enumerate(states, start=1))

    # Time base, memory and averaging.

    def _get_rate(self, _call: Call) -> Reply:
        rate = 1 / self.core.step_s
        if not self._header:
            return f"{rate:.2E}"
        for letter, factor in (("G", 1e9), ("M", 1e6), ("k", 1e3)):
            if rate >= factor * 0.9999:
                return f"{rate / factor:.2f}{letter}Sa/s"
        return f"{rate:.2f}Sa/s"

    def _set_depth(self, call: Call) -> Reply:
        asked = call.parameters[0].upper()
        if asked not in _DEPTHS:
            raise ScpiError(-224, asked)
        self._depth = asked
        self.update_timing()
        return None

    def _set_way(self, call: Call) -> Reply:
        way = call.parameters[0].upper()
        if way == "AVERAGE" and len(call.parameters) == 2:
            self.set_averages(Call(1, call.parameters[1:]))
            return self.use_averaging(True)
        if way != "SAMPLING" or len(call.parameters) != 1:
            raise ScpiError(-224, way)
        return self.use_averaging(False)

    def _get_way(self, _call: Call) -> Reply:
        return f"AVERAGE,{self.average_count}" if self.averaging else "SAMPLING"

    # Trigger and state.

    def _set_mode(self, call: Call) -> Reply:
        self._mode = call.word({"AUTO": "AUTO", "NORM": "NORM", "SINGLE": "SINGLE", "STOP": "STOP"})
        match self._mode:
            case "STOP":
                self.core.stop()
            case "SINGLE":
                self.core.single()
            case _:
                self.change_trigger(sweep=Sweep.AUTO if self._mode == "AUTO" else Sweep.NORMAL)
                self.core.run()
        return None

    def _get_mode(self, _call: Call) -> Reply:
        return "STOP" if self._stopped() else self._mode

    def _arm(self, _call: Call) -> Reply:
        """Take one record, from a stop too; a running scope is armed already."""
        if self._mode in ("SINGLE", "STOP"):
            self._mode = "SINGLE"
            self.core.single()
        return None

    def _stopped(self) -> bool:
        return self.core.state() is AcquisitionState.STOPPED

    def _get_state(self, _call: Call) -> Reply:
        match self.core.state():
            case AcquisitionState.STOPPED:
                return "Stop"
            case AcquisitionState.FILLING:
                return "Armed"
            case AcquisitionState.WAITING:
                return "Ready"
            case AcquisitionState.TRIGGERED:
                return "Trig'd"
            case AcquisitionState.RUNNING:
                return "Auto" if self._mode == "AUTO" else "Ready"

    def _get_new(self, _call: Call) -> Reply:
        """Bit 0: an acquisition ended since the last time it was asked; asking clears it [R34]."""
        now_s = self.world.now_s()
        ended = self.core.ended_since(self._asked_s)
        # Time goes on meanwhile: what ends after the look must be there at the next one.
        self._asked_s = self.world.now_s() if ended else now_s
        return "1" if ended else "0"

    def _set_trigger(self, call: Call) -> Reply:
        words = [word.upper() for word in call.parameters]
        if words[0] != "EDGE" or "SR" not in words[:-1]:
            raise ScpiError(-224, ",".join(words))
        source = words[words.index("SR") + 1]
        if source not in _SOURCES:
            raise ScpiError(-224, source)
        self.change_trigger(channel=_SOURCES[source])
        return self._use_edge()

    def _get_trigger(self, _call: Call) -> Reply:
        channel = self.core.trigger.channel
        return f"EDGE,SR,{'EX' if channel is None else f'C{channel + 1}'},HT,OFF"

    def _use_edge(self) -> Reply:
        channel = self.core.trigger.channel or 0
        return self.change_trigger(level_v=self._levels[channel], rising=self._rising[channel])

    def _set_level(self, call: Call) -> Reply:
        limit = 5 * self.setup(call).shown_volts_per_div
        self._levels[call.suffix - 1] = call.number("V", low=-limit, high=limit)
        return self._use_edge()

    def set_slope(self, call: Call) -> Reply:
        """POS or NEG of the channel in the header."""
        self._rising[call.suffix - 1] = call.word(self.slopes) == "rising"
        return self._use_edge()

    # Which samples a transfer takes.

    def _set_transfer(self, call: Call) -> Reply:
        pairs = dict(zip(call.parameters[::2], call.parameters[1::2], strict=False))
        chosen = {"SP": self._sparse, "NP": self._count, "FP": self._first}
        for key, text in pairs.items():
            if key.upper() not in chosen:
                raise ScpiError(-224, key)
            chosen[key.upper()] = Call(1, (text,)).integer(low=0, high=10**9)
        self._sparse, self._count, self._first = max(chosen["SP"], 1), chosen["NP"], chosen["FP"]
        return None

    def chosen_codes(self, channel: int) -> NDArray[np.int16]:
        """What a transfer sends, as codes from the centre.

        Raises ScpiError for a channel that is off, or where there is no record.
        """
        if not self._stopped():
            self.core.snapshot()
        codes = self.core.codes(channel)
        if codes is None:
            raise ScpiError(-230, "no record")
        self.pause(self.world.settings.transfer_latency_s)
        codes = codes[self._first :: self._sparse]
        return codes[: self._count] if self._count else codes


_S = HeadedScope

HEADED_COMMANDS: Sequence[Command] = (
    *COMMON,
    Command("CHDR", _S._set_header, _S._get_header),
    Command("TRMD", _S._set_mode, _S._get_mode),
    Command("ARM", _S._arm, takes=(0, 0)),
    Command("C@:TRA", _S._set_trace, lambda s, c: "ON" if s.setup(c).displayed else "OFF", highest=2),
    Command(
        "C@:CPL", _S.set_coupling, lambda s, c: "A1M" if s.setup(c).path.ac_coupled else "D1M", highest=2
    ),
    Command("C@:ATTN", _S.set_probe, lambda s, c: f"{s.setup(c).probe_setting:g}", highest=2),
    Command(
        "C@:VDIV",
        _S._set_range,
        lambda s, c: s.with_unit(s.setup(c).shown_volts_per_div, "V"),
        highest=2,
    ),
    Command("C@:OFST", _S._set_offset, lambda s, c: s.with_unit(s.offset_v(s.setup(c)), "V"), highest=2),
    Command("C@:INVS", _S.set_invert, lambda s, c: "ON" if s.setup(c).inverted else "OFF", highest=2),
    Command("BWL", _S._set_bandwidth, _S._get_bandwidth, takes=(2, 4)),
    Command("TDIV", _S.set_seconds_per_div, lambda s, _: s.with_unit(s.seconds_per_div, "S")),
    Command("TRDL", _S.set_time_position, lambda s, _: s.with_unit(0.0, "S")),
    Command("MSIZ", _S._set_depth, lambda s, _: s._depth),
    Command("SARA", ask=_S._get_rate),
    Command("ACQW", _S._set_way, _S._get_way, takes=(1, 2)),
    Command("SAST", ask=_S._get_state),
    Command("INR", ask=_S._get_new),
    Command("TRSE", _S._set_trigger, _S._get_trigger, takes=(3, 9)),
    Command("C@:TRLV", _S._set_level, lambda s, c: s.with_unit(s._levels[c.suffix - 1], "V"), highest=2),
    Command("C@:TRSL", _S.set_slope, lambda s, c: "POS" if s._rising[c.suffix - 1] else "NEG", highest=2),
    Command(
        "WFSU", _S._set_transfer, lambda s, _: f"SP,{s._sparse},NP,{s._count},FP,{s._first}", takes=(2, 6)
    ),
)
"""Everything but the waveform transfer."""
