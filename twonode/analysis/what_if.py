"""What a single fault would do: every part of a stage made faulty, and the difference in decibels, volts and words.

Owns the faults that a kind of part can have, the faulty stage, and the rule by which numbers become words. It is
theory about stated values: what a real part has is for `hypotheses` and the measurement.

A fault's effect is the change of the far node's level with the same source behind the same resistance (`FEED_OHM`
unless another is given): against the drive node alone, a bypass there could never show.

The rule. A band (bass, audio, treble, RF) counts as *wanted* at the far node where the sound stage passes it within
`WANTED_DB` of its best frequency, else as *kept off*; changes below `NOTICED_DB` get no words.

=============  ======================  ============================
change         wanted band             kept-off band
=============  ======================  ============================
-30 dB, less   "audio is gone"         no words
-10 dB, less   "audio is lost"         no words
-6 dB, less    "audio is weak"         no words
-2 dB, less    "a little less audio"   no words
+2 dB, more    "a little more audio"   "a little more audio reaches the ..."
+6 dB, more    "more audio"            "audio reaches the ..."
=============  ======================  ============================

Kept-off audio that reaches a far node bypassed for a cathode or a screen (by the part's role) is signal that the
valve loses: "gain is lost" is added. Bands with the same words are named together, the larger change decides for RF.
The low corner is named when it moves by a quarter or more and lies above 5 Hz. DC is named when the far node's volts
change by more than 0.05 V and 1 %, when the drive node's change by a tenth, and when either loses its DC path.
The limits are working values (common practice, no source): 3 dB is just noticed in a programme, 6 dB is plain.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import Enum
from types import MappingProxyType

import numpy as np

from twonode.analysis.dc_division import dc_share, dc_volts, has_supply
from twonode.analysis.errors import AnalysisError
from twonode.analysis.hypotheses import STRAY_FARAD
from twonode.analysis.paths import Corner, Side, best_level, fed_ratio, find_corners
from twonode.analysis.quantities import format_quantity, parse_quantity
from twonode.analysis.stage import Part, PartKind, Stage
from twonode.analysis.stage.wording import nearest

__all__ = [
    "FEED_OHM",
    "Band",
    "Effect",
    "FaultError",
    "FaultKind",
    "SingleFault",
    "Sound",
    "effect_of",
    "faulty_stage",
    "listed_faults",
    "look_at",
    "parse_fault",
]

FEED_OHM = 1e6
"""Source resistance where none is given: a pentode's anode resistance, which all but forces its signal current into
the drive node (common practice, no source; triodes have 5 k to 100 k)."""

SHORT_OHM = 0.5
LEAK_OHM = 1e6
WANTED_DB = 12.0
NOTICED_DB = 2.0

_BASS_HZ = 50.0
_WORDY_CORNER_HZ = 5.0
# Less than a hundredth of a decibel is rounding beside what resistors and valves do.
_SMALLEST_SIZE = 1e-15


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
_POSSIBLE: Mapping[PartKind, tuple[FaultKind, ...]] = MappingProxyType(
    {
        PartKind.CAPACITOR: tuple(FaultKind),
        PartKind.RESISTOR: (
            FaultKind.OPEN,
            FaultKind.SHORTED,
            FaultKind.HALVED,
            FaultKind.DOUBLED,
            FaultKind.OFF,
        ),
        PartKind.INDUCTOR: (
            FaultKind.OPEN,
            FaultKind.SHORTED,
            FaultKind.HALVED,
            FaultKind.DOUBLED,
            FaultKind.OFF,
        ),
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

    @property
    def words(self) -> str:
        """As it is written on the command line, without the part: "open", "leaky 1.00 MΩ"."""
        return self.kind.value

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
    if bool(colon and amount) != (kind is FaultKind.OFF) and kind is not FaultKind.LEAKY or colon and not amount:
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
        + (f": a {part.kind.value} has no such fault." if known else nearest(word, words)),
        f"Faults of a {part.kind.value} are {', '.join(words)}.",
        f"Write {part.name}={words[0]}, for example.",
    )


def listed_faults(stage: Stage) -> tuple[SingleFault, ...]:
    """The faults worth a line in a table, in the order of the stage's parts.

    All but a value of one's own; and no shorted resistors, which are next to unheard of (common practice, no source).
    """
    return tuple(
        SingleFault(part=part.name, kind=kind, amount=LEAK_OHM if kind is FaultKind.LEAKY else None)
        for part in stage.parts
        for kind in _POSSIBLE[part.kind]
        if kind is not FaultKind.OFF and not (part.kind is PartKind.RESISTOR and kind is FaultKind.SHORTED)
    )


def faulty_stage(stage: Stage, fault: SingleFault) -> Stage:
    """The stage with that one part faulty.

    An open part leaves 1.5 pF across its leads, a shorted one 0.5 ohm; a leak lies in parallel to what the part had.

    Raises FaultError for a fault which the part's kind does not have, StageError for an unknown part.
    """
    part = stage.part(fault.part)
    if fault.kind not in _POSSIBLE[part.kind]:
        raise _no_such_fault(part, fault.kind.value)
    bare = {"name": part.name, "between": part.between, "role": part.role}
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


class Band(Enum):
    """Where an effect is looked at; the value is the word in sentences and JSON."""

    BASS = "bass"
    AUDIO = "audio"
    TREBLE = "treble"
    IF = "RF at 455 kHz"
    RF = "RF at 1 MHz"


_BAND_HZ = {Band.AUDIO: 1e3, Band.TREBLE: 5e3, Band.IF: 455e3, Band.RF: 1e6}


@dataclass(frozen=True, slots=True, kw_only=True)
class Sound:
    """What the stage as it should be does: the side of every comparison that stays.

    band_hz : where each band is looked at, Hz; bass at the stage's own low corner, but within 50 to 300 Hz.
    size : level of the far node per volt of the source, V/V, by band.
    wanted : the bands that are meant to be at the far node.
    low_corner_hz : None where the stage passes everything below.
    far_dc_v, drive_dc_v : None without supplies or for a floating node.
    far_dc_share : of a DC voltage at the drive node, V/V; None where the far node floats.
    """

    stage: Stage
    source_ohm: float
    band_hz: Mapping[Band, float]
    size: Mapping[Band, float]
    wanted: frozenset[Band]
    low_corner_hz: float | None
    far_dc_v: float | None
    drive_dc_v: float | None
    far_dc_share: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """What one fault does.

    change_db : by band, of the far node with the same source behind the same resistance.
    low_corner_hz, far_dc_v, drive_dc_v, far_dc_share : with the fault, as in `Sound`.
    words : short clauses by the module's rule, the gravest first; never empty.
    """

    fault: SingleFault
    change_db: Mapping[Band, float]
    low_corner_hz: float | None
    far_dc_v: float | None
    drive_dc_v: float | None
    far_dc_share: float | None
    words: tuple[str, ...]


def look_at(stage: Stage, *, source_ohm: float = FEED_OHM) -> Sound:
    """The sound stage's levels, corner and DC. Raises PathsError, DcError, NetworkError."""
    response = fed_ratio(stage, source_ohm)
    corner = _low_corner(find_corners(response))
    bass_hz = min(max(corner or 0.0, _BASS_HZ), 300.0)
    band_hz = {Band.BASS: bass_hz, **_BAND_HZ}
    sizes = np.abs(response(np.array(list(band_hz.values()))))
    _, best = best_level(response)
    far_v, drive_v = _dc(stage)
    return Sound(
        stage=stage,
        source_ohm=source_ohm,
        band_hz=MappingProxyType(band_hz),
        size=MappingProxyType({band: float(size) for band, size in zip(band_hz, sizes, strict=True)}),
        wanted=frozenset(
            band for band, size in zip(band_hz, sizes, strict=True) if size >= best * 10 ** (-WANTED_DB / 20)
        ),
        low_corner_hz=corner,
        far_dc_v=far_v,
        drive_dc_v=drive_v,
        far_dc_share=dc_share(stage),
    )


