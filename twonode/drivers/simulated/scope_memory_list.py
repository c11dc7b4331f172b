"""The simulated scope whose memory comes with a list of keys, family S5 of the facts page.

Owns that family's commands and wire format. Acquisition belongs to `scope_core`.

The facts page tells the transfer and its scaling only: `key,value;` pairs, a block of 16-bit codes, high byte first,
and `V = raw/25 * vertical scale`. Controls are those of S1a, and beside them the other spellings this language has,
from memory, as are the names of the keys.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from twonode.drivers.simulated.front_end import CODES_PER_DIV
from twonode.drivers.simulated.scope_colon import COLON_COMMANDS, ColonScope, exponent_form
from twonode.drivers.simulated.scope_core import AcquisitionState
from twonode.drivers.simulated.scpi import COMMON, SYSTEM
from twonode.drivers.simulated.scpi_table import Command, Reply, command_table
from twonode.drivers.simulated.scpi_values import Call, ScpiError
from twonode.drivers.simulated.world import World

__all__ = ["MemoryListScope"]

_DIVISIONS_X = 10
_DEPTHS = (1_000, 10_000, 100_000, 1_000_000, 10_000_000)
_HIGHEST_RATE_HZ = 1e9
_HIGHEST_OFFSET_DIV = 20.0


class MemoryListScope(ColonScope):
    """Two channels, eight bits in 16; powers up running with channel 1 on, probe 1:1, AC coupling, band limit."""

    table: ClassVar[Mapping[str, Command]]

    average_counts = tuple(2**k for k in range(1, 9))
    trigger_sources: ClassVar[Mapping[str, str]] = {
        **ColonScope.trigger_sources,
        "CH1": "0",
        "CH2": "1",
    }

    def __init__(self, world: World) -> None:
        super().__init__(world, rails=(-128, 127), single_needs_trigger=True)
        self.idn = world.settings.scope_idn or f"TWONODE,SIM-S5,SEED-{world.settings.seed},1.0"
        self.reset()

    def reset(self) -> None:
        """Power-on state."""
        self._depth = _DEPTHS[1]
        self.power_on(seconds_per_div=1e-5, average_count=2)

    def update_timing(self) -> None:
        """Rate from record length and time base, up to the converter's fastest."""
        length_s = _DIVISIONS_X * self.seconds_per_div
        rate = min(self._depth / length_s, _HIGHEST_RATE_HZ)
        self.core.set_timing(step_s=1 / rate, points=max(round(rate * length_s), 2))

    def _set_depth(self, call: Call) -> Reply:
        depth = call.integer(low=1, high=10**9)
        if depth not in _DEPTHS:
            raise ScpiError(-222, call.parameters[0])
        self._depth = depth
        self.update_timing()
        return None

    def _set_offset(self, call: Call) -> Reply:
        per_div = self.setup(call).shown_volts_per_div
        limit = _HIGHEST_OFFSET_DIV * per_div
        return self.change(call, position_div=call.number("V", low=-limit, high=limit, default=0.0) / per_div)

    def _get_offset(self, call: Call) -> Reply:
        setup = self.setup(call)
        return exponent_form(setup.position_div * setup.shown_volts_per_div)

    def _set_type(self, call: Call) -> Reply:
        choices = {"NORMal": "", "SAMPle": "", "AVERages": "yes", "AVERage": "yes"}
        return self.use_averaging(call.word(choices) == "yes")

    def _stopped(self) -> bool:
        return self.core.state() is AcquisitionState.STOPPED

    def _get_status(self, _call: Call) -> Reply:
        match self.core.state():
            case AcquisitionState.STOPPED:
                return "STOP"
            case AcquisitionState.FILLING:
                return "RUN"
            case AcquisitionState.WAITING:
                return "WAIT"
            case AcquisitionState.TRIGGERED:
                return "TD"
            case AcquisitionState.RUNNING:
                return "AUTO" if self.get_sweep(_call) == "AUTO" else "TD"

    def _get_filled(self, _call: Call) -> Reply:
        """1 when the memory holds a record that can be read."""
        return "1" if self._stopped() and self.core.record is not None else "0"

    def _get_memory(self, call: Call) -> Reply:
        channel = call.suffix - 1
        if not self.core.setups[channel].displayed:
            raise ScpiError(-221, "channel is off")
        if not self._stopped():
            self.core.snapshot()
        codes, record = self.core.codes(channel), self.core.record
        if codes is None or record is None:
            raise ScpiError(-230, "no record")
        setup = record.setups[channel]
        # Raw codes count from zero volts, as the documented formula has no offset.
        raw = codes - round(setup.position_div * CODES_PER_DIV)
        self.pause(self.world.settings.transfer_latency_s)
        pairs = {
            "Format": "1.0B",
            "Memory Size": str(record.points),
            "Trigger Level": exponent_form(self.core.trigger.level_v),
            "Source": f"CH{call.suffix}",
            "Vertical Units": "V",
            "Probe": exponent_form(setup.probe_setting),
            "Vertical Scale": exponent_form(setup.shown_volts_per_div),
            "Vertical Position": exponent_form(setup.position_div * setup.shown_volts_per_div),
            "Horizontal Units": "S",
            "Horizontal Scale": exponent_form(self.seconds_per_div),
            "Horizontal Position": exponent_form(0.0),
            "Sampling Period": exponent_form(record.stated_step_s),
        }
        listed = "".join(f"{key},{value};" for key, value in pairs.items()) + "Waveform Data;"
        payload = raw.astype(">i2").tobytes()
        length = str(len(payload))
        return f"{listed}#{len(length)}{length}".encode("ascii") + payload


