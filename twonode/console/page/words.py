"""The program's sentences in the words and units that the person set.

Owns this last step before the screen. It changes how a figure is written, never what it is: the digits stay, only the
decimal point moves.
"""

from __future__ import annotations

import re
from decimal import Decimal

from twonode.console.page.settings import Naming, PageSettings, Units

__all__ = ["Words"]

# To mfd (microfarads) or, below a thousandth of one, mmf (picofarads), as the old charts have it.
_SHIFT = {"mF": 3, "µF": 0, "uF": 0, "nF": -3}
_FIGURE = r"\d[\d\u202f]*(?:\.\d+)?"
_CAPACITANCE = re.compile(rf"({_FIGURE}(?: (?:±|to|\.\.\.) {_FIGURE})*)([ \u00a0\u202f])(mF|µF|uF|nF|pF)\b")
_NUMBER = re.compile(r"\d+(?:\.\d+)?")
_LEAST_MFD = Decimal("0.001")

_ANODE = (
    (r"\b([Aa]) B\+", r"\1n HT"),
    (r"\bB\+", "HT"),
    (r"\bht\b", "HT"),
    (r"\bplate(?= bypass)", "anode"),
    (r"(?<=output )plate\b", "anode"),
)
_PLATE = (
    (r"\b([Aa])n anode", r"\1 plate"),
    (r"\b([Aa])n HT\b", r"\1 B+"),
    (r"\banode", "plate"),
    (r"\bAnode", "Plate"),
    (r"\bvalve", "tube"),
    (r"\bValve", "Tube"),
    (r"\b(?:HT|ht)\b", "B+"),
    (r"\baerial", "antenna"),
)
_RULES = {
    naming: tuple((re.compile(pattern), word) for pattern, word in rules)
    for naming, rules in ((Naming.ANODE, _ANODE), (Naming.PLATE, _PLATE))
}
_ASCII_MICRO = re.compile(r"(?<=\d[ \u00a0\u202f])uF\b")


class Words:
    """Turns what the program says into what this person reads."""

    def __init__(self, settings: PageSettings) -> None:
        self._settings = settings

    def say(self, text: str) -> str:
        """A sentence with its capacitances and trade words as they were asked for."""
        if self._settings.units is Units.MFD:
            text = _CAPACITANCE.sub(_in_mfd, text)
        text = _ASCII_MICRO.sub("µF", text)
        for pattern, word in _RULES[self._settings.naming]:
            text = pattern.sub(word, text)
        return text

    def farad(self, value: float) -> str:
        """One capacitance, three figures."""
        from twonode.analysis.quantities import format_quantity

        return self.say(format_quantity(value, "F"))


def _in_mfd(found: re.Match[str]) -> str:
    figures, gap, unit = found.groups()
    if unit == "pF":
        return f"{figures}{gap}mmf"
    shift = _SHIFT[unit]
    numbers = [Decimal(each) for each in _NUMBER.findall(figures)]
    if max(numbers).scaleb(shift) < _LEAST_MFD:
        return f"{_NUMBER.sub(lambda each: _moved(each[0], shift + 6), figures)}{gap}mmf"
    return f"{_NUMBER.sub(lambda each: _moved(each[0], shift), figures)}{gap}mfd"


def _moved(digits: str, places: int) -> str:
    """The same digits with the decimal point moved."""
    return f"{Decimal(digits).scaleb(places):f}"