def effect_of(sound: Sound, fault: SingleFault) -> Effect:
    """What a fault changes against the sound stage. Raises as `faulty_stage` and `look_at`."""
    stage = faulty_stage(sound.stage, fault)
    response = fed_ratio(stage, sound.source_ohm)
    sizes = np.abs(response(np.array(list(sound.band_hz.values()))))
    change_db = {
        band: 20.0 * math.log10(max(float(size), _SMALLEST_SIZE) / max(sound.size[band], _SMALLEST_SIZE))
        for band, size in zip(sound.band_hz, sizes, strict=True)
    }
    far_v, drive_v = _dc(stage)
    effect = Effect(
        fault=fault,
        change_db=MappingProxyType(change_db),
        low_corner_hz=_low_corner(find_corners(response)),
        far_dc_v=far_v,
        drive_dc_v=drive_v,
        far_dc_share=dc_share(stage),
        words=(),
    )
    words = (*_signal_words(sound, effect), *_corner_words(sound, effect), *_dc_words(sound, effect))
    return replace(effect, words=words or ("hardly anything changes",))


def _bare(part: Part, kind: PartKind, value: float) -> Part:
    """A part in the same place of which nothing but the place is left."""
    return Part(name=part.name, kind=kind, between=part.between, value=value, role=part.role)


def _dc(stage: Stage) -> tuple[float | None, float | None]:
    """Far and drive node's volts; None, None where the stage has no supply."""
    if not has_supply(stage):
        return None, None
    volts = dc_volts(stage)
    return volts[stage.far], volts[stage.drive]


def _low_corner(corners: Iterable[Corner]) -> float | None:
    """The first corner, if the response rises there."""
    for corner in corners:
        return corner.frequency_hz if corner.side is Side.LOW else None
    return None


_BAND_WORDS = {Band.BASS: "bass", Band.AUDIO: "audio", Band.TREBLE: "treble"}


