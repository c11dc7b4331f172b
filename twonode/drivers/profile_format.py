"""What a command profile holds: everything in which one instrument family differs from another.

Owns the typed form and its checks. Reading the files and choosing among them belongs to `profiles`; nothing
here sends anything. Command texts may hold ``{channel}``, ``{value}``, ``{first}`` and ``{last}`` where they
say so.
"""

from __future__ import annotations

import re
import string
from enum import Enum
from typing import Literal

import msgspec

__all__ = [
    "AmplitudeMeaning",
    "Averaging",
    "CurveFields",
    "Done",
    "ErrorQueue",
    "Evidence",
    "GeneratorProfile",
    "IdentityMatch",
    "InstrumentKind",
    "Line",
    "Profile",
    "RecordDepth",
    "ScopeProfile",
    "Setting",
    "Step",
    "StepLadder",
    "TenField",
    "VoltmeterProfile",
    "WaveformTransfer",
]


class InstrumentKind(Enum):
    """What an instrument is for; the value is the word used in messages."""

    GENERATOR = "generator"
    SCOPE = "scope"
    VOLTMETER = "voltmeter"


class Evidence(Enum):
    """Where a profile's facts come from."""

    DOCUMENTS = "documents read"
    MEMORY = "from memory"


class AmplitudeMeaning(Enum):
    """What the generator's amplitude figure says once its load setting is as the profile makes it."""

    OPEN = "open"
    INTO_50_OHM = "50ohm"

    @property
    def open_circuit_factor(self) -> float:
        """Open-circuit volts per volt of the figure: a 50 ohm load on 50 ohm takes half."""
        return 1.0 if self is AmplitudeMeaning.OPEN else 2.0


def _check_template(key: str, text: str, allowed: frozenset[str]) -> None:
    try:
        found = {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}
    except ValueError as exc:
        raise ValueError(f"{key}: {text!r} is no command text: {exc}") from exc
    if found - allowed:
        wrong = ", ".join(sorted(found - allowed))
        raise ValueError(
            f"{key}: {text!r} holds {{{wrong}}}; allowed are {', '.join(sorted(allowed)) or 'none'}"
        )
    if not text.strip() or "\n" in text or not text.isascii():
        raise ValueError(f"{key}: {text!r} is no one-line ASCII command")


_PLAIN: frozenset[str] = frozenset()
_CHANNEL = frozenset({"channel"})
_CHANNEL_VALUE = frozenset({"channel", "value"})


