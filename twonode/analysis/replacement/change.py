"""What another value changes: corner, loss, time constant, ripple, tuning; and what a leak takes from an AVC line.

Owns the closed forms. They take the capacitor as ideal and the resistances as given.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from twonode.analysis.replacement.role import Changes

__all__ = [
    "AVC_LEAST_TIMES",
    "AtFrequency",
    "AvcLeakage",
    "Change",
    "Surroundings",
    "avc_leakage",
    "avc_lost",
    "change",
    "corner_hz",
    "loss_db",
    "seen_ohm",
]

_LOW_HZ = (50.0, 100.0)
_HIGH_HZ = (5e3, 10e3)
_RIPPLE_HZ = (100.0, 120.0)
AVC_LEAST_TIMES = 20.0
"""Ohms of a leak over those of the resistor that feeds an AVC line, below which the part is replaced: the shipped
limit of `leakage_limits` (Silicon Chip magazine, Troublesome capacitors, part 2; quoted, not opened)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What the capacitor works with, as far as the person said.

    next_ohm : coupling: the grid leak it feeds; bypass: the resistor it bypasses; AVC: the resistor that feeds it.
    source_ohm : what feeds it: the anode load in parallel with the valve's anode resistance.
    at_hz : frequencies to look at; empty for those usual in the position.
    """

    next_ohm: float | None = None
    source_ohm: float | None = None
    at_hz: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AtFrequency:
    """One frequency: reactance of the new value; loss with the new and the old one where that is defined."""

    frequency_hz: float
    reactance_ohm: float
    loss_db: float | None
    was_loss_db: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """What a new value does in its position; None for what does not apply or cannot be known.

    ripple_db : of the ripple of this filter section, for the same load; tuning : fraction of the frequency, if the
    part is the whole tuning capacitance.
    """

    corner_hz: float | None = None
    was_corner_hz: float | None = None
    at: tuple[AtFrequency, ...] = ()
    time_constant_s: float | None = None
    was_time_constant_s: float | None = None
    ripple_db: float | None = None
    tuning: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AvcLeakage:
    """What leakage costs on an AVC line: with `least_ohm` across the part, `lost` of the control voltage."""

    feed_ohm: float
    least_ohm: float
    lost: float


def avc_lost(feed_ohm: float, leak_ohm: float) -> float:
    """Share of the control voltage that a leak to ground takes: the divider of the two."""
    return feed_ohm / (feed_ohm + leak_ohm)


def avc_leakage(feed_ohm: float) -> AvcLeakage:
    """The least ohms that the new part may have across it, and what they cost."""
    least_ohm = AVC_LEAST_TIMES * feed_ohm
    return AvcLeakage(feed_ohm=feed_ohm, least_ohm=least_ohm, lost=avc_lost(feed_ohm, least_ohm))


def corner_hz(resistance_ohm: float, value_farad: float) -> float:
    """1 / (2 pi R C)."""
    return 1.0 / (2.0 * math.pi * resistance_ohm * value_farad)


def loss_db(ratio: float) -> float:
    """Loss of a first-order network at ``ratio``: frequency over corner below it, corner over frequency above it.

    10 log10(1 + 1/ratio^2) dB: a coupling network with ratio r = f/fc.
    """
    return 10.0 * math.log10(1.0 + 1.0 / ratio**2)


def seen_ohm(changes: Changes, surroundings: Surroundings) -> float | None:
    """The resistance that makes the corner with the capacitor; None where --next is not known.

    In series with a coupling or AVC capacitor the resistances add; across a bypass they lie in parallel.
    """
    next_ohm, source_ohm = surroundings.next_ohm, surroundings.source_ohm
    if next_ohm is None:
        return None
    if changes in (Changes.LOW_FREQUENCIES, Changes.TIME_CONSTANT):
        return next_ohm + (source_ohm or 0.0)
    return next_ohm if source_ohm is None else next_ohm * source_ohm / (next_ohm + source_ohm)


def change(changes: Changes, old_farad: float, new_farad: float, surroundings: Surroundings) -> Change:
    """What ``new_farad`` does where ``old_farad`` was."""
    if changes is Changes.TUNING:
        return Change(tuning=math.sqrt(old_farad / new_farad) - 1.0)
    if changes is Changes.RIPPLE:
        at = tuple(_reactance(hz, new_farad) for hz in surroundings.at_hz or _RIPPLE_HZ)
        return Change(ripple_db=20.0 * math.log10(old_farad / new_farad), at=at)
    resistance = seen_ohm(changes, surroundings)
    if resistance is None or changes is Changes.LINE_CURRENT:
        return Change()
    corner, was = corner_hz(resistance, new_farad), corner_hz(resistance, old_farad)
    if changes is Changes.TIME_CONSTANT:
        return Change(
            corner_hz=corner,
            was_corner_hz=was,
            time_constant_s=resistance * new_farad,
            was_time_constant_s=resistance * old_farad,
        )
    usual = _HIGH_HZ if changes is Changes.HIGH_FREQUENCIES else _LOW_HZ
    at = tuple(_at(changes, hz, corner, was, new_farad) for hz in surroundings.at_hz or usual)
    return Change(corner_hz=corner, was_corner_hz=was, at=at)


def _reactance(frequency_hz: float, farad: float) -> AtFrequency:
    reactance = 1.0 / (2.0 * math.pi * frequency_hz * farad)
    return AtFrequency(frequency_hz=frequency_hz, reactance_ohm=reactance, loss_db=None, was_loss_db=None)


def _at(changes: Changes, hz: float, corner: float, was: float, farad: float) -> AtFrequency:
    bare = _reactance(hz, farad)
    if changes is Changes.BYPASSED_FROM:
        # A bypassed valve's gain falls to a shelf that depends on the valve: no loss without its data.
        return bare
    below = changes is Changes.LOW_FREQUENCIES
    loss, was_loss = (loss_db(hz / fc if below else fc / hz) for fc in (corner, was))
    return AtFrequency(frequency_hz=hz, reactance_ohm=bare.reactance_ohm, loss_db=loss, was_loss_db=was_loss)
