"""The simulated scope with `CURVe?` and YMULT/YOFF/YZERO, family S2 of the facts page.

Owns that family's commands, steps, event queue and wire format. Acquisition belongs to `scope_core`.

Powers up with `HEADer ON`: every reply but those of common commands repeats its header.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import ClassVar

import numpy as np

from twonode.drivers.simulated.front_end import CODES_PER_DIV, ChannelSetup
from twonode.drivers.simulated.scope_base import on_off_digit
from twonode.drivers.simulated.scope_core import AcquisitionState, Sweep
from twonode.drivers.simulated.scope_events import EVENT_COMMANDS, NO_WAVEFORM, NOT_DISPLAYED, EventScope
from twonode.drivers.simulated.scpi import COMMON, NoReply
from twonode.drivers.simulated.scpi_table import Command, Reply, command_table
from twonode.drivers.simulated.scpi_values import Call, ScpiError
from twonode.drivers.simulated.settings import Variant
from twonode.drivers.simulated.truth import RANGE_STEPS_V
from twonode.drivers.simulated.world import World

__all__ = ["DECADE_124", "CurveScope", "curve_commands", "curve_number"]

_DIVISIONS_X = 10
_POINTS = 2500
_RAILS = (-128, 127)
_STEPS_V = RANGE_STEPS_V[RANGE_STEPS_V.index(2e-3) : RANGE_STEPS_V.index(5.0) + 1]
_SECONDS_PER_DIV = tuple(float(f"{m}e{e}") for e in range(-9, 2) for m in (1, 2.5, 5))[2:]
DECADE_124 = tuple(float(f"{m}e{e}") for e in range(-9, 2) for m in (1, 2, 4))[2:]
"""Time-base steps of some newer models, s/div [R35]."""
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


class CurveScope(EventScope):
    """Two channels, eight bits, 2500 points; powers up with channel 1 on, AC, probe 1:1, header on."""

    table: ClassVar[Mapping[str, Command]]

    model = "SIM-S2"
    steps_v = _STEPS_V
    seconds_per_div_steps = _SECONDS_PER_DIV
    probe_settings = _PROBE_SETTINGS
    average_counts = _AVERAGES
    trigger_sources: ClassVar[Mapping[str, str]] = {"CH1": "0", "CH2": "1", "EXT": "", "EXT5": "", "LINE": ""}
    slopes: ClassVar[Mapping[str, str]] = {"RISe": "rising", "FALL": "falling"}

    def __init__(self, world: World) -> None:
        super().__init__(world, rails=_RAILS, single_needs_trigger=False)
        if Variant.STEPS_1_2_4 in world.settings.variants:
            self.seconds_per_div_steps = DECADE_124  # type: ignore[misc]
        self.idn = world.settings.scope_idn or f"TWONODE,{self.model},SEED-{world.settings.seed},1.0"
        self.reset()

    def reset(self) -> None:
        """Power-on state."""
        self._header = True
        self._sequence = False
        self._encoding = "RIB"
        self._width = 1
        self.record_points = _POINTS
        self._first, self._last = 1, _POINTS
        self.power_on(seconds_per_div=5e-4, average_count=16)

    def respond(self, command: Command, suffix: int, reply: str | bytes) -> bytes:
        """Reply with its header in front, where the instrument was not told to leave it out."""
        body = super().respond(command, suffix, reply)
        if not self._header or command.pattern.startswith("*"):
            return body
        return f":{command.long_form.replace('#', str(suffix))} ".encode("ascii") + body

    def operation_complete(self, _call: Call) -> Reply:
        """*OPC? answers when a single sequence is over."""
        started_s = self.clock.now_s()
        while self._sequence and self.core.state() is not AcquisitionState.STOPPED:
            if self.clock.now_s() - started_s >= self.patience_s:
                raise NoReply("the sequence is not over")
            self.pause(min(self.core.ready_in_s(), self.patience_s))
        return "1"

    def _set_header(self, call: Call) -> Reply:
        self._header = call.boolean()
        return None

    def update_timing(self) -> None:
        """The record always spans the screen."""
        points = self.record_points
        self.core.set_timing(step_s=self.seconds_per_div * _DIVISIONS_X / points, points=points)

    # Channels.

    def _set_bandwidth(self, call: Call) -> Reply:
        return self.limit_bandwidth(call, call.boolean())

    def set_scale(self, call: Call) -> Reply:
        """V/div; the position is in divisions and stays where it is."""
        moved = replace(self.new_range(call), position_div=self.setup(call).position_div)
        self.core.set_channel(call.suffix - 1, moved)
        return None

    def position_from(self, call: Call) -> float:
        """The position asked for, divisions."""
        return call.number("", low=-_HIGHEST_POSITION_DIV, high=_HIGHEST_POSITION_DIV)

    def set_position(self, call: Call) -> Reply:
        """In divisions."""
        return self.change(call, position_div=self.position_from(call))

    def get_position(self, call: Call) -> Reply:
        """In divisions."""
        return curve_number(self.setup(call).position_div)

    # Time base and acquisition.

    def _set_mode(self, call: Call) -> Reply:
        return self.use_averaging(call.word({"SAMple": "", "AVErage": "yes"}) == "yes")

    def _set_state(self, call: Call) -> Reply:
        given = call.parameters[0].upper()
        acquire = given == "RUN" if given in ("RUN", "STOP") else call.boolean()
        if not acquire:
            self.core.stop()
        elif self._sequence:
            self.core.single()
        else:
            self.core.run()
        return None

    def _get_state(self, _call: Call) -> Reply:
        return "0" if self.core.state() is AcquisitionState.STOPPED else "1"

    def _set_stop_after(self, call: Call) -> Reply:
        self._sequence = call.word({"RUNSTop": "", "SEQuence": "yes"}) == "yes"
        if self.core.state() is AcquisitionState.RUNNING and self._sequence:
            self.core.single()
        return None

    # Trigger.

    def _get_trigger_source(self, _call: Call) -> Reply:
        channel = self.core.trigger.channel
        return "EXT" if channel is None else f"CH{channel + 1}"

    def _set_level(self, call: Call) -> Reply:
        return self.change_trigger(level_v=call.number("V", low=-1e4, high=1e4))

    def _force(self, call: Call) -> Reply:
        call.word({"FORCe": "FORC"})
        self.core.force()
        return None

    def _get_trigger_state(self, _call: Call) -> Reply:
        match self.core.state():
            case AcquisitionState.STOPPED:
                return "SAVE"
            case AcquisitionState.FILLING:
                return "ARMED"
            case AcquisitionState.WAITING:
                return "READY"
            case AcquisitionState.TRIGGERED:
                return "TRIGGER"
            case AcquisitionState.RUNNING:
                if self.core.trigger.sweep is Sweep.NORMAL:
                    return "READY"
                return "SCAN" if self.seconds_per_div >= _SCAN_FROM_S_PER_DIV else "AUTO"

    # Transfer.

    def _set_source(self, call: Call) -> Reply:
        self.source = int(call.word({"CH1": "0", "CH2": "1"}))
        return None

    def _set_encoding(self, call: Call) -> Reply:
        self._encoding = call.word(_ENCODINGS)
        return None

    def _set_width(self, call: Call) -> Reply:
        self._width = call.integer(low=1, high=2)
        return None

    def _set_first(self, call: Call) -> Reply:
        self._first = call.integer(low=1, high=self.record_points)
        return None

    def _set_last(self, call: Call) -> Reply:
        self._last = call.integer(low=1, high=10**9)
        self._last = min(self._last, self.record_points)
        return None

    def _initialise_data(self, call: Call) -> Reply:
        call.word({"INIT": "INIT"})
        self.source, self._encoding, self._width = 0, "RIB", 1
        self._first, self._last = 1, self.record_points
        return None

    @property
    def _signed(self) -> bool:
        return self._encoding in ("RIB", "SRI", "ASCI")

    @property
    def _code_scale(self) -> int:
        """How much finer the codes on the wire are than the converter's: the second byte is empty."""
        return 256 if self._width == 2 and self._encoding != "ASCI" else 1

    def shown_setup(self) -> ChannelSetup:
        """Setup of the waveform a transfer would give; an invisible channel has none."""
        setup = self.core.setups[self.source]
        if not setup.displayed:
            raise ScpiError(-NOT_DISPLAYED)
        record = self.core.record
        return setup if record is None else record.setups[self.source]

    def _points(self) -> int:
        return max(self._last - self._first + 1, 0)

    def _volts_per_code(self) -> str:
        return curve_number(self.shown_setup().shown_volts_per_div / CODES_PER_DIV / self._code_scale)

    def zero_v(self) -> float:
        """Volts at `zero_div`."""
        return 0.0

    def zero_div(self) -> float:
        """What the codes are counted from, divisions above the centre."""
        return self.shown_setup().position_div

    def _zero_code(self) -> str:
        centre = 0 if self._signed else _UNSIGNED_CENTRE
        return curve_number((self.zero_div() * CODES_PER_DIV + centre) * self._code_scale)

    def _interval(self) -> str:
        record = self.core.record
        return curve_number(self.core.step_s if record is None else record.stated_step_s)

    def _start(self) -> str:
        record = self.core.record
        step_s = self.core.step_s if record is None else record.stated_step_s
        return curve_number(-self.record_points / 2 * step_s)

    def _waveform_id(self) -> str:
        setup = self.shown_setup()
        coupling = "AC" if setup.path.ac_coupled else "DC"
        return (
            f'"Ch{self.source + 1}, {coupling} coupling, {curve_number(setup.shown_volts_per_div)} V/div, '
            f'{curve_number(self.seconds_per_div)} s/div, {self.record_points} points, Sample mode"'
        )

    def _get_preamble(self, _call: Call) -> Reply:
        return ";".join(field(self) for field in _PREAMBLE.values())

    def _get_curve(self, _call: Call) -> Reply:
        self.shown_setup()
        self.core.snapshot()
        codes = self.core.codes(self.source)
        if codes is None:
            raise ScpiError(-NO_WAVEFORM)
        chosen = codes[self._first - 1 : self._last].astype(np.int32)
        self.pause(self.world.settings.transfer_latency_s)
        if self._encoding == "ASCI":
            return ",".join(map(str, chosen.tolist()))
        if not self._signed:
            chosen = np.clip(chosen + _UNSIGNED_CENTRE, 0, 255)
        order = "<" if self._encoding.startswith("S") else ">"
        kind = "i" if self._signed else "u"
        payload = (chosen * self._code_scale).astype(f"{order}{kind}{self._width}").tobytes()
        length = str(len(payload))
        return f"#{len(length)}{length}".encode("ascii") + payload


