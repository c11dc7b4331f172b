"""Values, tolerances and readings as people write them on schematics, and back again.

Owns the spelling of numbers with units: ``22n``, ``4k7``, ``0.022uF``, ``0.05 mfd``, ``250 mmf``,
``-20/+100%``, ``482k ± 0.5%``. Everything comes out in SI units; prefixes exist only in text. Markings
printed on parts (``104K``, colour dots) are read elsewhere.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from quantiphy import Quantity
from rkm_codes import from_rkm

from twonode.analysis.errors import QuantityError
from twonode.analysis.unit_spellings import FARAD, FRACTION, UnitSpelling, spelling_of

__all__ = [
    "Measured",
    "Tolerance",
    "format_level",
    "format_plus_minus",
    "format_quantity",
    "fraction_of",
    "parse_measured",
    "parse_quantity",
    "parse_tolerance",
    "prefix_of",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerance:
    """Limits around a nominal value, as fractions: minus = 0.2, plus = 1.0 is -20/+100 %."""

    minus: float
    plus: float

    def __post_init__(self) -> None:
        sound = 0 <= self.minus < 1 and 0 <= self.plus < math.inf and self.minus + self.plus > 0
        if not sound:
            raise QuantityError(
                f"A tolerance of -{self.minus * 100:g}/+{self.plus * 100:g}% is not possible.",
                "The lower limit must stay above zero, and the two limits must lie apart.",
                "Write it like 10% or -20/+100%.",
            )

    def limits(self, nominal: float) -> tuple[float, float]:
        """Lowest and highest allowed value around ``nominal`` (> 0), in its unit."""
        return nominal * (1 - self.minus), nominal * (1 + self.plus)

    def __str__(self) -> str:
        if self.minus == self.plus:
            return f"±{_percent(self.plus)} %"
        return f"-{_percent(self.minus)}/+{_percent(self.plus)} %"


def _percent(fraction: float) -> str:
    return f"{fraction * 100:.6g}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """A meter's reading with the meter's own limits.

    value, half_width : in one SI unit; the true value lies within value ± half_width.
    """

    value: float
    half_width: float

    def __post_init__(self) -> None:
        if not (0 < self.value < math.inf and 0 < self.half_width < self.value):
            raise QuantityError(
                f"A reading of {self.value:g} ± {self.half_width:g} is not possible.",
                "Reading and uncertainty must be above zero, the uncertainty below the reading.",
                "Write it like 482k ± 0.5% or 482k ± 2k.",
            )

    @property
    def standard_uncertainty(self) -> float:
        """half_width / sqrt(3): limits with nothing known in between (JCGM 100:2008, 4.3.7)."""
        return self.half_width / math.sqrt(3)


_MICRO = {ord("µ"): "u", ord("μ"): "u"}
_SAME = {
    ord("Ω"): "ohm",
    ord("\N{OHM SIGN}"): "ohm",
    ord("−"): "-",
    ord("\N{NO-BREAK SPACE}"): " ",
    ord("\N{NARROW NO-BREAK SPACE}"): " ",
    ord("\N{THIN SPACE}"): " ",
}

# No value is written longer; it also bounds the work done on garbage.
_LONGEST = 64
_NUMBER = r"(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_PLAIN = re.compile(rf"(?P<number>[+-]?{_NUMBER})\s*(?P<suffix>[A-Za-z%]*)", re.ASCII)
# IEC 60062: the letter stands where the decimal point would.
_LETTER_AS_POINT = re.compile(r"(?P<code>\d*(?P<letter>[A-Za-z])\d+)\s*(?P<unit>[A-Za-z]*)", re.ASCII)


def _short(text: str) -> str:
    return text if len(text) <= 40 else text[:37] + "..."


def _no_quantity(text: str, unit: UnitSpelling, because: str, advice: str | None = None) -> QuantityError:
    return QuantityError(
        f"{_short(text)!r} is no {unit.noun}: {because}.",
        "A value that is guessed wrong spoils everything computed from it.",
        advice or f"Write it like {unit.allowed}.",
    )


def _clean(text: str) -> str:
    if len(text) > 10 * _LONGEST:
        return text  # too long in any case
    return text.translate(_MICRO).translate(_SAME).strip()


def parse_quantity(text: str, unit: str) -> float:
    """Read a value as written on a schematic.

    Parameters
    ----------
    text : "22n", "4k7", "0.022uF", "0.05 mfd", "250 mmf", "1M", "20Hz", "-1.5V" ...; micro may be u, µ or μ.
    unit : "F", "ohm", "H", "Hz", "V", "s", "A", "%" or "" (a plain number).

    Returns
    -------
    The value in the SI unit; for "%" and "" a fraction, so that "10%" is 0.1.

    A capacitor or inductor needs its unit or prefix. The one exception is the old parts list's ".05": for a
    capacitor a decimal fraction from .0001 to below 1 is taken as microfarads (common practice, no source).

    Raises
    ------
    QuantityError : the text is no such value, or could mean two.
    ValueError : ``unit`` is none of the above.

    Source: IEC 60062 for letters that stand for the decimal point, through rkm_codes.
    """
    kind = spelling_of(unit)
    cleaned = _clean(text)
    if not cleaned:
        raise _no_quantity(text, kind, "it is empty")
    if len(cleaned) > _LONGEST:
        raise _no_quantity(text, kind, f"it has {len(cleaned)} characters")
    if "," in cleaned:
        raise _no_quantity(
            text, kind, "it has a comma", "Write the decimal point as a point, and no thousands."
        )
    plain = _PLAIN.fullmatch(cleaned)
    if plain is not None:
        return _plain(text, kind, plain["number"], plain["suffix"])
    code = _LETTER_AS_POINT.fullmatch(cleaned.lstrip("+"))
    if code is not None:
        return _letter_as_point(text, kind, code["code"], code["letter"], code["unit"])
    raise _no_quantity(text, kind, "it is not a number with a unit")


def _plain(text: str, kind: UnitSpelling, number: str, suffix: str) -> float:
    power = kind.suffixes.get(suffix)
    if power is None and not suffix:
        if kind is FARAD and "e" not in number.lower() and 1e-4 <= float(number) < 1:
            power = -6
        elif kind is FRACTION:
            raise _no_quantity(text, kind, "it could be a percentage or a fraction", f"Write {number}%.")
        else:
            raise _no_quantity(text, kind, "it has no unit")
    if power is None:
        if suffix in kind.unclear:
            raise _no_quantity(
                text, kind, f"{suffix!r} could mean two things", f"Write {kind.unclear[suffix]}."
            )
        raise _no_quantity(text, kind, f"{suffix!r} is no unit of {kind.noun}")
    return _finite(text, kind, _shift(number, power))


def _shift(number: str, power: int) -> float:
    """Decimal text times a power of ten, rounded once (so "22n" is exactly the float 22e-9)."""
    mantissa, _, exponent = number.lower().partition("e")
    return float(f"{mantissa}e{int(exponent or 0) + power}")


def _letter_as_point(text: str, kind: UnitSpelling, code: str, letter: str, unit: str) -> float:
    if letter in kind.unclear:
        raise _no_quantity(text, kind, f"{letter!r} could mean two things", f"Write {kind.unclear[letter]}.")
    if letter not in kind.letters or (unit and letter + unit not in kind.suffixes):
        raise _no_quantity(text, kind, f"{letter + unit!r} is no unit of {kind.noun}")
    # rkm_codes settles the point; the letter's meaning comes from the unit, so that 4m7 is never an ohm.
    read = from_rkm(code.replace(letter, "R"))
    if read is None:
        raise _no_quantity(text, kind, "it is not a number with a unit")
    return _finite(text, kind, _shift(repr(float(read)), kind.letters[letter]))


def _finite(text: str, kind: UnitSpelling, value: float) -> float:
    if not math.isfinite(value):
        raise _no_quantity(text, kind, "it is too large")
    return value


_PLUS_MINUS = re.compile(r"±|\+/-|\+-")
_ONE_PERCENT = re.compile(rf"(?:±|\+/-|\+-)?\s*({_NUMBER})\s*%", re.ASCII)
_TWO_PERCENT = re.compile(
    rf"(?P<first>[+-])\s*(?P<a>{_NUMBER})\s*%?\s*[/, ]\s*(?P<second>[+-])\s*(?P<b>{_NUMBER})\s*%", re.ASCII
)


def parse_tolerance(text: str) -> Tolerance:
    """Read a tolerance: "10%", "±5%", "+-5%", "-20/+100%", "+100/-20%".

    Raises QuantityError for anything else, and for limits that reach zero.
    """
    cleaned = _clean(text)
    if len(cleaned) > _LONGEST:
        cleaned = ""  # which is no tolerance either
    one = _ONE_PERCENT.fullmatch(cleaned)
    if one is not None:
        fraction = _shift(one[1], -2)
        return Tolerance(minus=fraction, plus=fraction)
    two = _TWO_PERCENT.fullmatch(cleaned)
    if two is not None and two["first"] != two["second"]:
        limits = {two["first"]: _shift(two["a"], -2), two["second"]: _shift(two["b"], -2)}
        return Tolerance(minus=limits["-"], plus=limits["+"])
    missing = "the % sign is missing" if re.fullmatch(_NUMBER, cleaned) else "it cannot be read"
    raise QuantityError(
        f"{_short(text)!r} is no tolerance: {missing}.",
        "The tolerance decides how far a part may be trusted.",
        "Write it like 10%, ±5% or -20/+100%.",
    )


def parse_measured(text: str, unit: str) -> Measured:
    """Read a meter's reading with its limits: "482k ± 0.5%", "482k ± 2k", "482k +- 0.5%".

    unit : as for parse_quantity; value and limits come out in that SI unit.

    Raises QuantityError where either part cannot be read, or the limits are missing or reach zero.
    """
    kind = spelling_of(unit)
    pieces = _PLUS_MINUS.split(text)
    if len(pieces) != 2:
        raise _no_quantity(
            text,
            kind,
            "a reading needs its limits",
            "Write it like 482k ± 0.5%, with the meter's limits from its data sheet.",
        )
    value = parse_quantity(pieces[0], unit)
    limits = pieces[1].strip()
    half_width = value * parse_quantity(limits, "%") if limits.endswith("%") else parse_quantity(limits, unit)
    return Measured(value=value, half_width=half_width)


class _Printed(Quantity):
    """Prefixes as printed here; a class of its own so that no one else's settings change."""


