"""Commands which the simulated scopes with `:CHANnel` headers share (facts page, columns S1a and S1b of C1).

Owns their channel, time-base, trigger and run commands. Offset, memory, averaging, polling and wire format belong to
the families.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import ClassVar

from twonode.drivers.simulated.scope_base import SimulatedScope, on_off_digit
from twonode.drivers.simulated.scope_core import Sweep
from twonode.drivers.simulated.scpi_table import Command, Reply
from twonode.drivers.simulated.scpi_values import Call, ScpiError
from twonode.drivers.simulated.truth import RANGE_STEPS_V

__all__ = ["COLON_COMMANDS", "DECADE_125", "ColonScope", "exponent_form"]

DECADE_125 = tuple(float(f"{m}e{e}") for e in range(-9, 2) for m in (1, 2, 5))[2:-1]
"""s/div in steps of 1-2-5, 5 ns to 20 s."""

_PROBE_SETTINGS = tuple(
    float(f"{m}e{e}") for e in range(-2, 4) for m in (1, 2, 5) if float(f"{m}e{e}") <= 1000
)


def exponent_form(value: float) -> str:
    """Number as most of these scopes write it: 5.000000e-01."""
    return f"{value:.6e}"


class ColonScope(SimulatedScope):
    """Two channels, ranges and time base in steps of 1-2-5."""

    steps_v = RANGE_STEPS_V
    seconds_per_div_steps = DECADE_125
    probe_settings = _PROBE_SETTINGS
    trigger_sources: ClassVar[Mapping[str, str]] = {
        "CHANnel1": "0",
        "CHANnel2": "1",
        "CHAN1": "0",
        "CHAN2": "1",
        "AC": "",
        "LINE": "",
        "EXT": "",
    }
    slopes: ClassVar[Mapping[str, str]] = {"POSitive": "rising", "NEGative": "falling"}

    def set_bandwidth(self, call: Call) -> Reply:
        """The 20 MHz limit."""
        return self.limit_bandwidth(call, call.word({"20M": "20M", "ON": "20M", "OFF": "OFF"}) == "20M")

    def get_bandwidth(self, call: Call) -> Reply:
        """20M or OFF."""
        return "20M" if self.setup(call).path.bandwidth_limited else "OFF"

    def set_scale(self, call: Call) -> Reply:
        """V/div."""
        self.core.set_channel(call.suffix - 1, self.new_range(call))
        return None

    def run(self, _call: Call) -> Reply:
        """Acquire until stopped."""
        self.core.run()
        return None

    def stop(self, _call: Call) -> Reply:
        """Stop."""
        self.core.stop()
        return None

    def single(self, _call: Call) -> Reply:
        """Acquire one record."""
        self.core.single()
        return None

    def force(self, _call: Call) -> Reply:
        """Fire the trigger by hand."""
        self.core.force()
        return None

    def get_trigger_source(self, _call: Call) -> Reply:
        """CHAN1, CHAN2 or EXT."""
        channel = self.core.trigger.channel
        return "EXT" if channel is None else f"CHAN{channel + 1}"

    def set_level(self, call: Call) -> Reply:
        """Trigger level, at most five divisions."""
        channel = self.core.trigger.channel or 0
        limit = 5 * self.core.setups[channel].shown_volts_per_div
        return self.change_trigger(level_v=call.number("V", low=-limit, high=limit))

    def get_sweep(self, _call: Call) -> Reply:
        """AUTO or NORM."""
        return "AUTO" if self.core.trigger.sweep is Sweep.AUTO else "NORM"

    def set_source(self, call: Call) -> Reply:
        """Channel whose record is transferred; one that is off is refused."""
        channel = int(call.word({"CHANnel1": "0", "CHANnel2": "1"}))
        if not self.core.setups[channel].displayed:
            raise ScpiError(-221, "channel is off")
        self.source = channel
        return None


_S = ColonScope

COLON_COMMANDS: Sequence[Command] = (
    Command("RUN", lambda s, c: s.run(c), takes=(0, 0)),
    Command("STOP", lambda s, c: s.stop(c), takes=(0, 0)),
    Command("SINGle", lambda s, c: s.single(c), takes=(0, 0)),
    Command("TFORce", _S.force, takes=(0, 0)),
    Command("CHANnel@:DISPlay", _S.set_display, lambda s, c: on_off_digit(s.setup(c).displayed), highest=2),
    Command("CHANnel@:COUPling", _S.set_coupling, _S.get_coupling, highest=2),
    Command("CHANnel@:BWLimit", _S.set_bandwidth, lambda s, c: s.get_bandwidth(c), highest=2),
    Command("CHANnel@:PROBe", _S.set_probe, lambda s, c: exponent_form(s.setup(c).probe_setting), highest=2),
    Command(
        "CHANnel@:SCALe", _S.set_scale, lambda s, c: exponent_form(s.setup(c).shown_volts_per_div), highest=2
    ),
    Command("CHANnel@:INVert", _S.set_invert, lambda s, c: on_off_digit(s.setup(c).inverted), highest=2),
    Command("TIMebase[:MAIN]:SCALe", _S.set_seconds_per_div, lambda s, _: exponent_form(s.seconds_per_div)),
    Command("TRIGger:MODE", lambda _s, c: c.word({"EDGE": "EDGE"}) and None, lambda _s, _: "EDGE"),
    Command("TRIGger:EDGE:SOURce", _S.set_trigger_source, _S.get_trigger_source),
    Command("TRIGger:EDGE:LEVel", _S.set_level, lambda s, _: exponent_form(s.core.trigger.level_v)),
    Command("TRIGger:EDGE:SLOPe", _S.set_slope, lambda s, _: "POS" if s.core.trigger.rising else "NEG"),
    Command("TRIGger:SWEep", lambda s, c: s.set_sweep(c), lambda s, c: s.get_sweep(c)),
)
"""RUN, STOP, SINGle, channels, time base and edge trigger."""
