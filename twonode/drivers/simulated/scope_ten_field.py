"""The simulated scope with a ten-field preamble, family S1a of the facts page.

Owns that family's commands, steps, depths and wire format. Acquisition belongs to `scope_core`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

import numpy as np

from twonode.drivers.simulated.front_end import CODES_PER_DIV, ChannelSetup
from twonode.drivers.simulated.scope_base import SimulatedScope, on_off_digit
from twonode.drivers.simulated.scope_core import AcquisitionState, Sweep
from twonode.drivers.simulated.scpi import COMMON, SYSTEM
from twonode.drivers.simulated.scpi_table import Command, Reply, command_table
from twonode.drivers.simulated.scpi_values import Call, ScpiError
from twonode.drivers.simulated.truth import RANGE_STEPS_V
from twonode.drivers.simulated.world import World

__all__ = ["TenFieldScope"]

_DIVISIONS_X = 12
_SCREEN_POINTS = 1200
_CENTRE_CODE = 127
_HIGHEST_RATE_HZ = 500e6  # both channels on
_DEPTHS = (6_000, 60_000, 600_000, 6_000_000)
_AUTO_DEPTH = 6_000
_LONGEST_READ = {"BYTE": 250_000, "WORD": 125_000, "ASC": 15_625}
_FORMAT_CODE = {"BYTE": 0, "WORD": 1, "ASC": 2}
_MODE_CODE = {"NORM": 0, "MAX": 1, "RAW": 2}
_PROBE_SETTINGS = tuple(
    float(f"{m}e{e}") for e in range(-2, 4) for m in (1, 2, 5) if float(f"{m}e{e}") <= 1000
)
_SECONDS_PER_DIV = tuple(float(f"{m}e{e}") for e in range(-9, 2) for m in (1, 2, 5))[2:-1]
_AVERAGES = tuple(2**k for k in range(1, 11))
_HIGHEST_OFFSET_DIV = 20.0


class TenFieldScope(SimulatedScope):
    """Two channels, eight bits; powers up running with channel 1 on, probe 1:1, AC coupling, 20 MHz limit."""

    table: ClassVar[Mapping[str, Command]]

    steps_v = RANGE_STEPS_V
    seconds_per_div_steps = _SECONDS_PER_DIV
    probe_settings = _PROBE_SETTINGS
    average_counts = _AVERAGES
    trigger_sources: ClassVar[Mapping[str, str]] = {
        "CHANnel1": "0",
        "CHANnel2": "1",
        "CHAN1": "0",
        "CHAN2": "1",
        "AC": "",
        "EXT": "",
    }
    sweeps: ClassVar[Mapping[str, str]] = {"AUTO": "AUTO", "NORMal": "NORM", "SINGle": "SING"}
    slopes: ClassVar[Mapping[str, str]] = {"POSitive": "rising", "NEGative": "falling"}

    def __init__(self, world: World) -> None:
        rails = (-_CENTRE_CODE, 255 - _CENTRE_CODE)
        super().__init__(world, rails=rails, single_needs_trigger=True)
        self.idn = world.settings.scope_idn or f"TWONODE,SIM-S1A,SEED-{world.settings.seed},1.0"
        self.reset()

    def reset(self) -> None:
        """Power-on state."""
        self._depth: int | None = None
        self._mode = "NORM"
        self._format = "BYTE"
        self._first, self._last = 1, _SCREEN_POINTS
        self._single_sweep = False
        self.power_on(seconds_per_div=1e-6, average_count=2)

    def update_timing(self) -> None:
        """Rate from depth and time base, up to the converter's fastest."""
        depth = _AUTO_DEPTH if self._depth is None else self._depth
        rate = min(depth / (_DIVISIONS_X * self.seconds_per_div), _HIGHEST_RATE_HZ)
        points = max(round(rate * _DIVISIONS_X * self.seconds_per_div), 2)
        self.core.set_timing(step_s=1 / rate, points=points)

    # Channels.

    def _set_bandwidth(self, call: Call) -> Reply:
        return self.limit_bandwidth(call, call.word({"20M": "20M", "OFF": "OFF"}) == "20M")

    def _set_scale(self, call: Call) -> Reply:
        self.core.set_channel(call.suffix - 1, self.new_range(call))
        return None

    def _set_offset(self, call: Call) -> Reply:
        per_div = self.setup(call).shown_volts_per_div
        limit = _HIGHEST_OFFSET_DIV * per_div
        offset = call.number("V", low=-limit, high=limit, default=0.0)
        return self.change(call, position_div=offset / per_div)

    def _get_offset(self, call: Call) -> Reply:
        setup = self.setup(call)
        return _shown(setup.position_div * setup.shown_volts_per_div)

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

    def _run(self, _call: Call) -> Reply:
        self._single_sweep = False
        self.core.run()
        return None

    def _stop(self, _call: Call) -> Reply:
        self.core.stop()
        return None

    def _single(self, _call: Call) -> Reply:
        self._single_sweep = True
        self.core.single()
        return None

    def _force(self, _call: Call) -> Reply:
        self.core.force()
        return None

    # Trigger.

    def _get_trigger_source(self, _call: Call) -> Reply:
        channel = self.core.trigger.channel
        return "EXT" if channel is None else f"CHAN{channel + 1}"

    def _set_level(self, call: Call) -> Reply:
        channel = self.core.trigger.channel or 0
        limit = 5 * self.core.setups[channel].shown_volts_per_div
        return self.change_trigger(level_v=call.number("V", low=-limit, high=limit))

    def set_sweep(self, call: Call) -> Reply:
        """Automatic, normal, or a single record at once."""
        if call.word(self.sweeps) == "SING":
            return self._single(call)
        self._single_sweep = False
        return super().set_sweep(call)

    def _get_sweep(self, _call: Call) -> Reply:
        if self._single_sweep:
            return "SING"
        return "AUTO" if self.core.trigger.sweep is Sweep.AUTO else "NORM"

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
                return "AUTO" if self.core.trigger.sweep is Sweep.AUTO else "TD"

    # Transfer.

    def _set_source(self, call: Call) -> Reply:
        channel = int(call.word({"CHANnel1": "0", "CHANnel2": "1"}))
        if not self.core.setups[channel].displayed:
            raise ScpiError(-221, "channel is off")
        self.source = channel
        return None

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
        return setup, _SCREEN_POINTS, self.seconds_per_div / 100

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
            # The screen's 1200 points out of the record, whichever of the two is finer.
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


