"""A stage whose values and faults somebody turns: what it does then, fast enough to follow the hand.

Owns the knobs' law (a decade either way, by the logarithm) and what is worked out after each turn. The theory is that
of `paths`, `what_if` and `dc_division`; every change is seen against the stage as it is stated.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.corners import Corner
from twonode.analysis.dc_division import dc_volts, has_supply
from twonode.analysis.explain import node_words, opening_words, way_words
from twonode.analysis.paths import SignalPaths, decibels, fed_ratio, signal_paths, stage_corners
from twonode.analysis.single_fault import (
    LEAK_OHM,
    FaultKind,
    SingleFault,
    fault_words,
    faulty_stage,
    possible_faults,
)
from twonode.analysis.stage import Part, PartKind, Stage
from twonode.analysis.what_if import FEED_OHM, Sound, effect_of, look_at

__all__ = [
    "AUDIO_HZ",
    "RF_HZ",
    "SHOWN_HZ",
    "Knob",
    "Seen",
    "Share",
    "Turned",
    "knobs_of",
    "see",
]

Real = NDArray[np.float64]

AUDIO_HZ, RF_HZ = 1e3, 455e3
SHOWN_HZ: Real = np.geomspace(5.0, 5e6, 181)
"""Frequencies of the curve."""

_ALONE = {FaultKind.OPEN, FaultKind.SHORTED}
_OFFERED = (FaultKind.OPEN, FaultKind.SHORTED, FaultKind.LEAKY, FaultKind.OFF)
_USUAL_DRIFT = {PartKind.CAPACITOR: -0.3, PartKind.RESISTOR: 0.3, PartKind.INDUCTOR: -0.3}
"""Decades that a part is off where nobody says: to half the value, of a resistor to twice (common practice, no
source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Knob:
    """One part that can be turned.

    faults : what may be wrong with it, most extreme first. usual_decades : how far it is off where nobody says.
    leak_ohm : of a leak that is not stated otherwise.
    """

    part: Part
    faults: tuple[FaultKind, ...]
    usual_decades: float
    leak_ohm: float = LEAK_OHM

    def value(self, decades: float) -> float:
        """F, ohm or H so many decades from the stated value."""
        return float(self.part.value * 10.0**decades)

    def leak(self, decades: float) -> float:
        """Ohm of a leak so many decades from the usual one."""
        return float(self.leak_ohm * 10.0**decades)


def knobs_of(stage: Stage) -> tuple[Knob, ...]:
    """A knob for every part but supplies, in the order of the stage's parts; strays have a value only."""
    return tuple(
        Knob(
            part=part,
            faults=tuple(
                kind
                for kind in _OFFERED
                if kind in possible_faults(part) and (part.role != "stray" or kind is FaultKind.OFF)
            ),
            usual_decades=_USUAL_DRIFT[part.kind],
        )
        for part in stage.parts
        if part.kind is not PartKind.SUPPLY
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Turned:
    """A stage as it is stated, and what is wrong with it now.

    faults : by part name; a part that is not in it is as stated. source_ohm : of what feeds the drive node.
    """

    stage: Stage
    faults: Mapping[str, SingleFault] = field(default_factory=lambda: MappingProxyType({}))
    source_ohm: float = FEED_OHM

    def with_fault(self, part: str, fault: SingleFault | None) -> Turned:
        """The same with another fault of one part, or none."""
        others = {name: each for name, each in self.faults.items() if name != part}
        if fault is not None:
            others[part] = fault
        return replace(self, faults=MappingProxyType(others))

    def now(self) -> Stage:
        """The stage with all its faults. Raises FaultError, StageError."""
        stage = self.stage
        for fault in self.faults.values():
            stage = faulty_stage(stage, fault)
        return stage


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """One way of the signal current: its share of audio and of RF, 0 to 1, as stated and now."""

    way: str
    audio: float
    rf: float
    audio_stated: float
    rf_stated: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What a turned stage does.

    values : by part, what it is worth now, SI; parts that are open or shorted are left out. words : by faulty part.
    leaving : ways from the drive node; ground : where the current ends, empty where the two are the same.
    stated_db, now_db : level of the far node against the source at `SHOWN_HZ`, dB.
    corners : of the curve now. dc : node to volts as stated and now, None for a floating node; None without a supply.
    sentence : what the stage does now. effects : what each fault does, by itself where there are several.
    """

    values: Mapping[str, float]
    words: Mapping[str, str]
    leaving: tuple[Share, ...]
    ground: tuple[Share, ...]
    stated_db: Real
    now_db: Real
    corners: tuple[Corner, ...]
    dc: Mapping[str, tuple[float | None, float | None]] | None
    sentence: str
    effects: tuple[str, ...]


class See:
    """What does not change while the hand turns: kept, so that a turn costs little."""

    def __init__(self, stage: Stage, source_ohm: float) -> None:
        self.stage, self.source_ohm = stage, source_ohm
        self.sound: Sound = look_at(stage, source_ohm=source_ohm)
        self.paths = signal_paths(stage, [AUDIO_HZ, RF_HZ], source_ohm=source_ohm)
        self.db = decibels(fed_ratio(stage, source_ohm)(SHOWN_HZ))
        self.dc = dc_volts(stage) if has_supply(stage) else None


def see(turned: Turned, before: See | None = None) -> tuple[Seen, See]:
    """What the stage does now, and what the next call may be given as ``before``.

    Raises PathsError, NetworkError, DcError, FaultError.
    """
    stated = before
    if stated is None or stated.stage is not turned.stage or stated.source_ohm != turned.source_ohm:
        stated = See(turned.stage, turned.source_ohm)
    stage = turned.now()
    paths = signal_paths(stage, [AUDIO_HZ, RF_HZ], source_ohm=turned.source_ohm)
    volts = None if stated.dc is None else dc_volts(stage)
    leaving = _leaving(stated.paths, paths)
    ground = _ground(stated.paths, paths)
    return (
        Seen(
            values=_values(turned),
            words={name: _short_words(fault) for name, fault in turned.faults.items()},
            leaving=leaving,
            ground=() if [each.audio for each in ground] == [each.audio for each in leaving] else ground,
            stated_db=stated.db,
            now_db=decibels(fed_ratio(stage, turned.source_ohm)(SHOWN_HZ)),
            corners=stage_corners(stage, source_ohm=turned.source_ohm),
            dc=None
            if volts is None or stated.dc is None
            else {node: (was, volts.get(node)) for node, was in stated.dc.items()},
            sentence=opening_words(stage, source_ohm=turned.source_ohm),
            effects=tuple(_effect(stated.sound, fault) for fault in turned.faults.values()),
        ),
        stated,
    )


def _values(turned: Turned) -> dict[str, float]:
    values = {}
    for part in turned.stage.parts:
        fault = turned.faults.get(part.name)
        if fault is None or fault.kind not in _ALONE:
            off = fault is not None and fault.kind is FaultKind.OFF and fault.amount is not None
            values[part.name] = float(fault.amount) if off and fault and fault.amount else part.value
    return values


def _short_words(fault: SingleFault) -> str:
    """For the drawing, where there is little room and the value stands above it."""
    return "off value" if fault.kind is FaultKind.OFF else fault.kind.value


def _effect(sound: Sound, fault: SingleFault) -> str:
    said = "; ".join(effect_of(sound, fault).words)
    return f"{fault.part} {fault_words(fault, sound.stage)}: {said}."


def _leaving(stated: SignalPaths, now: SignalPaths) -> tuple[Share, ...]:
    """The ways out of the drive node; a fault changes what is in a place, never the place."""
    was = {branch.part: branch.share for branch in stated.leaving(stated.drive)}
    return tuple(
        Share(
            way=f"{branch.part} to {node_words(branch.end)}",
            audio=float(branch.share[0]),
            rf=float(branch.share[1]),
            audio_stated=float(was[branch.part][0]) if branch.part in was else 0.0,
            rf_stated=float(was[branch.part][1]) if branch.part in was else 0.0,
        )
        for branch in now.leaving(now.drive)
    )


def _ground(stated: SignalPaths, now: SignalPaths) -> tuple[Share, ...]:
    was = {branch.part: branch.share for branch in stated.ground}
    return tuple(
        Share(
            way=way_words(branch),
            audio=float(branch.share[0]),
            rf=float(branch.share[1]),
            audio_stated=float(was[branch.part][0]) if branch.part in was else 0.0,
            rf_stated=float(was[branch.part][1]) if branch.part in was else 0.0,
        )
        for branch in now.ground
    )
