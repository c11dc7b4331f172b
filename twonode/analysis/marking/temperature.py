"""Temperature codes of ceramic parts: C0G, U2J, X7R, Z5U, N750, P100, 2E6, CG.

Owns the tables and the words. Class 1 parts move along a line, class 2 parts within limits.
"""

from __future__ import annotations

import re

from twonode.analysis.marking import sources
from twonode.analysis.marking.model import Source, TemperatureCharacteristic

__all__ = ["CODE_PATTERN", "slope", "temperature_meanings"]

# EIA-198 class 1: figure, multiplier, spread.
_FIGURE = {
    "C": 0.0,
    "B": 0.3,
    "L": 0.8,
    "A": 0.9,
    "M": 1.0,
    "P": 1.5,
    "R": 2.2,
    "S": 3.3,
    "T": 4.7,
    "V": 5.6,
    "U": 7.5,
}
_MULTIPLIER = {"0": -1, "1": -10, "2": -100, "3": -1000, "4": 1, "6": 10, "7": 100, "8": 1000}
_SPREAD = {"G": 30, "H": 60, "J": 120, "K": 250, "L": 500, "M": 1000, "N": 2500}
# EIA-198 class 2. (One table that was read prints 7 as +120 and Z as -10: errors.)
_LOWEST = {"X": -55, "Y": -30, "Z": 10}
_HIGHEST = {"2": 45, "4": 65, "5": 85, "6": 105, "7": 125, "8": 150}
_CHANGE = {
    "A": (0.01, 0.01),
    "B": (0.015, 0.015),
    "C": (0.022, 0.022),
    "D": (0.033, 0.033),
    "E": (0.047, 0.047),
    "F": (0.075, 0.075),
    "P": (0.1, 0.1),
    "R": (0.15, 0.15),
    "S": (0.22, 0.22),
    "T": (0.33, 0.22),
    "U": (0.56, 0.22),
    "V": (0.82, 0.22),
}
# IEC 60384-8 (slope, spread) and 60384-9 (change, range).
_IEC_SLOPE = {
    "A": 100,
    "B": 33,
    "C": 0,
    "H": -33,
    "L": -75,
    "P": -150,
    "R": -220,
    "S": -330,
    "T": -470,
    "U": -750,
    "V": -1500,
}
_IEC_SPREAD = {"F": 15, "G": 30, "H": 60, "J": 120, "K": 250}
_IEC_CHANGE = {
    "B": (0.1, 0.1),
    "C": (0.2, 0.2),
    "D": (0.3, 0.2),
    "E": (0.56, 0.22),
    "F": (0.8, 0.3),
    "R": (0.15, 0.15),
    "X": (0.15, 0.15),
}
_IEC_RANGE = {"1": (-55, 125), "2": (-55, 85), "3": (-40, 85), "4": (-25, 85), "5": (-10, 70), "6": (10, 85)}

CODE_PATTERN = r"(?:[CBLAMPRSTVU][0-4678][GHJKLMN]|[XYZ][245678][ABCDEFPRSTUV])"
"""Three characters of EIA-198, as they follow a value without a space."""

# The slopes that the tables of class 1 and the ceramic colours hold, and the N4200 of catalogues.
_SLOPES = frozenset(
    {round(figure * factor) for figure in _FIGURE.values() for factor in (100, 1000)}
    | {0, 30, 33, 75, 80, 90, 4200}
)
_SLOPE_ONLY = re.compile(r"(N|P)(\d{2,4})", re.ASCII)


def _line(code: str, slope_ppm: float, spread_ppm: float | None, source: Source) -> TemperatureCharacteristic:
    spread = "" if spread_ppm is None else f" ±{spread_ppm:g}"
    sign = "+" if slope_ppm > 0 else ""
    return TemperatureCharacteristic(
        code=code,
        words=f"{sign}{slope_ppm:g}{spread} ppm/°C",
        source=source,
        slope_ppm=slope_ppm,
        spread_ppm=None if spread_ppm is None else (spread_ppm, spread_ppm),
    )


def slope(code: str, slope_ppm: float, source: Source) -> TemperatureCharacteristic:
    """A straight line with no stated spread."""
    return _line(code, slope_ppm, None, source)


def _band(
    code: str, range_c: tuple[int, int], change: tuple[float, float], source: Source
) -> TemperatureCharacteristic:
    minus, plus = (f"{100 * each:.3g}" for each in change)
    change_words = f"±{plus} %" if change[0] == change[1] else f"+{plus}/-{minus} %"
    return TemperatureCharacteristic(
        code=code,
        words=f"{change_words} from {range_c[0]} to {range_c[1]} °C",
        source=source,
        range_c=range_c,
        change=change,
    )


def temperature_meanings(text: str) -> tuple[TemperatureCharacteristic, ...]:
    """What a code may say about temperature; empty where it is none.

    text : capitals, without spaces; codes of N or P and figures are meant only where the part shows capitals. The
    letter O is taken for the figure 0 in C0G and NP0.

    Source: EIA-198 and IEC 60384-8, -9; see the tables.
    """
    text = {"COG": "C0G", "NPO": "NP0"}.get(text, text)
    if text == "NP0":
        return (_line("NP0", 0.0, None, sources.EIA_198),)
    slope_only = _SLOPE_ONLY.fullmatch(text)
    if slope_only is not None:
        ppm = float(slope_only[2]) * (-1 if slope_only[1] == "N" else 1)
        return (slope(text, ppm + 0.0, sources.EIA_198),) if abs(ppm) in _SLOPES else ()
    if len(text) == 3:
        first, middle, last = text[0], text[1], text[2]
        if first in _FIGURE and middle in _MULTIPLIER and last in _SPREAD:
            ppm = round(_FIGURE[first] * _MULTIPLIER[middle], 6) + 0.0
            return (_line(text, ppm, _SPREAD[last], sources.EIA_198),)
        if first in _LOWEST and middle in _HIGHEST and last in _CHANGE:
            return (_band(text, (_LOWEST[first], _HIGHEST[middle]), _CHANGE[last], sources.EIA_198),)
        if first == "2" and middle in _IEC_CHANGE and last in _IEC_RANGE:
            return (_band(text, _IEC_RANGE[last], _IEC_CHANGE[middle], sources.IEC_60384_9),)
    if len(text) == 2 and text[0] in _IEC_SLOPE and text[1] in _IEC_SPREAD:
        return (_line(text, float(_IEC_SLOPE[text[0]]), _IEC_SPREAD[text[1]], sources.IEC_60384_8),)
    return ()
