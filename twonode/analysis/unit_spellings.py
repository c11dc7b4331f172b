"""How the units of a bench are written: prefixes, old trade spellings, letters in place of the decimal point.

Owns the table, one entry a unit; reading a text by it is for `quantities`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

__all__ = ["FARAD", "FRACTION", "UnitSpelling", "spelling_of"]


def _prefixed(units: tuple[str, ...], prefixes: Mapping[str, int]) -> dict[str, int]:
    return {prefix + unit: power for prefix, power in prefixes.items() for unit in units}


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitSpelling:
    """How one unit may be written.

    noun, allowed : for messages.
    suffixes : text after the number -> power of ten. Case counts.
    unclear : text after the number -> what to write in its place.
    letters : letters that may stand for the decimal point, each with its power of ten.
    """

    noun: str
    allowed: str
    suffixes: Mapping[str, int]
    letters: Mapping[str, int]
    unclear: Mapping[str, str]


FARAD = UnitSpelling(
    noun="capacitance",
    allowed="220p, 22n, 4n7, 0.022uF, 0.05 mfd or 250 mmf",
    suffixes={
        **_prefixed(("", "f", "F"), {"p": -12, "P": -12, "n": -9, "N": -9, "u": -6, "U": -6}),
        **{"fF": -15, "F": 0, "farad": 0, "farads": 0},
        # The old trade spellings; "mf" never meant millifarad there (common practice, no source).
        **{old: -6 for old in ("mfd", "MFD", "Mfd", "mf", "MF", "Mf", "ufd", "UFD", "mfds")},
        **{old: -12 for old in ("mmf", "MMF", "mmfd", "MMFD", "Mmfd", "mmfds")},
        **{old: -12 for old in ("uuf", "uuF", "UUF", "uufd", "UUFD", "pfd", "PFD")},
    },
    letters={"p": -12, "n": -9, "u": -6},
    unclear={
        "m": "u for microfarad (1000u for 1 mF)",
        "mF": "uF, or mfd for microfarad (1000uF for 1 mF)",
        "M": "u or mfd for microfarad",
        "f": "F, or a prefix such as n or u",
    },
)
_OHM = UnitSpelling(
    noun="resistance",
    allowed="100, 470k, 4k7, 1M or 0R22",
    suffixes={
        **_prefixed(
            ("", "ohm", "ohms", "Ohm", "Ohms", "OHM", "OHMS"), {"": 0, "k": 3, "K": 3, "M": 6, "G": 9}
        ),
        **_prefixed(("ohm", "ohms"), {"m": -3, "u": -6, "T": 12}),
        **{
            "R": 0,
            "r": 0,
            "meg": 6,
            "Meg": 6,
            "MEG": 6,
            "megohm": 6,
            "megohms": 6,
            "kilohm": 3,
            "kilohms": 3,
        },
    },
    letters={"R": 0, "r": 0, "k": 3, "K": 3, "M": 6, "G": 9},
    unclear={"m": "M for megohm or mohm for milliohm", "g": "G for gigohm"},
)
_HENRY = UnitSpelling(
    noun="inductance",
    allowed="10H, 2.5mH or 100uH",
    suffixes=_prefixed(("", "H", "h"), {"p": -12, "n": -9, "u": -6, "m": -3, "k": 3})
    | {"H": 0, "h": 0, "henry": 0},
    letters={"n": -9, "u": -6, "m": -3, "H": 0, "h": 0},
    unclear={"M": "m for millihenry"},
)
_HERTZ = UnitSpelling(
    noun="frequency",
    allowed="20Hz, 455k, 2k5 or 1.6MHz",
    suffixes={
        **_prefixed(("Hz", "hz", "HZ"), {"": 0, "k": 3, "K": 3, "M": 6, "G": 9}),
        **{"": 0, "k": 3, "K": 3, "M": 6, "mHz": -3, "uHz": -6},
        **{"c": 0, "cps": 0, "kc": 3, "Kc": 3, "KC": 3, "Mc": 6, "MC": 6},
    },
    letters={"k": 3, "K": 3, "M": 6},
    unclear={"m": "M for megahertz or mHz for millihertz", "mhz": "MHz or mHz", "mc": "Mc or MHz"},
)
_VOLT = UnitSpelling(
    noun="voltage",
    allowed="250V, 0.3 or 300mV",
    suffixes=_prefixed(("", "V", "v"), {"": 0, "p": -12, "n": -9, "u": -6, "m": -3, "k": 3})
    | {"volt": 0, "volts": 0, "K": 3, "KV": 3},
    letters={"V": 0, "v": 0, "m": -3, "k": 3},
    unclear={"M": "m for millivolt or k for kilovolt"},
)
_SECOND = UnitSpelling(
    noun="time",
    allowed="5s, 50ms or 2us",
    suffixes=_prefixed(("", "s", "sec"), {"": 0, "p": -12, "n": -9, "u": -6, "m": -3}) | {"S": 0},
    letters={"s": 0, "m": -3, "u": -6, "n": -9},
    unclear={"M": "m for millisecond", "min": "seconds"},
)
_AMPERE = UnitSpelling(
    noun="current",
    allowed="1.5mA, 20uA or 3nA",
    suffixes=_prefixed(("", "A", "a"), {"": 0, "p": -12, "n": -9, "u": -6, "m": -3}),
    letters={"A": 0, "m": -3, "u": -6, "n": -9},
    unclear={"M": "m for milliampere"},
)
FRACTION = UnitSpelling(noun="percentage", allowed="10% or 0.1%", suffixes={"%": -2}, letters={}, unclear={})
_NUMBER_ONLY = UnitSpelling(
    noun="number", allowed="0.01 or 1%", suffixes={"": 0, "%": -2}, letters={}, unclear={}
)

_UNITS: Mapping[str, UnitSpelling] = MappingProxyType(
    {
        "F": FARAD,
        "ohm": _OHM,
        "H": _HENRY,
        "Hz": _HERTZ,
        "V": _VOLT,
        "s": _SECOND,
        "A": _AMPERE,
        "%": FRACTION,
        "": _NUMBER_ONLY,
    }
)


def spelling_of(unit: str) -> UnitSpelling:
    """How a unit may be written: "F", "ohm", "H", "Hz", "V", "s", "A", "%" or "" (a plain number).

    Raises ValueError for any other.
    """
    try:
        return _UNITS[unit]
    except KeyError:
        raise ValueError(f"unit: need one of {', '.join(map(repr, _UNITS))}, got {unit!r}") from None
