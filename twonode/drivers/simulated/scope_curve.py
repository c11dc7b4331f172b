"""The simulated scope with `CURVe?` and YMULT/YOFF/YZERO, family S2 of the facts page.

Owns that family's commands, steps, event queue and wire format. Acquisition belongs to `scope_core`.

Powers up with `HEADer ON`: every reply but those of common commands repeats its header.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
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
    Call,
    Command,
    NoReply,
    Reply,
    ScpiError,
    ScpiInstrument,
    command_table,
)
from twonode.drivers.simulated.truth import RANGE_STEPS_V
from twonode.drivers.simulated.world import InputPath, World

__all__ = ["CurveScope"]

_DIVISIONS_X = 10
_POINTS = 2500
_RAILS = (-128, 127)
_STEPS_V = RANGE_STEPS_V[RANGE_STEPS_V.index(2e-3) : RANGE_STEPS_V.index(5.0) + 1]
_SECONDS_PER_DIV = tuple(float(f"{m}e{e}") for e in range(-9, 2) for m in (1, 2.5, 5))[2:]
_PROBE_SETTINGS = (1.0, 10.0, 100.0, 1000.0)
_AVERAGES = (4, 16, 64, 128)
_HIGHEST_POSITION_DIV = 10.0
_SCAN_FROM_S_PER_DIV = 0.1

# Codes of centre, signed or not, and order of the two bytes.
_ENCODINGS = {
    "RIBinary": "RIB",
    "RPBinary": "RPB",
    "SRIbinary": "SRI",
    "SRPbinary": "SRP",
    "ASCIi": "ASCI",
}
_UNSIGNED_CENTRE = 127

_NOT_DISPLAYED = 2244
_NO_WAVEFORM = 2241
_OWN_EVENTS = {
    _NOT_DISPLAYED: "Waveform requested is not displayed",
    _NO_WAVEFORM: "Waveform request is invalid",
}


class CurveScope(ScpiInstrument):
    """Two channels, eight bits, 2500 points; powers up with channel 1 on, AC, probe 1:1, header on."""

    table: ClassVar[Mapping[str, Command]]

    def __init__(self, world: World) -> None:
        super().__init__(lock=world.lock, clock=world.clock)
        self._world = world
        self._core = ScopeCore(world, rails=_RAILS, single_needs_trigger=False)
        self.idn = world.settings.scope_idn or "TWONODE,SIM-S2,SIMULATED,1.0"
        # Events wait in `errors` until *ESR? makes them readable.
        self._readable: deque[tuple[int, str]] = deque()
        self.reset()

    def reset(self) -> None:
        """Power-on state."""
        start = ChannelSetup(path=InputPath(ac_coupled=True, bandwidth_limited=True))
        self._core.clear(start, TriggerSetup())
        self._core.set_channel(1, replace(start, displayed=False))
        self._header = True
        self._seconds_per_div = 5e-4
        self._averaging = False
        self._average_count = 16
        self._sequence = False
        self._source = 0
        self._encoding = "RIB"
        self._width = 1
        self._first, self._last = 1, _POINTS
        self._update_timing()

    def respond(self, command: Command, suffix: int, reply: str | bytes) -> bytes:
        """Reply with its header in front, where the instrument was not told to leave it out."""
        body = super().respond(command, suffix, reply)
        if not self._header or command.pattern.startswith("*"):
            return body
        return f":{command.long_form.replace('#', str(suffix))} ".encode("ascii") + body

    def queue_error(self, error: ScpiError) -> None:
        """Events of this family carry the number without its sign."""
        if -error.code in _OWN_EVENTS:
            self.event_status |= 16
            self.errors.append((-error.code, _OWN_EVENTS[-error.code]))
        else:
            super().queue_error(error)
            code, text = self.errors[-1]
            self.errors[-1] = abs(code), text

    def clear_status(self) -> None:
        """What *CLS does."""
        super().clear_status()
        self._readable.clear()

    def operation_complete(self, _call: Call) -> Reply:
        """*OPC? answers when a single sequence is over."""
        started_s = self.clock.now_s()
        while self._sequence and self._core.state() is not AcquisitionState.STOPPED:
            if self.clock.now_s() - started_s >= self.patience_s:
                raise NoReply("the sequence is not over")
            self.pause(min(self._core.ready_in_s(), self.patience_s))
        return "1"

    def read_event_status(self, _call: Call) -> Reply:
        """*ESR? also makes the events so far readable."""
        self._readable = deque(self.errors)
        self.errors.clear()
        status, self.event_status = self.event_status, 0
        return str(status)

    def _take_event(self) -> tuple[int, str]:
        if self._readable:
            return self._readable.popleft()
        if self.errors:
            return 1, "No events to report - new events pending *ESR?"
        return 0, "No events to report - queue empty"

    def _get_event(self, _call: Call) -> Reply:
        return str(self._take_event()[0])

    def _get_event_message(self, _call: Call) -> Reply:
        code, text = self._take_event()
        return f'{code},"{text}"'

    def _get_all_events(self, _call: Call) -> Reply:
        events = [self._take_event()]
        while self._readable:
            events.append(self._take_event())
        return ",".join(f'{code},"{text}"' for code, text in events)

    def _set_header(self, call: Call) -> Reply:
        self._header = call.boolean()
        return None

    def _update_timing(self) -> None:
        self._core.set_timing(step_s=self._seconds_per_div * _DIVISIONS_X / _POINTS, points=_POINTS)

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
        return self._change(call, path=replace(self._setup(call).path, ac_coupled=coupling == "AC"))

    def _set_bandwidth(self, call: Call) -> Reply:
        return self._change(call, path=replace(self._setup(call).path, bandwidth_limited=call.boolean()))

    def _set_probe(self, call: Call) -> Reply:
        factor = call.number("", low=_PROBE_SETTINGS[0], high=_PROBE_SETTINGS[-1])
        return self._change(call, probe_setting=_PROBE_SETTINGS[nearest_step(factor, _PROBE_SETTINGS)])

    def _set_scale(self, call: Call) -> Reply:
        setup = self._setup(call)
        factor = setup.probe_setting
        # Half a per mille of grace for numbers that were rounded on the way.
        shown = call.number("V", low=_STEPS_V[0] * factor * 0.9995, high=_STEPS_V[-1] * factor * 1.0005)
        step = RANGE_STEPS_V.index(_STEPS_V[nearest_step(shown / factor, _STEPS_V)])
        # The position is in divisions and stays where it is.
        moved = replace(with_step(setup, step), position_div=setup.position_div)
        self._core.set_channel(call.suffix - 1, moved)
        return None

    def _set_position(self, call: Call) -> Reply:
        limit = _HIGHEST_POSITION_DIV
        return self._change(call, position_div=call.number("", low=-limit, high=limit))

    def _set_invert(self, call: Call) -> Reply:
        return self._change(call, inverted=call.boolean())

    # Time base and acquisition.

    def _set_seconds_per_div(self, call: Call) -> Reply:
        seconds = call.number("S", low=_SECONDS_PER_DIV[0] * 0.9995, high=_SECONDS_PER_DIV[-1] * 1.0005)
        self._seconds_per_div = _SECONDS_PER_DIV[nearest_step(seconds, _SECONDS_PER_DIV)]
        self._update_timing()
        return None

    def _set_time_position(self, call: Call) -> Reply:
        if call.number("S") != 0:
            raise ScpiError(-222, "the trigger stays in the middle")
        return None

    def _set_mode(self, call: Call) -> Reply:
        self._averaging = call.word({"SAMple": "", "AVErage": "yes"}) == "yes"
        self._core.set_averages(self._average_count if self._averaging else 1)
        return None

    def _set_averages(self, call: Call) -> Reply:
        count = call.integer(low=_AVERAGES[0], high=_AVERAGES[-1])
        self._average_count = _AVERAGES[nearest_step(float(count), tuple(float(a) for a in _AVERAGES))]
        self._core.set_averages(self._average_count if self._averaging else 1)
        return None

    def _set_state(self, call: Call) -> Reply:
        given = call.parameters[0].upper()
        acquire = given == "RUN" if given in ("RUN", "STOP") else call.boolean()
        if not acquire:
            self._core.stop()
        elif self._sequence:
            self._core.single()
        else:
            self._core.run()
        return None

    def _get_state(self, _call: Call) -> Reply:
        return "0" if self._core.state() is AcquisitionState.STOPPED else "1"

    def _set_stop_after(self, call: Call) -> Reply:
        self._sequence = call.word({"RUNSTop": "", "SEQuence": "yes"}) == "yes"
        if self._core.state() is AcquisitionState.RUNNING and self._sequence:
            self._core.single()
        return None

    # Trigger.

    def _set_trigger_source(self, call: Call) -> Reply:
        source = call.word({"CH1": "0", "CH2": "1", "EXT": "", "EXT5": "", "LINE": ""})
        self._core.set_trigger(replace(self._core.trigger, channel=int(source) if source else None))
        return None

    def _get_trigger_source(self, _call: Call) -> Reply:
        channel = self._core.trigger.channel
        return "EXT" if channel is None else f"CH{channel + 1}"

    def _set_level(self, call: Call) -> Reply:
        self._core.set_trigger(replace(self._core.trigger, level_v=call.number("V", low=-1e4, high=1e4)))
        return None

    def _set_slope(self, call: Call) -> Reply:
        rising = call.word({"RISe": "RIS", "FALL": "FALL"}) == "RIS"
        self._core.set_trigger(replace(self._core.trigger, rising=rising))
        return None

    def _set_sweep(self, call: Call) -> Reply:
        word = call.word({"AUTO": "AUTO", "NORMal": "NORM"})
        sweep = Sweep.AUTO if word == "AUTO" else Sweep.NORMAL
        self._core.set_trigger(replace(self._core.trigger, sweep=sweep))
        return None

    def _force(self, call: Call) -> Reply:
        call.word({"FORCe": "FORC"})
        self._core.force()
        return None

    def _get_trigger_state(self, _call: Call) -> Reply:
        match self._core.state():
            case AcquisitionState.STOPPED:
                return "SAVE"
            case AcquisitionState.FILLING:
                return "ARMED"
            case AcquisitionState.WAITING:
                return "READY"
            case AcquisitionState.TRIGGERED:
                return "TRIGGER"
            case AcquisitionState.RUNNING:
                if self._core.trigger.sweep is Sweep.NORMAL:
                    return "READY"
                return "SCAN" if self._seconds_per_div >= _SCAN_FROM_S_PER_DIV else "AUTO"

    # Transfer.

    def _set_source(self, call: Call) -> Reply:
        self._source = int(call.word({"CH1": "0", "CH2": "1"}))
        return None

    def _set_encoding(self, call: Call) -> Reply:
        self._encoding = call.word(_ENCODINGS)
        return None

    def _set_width(self, call: Call) -> Reply:
        self._width = call.integer(low=1, high=2)
        return None

    def _set_first(self, call: Call) -> Reply:
        self._first = call.integer(low=1, high=_POINTS)
        return None

    def _set_last(self, call: Call) -> Reply:
        self._last = call.integer(low=1, high=10**9)
        self._last = min(self._last, _POINTS)
        return None

    def _initialise_data(self, call: Call) -> Reply:
        call.word({"INIT": "INIT"})
        self._source, self._encoding, self._width = 0, "RIB", 1
        self._first, self._last = 1, _POINTS
        return None

    @property
    def _signed(self) -> bool:
        return self._encoding in ("RIB", "SRI", "ASCI")

    @property
    def _code_scale(self) -> int:
        """How much finer the codes on the wire are than the converter's: the second byte is empty."""
        return 256 if self._width == 2 and self._encoding != "ASCI" else 1

    def _shown_setup(self) -> ChannelSetup:
        """Setup of the waveform a transfer would give; an invisible channel has none."""
        setup = self._core.setups[self._source]
        if not setup.displayed:
            raise ScpiError(-_NOT_DISPLAYED)
        record = self._core.record
        return setup if record is None else record.setups[self._source]

    def _points(self) -> int:
        return max(self._last - self._first + 1, 0)

    def _volts_per_code(self) -> str:
        return _shown(self._shown_setup().shown_volts_per_div / CODES_PER_DIV / self._code_scale)

    def _zero_code(self) -> str:
        centre = 0 if self._signed else _UNSIGNED_CENTRE
        return _shown((self._shown_setup().position_div * CODES_PER_DIV + centre) * self._code_scale)

    def _interval(self) -> str:
        record = self._core.record
        return _shown(self._core.step_s if record is None else record.stated_step_s)

    def _start(self) -> str:
        record = self._core.record
        step_s = self._core.step_s if record is None else record.stated_step_s
        return _shown(-_POINTS / 2 * step_s)

    def _waveform_id(self) -> str:
        setup = self._shown_setup()
        coupling = "AC" if setup.path.ac_coupled else "DC"
        return (
            f'"Ch{self._source + 1}, {coupling} coupling, {_shown(setup.shown_volts_per_div)} V/div, '
            f'{_shown(self._seconds_per_div)} s/div, {_POINTS} points, Sample mode"'
        )

    def _get_preamble(self, _call: Call) -> Reply:
        return ";".join(field(self) for field in _PREAMBLE.values())

    def _get_curve(self, _call: Call) -> Reply:
        self._shown_setup()
        self._core.snapshot()
        codes = self._core.codes(self._source)
        if codes is None:
            raise ScpiError(-_NO_WAVEFORM)
        chosen = codes[self._first - 1 : self._last].astype(np.int32)
        self.pause(self._world.settings.transfer_latency_s)
        if self._encoding == "ASCI":
            return ",".join(map(str, chosen.tolist()))
        if not self._signed:
            chosen = np.clip(chosen + _UNSIGNED_CENTRE, 0, 255)
        order = "<" if self._encoding.startswith("S") else ">"
        kind = "i" if self._signed else "u"
        payload = (chosen * self._code_scale).astype(f"{order}{kind}{self._width}").tobytes()
        length = str(len(payload))
        return f"#{len(length)}{length}".encode("ascii") + payload


