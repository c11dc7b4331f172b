"""What a single fault would do: the difference in decibels, volts and words.

Owns the comparison of the sound with the faulty stage and the rule by which numbers become words. It is theory about
stated values: what a real part has is for `hypotheses` and the measurement.

A fault's effect is the change of the far node's level with the same source behind the same resistance (`FEED_OHM`
unless another is given): against the drive node alone, a bypass there could never show.

The rule. A band (bass, audio, treble, RF) counts as *wanted* at the far node where the sound stage passes it within
`WANTED_DB` of its best frequency, else as *kept off*; bass is wanted only where audio is. Smaller changes than these
get no words:

=============  ======================  ==================================
change         wanted band             kept-off band
=============  ======================  ==================================
-30 dB, less   "audio is gone"
-10 dB, less   "audio is lost"
-6 dB, less    "audio is weak"
-2 dB, less    "a little less audio"
+2 dB, more    "a little more audio"   "a little more audio reaches the ..."
+6 dB, more    "more audio"
+10 dB, more                           "audio reaches the ..."
=============  ======================  ==================================

Bands with the same words are named together; of 455 kHz and 1 MHz the larger change stands for RF. Audio that reaches
a far node bypassed for a cathode or a screen (by the part's role) is signal that the valve loses: "gain is lost" is
added. A drive node that loses its DC path or all but a hundredth of its DC volts carries no current: that is said in
place of the bands, whose decibels then only tell what the passive parts would do. So is a drive node that loses 20 dB
of the signal at 1 kHz where no wanted band says so. The low corner is named when it moves by a quarter or more and
lies in 5 Hz to 1 kHz. DC is named when the far node's volts change by more than 0.05 V and 1 %, when the drive node's
change by a tenth, and when either loses its DC path.
The limits are working values (common practice, no source): 3 dB is just noticed in a programme, 6 dB is plain.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import Enum
from types import MappingProxyType

import numpy as np

from twonode.analysis.corners import Corner, Side, best_level, find_corners
from twonode.analysis.dc_division import dc_share, dc_volts, has_supply
from twonode.analysis.paths import fed_ratio, signal_paths
from twonode.analysis.quantities import format_quantity
from twonode.analysis.single_fault import SingleFault, faulty_stage
from twonode.analysis.stage import Stage

__all__ = [
    "FEED_OHM",
    "NOTICED_DB",
    "WANTED_DB",
    "Band",
    "Effect",
    "Sound",
    "effect_of",
    "look_at",
    "volts_words",
]

FEED_OHM = 1e6
"""Source resistance where none is given: a pentode's anode resistance, which all but forces its signal current into
the drive node (common practice, no source; triodes have 5 k to 100 k)."""

WANTED_DB = 12.0
NOTICED_DB = 2.0

_BASS_HZ = 50.0
_WORDY_CORNER_HZ = 5.0
# Keeps a far node that gets nothing at all (an open part beside no other) out of the logarithm.
_SMALLEST_SIZE = 1e-15


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
    drive_size : level of the drive node at 1 kHz, V/V.
    far_dc_v, drive_dc_v : 0 V where the stage has no supply; None for a floating node.
    far_dc_share : of a DC voltage at the drive node, V/V; None where the far node floats.
    """

    stage: Stage
    source_ohm: float
    band_hz: Mapping[Band, float]
    size: Mapping[Band, float]
    wanted: frozenset[Band]
    drive_size: float
    low_corner_hz: float | None
    far_dc_v: float | None
    drive_dc_v: float | None
    far_dc_share: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """What one fault does.

    change_db : by band, of the far node with the same source behind the same resistance.
    drive_change_db : of the drive node at 1 kHz.
    low_corner_hz, far_dc_v, drive_dc_v, far_dc_share : with the fault, as in `Sound`.
    words : short clauses by the module's rule, the gravest first; never empty.
    """

    fault: SingleFault
    change_db: Mapping[Band, float]
    drive_change_db: float
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
    wanted = {
        band for band, size in zip(band_hz, sizes, strict=True) if size >= best * 10 ** (-WANTED_DB / 20)
    }
    if Band.AUDIO not in wanted:
        wanted.discard(Band.BASS)
    volts = dc_volts(stage)
    return Sound(
        stage=stage,
        source_ohm=source_ohm,
        band_hz=MappingProxyType(band_hz),
        size=MappingProxyType({band: float(size) for band, size in zip(band_hz, sizes, strict=True)}),
        wanted=frozenset(wanted),
        drive_size=_drive_size(stage, source_ohm),
        low_corner_hz=corner,
        far_dc_v=volts[stage.far],
        drive_dc_v=volts[stage.drive],
        far_dc_share=dc_share(stage),
    )


def effect_of(sound: Sound, fault: SingleFault) -> Effect:
    """What a fault changes against the sound stage. Raises as `faulty_stage` and `look_at`."""
    stage = faulty_stage(sound.stage, fault)
    response = fed_ratio(stage, sound.source_ohm)
    sizes = np.abs(response(np.array(list(sound.band_hz.values()))))
    volts = dc_volts(stage)
    effect = Effect(
        fault=fault,
        change_db=MappingProxyType(
            {
                band: _change_db(sound.size[band], float(size))
                for band, size in zip(sound.band_hz, sizes, strict=True)
            }
        ),
        drive_change_db=_change_db(sound.drive_size, _drive_size(stage, sound.source_ohm)),
        low_corner_hz=_low_corner(find_corners(response)),
        far_dc_v=volts[stage.far],
        drive_dc_v=volts[stage.drive],
        far_dc_share=dc_share(stage),
        words=(),
    )
    return replace(effect, words=_words(sound, effect) or ("hardly anything changes",))


