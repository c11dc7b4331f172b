"""What each colour means at each place of a dot or band, scheme by scheme.

Owns the tables. A colour that a table does not hold has no meaning there.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from twonode.analysis.marking import sources
from twonode.analysis.marking.colourwords import Colour
from twonode.analysis.marking.model import (
    AbsoluteTolerance,
    Basis,
    MarkedTolerance,
    Source,
    TemperatureCharacteristic,
    Voltage,
)
from twonode.analysis.marking.temperature import slope
from twonode.analysis.marking.tolerances import plus_minus

__all__ = [
    "CERAMIC_POWERS",
    "FILM_POWERS",
    "MICA_POWERS",
    "ceramic_temperature",
    "ceramic_tolerances",
    "film_tolerances",
    "film_volts",
    "mica_class",
    "mica_tolerances",
    "mica_volts",
    "paper_tolerances",
    "paper_volts",
    "six_dot_tolerances",
    "unmarked_tolerance",
]

_DIGITS = {colour: colour.digit for colour in Colour if colour.digit is not None}
MICA_POWERS: Mapping[Colour, int] = MappingProxyType({**_DIGITS, Colour.GOLD: -1, Colour.SILVER: -2})
"""Colour of the multiplier dot to a power of ten, mica and moulded paper."""
FILM_POWERS: Mapping[Colour, int] = MappingProxyType({c: d for c, d in _DIGITS.items() if d <= 6})
"""The same for moulded paper and film bands."""
CERAMIC_POWERS: Mapping[Colour, int] = MappingProxyType(
    {**{c: d for c, d in _DIGITS.items() if d <= 4}, Colour.GREY: -2, Colour.WHITE: -1}
)
"""The same for ceramic dots and bands."""


def _percent(colour: Colour, percent: float, source: Source) -> MarkedTolerance:
    return MarkedTolerance(limits=plus_minus(percent / 100), source=source, marked=colour.value)


def unmarked_tolerance(source: Source) -> MarkedTolerance:
    """The ±20 % of a scheme that has no place for a tolerance."""
    return MarkedTolerance(limits=plus_minus(0.2), source=source, marked=None)


_BLACK_20 = Source(title="black tolerance dot", basis=Basis.MEMORY)


def mica_tolerances(colour: Colour) -> tuple[MarkedTolerance, ...]:
    """Old mica dots: the digit in per cent, gold 5, silver 10, none 20; black 20 from memory."""
    if colour is Colour.NONE:
        return (_percent(colour, 20, sources.OLD_MICA),)
    if colour is Colour.BLACK:
        return (_percent(colour, 20, _BLACK_20),)
    percent = {Colour.GOLD: 5, Colour.SILVER: 10}.get(colour, colour.digit)
    return () if not percent else (_percent(colour, percent, sources.OLD_MICA),)


def six_dot_tolerances(colour: Colour) -> tuple[MarkedTolerance, ...]:
    """As `mica_tolerances`; blue also 2 %, as one worked example prints it."""
    found = mica_tolerances(colour)
    if colour is Colour.BLUE:
        found += (_percent(colour, 2, sources.ARMY_SIX_DOT_TOLERANCE),)
    return found


def mica_volts(colour: Colour) -> Voltage | None:
    """Old mica voltage dot: hundreds of volts, gold 1000, silver 2000, none 500."""
    volts = {Colour.GOLD: 1000, Colour.SILVER: 2000, Colour.NONE: 500}.get(colour, (colour.digit or 0) * 100)
    return Voltage(volts=float(volts), source=sources.OLD_MICA) if volts else None


_CERAMIC_PERCENT: Mapping[Colour, tuple[float, ...]] = {
    Colour.BLACK: (20,),
    Colour.BROWN: (1,),
    Colour.RED: (2,),
    Colour.ORANGE: (2.5, 3),  # tables differ
    Colour.GREEN: (5,),
    Colour.WHITE: (10,),
}
_CERAMIC_PICOFARAD = {
    Colour.BLACK: 2.0,
    Colour.BROWN: 0.1,
    Colour.GREEN: 0.5,
    Colour.GREY: 0.25,
    Colour.WHITE: 1.0,
}


def ceramic_tolerances(colour: Colour, capacitance_farad: float) -> tuple[MarkedTolerance, ...]:
    """Ceramic dots: picofarads up to 10 pF, per cent above."""
    source = sources.CERAMIC_COLOURS
    if capacitance_farad > 10.0000001e-12:
        return tuple(_percent(colour, each, source) for each in _CERAMIC_PERCENT.get(colour, ()))
    picofarad = _CERAMIC_PICOFARAD.get(colour)
    if picofarad is None:
        return ()
    limits = AbsoluteTolerance(half_width_farad=picofarad * 1e-12)
    return (MarkedTolerance(limits=limits, source=source, marked=colour.value),)


_CERAMIC_PPM = {
    Colour.BLACK: 0,
    Colour.BROWN: -30,
    Colour.RED: -80,
    Colour.ORANGE: -150,
    Colour.YELLOW: -220,
    Colour.GREEN: -330,
    Colour.BLUE: -470,
    Colour.VIOLET: -750,
}


def ceramic_temperature(colour: Colour) -> TemperatureCharacteristic | None:
    """Temperature colour of ceramic parts; None for colours whose meaning is not known here."""
    ppm = _CERAMIC_PPM.get(colour)
    if ppm is None:
        return None
    code = "NP0" if ppm == 0 else f"N{-ppm:03d}"
    return slope(code, float(ppm), sources.CERAMIC_TC_COLOURS)


_CLASS_LETTER = {
    Colour.BLACK: "A",
    Colour.BROWN: "B",
    Colour.RED: "C",
    Colour.ORANGE: "D",
    Colour.YELLOW: "E",
    Colour.GREEN: "F",
    Colour.GREY: "I",
    Colour.WHITE: "J",
}
# RETMA REC-115A, ppm/K: minus, plus.
_CLASS_PPM = {
    "A": (1000.0, 1000.0),
    "B": (500.0, 500.0),
    "C": (200.0, 200.0),
    "D": (100.0, 100.0),
    "E": (20.0, 100.0),
    "I": (50.0, 150.0),
    "J": (50.0, 100.0),
}


def mica_class(colour: Colour, *, trade: bool) -> tuple[TemperatureCharacteristic | None, str]:
    """The class dot of a six-dot mica part, and a remark.

    trade : RETMA limits apply; for military parts only the letter is known here.
    """
    letter = _CLASS_LETTER.get(colour)
    if letter is None:
        return None, f"class dot {colour.value}: no class known here"
    limits = _CLASS_PPM.get(letter) if trade else None
    if limits is None:
        return None, f"class {letter}; its limits are not known here"
    minus, plus = limits
    words = f"±{plus:g}" if minus == plus else f"+{plus:g}/-{minus:g}"
    megohm = 3000 if letter == "A" else 6000
    found = TemperatureCharacteristic(
        code=f"class {letter}",
        words=f"{words} ppm/°C",
        source=sources.RETMA_MICA_CLASS,
        slope_ppm=0.0,
        spread_ppm=limits,
    )
    return (
        found,
        f"at least {megohm} MΩ insulation when new",
    )


_PAPER_PERCENT = {
    Colour.BLACK: 20,
    Colour.ORANGE: 30,
    Colour.YELLOW: 40,
    Colour.GREEN: 5,
    Colour.WHITE: 10,
    Colour.GOLD: 5,
    Colour.SILVER: 10,
}


def paper_tolerances(colour: Colour) -> tuple[MarkedTolerance, ...]:
    """Moulded paper bands."""
    percent = _PAPER_PERCENT.get(colour)
    return () if percent is None else (_percent(colour, percent, sources.PAPER_COLOURS),)


def paper_volts(first: Colour, second: Colour | None) -> Voltage | None:
    """One or two figures of hundreds of volts."""
    if first.digit is None or (second is not None and second.digit is None) or first.digit == 0:
        return None
    hundreds = first.digit if second is None else 10 * first.digit + (second.digit or 0)
    return Voltage(volts=100.0 * hundreds, source=sources.PAPER_COLOURS)


def film_tolerances(colour: Colour) -> tuple[MarkedTolerance, ...]:
    """European film bands."""
    percent = {Colour.BLACK: 20, Colour.WHITE: 10, Colour.GREEN: 5}.get(colour)
    return () if percent is None else (_percent(colour, percent, sources.FILM_COLOURS),)


def film_volts(colour: Colour) -> Voltage | None:
    """European film bands."""
    volts = {Colour.BROWN: 100, Colour.RED: 250, Colour.YELLOW: 400}.get(colour)
    return None if volts is None else Voltage(volts=float(volts), kind="DC", source=sources.FILM_COLOURS)
