"""The simulated scopes with a ten-field preamble whose origin is in codes, families S1a and S1c of the facts page.

Owns those families' commands, depths and wire format. Acquisition belongs to `scope_core`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import ClassVar

import numpy as np

from twonode.drivers.simulated.front_end import CODES_PER_DIV, ChannelSetup
from twonode.drivers.simulated.scope_colon import COLON_COMMANDS, ColonScope, exponent_form
from twonode.drivers.simulated.scope_core import AcquisitionState, Sweep
from twonode.drivers.simulated.scpi import COMMON, SYSTEM
from twonode.drivers.simulated.scpi_table import Command, Reply, command_table
from twonode.drivers.simulated.scpi_values import Call, ScpiError
from twonode.drivers.simulated.world import World

__all__ = ["Screen600Scope", "TenFieldScope"]

_DIVISIONS_X = 12
_SCAN_FROM_S_PER_DIV = 0.1
_CENTRE_CODE = 127
_HIGHEST_RATE_HZ = 500e6  # both channels on
_DEPTHS = (6_000, 60_000, 600_000, 6_000_000)
_AUTO_DEPTH = 6_000
_LONGEST_READ = {"BYTE": 250_000, "WORD": 125_000, "ASC": 15_625}
_FORMAT_CODE = {"BYTE": 0, "WORD": 1, "ASC": 2}
_MODE_CODE = {"NORM": 0, "MAX": 1, "RAW": 2}
_AVERAGES = tuple(2**k for k in range(1, 11))
_HIGHEST_OFFSET_DIV = 20.0


class TenFieldScope(ColonScope):
    """Two channels, eight bits; powers up running with channel 1 on, probe 1:1, AC coupling, 20 MHz limit."""

    table: ClassVar[Mapping[str, Command]]

    average_counts = _AVERAGES
    sweeps: ClassVar[Mapping[str, str]] = {"AUTO": "AUTO", "NORMal": "NORM", "SINGle": "SING"}
    model: ClassVar[str] = "SIM-S1A"
    screen_points: ClassVar[int] = 1200
    triggered_word: ClassVar[str] = "TD"

    def __init__(self, world: World) -> None:
        rails = (-_CENTRE_CODE, 255 - _CENTRE_CODE)
        super().__init__(world, rails=rails, single_needs_trigger=True)
        self.idn = world.settings.scope_idn or f"TWONODE,{self.model},SEED-{world.settings.seed},1.0"
        self.reset()

    def reset(self) -> None:
        """Power-on state."""
        self._depth: int | None = None
        self._mode = "NORM"
        self._format = "BYTE"
        self._first, self._last = 1, self.screen_points
        self._single_sweep = False
        self.power_on(seconds_per_div=1e-6, average_count=2)

    def update_timing(self) -> None:
        """Rate from depth and time base, up to the converter's fastest."""
        depth = _AUTO_DEPTH if self._depth is None else self._depth
        rate = min(depth / (_DIVISIONS_X * self.seconds_per_div), _HIGHEST_RATE_HZ)
        points = max(round(rate * _DIVISIONS_X * self.seconds_per_div), 2)
        self.core.set_timing(step_s=1 / rate, points=points)

    # Channels.

    def _set_offset(self, call: Call) -> Reply:
        per_div = self.setup(call).shown_volts_per_div
        limit = _HIGHEST_OFFSET_DIV * per_div
        offset = call.number("V", low=-limit, high=limit, default=0.0)
        return self.change(call, position_div=offset / per_div)

    def _get_offset(self, call: Call) -> Reply:
        setup = self.setup(call)
        return exponent_form(setup.position_div * setup.shown_volts_per_div)

    # Time base, memory and acquisition.

    def _set_depth(self, call: Call) -> Reply:
        if self.core.state() is AcquisitionState.STOPPED:
            raise ScpiError(-221, "memory depth needs RUN")
        if call.parameters[0].upper() == "AUTO":
            self._depth = None
        else:
            depth = call.integer(low=1, high=10**9)
            if depth not in _DEPTHS:
                raise ScpiError(-222, call.parameters[0])
            self._depth = depth
        self.update_timing()
        return None

    def _get_depth(self, _call: Call) -> Reply:
        return "AUTO" if self._depth is None else str(self._depth)

    def _set_type(self, call: Call) -> Reply:
        return self.use_averaging(call.word({"NORMal": "", "AVERages": "yes"}) == "yes")

    def run(self, call: Call) -> Reply:
        """Acquire until stopped."""
        self._single_sweep = False
        return super().run(call)

    def single(self, call: Call) -> Reply:
        """Acquire one record; the sweep reads SINGLE from then on."""
        self._single_sweep = True
        return super().single(call)

    # Trigger.

    def set_sweep(self, call: Call) -> Reply:
        """Automatic, normal, or a single record at once."""
        if call.word(self.sweeps) == "SING":
            return self.single(call)
        self._single_sweep = False
        return super().set_sweep(call)

    def get_sweep(self, call: Call) -> Reply:
        """AUTO, NORM or SING."""
        return "SING" if self._single_sweep else super().get_sweep(call)

    def _get_status(self, _call: Call) -> Reply:
        match self.core.state():
            case AcquisitionState.STOPPED:
                return "STOP"
            case AcquisitionState.FILLING:
                return "RUN"
            case AcquisitionState.WAITING:
                return "WAIT"
            case AcquisitionState.TRIGGERED:
                return self.triggered_word
            case AcquisitionState.RUNNING:
                return self.running_word()

    def running_word(self) -> str:
        """How a running scope answers for its state."""
        return "AUTO" if self.core.trigger.sweep is Sweep.AUTO else self.triggered_word

    # Transfer.

    def _set_mode(self, call: Call) -> Reply:
        self._mode = call.word({"NORMal": "NORM", "MAXimum": "MAX", "RAW": "RAW"})
        return None

    def _set_format(self, call: Call) -> Reply:
        self._format = call.word({"BYTE": "BYTE", "WORD": "WORD", "ASCii": "ASC"})
        return None

    def _set_first(self, call: Call) -> Reply:
        self._first = call.integer(low=1, high=_DEPTHS[-1])
        return None

    def _set_last(self, call: Call) -> Reply:
        self._last = call.integer(low=1, high=_DEPTHS[-1])
        return None

    def _stopped(self) -> bool:
        return self.core.state() is AcquisitionState.STOPPED

    def _reads_memory(self) -> bool:
        return self._mode == "RAW" or (self._mode == "MAX" and self._stopped())

    def _scaling(self) -> tuple[ChannelSetup, int, float]:
        """Setup, number of points and sample interval of what a transfer would give now."""
        record = self.core.record
        setup = self.core.setups[self.source] if record is None else record.setups[self.source]
        if self._reads_memory():
            if record is None:
                return setup, self.core.points, self.core.step_s
            return setup, record.points, record.stated_step_s
        return setup, self.screen_points, self.seconds_per_div * _DIVISIONS_X / self.screen_points

    def _get_preamble(self, _call: Call) -> Reply:
        if not self._stopped():
            self.core.snapshot()
        setup, points, step_s = self._scaling()
        per_code = setup.shown_volts_per_div / CODES_PER_DIV
        origin = round(setup.position_div * CODES_PER_DIV)
        averages = self.core.averages
        return (
            f"{_FORMAT_CODE[self._format]},{_MODE_CODE[self._mode]},{points},{averages},{step_s:.6e},"
            f"{-points / 2 * step_s:.6e},0,{per_code:.6e},{origin},{_CENTRE_CODE}"
        )

    def _get_data(self, _call: Call) -> Reply:
        if self._mode == "RAW" and not self._stopped():
            raise ScpiError(-221, "RAW needs STOP")
        if not self._stopped():
            self.core.snapshot()
        codes = self.core.codes(self.source)
        if codes is None:
            self.queue_error(ScpiError(-230, "no record"))
            return _block(b"")
        setup, points, step_s = self._scaling()
        if not self._reads_memory() and self.core.record is not None:
            # The screen's points out of the record, whichever of the two is finer.
            record = self.core.record
            place = np.rint((np.arange(points) - points / 2) * step_s / record.stated_step_s)
            codes = codes[np.clip(place.astype(int) + record.points // 2, 0, record.points - 1)]
        if self._last < self._first or self._first > points:
            raise ScpiError(-222, f"points {self._first} to {self._last}")
        if self._last - self._first + 1 > _LONGEST_READ[self._format]:
            raise ScpiError(-222, f"more than {_LONGEST_READ[self._format]} points")
        chosen = codes[self._first - 1 : self._last]
        self.pause(self.world.settings.transfer_latency_s)
        match self._format:
            case "BYTE":
                return _block((chosen + _CENTRE_CODE).astype(np.uint8).tobytes())
            case "WORD":
                return _block((chosen + _CENTRE_CODE).astype("<u2").tobytes())
            case _:
                per_code = setup.shown_volts_per_div / CODES_PER_DIV
                volts = (chosen - round(setup.position_div * CODES_PER_DIV)) * per_code
                return _block(",".join(f"{v:.6e}" for v in volts).encode("ascii"))


def _block(payload: bytes) -> bytes:
    return b"#9%09d" % len(payload) + payload


_S = TenFieldScope
_SHARED: Sequence[Command] = (
    *COMMON,
    *SYSTEM,
    *COLON_COMMANDS,
    Command("CHANnel@:OFFSet", _S._set_offset, _S._get_offset, highest=2),
    Command("TIMebase[:MAIN]:OFFSet", _S.set_time_position, lambda _s, _: exponent_form(0.0)),
    Command("ACQuire:MDEPth", _S._set_depth, _S._get_depth),
    Command("ACQuire:TYPE", _S._set_type, lambda s, _: "AVER" if s.averaging else "NORM"),
    Command("ACQuire:AVERages", _S.set_averages, lambda s, _: str(s.average_count)),
    Command("TRIGger:STATus", ask=_S._get_status),
    Command("WAVeform:SOURce", _S.set_source, lambda s, _: f"CHAN{s.source + 1}"),
    Command("WAVeform:FORMat", _S._set_format, lambda s, _: s._format),
    Command("WAVeform:STARt", _S._set_first, lambda s, _: str(s._first)),
    Command("WAVeform:STOP", _S._set_last, lambda s, _: str(s._last)),
    Command("WAVeform:PREamble", ask=_S._get_preamble),
    Command("WAVeform:DATA", ask=_S._get_data),
)
TenFieldScope.table = command_table(
    (
        *_SHARED,
        Command("ACQuire:SRATe", ask=lambda s, _: exponent_form(1 / s.core.step_s)),
        Command("WAVeform:MODE", _S._set_mode, lambda s, _: s._mode),
    )
)


class Screen600Scope(TenFieldScope):
    """Family S1c, the oldest: 600 points on the screen, other words for mode, rate and state.

    Where the facts page tells nothing of its own for it, it is as S1a.
    """

    model = "SIM-S1C"
    screen_points = 600
    triggered_word = "T'D"

    def running_word(self) -> str:
        """SCAN where the trace creeps over the screen (facts page: an older word; from where is our choice)."""
        slow = self.seconds_per_div >= _SCAN_FROM_S_PER_DIV
        automatic = self.core.trigger.sweep is Sweep.AUTO
        return "SCAN" if slow and automatic else super().running_word()

    def _get_rate(self, call: Call) -> Reply:
        call.word({"CHANnel1": "0", "CHANnel2": "1"})
        return exponent_form(1 / self.core.step_s)


Screen600Scope.table = command_table(
    (
        *_SHARED,
        Command("ACQuire:SAMPlingrate", ask=Screen600Scope._get_rate, asks=(1, 1)),
        Command("WAVeform:POINts:MODE", _S._set_mode, lambda s, _: s._mode),
    )
)