def _shown(value: float) -> str:
    """Number as this family writes it: 5.0E-1."""
    mantissa, exponent = f"{value:.7e}".split("e")
    digits = mantissa.rstrip("0")
    return f"{digits + '0' if digits.endswith('.') else digits}E{int(exponent)}"


def _bool(value: bool) -> str:
    return "1" if value else "0"


def _binary_form(scope: CurveScope) -> str:
    return "RI" if scope._signed else "RP"


_PREAMBLE: dict[str, Callable[[CurveScope], str]] = {
    "BYT_Nr": lambda s: str(s._width),
    "BIT_Nr": lambda s: str(8 * s._width),
    "ENCdg": lambda s: "ASC" if s._encoding == "ASCI" else "BIN",
    "BN_Fmt": _binary_form,
    "BYT_Or": lambda s: "LSB" if s._encoding.startswith("S") else "MSB",
    "NR_Pt": lambda s: str(s._points()),
    "WFId": CurveScope._waveform_id,
    "PT_Fmt": lambda _s: "Y",
    "XINcr": CurveScope._interval,
    "PT_Off": lambda _s: "0",
    "XZEro": CurveScope._start,
    "XUNit": lambda _s: '"s"',
    "YMUlt": CurveScope._volts_per_code,
    "YZEro": lambda _s: _shown(0.0),
    "YOFf": CurveScope._zero_code,
    "YUNit": lambda _s: '"Volts"',
}


