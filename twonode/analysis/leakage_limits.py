"""How much leakage is too much: the table of limits, read from a file that anybody may edit.

Owns the file's form, its reading with errors that name file and key, and the sorting of a leak into sound, between,
leaky and shorted. Every limit carries its source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum, IntEnum
from functools import cache
from importlib import resources
from itertools import pairwise
from pathlib import Path
from typing import TypeVar

import msgspec
import numpy as np
from numpy.typing import NDArray

from twonode.analysis.errors import AnalysisError, QuantityError
from twonode.analysis.leakage_circuit import Nodes
from twonode.analysis.leakage_readings import LeakRole, Position
from twonode.analysis.quantities import format_quantity, parse_quantity
from twonode.tomltext import TomlError, read_toml

__all__ = [
    "Condition",
    "LeakageLimits",
    "Limit",
    "LimitsError",
    "Measure",
    "RatedLeakage",
    "load_limits",
    "parse_limits",
    "shipped_limits",
]

FORMAT = 1
_SHIPPED = "leakage.toml"


class LimitsError(AnalysisError):
    """A limit file that cannot be read or sets no usable limit."""


class Measure(Enum):
    """What a limit is set on; the value is the word in the file."""

    RISE = "grid rise"
    RISE_OVER_BIAS = "grid rise over bias"
    LEAK_OVER_RESISTOR = "leak over resistor"
    LEAK = "leakage resistance"
    CURRENT = "leakage current"

    @property
    def unit(self) -> str:
        """As `quantities` spells it."""
        return {Measure.RISE: "V", Measure.LEAK: "ohm", Measure.CURRENT: "A"}.get(self, "")

    @property
    def less_is_worse(self) -> bool:
        """True for ohms, False for volts and currents."""
        return self in (Measure.LEAK, Measure.LEAK_OVER_RESISTOR)


class Condition(IntEnum):
    """What the limits make of one leak, the worse the higher."""

    SOUND = 0
    BETWEEN = 1
    LEAKY = 2
    SHORTED = 3


class Unknown(Enum):
    """What may be missing, so that a limit steps in; the value is the word in the file."""

    BIAS = "bias"
    RESISTOR = "resistor"


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One line of the table.

    sound, leaky, shorted : where each begins, in the measure's unit; None where this limit does not say.
    """

    role: LeakRole
    measure: Measure
    sound: float | None
    leaky: float | None
    shorted: float | None
    unless: Unknown | None
    source: str

    @property
    def words(self) -> str:
        """The limit in a few words: "grid rise: sound below 50.0 mV"."""
        low = self.measure.less_is_worse
        said = [
            f"{name} {'below' if low is not (name == 'sound') else 'above'} {self._text(at)}"
            for name, at in (("sound", self.sound), ("leaky", self.leaky), ("shorted", self.shorted))
            if at is not None
        ]
        return f"{self.measure.value}: {', '.join(said)} ({self.source})"

    def _text(self, value: float) -> str:
        if self.measure is Measure.LEAK_OVER_RESISTOR:
            return f"{value:g} times the resistor"
        if self.measure is Measure.RISE_OVER_BIAS:
            return f"{100 * value:g} %"
        return format_quantity(value, self.measure.unit)

    def condition(self, value: NDArray[np.float64]) -> NDArray[np.int_]:
        """Sort values of the measure; `Condition` numbers, shape of value."""
        sign = -1.0 if self.measure.less_is_worse else 1.0
        found = np.full(value.shape, int(Condition.BETWEEN))
        if self.sound is not None:
            found[sign * value < sign * self.sound] = int(Condition.SOUND)
        if self.leaky is not None:
            found[sign * value > sign * self.leaky] = int(Condition.LEAKY)
        if self.shorted is not None:
            found[sign * value > sign * self.shorted] = int(Condition.SHORTED)
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class RatedLeakage:
    """Leakage allowed to an electrolytic: offset + k C, k by its rated volts, rising.

    steps : rated volts up to which, and amperes per farad. forming_s : time at the rated volts before it holds.
    """

    offset_a: float
    steps: tuple[tuple[float, float], ...]
    forming_s: float
    source: str

    def limit_a(self, capacitance_farad: float, rated_v: float) -> float:
        """Largest allowed current, A.

        Raises LimitsError for rated volts beyond the table.
        """
        for up_to_v, per_farad in self.steps:
            if rated_v <= up_to_v:
                return self.offset_a + per_farad * capacitance_farad
        raise LimitsError(
            f"The table of rated leakage ends at {self.steps[-1][0]:g} V; the part is rated {rated_v:g} V.",
            "A limit made up beyond the table would be a guess.",
            "Add a step for these volts to a limit file of your own, with its source.",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class LeakageLimits:
    """All limits of one file. where : the file's name, for results."""

    title: str
    where: str
    limits: tuple[Limit, ...]
    rated: RatedLeakage | None

    def for_role(self, role: LeakRole, *, bias_known: bool, resistor_known: bool) -> tuple[Limit, ...]:
        """The limits that apply.

        Raises LimitsError where there is none.
        """
        known = {Unknown.BIAS: bias_known, Unknown.RESISTOR: resistor_known}
        found = tuple(
            limit
            for limit in self.limits
            if limit.role is role
            and not (limit.unless is not None and known[limit.unless])
            and (bias_known or limit.measure is not Measure.RISE_OVER_BIAS)
            and (resistor_known or limit.measure not in (Measure.RISE, Measure.LEAK_OVER_RESISTOR))
        )
        if not any(limit.leaky is not None or limit.sound is not None for limit in found):
            raise LimitsError(
                f"{self.where} has no limit for the role {role.value!r} that can be used here.",
                "Without a limit there is a leakage resistance but no finding.",
                "Add a limit for this role to the file, or give the bias or the resistor that its limits need.",
            )
        return found

    def conditions(self, limits: tuple[Limit, ...], nodes: Nodes, bias_v: float | None) -> NDArray[np.int_]:
        """Worst `Condition` of each draw, shape (n,). A part that no limit calls sound is in between."""
        worst = np.full(nodes.leak_ohm.shape, int(Condition.SOUND))
        called_sound = np.zeros(nodes.leak_ohm.shape, dtype=bool)
        for limit in limits:
            found = limit.condition(_value(limit.measure, nodes, bias_v))
            called_sound |= found == Condition.SOUND
            # A limit that only says what is leaky has nothing against the rest.
            silent = (found == Condition.BETWEEN) & (limit.sound is None)
            worst = np.maximum(worst, np.where(silent, int(Condition.SOUND), found))
        return np.where((worst == Condition.SOUND) & ~called_sound, int(Condition.BETWEEN), worst)


def _value(measure: Measure, nodes: Nodes, bias_v: float | None) -> NDArray[np.float64]:
    match measure:
        case Measure.RISE:
            return np.abs(nodes.rise_v)
        case Measure.RISE_OVER_BIAS:
            assert bias_v is not None
            return np.abs(nodes.rise_v) / abs(bias_v)
        case Measure.LEAK_OVER_RESISTOR:
            return nodes.leak_ohm / nodes.resistor_ohm
        case Measure.LEAK:
            return nodes.leak_ohm
        case Measure.CURRENT:
            return np.abs(nodes.leak_a)


Text = str | int | float
Kind = TypeVar("Kind", bound=Enum)


class _LimitDocument(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    role: str
    measure: str
    source: str
    sound_below: Text | None = None
    leaky_above: Text | None = None
    sound_above: Text | None = None
    leaky_below: Text | None = None
    shorted_below: Text | None = None
    unless: str | None = None


class _StepDocument(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    up_to: str
    ma_per_uf: float


class _RatedDocument(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    offset: str
    source: str
    step: list[_StepDocument]
    forming_s: float = 300.0


class _LimitsDocument(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    format: int
    title: str
    limit: list[_LimitDocument]
    rated_leakage: _RatedDocument | None = None


@cache
def shipped_limits() -> LeakageLimits:
    """The limits that come with the program."""
    text = (resources.files("twonode.analysis") / "limits" / _SHIPPED).read_text(encoding="utf-8")
    return parse_limits(text, where=_SHIPPED)


def load_limits(path: Path) -> LeakageLimits:
    """Read somebody's own limit file.

    Raises LimitsError naming file and key.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as exc:
        raise LimitsError(
            f"{path}: the limit file cannot be read ({getattr(exc, 'strerror', None) or 'it is no text in UTF-8'}).",
            "Without limits there is no finding.",
            "Check the path, or leave the file out to use the limits that come with the program.",
        ) from exc
    return parse_limits(text, where=str(path))


def parse_limits(text: str, *, where: str) -> LeakageLimits:
    """Read the text of a limit file; ``where`` names it in errors.

    Raises LimitsError.
    """
    try:
        document = read_toml(text)
    except TomlError as exc:
        raise _bad(where, f"this is not TOML: {exc}") from exc
    try:
        read = msgspec.convert(document, _LimitsDocument)
    except msgspec.ValidationError as exc:
        raise _bad(where, str(exc)) from exc
    if read.format != FORMAT:
        raise _bad(where, f"format is {read.format}, known is {FORMAT}")
    if not read.limit:
        raise _bad(where, "there is no [[limit]]")
    return LeakageLimits(
        title=read.title,
        where=where,
        limits=tuple(
            _limit(each, f"{where}: limit {number}") for number, each in enumerate(read.limit, start=1)
        ),
        rated=None if read.rated_leakage is None else _rated(read.rated_leakage, f"{where}: rated_leakage"),
    )


def _limit(read: _LimitDocument, where: str) -> Limit:
    role = _word(LeakRole, read.role, f"{where}: role")
    measure = _word(Measure, read.measure, f"{where}: measure")
    where = f"{where} ({role.value}, {measure.value})"
    if measure in (Measure.RISE, Measure.RISE_OVER_BIAS) and role.position is not Position.BETWEEN:
        raise _bad(where, "this part lifts no grid; set a limit on its ohms or its current")
    low, high = ("sound_above", "leaky_below", "shorted_below"), ("sound_below", "leaky_above")
    wanted, foreign = (low, high) if measure.less_is_worse else (high, low)
    for key in foreign:
        if getattr(read, key) is not None:
            raise _bad(where, f"{key} does not fit this measure; it takes {', '.join(wanted)}")
    at = {key: _number(getattr(read, key), measure, f"{where}: {key}") for key in wanted}
    if all(value is None for value in at.values()):
        raise _bad(where, f"it sets nothing; give {' or '.join(wanted)}")
    sound, leaky = (at[key] for key in wanted[:2])
    shorted = at.get("shorted_below")
    order = [value for value in (sound, leaky, shorted) if value is not None]
    if order != sorted(order, reverse=measure.less_is_worse):
        raise _bad(where, f"{', '.join(key for key in wanted if at[key] is not None)} are in the wrong order")
    if not read.source.strip():
        raise _bad(where, 'source is empty; write where it comes from, or "common practice, no source"')
    return Limit(
        role=role,
        measure=measure,
        sound=sound,
        leaky=leaky,
        shorted=shorted,
        unless=None if read.unless is None else _word(Unknown, read.unless, f"{where}: unless"),
        source=read.source,
    )


def _rated(read: _RatedDocument, where: str) -> RatedLeakage:
    try:
        offset_a = parse_quantity(read.offset, "A")
        steps = tuple((parse_quantity(step.up_to, "V"), step.ma_per_uf * 1e3) for step in read.step)
    except QuantityError as exc:
        raise _bad(where, exc.what) from exc
    rising = all(low[0] < high[0] for low, high in pairwise(steps))
    numbers = (offset_a, read.forming_s, *(k for _, k in steps))
    if not steps or not rising or not all(0 <= number < math.inf for number in numbers) or steps[0][0] <= 0:
        raise _bad(where, "it needs steps with rising volts and no negative number")
    return RatedLeakage(offset_a=offset_a, steps=steps, forming_s=read.forming_s, source=read.source)


def _number(given: Text | None, measure: Measure, where: str) -> float | None:
    if given is None:
        return None
    try:
        value = parse_quantity(str(given), measure.unit)
    except QuantityError as exc:
        raise _bad(where, exc.what) from exc
    if not 0 < value < math.inf:
        raise _bad(where, f"{given!r} is not above zero")
    return value


def _word(kind: type[Kind], text: str, where: str) -> Kind:
    for each in kind:
        if text == each.value:
            return each
    raise _bad(where, f"{text!r} is not known; it takes {', '.join(str(each.value) for each in kind)}")


def _bad(where: str, found: str) -> LimitsError:
    return LimitsError(
        f"{where}: {found}.",
        "A limit that is read wrong passes a bad part or fails a good one.",
        "Correct the limit file; the comments at the head of the shipped one say what it may hold.",
    )
