"""Single faults: what can be wrong with one part, how it is written, and the stage that has it.

Owns the faults that each kind of part can have. What a fault does is worked out in `what_if`; which fault a real part
has is for `hypotheses` and the measurement.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import Enum
from types import MappingProxyType

from twonode.analysis.errors import AnalysisError
from twonode.analysis.part_faults import STRAY_FARAD
from twonode.analysis.quantities import format_quantity, parse_quantity
from twonode.analysis.stage import Part, PartKind, Stage
from twonode.analysis.stage.wording import nearest

__all__ = [
    "LEAK_OHM",
    "SHORT_OHM",
    "FaultError",
    "FaultKind",
    "SingleFault",
    "fault_words",
    "faulty_stage",
    "listed_faults",
    "parse_fault",
    "possible_faults",
]

SHORT_OHM = 0.5
"""A shorted part with its leads (from memory: some tenths of an ohm)."""

LEAK_OHM = 1e6
"""The leak where none is stated: that of a bad waxed paper capacitor (common practice, no source)."""


class FaultError(AnalysisError):
    """A fault that cannot be read, or that parts of this kind do not have."""


class FaultKind(Enum):
    """What is wrong with the one part; the value is the word on command line, screen and in JSON."""

    OPEN = "open"
    SHORTED = "shorted"
    LEAKY = "leaky"
    HALVED = "halved"
    DOUBLED = "doubled"
    OFF = "off"


_SPELLINGS = {kind.value: kind for kind in FaultKind} | {
    "short": FaultKind.SHORTED,
    "leak": FaultKind.LEAKY,
    "half": FaultKind.HALVED,
    "double": FaultKind.DOUBLED,
}
_NOT_LEAKY = tuple(kind for kind in FaultKind if kind is not FaultKind.LEAKY)
_POSSIBLE: Mapping[PartKind, tuple[FaultKind, ...]] = MappingProxyType(
    {
        PartKind.CAPACITOR: tuple(FaultKind),
        PartKind.RESISTOR: _NOT_LEAKY,
        PartKind.INDUCTOR: _NOT_LEAKY,
        PartKind.SUPPLY: (),
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SingleFault:
    """One part's fault.

    amount : ohm of the leak of a LEAKY part, the value (F, ohm or H) of one that is OFF; else None.
    """

    part: str
    kind: FaultKind
    amount: float | None = None

    def __post_init__(self) -> None:
        if (self.amount is not None) != (self.kind in (FaultKind.LEAKY, FaultKind.OFF)):
            raise ValueError(f"amount: needed by leaky and off only, got {self.amount} for {self.kind.value}")


def parse_fault(text: str, stage: Stage) -> SingleFault:
    """Read "C6=open", "C7=shorted", "C7=leaky", "C7=leaky:2M", "R9=halved", "R9=doubled", "C7=off:15n".

    Raises FaultError for a text that is no fault or a fault which the part's kind does not have, StageError for a part
    that is not in the stage, QuantityError for an amount that cannot be read.
    """
    name, sign, rest = (piece.strip() for piece in text.partition("="))
    word, colon, amount = (piece.strip() for piece in rest.partition(":"))
    if not sign or not name or not word:
        raise FaultError(
            f"{text!r} is no fault of a part.",
            "It takes the part's name and what is wrong with it.",
            "Write it like C6=open, C7=leaky:2M, R9=doubled or C7=off:15n.",
        )
    part = stage.part(name)
    kind = _SPELLINGS.get(word.lower())
    if kind is None or kind not in _POSSIBLE[part.kind]:
        raise _no_such_fault(part, word)
    amount_fits = bool(amount) == (kind is FaultKind.OFF) or kind is FaultKind.LEAKY
    if not amount_fits or (colon and not amount):
        raise FaultError(
            f"{text!r}: {'a value is missing' if kind is FaultKind.OFF else 'there is nothing to add there'}.",
            "A leak may have its resistance behind a colon, a part that is off must have its value there.",
            f"Write {name}={'off:VALUE' if kind is FaultKind.OFF else kind.value}.",
        )
    value = None
    if kind is FaultKind.LEAKY:
        value = parse_quantity(amount, "ohm") if amount else LEAK_OHM
    elif kind is FaultKind.OFF:
        value = parse_quantity(amount, part.kind.unit)
    if value is not None and not value > 0:
        raise FaultError(
            f"{text!r}: {amount} is not more than nothing.",
            "Neither a leak nor a part has such a value.",
            "Write open or shorted for the extremes.",
        )
    return SingleFault(part=name, kind=kind, amount=value)


def possible_faults(part: Part) -> tuple[FaultKind, ...]:
    """The faults that a part of its kind can have; none of a supply."""
    return _POSSIBLE[part.kind]


def fault_words(fault: SingleFault, stage: Stage) -> str:
    """The fault without its part: "open", "leaky 1.00 MΩ", "off 15.0 nF"."""
    if fault.amount is None:
        return fault.kind.value
    unit = "ohm" if fault.kind is FaultKind.LEAKY else stage.part(fault.part).kind.unit
    return f"{fault.kind.value} {format_quantity(fault.amount, unit)}"


def _no_such_fault(part: Part, word: str) -> FaultError:
    words = [kind.value for kind in _POSSIBLE[part.kind]]
    if not words:
        return FaultError(
            f"Part {part.name} is a supply: no faults of supplies are worked out.",
            "A supply only says which DC volts there are; for the signal it is ground.",
            "Name a capacitor, resistor or inductor.",
        )
    known = word.lower() in _SPELLINGS
    return FaultError(
        f"Part {part.name} cannot be {word!r}"
        + (f": {_article(part)} {part.kind.value} has no such fault." if known else nearest(word, words)),
        f"Faults of {_article(part)} {part.kind.value} are {', '.join(words)}.",
        f"Write {part.name}={words[0]}, for example.",
    )


def _article(part: Part) -> str:
    return "an" if part.kind is PartKind.INDUCTOR else "a"


def listed_faults(stage: Stage) -> tuple[SingleFault, ...]:
    """The faults worth a line in a table, in the order of the stage's parts.

    All but a value of one's own; no shorted resistors, which are next to unheard of (common practice, no source); and
    of a stray capacitance, which is no part that breaks, only another value.
    """
    return tuple(
        SingleFault(part=part.name, kind=kind, amount=LEAK_OHM if kind is FaultKind.LEAKY else None)
        for part in stage.parts
        for kind in _listed_kinds(part)
    )


def _listed_kinds(part: Part) -> tuple[FaultKind, ...]:
    if part.role == "stray":
        return FaultKind.HALVED, FaultKind.DOUBLED
    left_out = {FaultKind.OFF} | ({FaultKind.SHORTED} if part.kind is PartKind.RESISTOR else set())
    return tuple(kind for kind in _POSSIBLE[part.kind] if kind not in left_out)


def faulty_stage(stage: Stage, fault: SingleFault) -> Stage:
    """The stage with that one part faulty.

    An open part leaves 1.5 pF across its leads, a shorted one 0.5 ohm; a leak lies in parallel to what the part had.

    Raises FaultError for a fault which the part's kind does not have, StageError for an unknown part.
    """
    part = stage.part(fault.part)
    if fault.kind not in _POSSIBLE[part.kind]:
        raise _no_such_fault(part, fault.kind.value)
    match fault.kind:
        case FaultKind.OPEN:
            return stage.replace_part(_bare(part, PartKind.CAPACITOR, STRAY_FARAD))
        case FaultKind.SHORTED:
            return stage.replace_part(_bare(part, PartKind.RESISTOR, SHORT_OHM))
        case FaultKind.LEAKY:
            siemens = 1.0 / (fault.amount or LEAK_OHM) + (1.0 / part.leak_ohm if part.leak_ohm else 0.0)
            return stage.replace_part(replace(part, leak_ohm=1.0 / siemens))
        case FaultKind.HALVED:
            return stage.replace_part(replace(part, value=part.value / 2.0))
        case FaultKind.DOUBLED:
            return stage.replace_part(replace(part, value=part.value * 2.0))
        case FaultKind.OFF:
            return stage.replace_part(replace(part, value=fault.amount or part.value))


def _bare(part: Part, kind: PartKind, value: float) -> Part:
    """A part in the same place of which nothing but the place is left."""
    return Part(name=part.name, kind=kind, between=part.between, value=value, role=part.role)
