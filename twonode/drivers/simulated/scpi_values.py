"""Parameters of SCPI commands, and what goes wrong with them.

Owns numbers with suffixes, words in long and short form, and the error an instrument queues instead of obeying.

Source: SCPI-1999 as told by libscpi (error numbers and texts, suffix multipliers).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["ERROR_TEXT", "Call", "ScpiError", "parse_number", "spellings"]

ERROR_TEXT = {
    0: "No error",
    -100: "Command error",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -151: "Invalid string data",
    -200: "Execution error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -310: "System error",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
}

_MULTIPLIER = {
    "EX": 1e18,
    "PE": 1e15,
    "T": 1e12,
    "G": 1e9,
    "MA": 1e6,
    "K": 1e3,
    "": 1.0,
    "M": 1e-3,
    "U": 1e-6,
    "N": 1e-9,
    "P": 1e-12,
    "F": 1e-15,
    "A": 1e-18,
}

_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:\s*[eE]\s*[+-]?\d+)?)\s*([A-Za-z]*)")


class ScpiError(Exception):
    """What the instrument queues instead of doing as told."""

    def __init__(self, code: int, detail: str = "") -> None:
        super().__init__(code, detail)
        self.code = code
        self.detail = detail

    @property
    def text(self) -> str:
        """Text of the queue's entry, device-dependent part after a semicolon."""
        standard = ERROR_TEXT.get(self.code, "Device error")
        return f"{standard};{self.detail}" if self.detail else standard


@dataclass(frozen=True, slots=True)
class Call:
    """One command as it arrived: numeric suffix of its header (1 if left out) and its parameters."""

    suffix: int
    parameters: tuple[str, ...]

    def number(
        self, unit: str, *, low: float = -math.inf, high: float = math.inf, default: float | None = None
    ) -> float:
        """The only parameter as a number within limits; MIN, MAX and DEF are known.

        Raises ScpiError -104 (no number), -131 (wrong suffix), -138 (suffix not allowed), -222 (outside).
        """
        text = self.parameters[0]
        match text.upper():
            case "MIN" | "MINIMUM" if math.isfinite(low):
                return low
            case "MAX" | "MAXIMUM" if math.isfinite(high):
                return high
            case "DEF" | "DEFAULT" if default is not None:
                return default
        value = parse_number(text, unit)
        if not low <= value <= high:
            raise ScpiError(-222, text)
        return value

    def word(self, choices: Mapping[str, str]) -> str:
        """The only parameter as one of the choices, written like "SINusoid": its value in the mapping."""
        given = self.parameters[0].upper()
        for pattern, value in choices.items():
            if given in spellings(pattern):
                return value
        raise ScpiError(-224, self.parameters[0])

    def boolean(self) -> bool:
        """ON, OFF or a number, where all but 0 is on."""
        given = self.parameters[0].upper()
        if given in ("ON", "OFF"):
            return given == "ON"
        return round(parse_number(given, "")) != 0

    def integer(self, *, low: int, high: int) -> int:
        """The only parameter as a whole number within limits, rounded."""
        return round(self.number("", low=low, high=high))


def parse_number(text: str, unit: str) -> float:
    """Decimal number with an optional multiplier and unit; ScpiError as `Call.number` says."""
    matched = _NUMBER.fullmatch(text)
    if matched is None:
        raise ScpiError(-104, text)
    value = float(matched[1].replace(" ", ""))
    suffix = matched[2].upper()
    if not suffix:
        return value
    if not unit:
        raise ScpiError(-138, text)
    unit = unit.upper()
    # SCPI's exception: M is milli, but MHZ and MOHM are mega.
    if suffix == "M" + unit and unit in ("HZ", "OHM"):
        return value * 1e6
    prefix = suffix.removesuffix(unit)
    if prefix not in _MULTIPLIER or prefix == suffix != "":
        raise ScpiError(-131, text)
    return value * _MULTIPLIER[prefix]


def spellings(name: str) -> tuple[str, str]:
    """Long and short form of a mnemonic or word written like "FREQuency", upper case."""
    return name.upper(), "".join(c for c in name if not c.islower())
