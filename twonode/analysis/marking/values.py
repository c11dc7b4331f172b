"""Capacitance in letters and figures: 4n7, 473, 4R7, .05, 250 mmf, 500 cm.

Owns every way a bare value may be written, without tolerance or volts. One text may have several meanings; all come
out, none is preferred.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from twonode.analysis.marking import sources
from twonode.analysis.marking.model import Scheme, Source, figures_to_farad

__all__ = ["UNIT_WORDS", "Value", "values_of"]

# Nothing larger stands on a bench for valve radios (common practice, no source).
_LARGEST_FARAD = 0.1
_CM_FARAD = 1.112650056e-12
# A figure in plain pF from here on; below, .05 has always meant microfarads.
_PLAIN_PF_FROM = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Value:
    """A capacitance that a text may mean.

    tight : three or more significant figures, which parts of 5 % and wider do not carry (IEC 60063: E24 has two).
    """

    farad: float
    scheme: Scheme
    source: Source
    tight: bool = False
    remark: str | None = None


_NUMBER = r"(?:\d{1,6}(?:\.\d{0,6})?|\.\d{1,6})"
_UNITS: dict[str, tuple[int, Scheme, Source]] = {
    **{word: (-12, Scheme.WRITTEN_UNIT, sources.WRITTEN) for word in ("pf", "picofarad", "picofarads")},
    **{word: (-9, Scheme.WRITTEN_UNIT, sources.WRITTEN) for word in ("nf", "nanofarad", "nanofarads")},
    **{word: (-6, Scheme.WRITTEN_UNIT, sources.WRITTEN) for word in ("uf", "microfarad", "microfarads")},
    **{word: (-6, Scheme.OLD_UNIT, sources.OLD_UNITS) for word in ("mfd", "mfds", "mf", "ufd")},
    **{
        word: (-12, Scheme.OLD_UNIT, sources.OLD_UNITS)
        for word in ("mmf", "mmfd", "mmfds", "uuf", "uufd", "pfd", "micromicrofarad", "micromicrofarads")
    },
    "kpf": (-9, Scheme.OLD_UNIT, sources.TRADE_UNITS),
}
UNIT_WORDS = frozenset({*_UNITS, "cm", "p", "n", "u"})
"""What may stand behind a figure after a space, small letters."""

_WITH_UNIT = re.compile(rf"({_NUMBER}) ?({'|'.join(sorted(_UNITS, key=len, reverse=True))})", re.ASCII | re.I)
_CENTIMETRES = re.compile(rf"({_NUMBER}) ?cm", re.ASCII | re.I)
_POWERS = {"p": -12, "n": -9, "u": -6, "m": -3}
_LETTER_WITHIN = re.compile(r"(\d{0,4})([pnum])(\d{1,4})[Ff]?", re.ASCII)
_LETTER_BEHIND = re.compile(rf"({_NUMBER}) ?([pnu])|(\d{{1,3}})(m)", re.ASCII)
_CAPITAL_WITHIN = re.compile(r"(\d{0,3})([PNU])(\d{1,3})F?", re.ASCII)
_CAPITAL_BEHIND = re.compile(rf"({_NUMBER})([PNU])", re.ASCII)
_R_WITHIN = re.compile(r"(\d{0,3})[Rr](\d{1,3})", re.ASCII)
_WHOLE = re.compile(r"[1-9]\d{0,5}", re.ASCII)
_DECIMAL = re.compile(r"\d{0,4}\.\d{1,6}|\d{1,4}\.", re.ASCII)
_K_WITHIN = re.compile(r"(\d{0,2})[Kk](\d{1,2})|(\d{1,3})[Kk]", re.ASCII)

_TINY = {"8": -2, "9": -1}


def values_of(text: str) -> tuple[Value, ...]:
    """Every capacitance that ``text`` may mean; empty where it is none.

    text : without spaces, but for one before a unit; micro written u. Letters count as they are: n is nano, N may
    also be a tolerance.
    """
    found = (
        *_written(text),
        *_letters(text),
        *_codes(text),
        *_plain(text),
        *_thousands(text),
    )
    return tuple(value for value in found if 0 < value.farad <= _LARGEST_FARAD)


def _written(text: str) -> Iterator[Value]:
    centimetres = _CENTIMETRES.fullmatch(text)
    if centimetres is not None:
        yield Value(farad=float(centimetres[1]) * _CM_FARAD, scheme=Scheme.OLD_UNIT, source=sources.CM)
    match = _WITH_UNIT.fullmatch(text)
    if match is None:
        return
    power, scheme, source = _UNITS[match[2].lower()]
    yield Value(farad=figures_to_farad(match[1], power), scheme=scheme, source=source)
    if match[2] == "mF":
        yield Value(
            farad=figures_to_farad(match[1], -3),
            scheme=Scheme.WRITTEN_UNIT,
            source=sources.WRITTEN,
            remark="mF read as millifarad; old parts mean microfarad",
        )


def _letters(text: str) -> Iterator[Value]:
    within = _LETTER_WITHIN.fullmatch(text)
    if within is not None:
        yield Value(
            farad=_pointed(within[1], within[3], _POWERS[within[2]]),
            scheme=Scheme.LETTER,
            source=sources.IEC_LETTER,
        )
    behind = _LETTER_BEHIND.fullmatch(text)
    if behind is not None:
        yield Value(
            farad=figures_to_farad(behind[1] or behind[3], _POWERS[behind[2] or behind[4]]),
            scheme=Scheme.LETTER,
            source=sources.IEC_LETTER,
        )
    for match in (_CAPITAL_WITHIN.fullmatch(text), _CAPITAL_BEHIND.fullmatch(text)):
        if match is not None:
            fraction = match[3] if match.re is _CAPITAL_WITHIN else ""
            power = _POWERS[match[2].lower()]
            yield Value(
                farad=_pointed(match[1], fraction, power) if fraction else figures_to_farad(match[1], power),
                scheme=Scheme.LETTER_CAPITAL,
                source=sources.CAPITALS,
            )


def _pointed(before: str, after: str, power: int) -> float:
    return figures_to_farad(f"{before or '0'}.{after or '0'}", power)


def _codes(text: str) -> Iterator[Value]:
    r_point = _R_WITHIN.fullmatch(text)
    if r_point is not None:
        for power, scheme in ((-12, Scheme.R_POINT_PF), (-6, Scheme.R_POINT_UF)):
            yield Value(farad=_pointed(r_point[1], r_point[2], power), scheme=scheme, source=sources.R_POINT)
    if _WHOLE.fullmatch(text) is None:
        return
    if len(text) == 3:
        tiny = text[2] in _TINY
        yield Value(
            farad=figures_to_farad(text[:2], _TINY.get(text[2], int(text[2])) - 12),
            scheme=Scheme.THREE_DIGIT,
            source=sources.IEC_TINY if tiny else sources.IEC_THREE_DIGIT,
        )
    if len(text) == 4:
        yield Value(
            farad=figures_to_farad(text[:3], _TINY.get(text[3], int(text[3])) - 12),
            scheme=Scheme.FOUR_DIGIT,
            source=sources.IEC_LETTER,
            tight=True,
        )


def _plain(text: str) -> Iterator[Value]:
    if _WHOLE.fullmatch(text) is not None:
        figures = len(text.rstrip("0"))
        yield Value(
            farad=figures_to_farad(text, -12),
            scheme=Scheme.PLAIN_PF,
            source=sources.PLAIN,
            tight=figures > 2,
        )
        if figures <= 2 and len(text) <= 4:
            yield Value(farad=figures_to_farad(text, -6), scheme=Scheme.PLAIN_UF, source=sources.PLAIN)
    elif _DECIMAL.fullmatch(text) is not None:
        number = float(text)
        fraction = number < 1
        yield Value(
            farad=figures_to_farad(text, -6),
            scheme=Scheme.PLAIN_UF_FRACTION if fraction else Scheme.PLAIN_UF,
            source=sources.PLAIN,
        )
        if number >= _PLAIN_PF_FROM:
            yield Value(farad=figures_to_farad(text, -12), scheme=Scheme.PLAIN_PF, source=sources.PLAIN)


def _thousands(text: str) -> Iterator[Value]:
    match = _K_WITHIN.fullmatch(text)
    if match is None:
        return
    whole = match[3] or match[1]
    if len((whole + (match[2] or "")).strip("0")) <= 2:
        yield Value(
            farad=_pointed(whole, match[2] or "", -9), scheme=Scheme.THOUSANDS, source=sources.THOUSANDS
        )