def curve_number(value: float) -> str:
    """Number as this family writes it: 5.0E-1."""
    mantissa, exponent = f"{value:.7e}".split("e")
    digits = mantissa.rstrip("0")
    return f"{digits + '0' if digits.endswith('.') else digits}E{int(exponent)}"


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
    "YZEro": lambda s: curve_number(s.zero_v()),
    "YOFf": CurveScope._zero_code,
    "YUNit": lambda _s: '"Volts"',
}


def _field(ask: Callable[[CurveScope], str]) -> Callable[[CurveScope, Call], Reply]:
    return lambda scope, _call: ask(scope)


_S = CurveScope


def curve_commands(*, trigger: str, preamble: str, scale: str) -> tuple[Command, ...]:
    """What all models have; the names of trigger, preamble and time base changed over the years."""
    return (
        *COMMON,
        *EVENT_COMMANDS,
        Command("HEADer", _S._set_header, lambda s, _: on_off_digit(s._header)),
        Command("SELect:CH@", _S.set_display, lambda s, c: on_off_digit(s.setup(c).displayed), highest=2),
        Command(
            "CH@:COUPling",
            _S.set_coupling,
            _S.get_coupling,
            highest=2,
        ),
        Command(
            "CH@:BANdwidth",
            _S._set_bandwidth,
            lambda s, c: "ON" if s.setup(c).path.bandwidth_limited else "OFF",
            highest=2,
        ),
        Command(
            "CH@:SCAle",
            lambda s, c: s.set_scale(c),
            lambda s, c: curve_number(s.setup(c).shown_volts_per_div),
            highest=2,
        ),
        Command("CH@:POSition", lambda s, c: s.set_position(c), lambda s, c: s.get_position(c), highest=2),
        Command(
            "CH@:INVert",
            _S.set_invert,
            lambda s, c: "ON" if s.setup(c).inverted else "OFF",
            highest=2,
        ),
        Command(f"{scale}:SCAle", _S.set_seconds_per_div, lambda s, _: curve_number(s.seconds_per_div)),
        Command(f"{scale}:POSition", _S.set_time_position, lambda _s, _: curve_number(0.0)),
        Command("ACQuire:MODe", _S._set_mode, lambda s, _: "AVERAGE" if s.averaging else "SAMPLE"),
        Command("ACQuire:NUMAVg", _S.set_averages, lambda s, _: str(s.average_count)),
        Command("ACQuire:STATE", _S._set_state, _S._get_state),
        Command(
            "ACQuire:STOPAfter",
            _S._set_stop_after,
            lambda s, _: "SEQUENCE" if s._sequence else "RUNSTOP",
        ),
        Command("BUSY", ask=_S._get_state),
        Command("TRIGger", _S._force),
        Command("TRIGger:STATE", ask=_S._get_trigger_state),
        Command(f"{trigger}:TYPe", lambda _s, c: c.word({"EDGE": "E"}) and None, lambda _s, _: "EDGE"),
        Command(f"{trigger}:EDGE:SOUrce", _S.set_trigger_source, _S._get_trigger_source),
        Command(
            f"{trigger}:EDGE:SLOpe",
            _S.set_slope,
            lambda s, _: "RISE" if s.core.trigger.rising else "FALL",
        ),
        Command(f"{trigger}:EDGE:COUPling", lambda _s, c: c.word({"DC": "D"}) and None, lambda _s, _: "DC"),
        Command(f"{trigger}:LEVel", _S._set_level, lambda s, _: curve_number(s.core.trigger.level_v)),
        Command(
            f"{trigger}:MODe",
            _S.set_sweep,
            lambda s, _: "AUTO" if s.core.trigger.sweep is Sweep.AUTO else "NORMAL",
        ),
        Command("DATa", _S._initialise_data),
        Command("DATa:SOUrce", _S._set_source, lambda s, _: f"CH{s.source + 1}"),
        Command("DATa:ENCdg", _S._set_encoding, lambda s, _: s._encoding),
        Command("DATa:WIDth", _S._set_width, lambda s, _: str(s._width)),
        Command("DATa:STARt", _S._set_first, lambda s, _: str(s._first)),
        Command("DATa:STOP", _S._set_last, lambda s, _: str(s._last)),
        Command(preamble, ask=_S._get_preamble),
        *(Command(f"{preamble}:{name}", ask=_field(ask)) for name, ask in _PREAMBLE.items()),
        Command("CURVe", ask=_S._get_curve),
    )


CurveScope.table = command_table(
    (
        *curve_commands(trigger="TRIGger:MAIn", preamble="WFMPre", scale="HORizontal[:MAIn]"),
        Command("HORizontal:RECOrdlength", ask=lambda _s, _: str(_POINTS)),
        Command("CH@:PRObe", _S.set_probe, lambda s, c: curve_number(s.setup(c).probe_setting), highest=2),
    )
)
