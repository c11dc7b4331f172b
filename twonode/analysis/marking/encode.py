"""How a value would be marked today.

Owns the way back: from a value to the codes of IEC 60062.
"""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, Decimal

from twonode.analysis.marking.model import MarkedTolerance, Reading
from twonode.analysis.marking.tolerances import LETTERS, letter_meanings

__all__ = ["letter_code", "marked_today", "three_digit_code"]

_LAST_DIGIT = {-2: "8", -1: "9", **{power: str(power) for power in range(8)}}
_LETTER_POWERS = (("p", -12), ("n", -9), ("µ", -6), ("m", -3))


def _figures(capacitance_farad: float) -> Decimal:
    """The value in decimal, rounded to 12 figures: floats carry no more than the text they came from."""
    return Decimal(f"{capacitance_farad:.11e}").normalize()


def three_digit_code(capacitance_farad: float) -> str | None:
    """ "473" for 47 nF, "479" for 4.7 pF; None where the value has more than two figures or lies out of reach.

    Reaches from 0.1 pF to 990 µF. Source: IEC 60062; last digits 8 and 9 from memory.
    """
    picofarad = _figures(capacitance_farad) * Decimal("1e12")
    if picofarad <= 0:
        return None
    power = picofarad.adjusted() - 1
    figures = picofarad.scaleb(-power)
    if power not in _LAST_DIGIT or figures != figures.to_integral_value():
        return None
    return f"{int(figures)}{_LAST_DIGIT[power]}"


def letter_code(capacitance_farad: float) -> str | None:
    """ "4n7", "8p0", "47n", "470p", "p47"; None above four figures and outside 0.01 pF to 1 F. Source: IEC 60062."""
    value = _figures(capacitance_farad)
    if not Decimal("1e-14") <= value <= 1:
        return None
    if value != value.quantize(Decimal(1).scaleb(value.adjusted() - 3), rounding=ROUND_HALF_EVEN):
        return None
    reached = [each for each in _LETTER_POWERS if value.scaleb(-each[1]) >= 1]
    letter, power = reached[-1] if reached else _LETTER_POWERS[0]
    whole, _, fraction = f"{value.scaleb(-power).normalize():f}".partition(".")
    if len(whole) == 1 and whole != "0":
        fraction = fraction or "0"
    return f"{'' if whole == '0' else whole}{letter}{fraction}"


def _tolerance_letter(tolerance: MarkedTolerance, capacitance_farad: float) -> str | None:
    """The letter that means these limits and nothing else at this value."""
    for letter in LETTERS:
        if [each.limits for each in letter_meanings(letter, capacitance_farad)] == [tolerance.limits]:
            return letter
    return None


def marked_today(reading: Reading) -> str | None:
    """The code that a reading's value and tolerance would carry today; None where no code says it exactly.

    The tolerance letter is left out where none has these limits as its only meaning. Parts for AC or of a mains
    safety class get none: a code without the class would invite the wrong part.
    """
    mains = reading.safety or (reading.voltage is not None and reading.voltage.kind == "AC")
    if reading.capacitance_farad is None or mains:
        return None
    code = three_digit_code(reading.capacitance_farad) or letter_code(reading.capacitance_farad)
    if code is None:
        return None
    letter = (
        None if reading.tolerance is None else _tolerance_letter(reading.tolerance, reading.capacitance_farad)
    )
    return code + (letter or "")