def _signal_words(sound: Sound, effect: Effect) -> tuple[str, ...]:
    rf = max((Band.IF, Band.RF), key=lambda band: abs(effect.change_db[band]))
    named = {**_BAND_WORDS, rf: "RF"}
    clauses: dict[str, list[str]] = {}
    for band, word in named.items():
        pattern = _pattern(effect.change_db[band], wanted=band in sound.wanted, far=sound.stage.far)
        if pattern is not None:
            clauses.setdefault(pattern, []).append(word)
    found = [_clause(pattern, words) for pattern, words in clauses.items()]
    if _loses_gain(sound, effect):
        found.append("gain is lost")
    return tuple(found)


def _pattern(change_db: float, *, wanted: bool, far: str) -> str | None:
    """A clause with {} for the band and {is} for its verb; None where nothing is to be said."""
    if wanted:
        for limit, words in ((-30.0, "{} {is} gone"), (-10.0, "{} {is} lost"), (-6.0, "{} {is} weak")):
            if change_db <= limit:
                return words
        if change_db <= -NOTICED_DB:
            return "a little less {}"
        if change_db >= 6.0:
            return "more {}"
        return "a little more {}" if change_db >= NOTICED_DB else None
    if change_db >= 6.0:
        return f"{{}} {{reach}} the {far}"
    return f"a little more {{}} {{reach}} the {far}" if change_db >= NOTICED_DB else None


def _clause(pattern: str, words: list[str]) -> str:
    one = len(words) == 1
    listed = words[0] if one else f"{', '.join(words[:-1])} and {words[-1]}"
    return pattern.replace("{}", listed).format(**{"is": "is" if one else "are", "reach": "reaches" if one else "reach"})


def _loses_gain(sound: Sound, effect: Effect) -> bool:
    roles = [part.role or "" for part in sound.stage.parts if sound.stage.far in part.between]
    bypassed = any(place in role.lower() for role in roles for place in ("cathode bypass", "screen bypass"))
    return bypassed and Band.AUDIO not in sound.wanted and effect.change_db[Band.AUDIO] >= 6.0


def _corner_words(sound: Sound, effect: Effect) -> tuple[str, ...]:
    before, after = sound.low_corner_hz, effect.low_corner_hz
    if before is None or after is None or max(before, after) < _WORDY_CORNER_HZ:
        return ()
    if not 0.8 < after / before < 1.25:
        return (f"low corner {_hertz(before)} to {_hertz(after)}",)
    return ()


def _hertz(hz: float) -> str:
    return format_quantity(hz, "Hz", 2 if hz < 99.5 else 3)


def _dc_words(sound: Sound, effect: Effect) -> tuple[str, ...]:
    stage = sound.stage
    if not has_supply(stage):
        return _share_words(sound, effect)
    found = []
    if sound.far_dc_v is not None and effect.far_dc_v is None:
        found.append(f"{stage.far} has no DC path, its DC drifts")
    elif sound.far_dc_v is not None and effect.far_dc_v is not None:
        change = effect.far_dc_v - sound.far_dc_v
        if abs(change) > max(0.05, 0.01 * abs(sound.far_dc_v)):
            found.append(_moved(stage.far, sound.far_dc_v, effect.far_dc_v))
    if sound.drive_dc_v is not None and effect.drive_dc_v is None:
        found.append(f"{stage.drive} has no DC path")
    elif sound.drive_dc_v is not None and effect.drive_dc_v is not None:
        change = effect.drive_dc_v - sound.drive_dc_v
        if abs(change) > max(0.05, 0.1 * abs(sound.drive_dc_v)):
            found.append(_moved(stage.drive, sound.drive_dc_v, effect.drive_dc_v))
    return tuple(found)


def _moved(node: str, before_v: float, after_v: float) -> str:
    change_v = after_v - before_v
    if abs(before_v) < 0.05 and change_v > 0:
        return f"{node} goes positive by {volts_words(change_v)}"
    way = "rises" if change_v > 0 else "falls"
    return f"DC on {node} {way} from {volts_words(before_v)} to {volts_words(after_v)}"


def volts_words(volts: float) -> str:
    """Three figures down to millivolts, below that "0 V"."""
    return "0 V" if abs(volts) < 5e-4 else format_quantity(volts, "V")


def _share_words(sound: Sound, effect: Effect) -> tuple[str, ...]:
    """A stage without supplies: what becomes of a DC voltage at the drive node."""
    before, after = sound.far_dc_share, effect.far_dc_share
    if before is None or after is None:
        return () if before is after else (f"{sound.stage.far} has no DC path",)
    if before > 0.01 and after < 0.99 * before:
        lost = 1.0 - after / before
        return (f"{'all' if lost > 0.995 else f'{lost * 100:.0f} %'} of the DC on {sound.stage.far} is lost",)
    if after > before + 0.01:
        return (f"{(after - before) * 100:.0f} % more of the {sound.stage.drive}'s DC arrives",)
    return ()