def _field(ask: Callable[[CurveScope], str]) -> Callable[[CurveScope, Call], Reply]:
    return lambda scope, _call: ask(scope)


_S = CurveScope
CurveScope.table = command_table(
    (
        *COMMON,
        Command("*ESR", ask=_S.read_event_status),
        Command("EVENT", ask=_S._get_event),
        Command("EVMsg", ask=_S._get_event_message),
        Command("EVQty", ask=lambda s, _: str(len(s._readable))),
        Command("ALLEv", ask=_S._get_all_events),
        Command("HEADer", _S._set_header, lambda s, _: _bool(s._header)),
        Command("SELect:CH@", _S._set_display, lambda s, c: _bool(s._setup(c).displayed), highest=2),
        Command(
            "CH@:COUPling",
            _S._set_coupling,
            lambda s, c: "AC" if s._setup(c).path.ac_coupled else "DC",
            highest=2,
        ),
        Command(
            "CH@:BANdwidth",
            _S._set_bandwidth,
            lambda s, c: "ON" if s._setup(c).path.bandwidth_limited else "OFF",
            highest=2,
        ),
        Command("CH@:PRObe", _S._set_probe, lambda s, c: _shown(s._setup(c).probe_setting), highest=2),
        Command("CH@:SCAle", _S._set_scale, lambda s, c: _shown(s._setup(c).shown_volts_per_div), highest=2),
        Command("CH@:POSition", _S._set_position, lambda s, c: _shown(s._setup(c).position_div), highest=2),
        Command(
            "CH@:INVert",
            _S._set_invert,
            lambda s, c: "ON" if s._setup(c).inverted else "OFF",
            highest=2,
        ),
        Command("HORizontal[:MAIn]:SCAle", _S._set_seconds_per_div, lambda s, _: _shown(s._seconds_per_div)),
        Command("HORizontal[:MAIn]:POSition", _S._set_time_position, lambda _s, _: _shown(0.0)),
        Command("HORizontal:RECOrdlength", ask=lambda _s, _: str(_POINTS)),
        Command("ACQuire:MODe", _S._set_mode, lambda s, _: "AVERAGE" if s._averaging else "SAMPLE"),
        Command("ACQuire:NUMAVg", _S._set_averages, lambda s, _: str(s._average_count)),
        Command("ACQuire:STATE", _S._set_state, _S._get_state),
        Command(
            "ACQuire:STOPAfter",
            _S._set_stop_after,
            lambda s, _: "SEQUENCE" if s._sequence else "RUNSTOP",
        ),
        Command("BUSY", ask=_S._get_state),
        Command("TRIGger", _S._force),
        Command("TRIGger:STATE", ask=_S._get_trigger_state),
        Command("TRIGger:MAIn:TYPe", lambda _s, c: c.word({"EDGE": "E"}) and None, lambda _s, _: "EDGE"),
        Command("TRIGger:MAIn:EDGE:SOUrce", _S._set_trigger_source, _S._get_trigger_source),
        Command(
            "TRIGger:MAIn:EDGE:SLOpe",
            _S._set_slope,
            lambda s, _: "RISE" if s._core.trigger.rising else "FALL",
        ),
        Command("TRIGger:MAIn:EDGE:COUPling", lambda _s, c: c.word({"DC": "D"}) and None, lambda _s, _: "DC"),
        Command("TRIGger:MAIn:LEVel", _S._set_level, lambda s, _: _shown(s._core.trigger.level_v)),
        Command(
            "TRIGger:MAIn:MODe",
            _S._set_sweep,
            lambda s, _: "AUTO" if s._core.trigger.sweep is Sweep.AUTO else "NORMAL",
        ),
        Command("DATa", _S._initialise_data),
        Command("DATa:SOUrce", _S._set_source, lambda s, _: f"CH{s._source + 1}"),
        Command("DATa:ENCdg", _S._set_encoding, lambda s, _: s._encoding),
        Command("DATa:WIDth", _S._set_width, lambda s, _: str(s._width)),
        Command("DATa:STARt", _S._set_first, lambda s, _: str(s._first)),
        Command("DATa:STOP", _S._set_last, lambda s, _: str(s._last)),
        Command("WFMPre", ask=_S._get_preamble),
        *(Command(f"WFMPre:{name}", ask=_field(ask)) for name, ask in _PREAMBLE.items()),
        Command("CURVe", ask=_S._get_curve),
    )
)