_Printed.set_prefs(output_sf="TGMkmunpf", map_sf=Quantity.map_sf_to_greek)

_PRINTED_UNITS = {"ohm": "Ω"}


def format_quantity(value: float, unit: str, digits: int = 3) -> str:
    """Write a value with a prefix and ``digits`` significant figures: "22.1 nF", "470 kΩ", "15.4 Hz".

    unit : as for parse_quantity, or any other unit's symbol; "%" takes a fraction (0.1 is "10.0 %").
    Capacitances never use milli, which old schematics read as micro: 1 mF is "1000 µF"; nor femto, which no bench does.

    Raises ValueError if ``value`` is not finite: there is no text for a value that is not known.
    """
    if not math.isfinite(value):
        raise ValueError(f"value: need a finite number, got {value}")
    if unit == "%":
        return f"{_figures(value * 100, digits)} %"
    if unit == "":
        return _figures(value, digits)
    printed: str = _Printed(value, _PRINTED_UNITS.get(unit, unit)).render(prec=digits - 1, strip_zeros=False)
    if unit == "F" and abs(value) > 1e-4 and not printed.endswith("µF"):
        return f"{_figures(value * 1e6, digits)} µF"
    if printed.endswith("fF"):
        return f"{_figures(value * 1e12, digits)} pF"
    return printed