def _drive_size(stage: Stage, source_ohm: float) -> float:
    """Level of the drive node at 1 kHz per volt of the source."""
    fed = signal_paths(stage, [_BAND_HZ[Band.AUDIO]], source_ohm=source_ohm).fed
    assert fed is not None
    return float(np.abs(fed[0, 0]))


def _change_db(before: float, after: float) -> float:
    return 20.0 * math.log10(max(after, _SMALLEST_SIZE) / max(before, _SMALLEST_SIZE))


def _low_corner(corners: Iterable[Corner]) -> float | None:
    """The first corner, if the response rises there."""
    for corner in corners:
        return corner.frequency_hz if corner.side is Side.LOW else None
    return None


_BAND_WORDS = {Band.BASS: "bass", Band.AUDIO: "audio", Band.TREBLE: "treble"}


def _words(sound: Sound, effect: Effect) -> tuple[str, ...]:
    dead = _dead_words(sound, effect)
    if dead:
        return (*dead, *_far_dc_words(sound, effect))
    return (*_signal_words(sound, effect), *_dc_words(sound, effect), *_corner_words(sound, effect))


def _dead_words(sound: Sound, effect: Effect) -> tuple[str, ...]:
    """A drive node that can carry no current any more."""
    drive, before, after = sound.stage.drive, sound.drive_dc_v, effect.drive_dc_v
    if before is not None and after is None:
        return (f"{drive} has no DC path: no current, no signal",)
    if before is not None and after is not None and abs(before) > 1.0 and abs(after) < 0.01 * abs(before):
        return (f"no DC left on {drive}: no signal from its valve",)
    return ()


def _signal_words(sound: Sound, effect: Effect) -> tuple[str, ...]:
    rf = max((Band.IF, Band.RF), key=lambda band: abs(effect.change_db[band]))
    named = {**_BAND_WORDS, rf: "RF"}
    clauses: dict[str, list[str]] = {}
    for band, word in named.items():
        pattern = _pattern(effect.change_db[band], wanted=band in sound.wanted, far=sound.stage.far)
        if pattern is not None:
            clauses.setdefault(pattern, []).append(word)
    found = [_clause(pattern, words) for pattern, words in clauses.items()]
    if effect.drive_change_db <= -20.0 and not sound.wanted:
        found.append(f"no signal left on {sound.stage.drive}")
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
    if change_db >= 10.0:
        return f"{{}} {{reach}} the {far}"
    return f"a little more {{}} {{reach}} the {far}" if change_db >= NOTICED_DB else None


def _clause(pattern: str, words: list[str]) -> str:
    one = len(words) == 1
    listed = words[0] if one else f"{', '.join(words[:-1])} and {words[-1]}"
    return pattern.replace("{}", listed).format(
        **{"is": "is" if one else "are", "reach": "reaches" if one else "reach"}
    )


def _loses_gain(sound: Sound, effect: Effect) -> bool:
    roles = [part.role or "" for part in sound.stage.parts if sound.stage.far in part.between]
    bypassed = any(place in role.lower() for role in roles for place in ("cathode bypass", "screen bypass"))
    return bypassed and Band.AUDIO not in sound.wanted and effect.change_db[Band.AUDIO] >= 6.0


def _corner_words(sound: Sound, effect: Effect) -> tuple[str, ...]:
    before, after = sound.low_corner_hz, effect.low_corner_hz
    if before is None or after is None or not _WORDY_CORNER_HZ < max(before, after) < _BAND_HZ[Band.AUDIO]:
        return ()
    if not 0.8 < after / before < 1.25:
        return (f"low corner {_hertz(before)} to {_hertz(after)}",)
    return ()


def _hertz(hz: float) -> str:
    return format_quantity(hz, "Hz", 2 if hz < 99.5 else 3)


def _dc_words(sound: Sound, effect: Effect) -> tuple[str, ...]:
    found = list(_far_dc_words(sound, effect))
    before, after = sound.drive_dc_v, effect.drive_dc_v
    if before is None or after is None or abs(after - before) <= max(0.05, 0.1 * abs(before)):
        return tuple(found)
    far_v = sound.far_dc_v, effect.far_dc_v
    if None in far_v or not np.allclose((before, after), np.array(far_v, dtype=float), rtol=1e-3):
        found.append(_moved(sound.stage.drive, before, after))
    return tuple(found)


def _far_dc_words(sound: Sound, effect: Effect) -> tuple[str, ...]:
    before, after = sound.far_dc_v, effect.far_dc_v
    if before is not None and after is None:
        return (f"{sound.stage.far} has no DC path, its DC drifts",)
    if not has_supply(sound.stage):
        return _share_words(sound, effect)
    if before is None or after is None or abs(after - before) <= max(0.05, 0.01 * abs(before)):
        return ()
    return (_moved(sound.stage.far, before, after),)


def _moved(node: str, before_v: float, after_v: float) -> str:
    change_v = after_v - before_v
    if abs(before_v) > 1.0 and abs(after_v) < 0.01 * abs(before_v):
        return f"no DC left on {node}"
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
        return ()
    if before > 0.01 and after < 0.99 * before:
        lost = 1.0 - after / before
        return (f"{'all' if lost > 0.995 else f'{lost * 100:.0f} %'} of the DC on {sound.stage.far} is lost",)
    if after > before + 0.01:
        return (f"{(after - before) * 100:.0f} % more of the {sound.stage.drive}'s DC arrives",)
    return ()
