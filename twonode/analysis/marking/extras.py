"""What stands beside the value: working volts, safety class, date, highest temperature.

Owns the reading of each; what belongs together is settled elsewhere.
"""

from __future__ import annotations

import re

from twonode.analysis.marking import sources
from twonode.analysis.marking.model import Voltage

__all__ = [
    "VOLT_CODE_PATTERN",
    "bare_volts",
    "coded_volts",
    "date_words",
    "highest_celsius",
    "safety_classes",
    "written_volts",
]

_KIND = {
    **dict.fromkeys(("V", "VOLT", "VOLTS", "VW", "WV", "VWKG", "WVOLTS", "VOLTSWORKING", "VWORKING")),
    **dict.fromkeys(
        ("VDC", "DCV", "VDCW", "VDCWKG", "VDCWORKING", "DCWV", "WVDC", "DCVW", "VOLTSDC", "VWDC", "V=", "V-"),
        "DC",
    ),
    **dict.fromkeys(
        ("VAC", "ACV", "VACRMS", "VOLTSAC", "V~", "V~AC", "~", "VRMS", "ACWV", "WVAC", "ACVW"), "AC"
    ),
}
_WRITTEN = re.compile(r"~?(\d{1,5}(?:\.\d{1,3})?)(K?)([A-Z~=-]{1,12})", re.ASCII)
# Working voltages that parts of all times carry, from 50 V up (common practice, no source).
_HUNDREDS = {50, 63, 100, 125, 150, 160, 200, 250, 300, 350, 400, 450, 475, 500, 525, 600, 630, 700, 750, 800}
_THOUSANDS = {1000, 1200, 1250, 1500, 1600, 2000, 2500, 3000, 4000, 5000, 6000, 10000}
_USUAL_VOLTS = frozenset(_HUNDREDS | _THOUSANDS)
# Digit: power of ten; letter: figures.
_CODE_FIGURES = {
    "A": 1.0,
    "B": 1.25,
    "C": 1.6,
    "D": 2.0,
    "E": 2.5,
    "F": 3.15,
    "G": 4.0,
    "H": 5.0,
    "J": 6.3,
    "K": 8.0,
    "V": 3.5,
    "W": 4.5,
}
VOLT_CODE_PATTERN = r"[0-3][ABCDEFGHJKVW]"
"""Digit and letter, as they stand before a three-digit code: 2A104J."""

_SAFETY = re.compile(r"(?:X[123]|Y[1234]){1,2}", re.ASCII)
# IEC 60062, 20-year cycle: A is 1970, 1990, 2010.
_YEARS = "ABCDEFHJKLMNPRSTUVWX"
_MONTHS = "123456789OND"
_FIRST_YEARS = (1970, 1990, 2010)
_CELSIUS = re.compile(r"\+?(\d{2,3})°C", re.ASCII | re.I)


def written_volts(text: str) -> Voltage | None:
    """Volts with their unit, without spaces: "400V", "600VDC", "1.5kV", "250V~", "250~"; None for anything else."""
    match = _WRITTEN.fullmatch(re.sub(r"(?<=[A-Z])\.", "", text.upper()))
    if match is None or match[3] not in _KIND or not float(match[1]) > 0:
        return None
    kind = "AC" if text.startswith("~") else _KIND[match[3]]
    return Voltage(volts=float(match[1]) * (1000 if match[2] else 1), kind=kind)


def bare_volts(text: str) -> Voltage | None:
    """A whole number that is a usual working voltage."""
    if text.isascii() and text.isdecimal() and len(text) <= 5 and int(text) in _USUAL_VOLTS:
        return Voltage(volts=float(text), source=sources.PLAIN)
    return None


def coded_volts(text: str) -> Voltage | None:
    """Digit and letter: 2A is 100 V, 2E 250 V, 2J 630 V."""
    if re.fullmatch(VOLT_CODE_PATTERN, text, re.ASCII) is None:
        return None
    return Voltage(
        volts=round(_CODE_FIGURES[text[1]] * 10 ** int(text[0]), 3), kind="DC", source=sources.VOLT_CODE
    )


def safety_classes(text: str) -> tuple[str, ...]:
    """Classes of IEC 60384-14 in a text such as "X2" or "X1Y2"; empty where it is none."""
    if _SAFETY.fullmatch(text) is None:
        return ()
    return tuple(text[start : start + 2] for start in range(0, len(text), 2))


def date_words(text: str) -> str | None:
    """A two-character date code in words, with all years it may mean."""
    if len(text) != 2 or text[0] not in _YEARS or text[1] not in _MONTHS:
        return None
    years = " or ".join(str(first + _YEARS.index(text[0])) for first in _FIRST_YEARS)
    return f"{text} read as a date code: month {_MONTHS.index(text[1]) + 1} of {years} ({sources.DATE})"


def highest_celsius(text: str) -> str | None:
    """A temperature limit such as "85°C" in words."""
    match = _CELSIUS.fullmatch(text)
    return None if match is None else f"marked for use up to {match[1]} °C"
