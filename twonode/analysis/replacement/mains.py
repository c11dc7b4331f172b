"""Positions at the mains: the safety class, values no larger than safe, and the current each lets through.

Owns the only suggestions that are made there. No rated DC voltage, no ordinary dielectric and no combination of
parts is ever offered: a part of the wrong class between line and chassis can kill whoever touches the set.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from twonode.analysis.preferred import Series, nearest, neighbours, values
from twonode.analysis.replacement.change import Change
from twonode.analysis.replacement.errors import ReplacementError
from twonode.analysis.replacement.role import Role, SafetyClass, facts_of
from twonode.analysis.replacement.values import Opinion, Suggestion, check_value, series_holding

__all__ = [
    "USUAL_LINES",
    "Line",
    "LineCurrent",
    "MainsAdvice",
    "capacitor_current_a",
    "mains_advice",
]

Y_CEILING_FARAD = 4.7e-9
"""Largest Y part that is suggested (a ceiling quoted on amateur radio forums)."""
Y_CURRENT_A = 0.23e-3
"""A service leaflet rejects a set with 0.35 V across 1500 ohm beside 0.15 uF to earth: 0.23 mA."""
X_CEILING_FARAD = 1e-6
"""IEC 60384-14 classes X1 and X2: the impulse tests hold up to 1 uF (read in a maker's page)."""
BLEEDER_FARAD = 100e-9
"""Above this the plug's pins stay charged dangerously without a bleeder (from memory)."""
Y_TOLERANCE = 0.2
"""Such parts are commonly made to 20 % (common practice, no source)."""

_HIGHER_HZ = 60.0  # of the two line frequencies the one that lets more current through
_LEAST_LINE_V, _MOST_LINE_V = 50.0, 500.0
_LEAST_HZ, _MOST_HZ = 10.0, 500.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """Volts RMS and frequency of the mains."""

    volts: float
    frequency_hz: float

    def __post_init__(self) -> None:
        # Written so that NaN fails too.
        if not (_LEAST_LINE_V <= self.volts <= _MOST_LINE_V and _LEAST_HZ <= self.frequency_hz <= _MOST_HZ):
            raise ReplacementError(
                f"A line of {self.volts:g} V at {self.frequency_hz:g} Hz cannot be used.",
                "The current through a part at the mains is worked out from it.",
                "Give RMS volts from 50 to 500 and a frequency from 10 to 500 Hz, such as --line 120V "
                "--line-frequency 60Hz.",
            )


USUAL_LINES = (Line(volts=120.0, frequency_hz=60.0), Line(volts=230.0, frequency_hz=50.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class LineCurrent:
    """What one value lets through on one line. high_a : with a part 20 % above its value."""

    value_farad: float
    line: Line
    current_a: float
    high_a: float
    old: bool
    suggested: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class MainsAdvice:
    """What may go in at the mains.

    suggestions : rising; empty where nothing safe comes near. currents : of the old value and of each suggestion.
    assumed_line : the line was not given; the usual ones are shown, and every suggestion is safe on all of them.
    """

    safety: SafetyClass
    lines: tuple[Line, ...]
    assumed_line: bool
    suggestions: tuple[Suggestion, ...]
    currents: tuple[LineCurrent, ...]
    limits: tuple[str, ...]
    cautions: tuple[str, ...]


def capacitor_current_a(value_farad: float, line: Line) -> float:
    """RMS current through a capacitor across the line: 2 pi f C V."""
    return 2.0 * math.pi * line.frequency_hz * value_farad * line.volts


def mains_advice(
    value_farad: float, role: Role, *, line_v: float | None = None, line_hz: float | None = None
) -> MainsAdvice:
    """Advice for a position at the mains.

    line_v, line_hz : volts RMS and frequency; without volts the usual lines, without a frequency 60 Hz, which lets
    more through than 50 Hz.

    Raises ReplacementError for an impossible value or line, ValueError for a position away from the mains.
    """
    check_value(value_farad)
    safety = facts_of(role).safety
    if safety is None:
        raise ValueError("role: not at the mains")
    lines = _lines(line_v, line_hz)
    candidates = _y_values(value_farad, lines) if safety is SafetyClass.Y else _x_values(value_farad)
    chosen = _closest(value_farad, candidates)
    suggestions = tuple(
        _suggestion(value_farad, each, safety, recommended=each == chosen) for each in candidates
    )
    shown = sorted({value_farad, *candidates})
    currents = tuple(
        LineCurrent(
            value_farad=each,
            line=line,
            current_a=capacitor_current_a(each, line),
            high_a=capacitor_current_a(each * (1 + Y_TOLERANCE), line),
            old=each == value_farad,
            suggested=each in candidates,
        )
        for line in lines
        for each in shown
    )
    return MainsAdvice(
        safety=safety,
        lines=lines,
        assumed_line=line_v is None,
        suggestions=suggestions,
        currents=currents,
        limits=_limits(safety),
        cautions=_cautions(value_farad, safety, suggestions),
    )


def _lines(line_v: float | None, line_hz: float | None) -> tuple[Line, ...]:
    if line_v is None:
        if line_hz is not None:
            raise ReplacementError(
                "A line frequency was given without the line voltage.",
                "The current through the part follows from both.",
                "Add the voltage: --line 120V --line-frequency 60Hz.",
            )
        return USUAL_LINES
    return (Line(volts=line_v, frequency_hz=_HIGHER_HZ if line_hz is None else line_hz),)


def _y_values(old_farad: float, lines: tuple[Line, ...]) -> tuple[float, ...]:
    """At most three E6 values, none that lets too much through on any line, none more than 20 % above the old."""
    most = min(old_farad * 1.2, Y_CEILING_FARAD)
    safe = [
        each
        for each in values(Series.E6, most / 10.0, most)
        if all(capacitor_current_a(each, line) <= Y_CURRENT_A for line in lines)
    ]
    return tuple(safe[-3:])


def _x_values(old_farad: float) -> tuple[float, ...]:
    """E6 values within 20 %, or E12 where there is none."""
    if old_farad > X_CEILING_FARAD * 1.2:
        return ()
    for series in (Series.E6, Series.E12):
        near = {nearest(old_farad, series), *neighbours(old_farad, series)}
        fit = sorted(each for each in near if abs(each / old_farad - 1) <= 0.2 + 1e-9)
        if fit:
            return tuple(each for each in fit if each <= X_CEILING_FARAD * (1 + 1e-9))
    return ()


def _closest(old_farad: float, candidates: tuple[float, ...]) -> float | None:
    return min(candidates, key=lambda each: abs(each - old_farad), default=None)


def _suggestion(old_farad: float, value: float, safety: SafetyClass, *, recommended: bool) -> Suggestion:
    deviation = round(value / old_farad - 1.0, 9) + 0.0
    if safety is SafetyClass.Y and deviation < -0.2:
        because = "the old value is not copied: the current to the chassis counts, not the value"
    elif recommended:
        because = "the nearest"
    else:
        because = "lets less through" if deviation < 0 else "the next higher within 20 %"
    return Suggestion(
        value_farad=value,
        parts_farad=(value,),
        series=series_holding(value),
        opinions=(Opinion.SAFETY,),
        deviation=deviation,
        within=abs(deviation) <= 0.2 + 1e-9,
        recommended=recommended,
        because=because,
        change=Change(),
        safety=safety,
    )


def _limits(safety: SafetyClass) -> tuple[str, ...]:
    if safety is SafetyClass.Y:
        return (
            "at most 4.7 nF (a ceiling quoted on amateur radio forums)",
            "at most 0.23 mA at the value as marked (a service leaflet rejects a set from there; local codes may ask "
            "for less)",
        )
    return ("at most 1 µF (IEC 60384-14, read in a maker's page)",)


def _cautions(old_farad: float, safety: SafetyClass, suggestions: tuple[Suggestion, ...]) -> tuple[str, ...]:
    said = [
        f"Class {safety.value} only, marked so with an approval mark, certified for this line's voltage. No other "
        "part, no DC rating and no combination replaces it, whatever volts are printed on it.",
    ]
    if safety is SafetyClass.Y:
        said.append("Never a class X part here: it may fail shorted, and the chassis is then the mains.")
        said.append(
            "The current flows through whoever touches the metal and earth. The currents of all parts from line to "
            "chassis add up; measure the exposed metal's leakage afterwards."
        )
        if old_farad > Y_CEILING_FARAD * 1.2 and suggestions:
            said.append("The old value was made before today's limits: do not copy it.")
    else:
        said.append("A class Y part may stand here too; a class X part never from line to chassis.")
        if max((each.value_farad for each in suggestions), default=old_farad) > BLEEDER_FARAD * (1 + 1e-9):
            said.append(
                "Above 100 nF the plug's pins stay charged: a bleeder of a type made for the mains goes across it."
            )
    if not suggestions:
        said.append("No safe value comes near the old one: leave this to licensed practice.")
    said.append("Local electrical codes and licensed practice come first; this program permits nothing.")
    return tuple(said)