_S = MemoryListScope
MemoryListScope.table = command_table(
    (
        *COMMON,
        *SYSTEM,
        *COLON_COMMANDS,
        Command("CHANnel@:OFFSet", _S._set_offset, _S._get_offset, highest=2),
        Command("TIMebase:OFFSet", _S.set_time_position, lambda _s, _: exponent_form(0.0)),
        Command("ACQuire:TYPE", _S._set_type, lambda s, _: "AVER" if s.averaging else "NORM"),
        Command("ACQuire:AVERages", _S.set_averages, lambda s, _: str(s.average_count)),
        Command("ACQuire:MDEPth", _S._set_depth, lambda s, _: str(s._depth)),
        Command("ACQuire:SRATe", ask=lambda s, _: exponent_form(1 / s.core.step_s)),
        Command("TRIGger:STATus", ask=_S._get_status),
        Command("ACQuire@:MEMory", ask=_S._get_memory, highest=2),
        # From memory: the language's own spellings.
        Command("ACQuire@:STATe", ask=_S._get_filled, highest=2),
        Command("ACQuire:MODe", _S._set_type, lambda s, _: "AVERage" if s.averaging else "SAMPle"),
        Command("ACQuire:AVERage", _S.set_averages, lambda s, _: str(s.average_count)),
        Command("ACQuire:RECOrdlength", _S._set_depth, lambda s, _: exponent_form(s._depth)),
        Command(
            "CHANnel@:PROBe:RATio",
            _S.set_probe,
            lambda s, c: exponent_form(s.setup(c).probe_setting),
            highest=2,
        ),
        Command("CHANnel@:POSition", _S._set_offset, _S._get_offset, highest=2),
        Command(
            "TRIGger:SOURce", _S.set_trigger_source, lambda s, c: s.get_trigger_source(c).replace("AN", "")
        ),
        Command("TRIGger:LEVel", _S.set_level, lambda s, _: exponent_form(s.core.trigger.level_v)),
        Command("TRIGger:STATe", ask=_S._get_status),
        Command("TIMebase:POSition", _S.set_time_position, lambda _s, _: exponent_form(0.0)),
    )
)
