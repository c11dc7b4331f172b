"""The simulated scope with a ten-field preamble whose origin is in volts, family S1b of the facts page.

Owns that family's commands, memory and wire format. Acquisition belongs to `scope_core`.

Its offset is the voltage at the screen's centre, the opposite sign of S1a. Three codes of a transfer are no samples:
0 a hole, 1 clipped below, 255 (0xFFFF) clipped above.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from twonode.drivers.simulated.front_end import CODES_PER_DIV, ChannelSetup
from twonode.drivers.simulated.scope_base import on_off_digit
from twonode.drivers.simulated.scope_colon import COLON_COMMANDS, ColonScope
from twonode.drivers.simulated.scope_core import AcquisitionState, Sweep
from twonode.drivers.simulated.scpi import COMMON, SYSTEM, NoReply
from twonode.drivers.simulated.scpi_table import Command, Reply, command_table
from twonode.drivers.simulated.scpi_values import Call, ScpiError
from twonode.drivers.simulated.world import World

__all__ = ["VoltOriginScope"]

_DIVISIONS_X = 10
_CENTRE_CODE = 128
_CLIPPED_LOW, _CLIPPED_HIGH = 1, 255
_SCREEN_POINTS = 1000
# Our choice: the facts page names neither rate nor memory.
_HIGHEST_RATE_HZ = 1e9
_MEMORY = 50_000
# Type and format of the preamble: 0 normal, 1 peak, 2 average, 3 high resolution; ASCII is 4 [R49, R51].
_FORMAT_CODE = {"BYTE": 0, "WORD": 1, "ASC": 4}
_RUNNING_BIT = 8
_HIGHEST_OFFSET_DIV = 20.0


class VoltOriginScope(ColonScope):
    """Two channels, eight bits; powers up running with channel 1 on, probe 1:1, AC coupling, bandwidth limit."""

    table: ClassVar[Mapping[str, Command]]

    average_counts = tuple(2**k for k in range(1, 17))

    def __init__(self, world: World) -> None:
        rails = (_CLIPPED_LOW - _CENTRE_CODE, _CLIPPED_HIGH - _CENTRE_CODE)
        super().__init__(world, rails=rails, single_needs_trigger=False)
        self.idn = world.settings.scope_idn or f"TWONODE,SIM-S1B,SEED-{world.settings.seed},1.0"
        self.reset()

    def reset(self) -> None:
        """Power-on state."""
        self._format = "BYTE"
        self._unsigned = True
        self._low_byte_first = False
        self._mode = "NORM"
        self._wanted: int | None = None
        self._asked_s = 0.0
        self.power_on(seconds_per_div=1e-4, average_count=8)

    def update_timing(self) -> None:
        """Rate from memory and time base, up to the converter's fastest."""
        length_s = _DIVISIONS_X * self.seconds_per_div
        rate = min(_MEMORY / length_s, _HIGHEST_RATE_HZ)
        self.core.set_timing(step_s=1 / rate, points=max(round(rate * length_s), 2))

    # Channels and acquisition.

    def _set_offset(self, call: Call) -> Reply:
        per_div = self.setup(call).shown_volts_per_div
        limit = _HIGHEST_OFFSET_DIV * per_div
        centre_v = call.number("V", low=-limit, high=limit, default=0.0)
        return self.change(call, position_div=-centre_v / per_div)

    def _get_offset(self, call: Call) -> Reply:
        return _shown(self._centre_v(self.setup(call)))

    @staticmethod
    def _centre_v(setup: ChannelSetup) -> float:
        """Volts at the screen's centre; never -0."""
        return 0.0 - setup.position_div * setup.shown_volts_per_div

    def get_bandwidth(self, call: Call) -> Reply:
        """1 or 0."""
        return on_off_digit(self.setup(call).path.bandwidth_limited)

    def _set_type(self, call: Call) -> Reply:
        return self.use_averaging(call.word({"NORMal": "", "AVERage": "yes"}) == "yes")

    def single(self, call: Call) -> Reply:
        """Newer models go to the normal sweep for it and stay there."""
        self.change_trigger(sweep=Sweep.NORMAL)
        return super().single(call)

    def _digitize(self, call: Call) -> Reply:
        """Take one record and take no other command before it is there; the sweep stays as it is."""
        for name in call.parameters:
            channel = int(Call(1, (name,)).word({"CHANnel1": "0", "CHANnel2": "1"}))
            if not self.core.setups[channel].displayed:
                raise ScpiError(-221, "channel is off")
        self.core.single()
        began_s = self.clock.now_s()
        while self.core.state() is not AcquisitionState.STOPPED:
            if self.clock.now_s() - began_s >= self.patience_s:
                raise NoReply("the record is not complete")
            self.pause(min(self.core.ready_in_s(), self.patience_s))
        return None

    # State.

    def _get_condition(self, _call: Call) -> Reply:
        return _whole(0 if self._stopped() else _RUNNING_BIT)

    def _get_triggered(self, _call: Call) -> Reply:
        """1 when the trigger fired since the last time it was asked; asking clears it."""
        now_s = self.world.now_s()
        fired = self.core.fired_since(self._asked_s)
        # Time goes on meanwhile: what fires after the look must be there at the next one.
        self._asked_s = self.world.now_s() if fired else now_s
        return _whole(int(fired))

    def _stopped(self) -> bool:
        return self.core.state() is AcquisitionState.STOPPED

    # Transfer.

    def _set_format(self, call: Call) -> Reply:
        self._format = call.word({"BYTE": "BYTE", "WORD": "WORD", "ASCii": "ASC"})
        return None

    def _set_unsigned(self, call: Call) -> Reply:
        self._unsigned = call.boolean()
        return None

    def _set_byte_order(self, call: Call) -> Reply:
        self._low_byte_first = call.word({"MSBFirst": "", "LSBFirst": "yes"}) == "yes"
        return None

    def _set_mode(self, call: Call) -> Reply:
        self._mode = call.word({"NORMal": "NORM", "MAXimum": "MAX", "RAW": "RAW"})
        return None

    def _set_points(self, call: Call) -> Reply:
        if call.parameters[0].upper() in ("MAX", "MAXIMUM"):
            self._wanted = None
        else:
            self._wanted = call.integer(low=1, high=10**9)
        return None

    def _available(self) -> int:
        record = self.core.record
        return self.core.points if record is None else record.points

    def _stride(self) -> int:
        """Every how many-th sample of the record is transferred: a shorter transfer still spans the record."""
        most = self._available() if self._wanted is None else self._wanted
        if self._mode == "NORM" or (self._mode == "MAX" and not self._stopped()):
            most = min(most, _SCREEN_POINTS)
        return max(-(-self._available() // most), 1)

    def _points(self) -> int:
        return -(-self._available() // self._stride())

    def _code_scale(self) -> int:
        """How much finer the codes on the wire are than the converter's."""
        return 256 if self._format == "WORD" else 1

    def _setup(self) -> ChannelSetup:
        record = self.core.record
        return self.core.setups[self.source] if record is None else record.setups[self.source]

    def _reference(self) -> int:
        return (_CENTRE_CODE if self._unsigned else 0) * self._code_scale()

    def _get_preamble(self, _call: Call) -> Reply:
        if not self._stopped():
            self.core.snapshot()
        setup, record, stride = self._setup(), self.core.record, self._stride()
        step_s = self.core.step_s if record is None else record.stated_step_s
        fields = (
            _whole(_FORMAT_CODE[self._format]),
            _whole(2 if self.averaging else 0),
            _whole(self._points()),
            _whole(self.core.averages),
            _shown(step_s * stride),
            _shown(-self._available() / 2 * step_s),
            _whole(0),
            _shown(setup.shown_volts_per_div / CODES_PER_DIV / self._code_scale()),
            _shown(self._centre_v(setup)),
            _whole(self._reference()),
        )
        return ",".join(fields)

    def _get_data(self, _call: Call) -> Reply:
        if self._mode == "RAW" and not self._stopped():
            raise ScpiError(-221, "RAW needs STOP")
        if not self._stopped():
            self.core.snapshot()
        codes = self.core.codes(self.source)
        if codes is None:
            raise ScpiError(-230, "no record")
        chosen = codes[:: self._stride()].astype(np.int32)
        self.pause(self.world.settings.transfer_latency_s)
        if self._format == "ASC":
            setup = self._setup()
            volts = chosen * (setup.shown_volts_per_div / CODES_PER_DIV) + self._centre_v(setup)
            return _block(",".join(_shown(v) for v in volts).encode("ascii"))
        return _block(self._on_the_wire(chosen).tobytes())

    def _on_the_wire(self, codes: NDArray[np.int32]) -> NDArray[np.int32]:
        scale = self._code_scale()
        sent = (codes + _CENTRE_CODE) * scale
        if scale > 1:
            sent[codes == self.core.front_end.lowest] = _CLIPPED_LOW
            sent[codes == self.core.front_end.highest] = 0xFFFF
        if not self._unsigned:
            sent -= _CENTRE_CODE * scale
        order = "<" if self._low_byte_first else ">"
        return sent.astype(f"{order}{'u' if self._unsigned else 'i'}{2 if scale > 1 else 1}")


def _block(payload: bytes) -> bytes:
    return b"#8%08d" % len(payload) + payload


def _whole(value: int) -> str:
    return f"{value:+d}"


def _shown(value: float) -> str:
    return f"{value:+.8E}"


def _no_header(scope: VoltOriginScope, call: Call) -> Reply:
    if call.boolean():
        raise ScpiError(-221, "headers are not simulated")
    return None


_S = VoltOriginScope
VoltOriginScope.table = command_table(
    (
        *COMMON,
        *SYSTEM,
        *COLON_COMMANDS,
        Command("SYSTem:HEADer", _no_header, lambda _s, _: "0"),
        Command("DIGitize", _S._digitize, takes=(0, 2)),
        Command("CHANnel@:OFFSet", _S._set_offset, _S._get_offset, highest=2),
        Command("TIMebase:POSition", _S.set_time_position, lambda _s, _: _shown(0.0)),
        Command("ACQuire:TYPE", _S._set_type, lambda s, _: "AVER" if s.averaging else "NORM"),
        Command("ACQuire:COUNt", _S.set_averages, lambda s, _: _whole(s.average_count)),
        Command("ACQuire:POINts", ask=lambda s, _: _whole(s.core.points)),
        Command("ACQuire:SRATe", ask=lambda s, _: _shown(1 / s.core.step_s)),
        Command("OPERegister[:CONDition]", ask=_S._get_condition),
        Command("TER", ask=_S._get_triggered),
        Command("WAVeform:SOURce", _S.set_source, lambda s, _: f"CHAN{s.source + 1}"),
        Command("WAVeform:FORMat", _S._set_format, lambda s, _: s._format),
        Command("WAVeform:UNSigned", _S._set_unsigned, lambda s, _: on_off_digit(s._unsigned)),
        Command(
            "WAVeform:BYTeorder", _S._set_byte_order, lambda s, _: "LSBF" if s._low_byte_first else "MSBF"
        ),
        Command("WAVeform:POINts", _S._set_points, lambda s, _: _whole(s._points())),
        Command("WAVeform:POINts:MODE", _S._set_mode, lambda s, _: s._mode),
        Command("WAVeform:PREamble", ask=_S._get_preamble),
        Command("WAVeform:DATA", ask=_S._get_data),
    )
)
