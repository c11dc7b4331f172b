"""Tolerance letters, and tolerances written out.

Owns what a letter may mean at a given value. A letter that tables print differently gets every meaning, each with
its own source.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType

from twonode.analysis.marking import sources
from twonode.analysis.marking.model import AbsoluteTolerance, MarkedTolerance, Source
from twonode.analysis.quantities import Tolerance

__all__ = ["LETTERS", "letter_meanings", "plus_minus", "written_tolerance"]

_TEN_PF = 10e-12
# Above this nobody reads B, C or D as picofarads: a quarter of a picofarad would be 0.25 % or less anyway.
_PF_LETTERS_UP_TO = 100e-12

_PICOFARAD: Mapping[str, tuple[float, Source]] = MappingProxyType(
    {
        "B": (0.1e-12, sources.LETTERS_READ),
        "C": (0.25e-12, sources.LETTERS_READ),
        "D": (0.5e-12, sources.LETTERS_READ),
        "F": (1e-12, sources.IEC_LETTERS_BELOW_10PF),
        "G": (2e-12, sources.IEC_LETTERS_BELOW_10PF),
    }
)
_PERCENT: Mapping[str, tuple[tuple[float, float, Source], ...]] = MappingProxyType(
    {
        "B": ((0.001, 0.001, sources.IEC_LETTERS_ABOVE_10PF),),
        "C": ((0.0025, 0.0025, sources.IEC_LETTERS_ABOVE_10PF),),
        "D": ((0.005, 0.005, sources.IEC_LETTERS_ABOVE_10PF),),
        "F": ((0.01, 0.01, sources.LETTERS_READ),),
        "G": ((0.02, 0.02, sources.LETTERS_READ),),
        # Two pages, two figures.
        "H": ((0.025, 0.025, sources.LETTER_H_25), (0.03, 0.03, sources.LETTERS_READ)),
        "J": ((0.05, 0.05, sources.LETTERS_READ),),
        "K": ((0.1, 0.1, sources.LETTERS_READ),),
        "M": ((0.2, 0.2, sources.LETTERS_READ),),
        "N": ((0.3, 0.3, sources.MORE_LETTERS),),
        "P": ((0.0, 1.0, sources.MORE_LETTERS),),
        "Q": ((0.1, 0.3, sources.MORE_LETTERS),),
        "S": ((0.2, 0.5, sources.LETTERS_READ),),
        "T": ((0.1, 0.5, sources.MORE_LETTERS),),
        "Z": ((0.2, 0.8, sources.LETTERS_READ),),
    }
)

LETTERS = "".join(_PERCENT)
"""Every tolerance letter known here, capitals."""


def plus_minus(fraction: float) -> Tolerance:
    """The same limit on both sides."""
    return Tolerance(minus=fraction, plus=fraction)


def letter_meanings(letter: str, capacitance_farad: float) -> tuple[MarkedTolerance, ...]:
    """Everything a tolerance letter may mean on a part of this value; empty for a letter that is none.

    Below 10 pF the letters B to G mean picofarads; F and G are printed as percentages by one table all the same.
    From 10 pF up B, C and D are percentages; up to 100 pF tables still print them as picofarads.
    """
    letter = letter.upper()
    found: list[MarkedTolerance] = []
    small = capacitance_farad < _TEN_PF
    if letter in _PICOFARAD and (small or (letter in "BCD" and capacitance_farad <= _PF_LETTERS_UP_TO)):
        half_width_farad, source = _PICOFARAD[letter]
        found.append(
            MarkedTolerance(
                limits=AbsoluteTolerance(half_width_farad=half_width_farad), source=source, marked=letter
            )
        )
    if not (small and letter in "BCD"):
        found += [
            MarkedTolerance(limits=Tolerance(minus=minus, plus=plus), source=source, marked=letter)
            for minus, plus, source in _PERCENT.get(letter, ())
        ]
    return tuple(found)


_NUMBER = r"(?:\d{1,4}(?:\.\d{0,4})?|\.\d{1,4})"
_ONE = re.compile(rf"±?({_NUMBER})%", re.ASCII)
_PF = re.compile(rf"±({_NUMBER})pf?", re.ASCII | re.IGNORECASE)
_TWO = re.compile(rf"([+-])({_NUMBER})([+-])({_NUMBER})%", re.ASCII)


def written_tolerance(text: str) -> MarkedTolerance | None:
    """A tolerance in figures without spaces: "10%", "±10%", "-20+80%", "±0.5pF"; None for anything else.

    None as well for limits that no part has: a lower limit at or below zero, or no width at all.
    """
    limits: Tolerance | AbsoluteTolerance | None = None
    if (one := _ONE.fullmatch(text)) is not None:
        limits = _tolerance(one[1], one[1])
    elif (pf := _PF.fullmatch(text)) is not None and float(pf[1]) > 0:
        limits = AbsoluteTolerance(half_width_farad=float(f"{pf[1]}e-12"))
    elif (two := _TWO.fullmatch(text)) is not None and two[1] != two[3]:
        sides = {two[1]: two[2], two[3]: two[4]}
        limits = _tolerance(sides["-"], sides["+"])
    return None if limits is None else MarkedTolerance(limits=limits, source=sources.WRITTEN, marked=text)


def _tolerance(minus: str, plus: str) -> Tolerance | None:
    low, high = float(f"{minus}e-2"), float(f"{plus}e-2")
    return Tolerance(minus=low, plus=high) if low < 1 and low + high > 0 else None