def _shown(value: float) -> str:
    return f"{value:.6e}"


_S = TenFieldScope
TenFieldScope.table = command_table(
    (
        *COMMON,
        *SYSTEM,
        Command("RUN", _S._run, takes=(0, 0)),
        Command("STOP", _S._stop, takes=(0, 0)),
        Command("SINGle", _S._single, takes=(0, 0)),
        Command("TFORce", _S._force, takes=(0, 0)),
        Command(
            "CHANnel@:DISPlay", _S.set_display, lambda s, c: on_off_digit(s.setup(c).displayed), highest=2
        ),
        Command(
            "CHANnel@:COUPling",
            _S.set_coupling,
            _S.get_coupling,
            highest=2,
        ),
        Command(
            "CHANnel@:BWLimit",
            _S._set_bandwidth,
            lambda s, c: "20M" if s.setup(c).path.bandwidth_limited else "OFF",
            highest=2,
        ),
        Command(
            "CHANnel@:PROBe",
            _S.set_probe,
            lambda s, c: _shown(s.setup(c).probe_setting),
            highest=2,
        ),
        Command(
            "CHANnel@:SCALe",
            _S._set_scale,
            lambda s, c: _shown(s.setup(c).shown_volts_per_div),
            highest=2,
        ),
        Command("CHANnel@:OFFSet", _S._set_offset, _S._get_offset, highest=2),
        Command("CHANnel@:INVert", _S.set_invert, lambda s, c: on_off_digit(s.setup(c).inverted), highest=2),
        Command("TIMebase[:MAIN]:SCALe", _S.set_seconds_per_div, lambda s, _: _shown(s.seconds_per_div)),
        Command("TIMebase[:MAIN]:OFFSet", _S.set_time_position, lambda _s, _: _shown(0.0)),
        Command("ACQuire:MDEPth", _S._set_depth, _S._get_depth),
        Command("ACQuire:TYPE", _S._set_type, lambda s, _: "AVER" if s.averaging else "NORM"),
        Command("ACQuire:AVERages", _S.set_averages, lambda s, _: str(s.average_count)),
        Command("ACQuire:SRATe", ask=lambda s, _: _shown(1 / s.core.step_s)),
        Command("TRIGger:MODE", lambda _s, c: c.word({"EDGE": "EDGE"}) and None, lambda _s, _: "EDGE"),
        Command("TRIGger:EDGE:SOURce", _S.set_trigger_source, _S._get_trigger_source),
        Command("TRIGger:EDGE:LEVel", _S._set_level, lambda s, _: _shown(s.core.trigger.level_v)),
        Command("TRIGger:EDGE:SLOPe", _S.set_slope, lambda s, _: "POS" if s.core.trigger.rising else "NEG"),
        Command("TRIGger:SWEep", _S.set_sweep, _S._get_sweep),
        Command("TRIGger:STATus", ask=_S._get_status),
        Command("WAVeform:SOURce", _S._set_source, lambda s, _: f"CHAN{s.source + 1}"),
        Command("WAVeform:MODE", _S._set_mode, lambda s, _: s._mode),
        Command("WAVeform:FORMat", _S._set_format, lambda s, _: s._format),
        Command("WAVeform:STARt", _S._set_first, lambda s, _: str(s._first)),
        Command("WAVeform:STOP", _S._set_last, lambda s, _: str(s._last)),
        Command("WAVeform:PREamble", ask=_S._get_preamble),
        Command("WAVeform:DATA", ask=_S._get_data),
    )
)
