"""The simulated scope with a ten-field preamble, family S1a of the facts page.

Owns that family's commands, steps, depths and wire format. Acquisition belongs to `scope_core`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, ClassVar

import numpy as np

from twonode.drivers.simulated.front_end import CODES_PER_DIV, ChannelSetup
from twonode.drivers.simulated.scope_core import (
    AcquisitionState,
    ScopeCore,
    Sweep,
    TriggerSetup,
    nearest_step,
    with_step,
)
from twonode.drivers.simulated.scpi import (
    COMMON,
    SYSTEM,
    Call,
    Command,
    Reply,
    ScpiError,
    ScpiInstrument,
    command_table,
)
from twonode.drivers.simulated.truth import RANGE_STEPS_V
from twonode.drivers.simulated.world import InputPath, World

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


class TenFieldScope(ScpiInstrument):
    """Two channels, eight bits; powers up running with channel 1 on, probe 1:1, AC coupling, 20 MHz limit."""

    table: ClassVar[Mapping[str, Command]]

    def __init__(self, world: World) -> None:
        super().__init__(lock=world.lock, clock=world.clock)
        self._world = world
        rails = (-_CENTRE_CODE, 255 - _CENTRE_CODE)
        self._core = ScopeCore(world, rails=rails, single_needs_trigger=True)
        self.idn = world.settings.scope_idn or "TWONODE,SIM-S1A,SIMULATED,1.0"
        self.reset()

    def reset(self) -> None:
        """Power-on state."""
        start = ChannelSetup(path=InputPath(ac_coupled=True, bandwidth_limited=True))
        self._core.clear(start, TriggerSetup())
        self._core.set_channel(1, replace(start, displayed=False))
        self._seconds_per_div = 1e-6
        self._depth: int | None = None
        self._averaging = False
        self._average_count = 2
        self._source = 0
        self._mode = "NORM"
        self._format = "BYTE"
        self._first, self._last = 1, _SCREEN_POINTS
        self._single_sweep = False
        self._update_timing()

    def _update_timing(self) -> None:
        depth = _AUTO_DEPTH if self._depth is None else self._depth
        rate = min(depth / (_DIVISIONS_X * self._seconds_per_div), _HIGHEST_RATE_HZ)
        points = max(round(rate * _DIVISIONS_X * self._seconds_per_div), 2)
        self._core.set_timing(step_s=1 / rate, points=points)

    # Channels.

    def _setup(self, call: Call) -> ChannelSetup:
        return self._core.setups[call.suffix - 1]

    def _change(self, call: Call, **fields: Any) -> Reply:
        self._core.set_channel(call.suffix - 1, replace(self._setup(call), **fields))
        return None

    def _set_display(self, call: Call) -> Reply:
        return self._change(call, displayed=call.boolean())

    def _set_coupling(self, call: Call) -> Reply:
        coupling = call.word({"AC": "AC", "DC": "DC", "GND": "GND"})
        if coupling == "GND":
            raise ScpiError(-224, "GND is not simulated")
        path = replace(self._setup(call).path, ac_coupled=coupling == "AC")
        return self._change(call, path=path)

    def _set_bandwidth(self, call: Call) -> Reply:
        limited = call.word({"20M": "20M", "OFF": "OFF"}) == "20M"
        return self._change(call, path=replace(self._setup(call).path, bandwidth_limited=limited))

    def _set_probe(self, call: Call) -> Reply:
        factor = call.number("", low=_PROBE_SETTINGS[0], high=_PROBE_SETTINGS[-1], default=1.0)
        place = nearest_step(factor, _PROBE_SETTINGS)
        return self._change(call, probe_setting=_PROBE_SETTINGS[place])

    def _set_scale(self, call: Call) -> Reply:
        setup = self._setup(call)
        factor = setup.probe_setting
        lowest, highest = RANGE_STEPS_V[0] * factor, RANGE_STEPS_V[-1] * factor
        # Half a per mille of grace for numbers that were rounded on the way.
        shown = call.number("V", low=lowest * 0.9995, high=highest * 1.0005, default=factor)
        step = nearest_step(shown / factor, RANGE_STEPS_V)
        self._core.set_channel(call.suffix - 1, with_step(setup, step))
        return None

    def _set_offset(self, call: Call) -> Reply:
        per_div = self._setup(call).shown_volts_per_div
        limit = _HIGHEST_OFFSET_DIV * per_div
        offset = call.number("V", low=-limit, high=limit, default=0.0)
        return self._change(call, position_div=offset / per_div)

    def _get_offset(self, call: Call) -> Reply:
        setup = self._setup(call)
        return _shown(setup.position_div * setup.shown_volts_per_div)

    def _set_invert(self, call: Call) -> Reply:
        return self._change(call, inverted=call.boolean())

    # Time base, memory and acquisition.

    def _set_seconds_per_div(self, call: Call) -> Reply:
        seconds = call.number("S", low=_SECONDS_PER_DIV[0] * 0.9995, high=_SECONDS_PER_DIV[-1] * 1.0005)
        self._seconds_per_div = _SECONDS_PER_DIV[nearest_step(seconds, _SECONDS_PER_DIV)]
        self._update_timing()
        return None

    def _set_time_offset(self, call: Call) -> Reply:
        if call.number("S") != 0:
            raise ScpiError(-222, "the trigger stays in the middle")
        return None

    def _set_depth(self, call: Call) -> Reply:
        if self._core.state() is AcquisitionState.STOPPED:
            raise ScpiError(-221, "memory depth needs RUN")
        if call.parameters[0].upper() == "AUTO":
            self._depth = None
        else:
            depth = call.integer(low=1, high=10**9)
            if depth not in _DEPTHS:
                raise ScpiError(-222, call.parameters[0])
            self._depth = depth
        self._update_timing()
        return None

    def _get_depth(self, _call: Call) -> Reply:
        return "AUTO" if self._depth is None else str(self._depth)

    def _set_type(self, call: Call) -> Reply:
        self._averaging = call.word({"NORMal": "", "AVERages": "yes"}) == "yes"
        self._core.set_averages(self._average_count if self._averaging else 1)
        return None

    def _set_averages(self, call: Call) -> Reply:
        count = call.integer(low=_AVERAGES[0], high=_AVERAGES[-1])
        self._average_count = _AVERAGES[nearest_step(float(count), tuple(float(a) for a in _AVERAGES))]
        self._core.set_averages(self._average_count if self._averaging else 1)
        return None

    def _run(self, _call: Call) -> Reply:
        self._single_sweep = False
        self._core.run()
        return None

    def _stop(self, _call: Call) -> Reply:
        self._core.stop()
        return None

    def _single(self, _call: Call) -> Reply:
        self._single_sweep = True
        self._core.single()
        return None

    def _force(self, _call: Call) -> Reply:
        self._core.force()
        return None

    # Trigger.

    def _set_trigger_source(self, call: Call) -> Reply:
        source = call.word(
            {"CHANnel1": "0", "CHANnel2": "1", "CHAN1": "0", "CHAN2": "1", "AC": "", "EXT": ""}
        )
        self._core.set_trigger(replace(self._core.trigger, channel=int(source) if source else None))
        return None

    def _get_trigger_source(self, _call: Call) -> Reply:
        channel = self._core.trigger.channel
        return "EXT" if channel is None else f"CHAN{channel + 1}"

    def _set_level(self, call: Call) -> Reply:
        channel = self._core.trigger.channel or 0
        limit = 5 * self._core.setups[channel].shown_volts_per_div
        self._core.set_trigger(replace(self._core.trigger, level_v=call.number("V", low=-limit, high=limit)))
        return None

    def _set_slope(self, call: Call) -> Reply:
        rising = call.word({"POSitive": "POS", "NEGative": "NEG"}) == "POS"
        self._core.set_trigger(replace(self._core.trigger, rising=rising))
        return None

    def _set_sweep(self, call: Call) -> Reply:
        match call.word({"AUTO": "AUTO", "NORMal": "NORM", "SINGle": "SING"}):
            case "SING":
                return self._single(call)
            case word:
                sweep = Sweep.AUTO if word == "AUTO" else Sweep.NORMAL
                self._single_sweep = False
                self._core.set_trigger(replace(self._core.trigger, sweep=sweep))
        return None

    def _get_sweep(self, _call: Call) -> Reply:
        if self._single_sweep:
            return "SING"
        return "AUTO" if self._core.trigger.sweep is Sweep.AUTO else "NORM"

    def _get_status(self, _call: Call) -> Reply:
        match self._core.state():
            case AcquisitionState.STOPPED:
                return "STOP"
            case AcquisitionState.FILLING:
                return "RUN"
            case AcquisitionState.WAITING:
                return "WAIT"
            case AcquisitionState.TRIGGERED:
                return "TD"
            case AcquisitionState.RUNNING:
                return "AUTO" if self._core.trigger.sweep is Sweep.AUTO else "TD"

    # Transfer.

    def _set_source(self, call: Call) -> Reply:
        channel = int(call.word({"CHANnel1": "0", "CHANnel2": "1"}))
        if not self._core.setups[channel].displayed:
            raise ScpiError(-221, "channel is off")
        self._source = channel
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
        return self._core.state() is AcquisitionState.STOPPED

    def _reads_memory(self) -> bool:
        return self._mode == "RAW" or (self._mode == "MAX" and self._stopped())

    def _scaling(self) -> tuple[ChannelSetup, int, float]:
        """Setup, number of points and sample interval of what a transfer would give now."""
        record = self._core.record
        setup = self._core.setups[self._source] if record is None else record.setups[self._source]
        if self._reads_memory():
            if record is None:
                return setup, self._core.points, self._core.step_s
            return setup, record.points, record.stated_step_s
        return setup, _SCREEN_POINTS, self._seconds_per_div / 100

    def _get_preamble(self, _call: Call) -> Reply:
        if not self._stopped():
            self._core.snapshot()
        setup, points, step_s = self._scaling()
        per_code = setup.shown_volts_per_div / CODES_PER_DIV
        origin = round(setup.position_div * CODES_PER_DIV)
        averages = self._core.averages
        return (
            f"{_FORMAT_CODE[self._format]},{_MODE_CODE[self._mode]},{points},{averages},{step_s:.6e},"
            f"{-points / 2 * step_s:.6e},0,{per_code:.6e},{origin},{_CENTRE_CODE}"
        )

    def _get_data(self, _call: Call) -> Reply:
        if self._mode == "RAW" and not self._stopped():
            raise ScpiError(-221, "RAW needs STOP")
        if not self._stopped():
            self._core.snapshot()
        codes = self._core.codes(self._source)
        if codes is None:
            self.queue_error(ScpiError(-230, "no record"))
            return _block(b"")
        setup, points, step_s = self._scaling()
        if not self._reads_memory() and self._core.record is not None:
            # The screen's 1200 points out of the record, whichever of the two is finer.
            record = self._core.record
            place = np.rint((np.arange(points) - points / 2) * step_s / record.stated_step_s)
            codes = codes[np.clip(place.astype(int) + record.points // 2, 0, record.points - 1)]
        if self._last < self._first or self._first > points:
            raise ScpiError(-222, f"points {self._first} to {self._last}")
        if self._last - self._first + 1 > _LONGEST_READ[self._format]:
            raise ScpiError(-222, f"more than {_LONGEST_READ[self._format]} points")
        chosen = codes[self._first - 1 : self._last]
        self._take_time()
        match self._format:
            case "BYTE":
                return _block((chosen + _CENTRE_CODE).astype(np.uint8).tobytes())
            case "WORD":
                return _block((chosen + _CENTRE_CODE).astype("<u2").tobytes())
            case _:
                per_code = setup.shown_volts_per_div / CODES_PER_DIV
                volts = (chosen - round(setup.position_div * CODES_PER_DIV)) * per_code
                return _block(",".join(f"{v:.6e}" for v in volts).encode("ascii"))

    def _take_time(self) -> None:
        self.pause(self._world.settings.transfer_latency_s)


def _block(payload: bytes) -> bytes:
    return b"#9%09d" % len(payload) + payload


def _shown(value: float) -> str:
    return f"{value:.6e}"


def _bool(value: bool) -> str:
    return "1" if value else "0"


_S = TenFieldScope
TenFieldScope.table = command_table(
    (
        *COMMON,
        *SYSTEM,
        Command("RUN", _S._run, takes=(0, 0)),
        Command("STOP", _S._stop, takes=(0, 0)),
        Command("SINGle", _S._single, takes=(0, 0)),
        Command("TFORce", _S._force, takes=(0, 0)),
        Command("CHANnel@:DISPlay", _S._set_display, lambda s, c: _bool(s._setup(c).displayed), highest=2),
        Command(
            "CHANnel@:COUPling",
            _S._set_coupling,
            lambda s, c: "AC" if s._setup(c).path.ac_coupled else "DC",
            highest=2,
        ),
        Command(
            "CHANnel@:BWLimit",
            _S._set_bandwidth,
            lambda s, c: "20M" if s._setup(c).path.bandwidth_limited else "OFF",
            highest=2,
        ),
        Command(
            "CHANnel@:PROBe",
            _S._set_probe,
            lambda s, c: _shown(s._setup(c).probe_setting),
            highest=2,
        ),
        Command(
            "CHANnel@:SCALe",
            _S._set_scale,
            lambda s, c: _shown(s._setup(c).shown_volts_per_div),
            highest=2,
        ),
        Command("CHANnel@:OFFSet", _S._set_offset, _S._get_offset, highest=2),
        Command("CHANnel@:INVert", _S._set_invert, lambda s, c: _bool(s._setup(c).inverted), highest=2),
        Command("TIMebase[:MAIN]:SCALe", _S._set_seconds_per_div, lambda s, _: _shown(s._seconds_per_div)),
        Command("TIMebase[:MAIN]:OFFSet", _S._set_time_offset, lambda _s, _: _shown(0.0)),
        Command("ACQuire:MDEPth", _S._set_depth, _S._get_depth),
        Command("ACQuire:TYPE", _S._set_type, lambda s, _: "AVER" if s._averaging else "NORM"),
        Command("ACQuire:AVERages", _S._set_averages, lambda s, _: str(s._average_count)),
        Command("ACQuire:SRATe", ask=lambda s, _: _shown(1 / s._core.step_s)),
        Command("TRIGger:MODE", lambda _s, c: c.word({"EDGE": "EDGE"}) and None, lambda _s, _: "EDGE"),
        Command("TRIGger:EDGE:SOURce", _S._set_trigger_source, _S._get_trigger_source),
        Command("TRIGger:EDGE:LEVel", _S._set_level, lambda s, _: _shown(s._core.trigger.level_v)),
        Command("TRIGger:EDGE:SLOPe", _S._set_slope, lambda s, _: "POS" if s._core.trigger.rising else "NEG"),
        Command("TRIGger:SWEep", _S._set_sweep, _S._get_sweep),
        Command("TRIGger:STATus", ask=_S._get_status),
        Command("WAVeform:SOURce", _S._set_source, lambda s, _: f"CHAN{s._source + 1}"),
        Command("WAVeform:MODE", _S._set_mode, lambda s, _: s._mode),
        Command("WAVeform:FORMat", _S._set_format, lambda s, _: s._format),
        Command("WAVeform:STARt", _S._set_first, lambda s, _: str(s._first)),
        Command("WAVeform:STOP", _S._set_last, lambda s, _: str(s._last)),
        Command("WAVeform:PREamble", ask=_S._get_preamble),
        Command("WAVeform:DATA", ask=_S._get_data),
    )
)