def _figures(value: float, digits: int) -> str:
    """``digits`` significant figures without an exponent and without a trailing point."""
    if value == 0:
        return "0"
    rounded = float(f"{value:.{digits - 1}e}")
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(rounded))))
    return f"{rounded:.{decimals}f}"


_PREFIXES = {"f": 1e-15, "p": 1e-12, "n": 1e-9, "µ": 1e-6, "m": 1e-3, "k": 1e3, "M": 1e6, "G": 1e9, "T": 1e12}


def format_level(level_vpp: float | None) -> str:
    """A generator's level: "2.00 V p-p", or that nobody knows it."""
    return "not known" if level_vpp is None else f"{format_quantity(level_vpp, 'V')} p-p"


def fraction_of(value: float, unit: str) -> float:
    """A relative uncertainty in percent ("%") or decibels ("db") as a fraction; degrees ("deg") stay degrees."""
    return value * {"%": 0.01, "db": math.log(10.0) / 20.0, "deg": 1.0}[unit]


def prefix_of(value: float, unit: str) -> tuple[float, str]:
    """The factor and symbol that `format_quantity` would choose for a value; 1 and no symbol for a plain number."""
    _, space, symbol = format_quantity(value, unit).rpartition(" ")
    if not space:
        return 1.0, ""
    return (_PREFIXES.get(symbol[0], 1.0) if len(symbol) > 1 else 1.0), symbol


def format_plus_minus(value: float, half_width: float, unit: str) -> str:
    """Value and half-width rounded together: two figures of the half-width below 3.55, else one.

    The value keeps three figures, which is what a bench asks for, unless the half-width would then have more than two
    (JCGM 100, 7.2.6). Source: the Particle Data Group's rounding rule, taken for a half-width instead of a standard
    deviation.
    """
    factor, symbol = prefix_of(value, unit)
    value, half_width = value / factor, half_width / factor
    exponent = math.floor(math.log10(half_width)) if half_width > 0 else -4
    figures = 2 if half_width / 10.0**exponent < 3.55 else 1
    three_figures = 2 - math.floor(math.log10(abs(value))) if value else 0
    decimals = max(0, min(max(figures - 1 - exponent, three_figures), 1 - exponent, 4))
    # Too small for four decimals: rather a rounded-up last digit than a zero that promises certainty.
    shown = max(half_width, 10.0**-decimals)
    return f"{value:.{decimals}f} ± {shown:.{decimals}f} {symbol}".rstrip()