class _Strict(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Frozen, every key by name, no key that is not known."""


class IdentityMatch(_Strict, frozen=True, kw_only=True):
    """One family name as ``*IDN?`` gives it.

    maker : must be contained in field 1, upper case.
    model : regular expression that must match the whole trimmed field 2, case ignored.
    """

    maker: str
    model: str

    def __post_init__(self) -> None:
        if not self.maker or self.maker != self.maker.upper():
            raise ValueError(f"maker: need upper case text, got {self.maker!r}")
        try:
            re.compile(self.model)
        except re.error as exc:
            raise ValueError(f"model: {self.model!r} is no regular expression: {exc}") from exc


class Line(_Strict, frozen=True, kw_only=True):
    """How the bytes travel."""

    write_end: Literal["\n", "\r\n", "\r"] = "\n"
    read_end: Literal["\n", "\r\n", "\r"] = "\n"
    timeout_s: float = 5.0
    inter_command_delay_ms: float = 0.0

    def __post_init__(self) -> None:
        if not 0 < self.timeout_s <= 120:
            raise ValueError(f"timeout_s: need 0 to 120 s, got {self.timeout_s}")
        if not 0 <= self.inter_command_delay_ms <= 1000:
            raise ValueError(f"inter_command_delay_ms: need 0 to 1000, got {self.inter_command_delay_ms}")


class ErrorQueue(_Strict, frozen=True, kw_only=True):
    """How errors are asked for.

    ask : answers ``<number>,"<text>"``, oldest first, one a question.
    status : a question whose reply is read first, where the family needs that to fill its queue.
    harmless : numbers that are no errors; 0 means empty and always is one.
    last : numbers after which nothing follows.
    """

    ask: str
    clear: str | None = "*CLS"
    status: str | None = None
    harmless: tuple[int, ...] = ()
    last: tuple[int, ...] = (0,)

    def __post_init__(self) -> None:
        _check_template("ask", self.ask, _PLAIN)


class Step(_Strict, frozen=True, kw_only=True):
    """One command of a sequence, and what reading it back must give.

    does : in words, for messages; ``{channel}`` allowed.
    answers : accepted replies, case ignored. number : accepted value, at_least : lowest accepted value.
    """

    does: str
    send: str
    ask: str | None = None
    answers: tuple[str, ...] = ()
    number: float | None = None
    at_least: float | None = None

    def __post_init__(self) -> None:
        _check_template("send", self.send, _CHANNEL)
        if self.ask is not None:
            _check_template("ask", self.ask, _CHANNEL)
        expected = [bool(self.answers), self.number is not None, self.at_least is not None]
        if sum(expected) != (0 if self.ask is None else 1):
            raise ValueError("ask: goes with exactly one of answers, number, at_least, and these with it")


class Setting(_Strict, frozen=True, kw_only=True):
    """A command with a number, and the question that reads the number back."""

    send: str
    ask: str

    def __post_init__(self) -> None:
        _check_template("send", self.send, _CHANNEL_VALUE)
        if "{value}" not in self.send:
            raise ValueError(f"send: {self.send!r} has no {{value}}")
        _check_template("ask", self.ask, _CHANNEL)


class StepLadder(_Strict, frozen=True, kw_only=True):
    """Settings such as 1-2-5, from ``lowest`` to ``highest`` inclusive."""

    lowest: float
    highest: float
    mantissas: tuple[float, ...] = (1.0, 2.0, 5.0)

    def __post_init__(self) -> None:
        if not 0 < self.lowest < self.highest:
            raise ValueError(f"lowest: need 0 < lowest < highest, got {self.lowest}, {self.highest}")
        if not self.mantissas or any(not 1 <= m < 10 for m in self.mantissas):
            raise ValueError(f"mantissas: need numbers from 1 to below 10, got {self.mantissas}")
        if not 2 <= len(self.values()) <= 200:
            raise ValueError(f"lowest: the ladder has {len(self.values())} steps")

    def values(self) -> tuple[float, ...]:
        """All steps, ascending."""
        steps = sorted(float(f"{m:g}e{e}") for e in range(-15, 7) for m in self.mantissas)
        return tuple(s for s in steps if self.lowest * 0.999 <= s <= self.highest * 1.001)


class _Profile(_Strict, frozen=True, kw_only=True):
    """What every profile has.

    format : version of this form. hardware_status : "untested on hardware" until a check is recorded.
    about : the family in words.
    """

    format: Literal[1]
    name: str
    about: str
    hardware_status: str
    evidence: Evidence
    identity: tuple[IdentityMatch, ...]
    line: Line = Line()
    errors: ErrorQueue | None = None

    def __post_init__(self) -> None:
        if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", self.name):
            raise ValueError(f"name: need lower case words joined by '-', got {self.name!r}")


class GeneratorProfile(_Profile, frozen=True, kw_only=True, tag_field="kind", tag="generator"):
    """A signal generator.

    prepare : sent with the output off, before any amplitude: load, unit, sine, offset.
    load_can_be_set : whether ``prepare`` makes the load setting high-impedance.
    amplitude_means : after ``prepare``; what figure the amplitude setting takes.
    vpp_min, vpp_max : open circuit. prepare_vpp : the low amplitude left by ``prepare``.
    settle_s : after a frequency change. amplitude_settle_s : after an amplitude change (attenuator relays).
    relay_s : after switching the output.
    """

    output_on: Step
    output_off: Step
    prepare: tuple[Step, ...]
    load_can_be_set: bool
    amplitude_means: AmplitudeMeaning
    amplitude: Setting
    frequency: Setting
    frequency_min_hz: float
    frequency_max_hz: float
    vpp_min: float
    vpp_max: float
    prepare_vpp: float
    settle_s: float = 0.05
    amplitude_settle_s: float = 0.1
    relay_s: float = 0.2

    def __post_init__(self) -> None:
        _Profile.__post_init__(self)
        if not 0 < self.frequency_min_hz < self.frequency_max_hz:
            raise ValueError("frequency_min_hz: need 0 < frequency_min_hz < frequency_max_hz")
        if not 0 < self.vpp_min <= self.prepare_vpp <= self.vpp_max:
            raise ValueError("vpp_min: need 0 < vpp_min <= prepare_vpp <= vpp_max")
        if self.load_can_be_set and self.amplitude_means is not AmplitudeMeaning.OPEN:
            raise ValueError("amplitude_means: with the load set to high impedance it is 'open'")
        if min(self.settle_s, self.amplitude_settle_s, self.relay_s) < 0:
            raise ValueError("settle_s, amplitude_settle_s, relay_s: need >= 0 s")
        if self.output_off.ask is None or self.output_on.ask is None:
            raise ValueError("output_off: the output state must be read back")


class VoltmeterProfile(_Profile, frozen=True, kw_only=True, tag_field="kind", tag="voltmeter"):
    """A meter for DC volts. read_dc : the question that measures and answers in V."""

    prepare: tuple[Step, ...]
    read_dc: str
    read_timeout_s: float = 10.0

    def __post_init__(self) -> None:
        _Profile.__post_init__(self)
        _check_template("read_dc", self.read_dc, _PLAIN)


class RecordDepth(_Strict, frozen=True, kw_only=True):
    """Record lengths with both channels on; ``set`` is None where there is only one.

    before : sent ahead of ``set``, where it is taken only in a certain state.
    """

    choices: tuple[int, ...]
    set: Setting | None = None
    before: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.choices or list(self.choices) != sorted(self.choices) or self.choices[0] < 4:
            raise ValueError(f"choices: need ascending record lengths, got {self.choices}")
        if self.set is None and len(self.choices) != 1:
            raise ValueError("choices: without `set` there is exactly one")
        for text in self.before:
            _check_template("before", text, _PLAIN)


class Averaging(_Strict, frozen=True, kw_only=True):
    """Averages: ``off`` for single records, ``on`` with one of ``choices`` records."""

    off: Step
    on: Step
    count: Setting
    choices: tuple[int, ...]

    def __post_init__(self) -> None:
        if not self.choices or list(self.choices) != sorted(self.choices) or self.choices[0] < 2:
            raise ValueError(f"choices: need ascending numbers from 2, got {self.choices}")


class Done(_Strict, frozen=True, kw_only=True):
    """How to see that a single record is complete without blocking.

    answers : replies that mean complete, case ignored; or mask : a bit then set in the number answered.
    """

    ask: str
    answers: tuple[str, ...] = ()
    mask: int | None = None

    def __post_init__(self) -> None:
        _check_template("ask", self.ask, _PLAIN)
        if bool(self.answers) == (self.mask is not None):
            raise ValueError("answers: give either answers or mask")


class OriginUnit(Enum):
    """What the ten-field preamble's vertical origin counts in: the families' most dangerous difference."""

    CODES = "codes"
    VOLTS = "volts"


class TenField(_Strict, frozen=True, kw_only=True, tag_field="rule", tag="ten-field"):
    """Scaling from one line of ten numbers.

    origin "codes": V = (code - reference - origin) * increment;
    origin "volts": V = (code - reference) * increment + origin.
    """

    ask: str
    origin: OriginUnit

    def __post_init__(self) -> None:
        _check_template("ask", self.ask, _PLAIN)


class CurveFields(_Strict, frozen=True, kw_only=True, tag_field="rule", tag="curve-fields"):
    """Scaling from single questions: V = (code - offset) * volts_per_code + zero_volts."""

    volts_per_code: str
    code_offset: str
    zero_volts: str
    sample_interval: str
    points: str

    def __post_init__(self) -> None:
        for key in self.__struct_fields__:
            _check_template(key, getattr(self, key), _PLAIN)


class WaveformTransfer(_Strict, frozen=True, kw_only=True):
    """How a stopped record is fetched and what its codes mean.

    before : sent once a record; select : once a channel; span : before each read, with 1-based inclusive
    ``{first}`` and ``{last}``. signed : codes are two's complement; one byte each.
    lowest_rail, highest_rail : ends of the converter. clip_margin : codes this near a rail count as clipped.
    centre_code : code at the centre of the screen. codes_per_div : checked against each scaling that arrives.
    block_trailing, block_prefix_max : see `block.read_block`.
    """

    before: tuple[str, ...] = ()
    select: tuple[str, ...]
    span: tuple[str, ...]
    read: str
    scaling: TenField | CurveFields
    max_points_per_read: int
    signed: bool
    lowest_rail: int
    highest_rail: int
    clip_margin: int = 1
    centre_code: int
    codes_per_div: float
    block_trailing: str = "\n"
    block_prefix_max: int = 0

    def __post_init__(self) -> None:
        for text in self.before:
            _check_template("before", text, _PLAIN)
        for text in self.select:
            _check_template("select", text, _CHANNEL)
        for text in self.span:
            _check_template("span", text, frozenset({"first", "last"}))
        _check_template("read", self.read, _CHANNEL)
        if self.max_points_per_read < 1:
            raise ValueError(f"max_points_per_read: need >= 1, got {self.max_points_per_read}")
        low, high = (-128, 127) if self.signed else (0, 255)
        if not low <= self.lowest_rail < self.centre_code < self.highest_rail <= high:
            raise ValueError(f"lowest_rail: need {low} <= lowest_rail < centre_code < highest_rail <= {high}")
        if not 1 <= self.codes_per_div <= 64:
            raise ValueError(f"codes_per_div: need 1 to 64, got {self.codes_per_div}")


class ScopeProfile(_Profile, frozen=True, kw_only=True, tag_field="kind", tag="scope"):
    """A two-channel scope.

    volts_per_div_ladder : at the scope's input; the probe factor multiplies it.
    prepare, channel_prepare : sent once, and once a channel (after the probe factor).
    edge_trigger : arms for a trigger on channel 1. single, free_run, stop : see `scope.Scope`.
    slowest_triggered_s_per_div : slower settings roll without a trigger.
    free_run_extra_s : how long a free-running scope waits for a trigger before it takes a record anyway.
    gain_standard_uncertainty : relative, of one channel on one range (class limit read as k = 2).
    sample_rate : None where it follows from record length and time base.
    """

    divisions_x: int
    divisions_y: int
    gain_standard_uncertainty: float
    volts_per_div: Setting
    volts_per_div_ladder: StepLadder
    seconds_per_div: Setting
    seconds_per_div_ladder: StepLadder
    slowest_triggered_s_per_div: float
    probe_factor: Setting
    prepare: tuple[Step, ...]
    channel_prepare: tuple[Step, ...]
    depth: RecordDepth
    sample_rate: str | None = None
    averaging: Averaging
    edge_trigger: tuple[Step, ...]
    single: tuple[str, ...]
    done: Done
    free_trigger: tuple[Step, ...]
    free_run: tuple[str, ...]
    free_run_extra_s: float = 0.2
    stop: tuple[str, ...]
    waveform: WaveformTransfer

    def __post_init__(self) -> None:
        _Profile.__post_init__(self)
        if not 4 <= self.divisions_x <= 20 or not 4 <= self.divisions_y <= 12:
            raise ValueError("divisions_x, divisions_y: need 4 to 20 and 4 to 12")
        if not 0 < self.gain_standard_uncertainty < 0.2:
            raise ValueError("gain_standard_uncertainty: need a relative figure from 0 to 0.2")
        for key in ("single", "free_run", "stop"):
            for text in getattr(self, key):
                _check_template(key, text, _PLAIN)
        if self.sample_rate is not None:
            _check_template("sample_rate", self.sample_rate, _PLAIN)
        if not self.slowest_triggered_s_per_div >= self.seconds_per_div_ladder.lowest:
            raise ValueError("slowest_triggered_s_per_div: below the fastest setting")


Profile = GeneratorProfile | ScopeProfile | VoltmeterProfile
