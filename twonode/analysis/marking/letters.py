"""Markings in letters and figures: splits them into words and joins what the words may mean.

Owns the splitting and the joining. Each word has every meaning it may have; a reading takes one meaning of each word
and no two of one sort.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from twonode.analysis.marking import sources
from twonode.analysis.marking.extras import (
    VOLT_CODE_PATTERN,
    bare_volts,
    coded_volts,
    date_words,
    highest_celsius,
    safety_classes,
    written_volts,
)
from twonode.analysis.marking.model import (
    MarkedTolerance,
    MarkingError,
    Reading,
    Scheme,
    Source,
    TemperatureCharacteristic,
    Voltage,
)
from twonode.analysis.marking.temperature import CODE_PATTERN, temperature_meanings
from twonode.analysis.marking.tolerances import LETTERS, letter_meanings, written_tolerance
from twonode.analysis.marking.values import UNIT_WORDS, Value, values_of
from twonode.analysis.quantities import Tolerance

__all__ = ["read_letters"]

_MOST_WORDS = 10
# Wider tolerances go with values of two figures (IEC 60063: E24 at 5 %).
_TIGHT = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class _Piece:
    """What one word, or several together, may say."""

    value: Value | None = None
    letter: str | None = None
    tolerance: MarkedTolerance | None = None
    voltage: Voltage | None = None
    temperature: TemperatureCharacteristic | None = None
    safety: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    behind_value: bool = False

    def joined(self, other: _Piece) -> _Piece | None:
        """Both together; None where both say the same sort of thing."""
        if other.behind_value and self.value is None:
            return None
        if (self.value and other.value) or (self.temperature and other.temperature):
            return None
        if (self.letter or self.tolerance) and (other.letter or other.tolerance):
            return None
        remarks = self.remarks + other.remarks
        if self.voltage and other.voltage:
            if other.voltage.source is not None or self.voltage.source is not None:
                return None
            remarks += (f"also marked {_volts_words(other.voltage)}",)
        return _Piece(
            value=self.value or other.value,
            letter=self.letter or other.letter,
            tolerance=self.tolerance or other.tolerance,
            voltage=self.voltage or other.voltage,
            temperature=self.temperature or other.temperature,
            safety=self.safety + other.safety,
            remarks=remarks,
        )


def _volts_words(voltage: Voltage) -> str:
    return f"{voltage.volts:g} V{'' if voltage.kind is None else ' ' + voltage.kind}"


def read_letters(text: str) -> tuple[Reading, ...]:
    """Every reading of a marking in letters and figures, in no particular order.

    text : already free of odd characters (see `read_marking`): micro is u, minus is -.

    Raises MarkingError where a word has no meaning, where the words do not fit together, or where there are too many.
    """
    _refuse_sections(text)
    readings: list[Reading] = []
    unread: list[str] = []
    for variant, remark in _commas(text):
        words = _words(variant)
        if len(words) > _MOST_WORDS:
            raise MarkingError(
                f"The marking has {len(words)} words.",
                f"No scheme known here has more than {_MOST_WORDS}.",
                "Leave out what is no value, tolerance, working voltage or code.",
            )
        meanings = [tuple(_meanings(word)) for word in words]
        unread = [word for word, found in zip(words, meanings, strict=True) if not found]
        if not unread:
            for piece in _combined(meanings):
                readings += _readings(piece, remark)
    if readings:
        return tuple(dict.fromkeys(readings))
    raise _unreadable(text, unread)


def _refuse_sections(text: str) -> None:
    if re.search(r"\d\s*[-+/xX&]\s*\d[\d.\s+/xX&-]*\s*(?:mfd|uf|mf|ufd)\b", text, re.I | re.ASCII):
        raise MarkingError(
            f"{_shown(text)} names several sections in one can.",
            "Each section is a capacitor of its own and is judged alone.",
            "Give one section at a time, with the can's working voltage, such as 16uF 450V.",
        )


def _unreadable(text: str, unread: list[str]) -> MarkingError:
    if unread:
        what = f"{_shown(text)}: nothing known reads {', '.join(_shown(word) for word in unread[:3])}."
    else:
        what = f"{_shown(text)}: its parts do not make one value with one tolerance and one working voltage."
    return MarkingError(
        what,
        "Nothing is guessed: a wrong value put in a set does harm.",
        "Known: 4n7, 473K, 4R7, 0.05 mfd, .05, 250 mmf, 105K 330V, ±10%, X7R, N750, X2, and colours such as "
        '"red red orange". Leave out maker\'s names and type numbers.',
    )


def _shown(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:37] + "...")


_NUMBER = r"(?:\d+(?:\.\d*)?|\.\d+)"
_TWO_SIDED = re.compile(rf"([+-])\s*({_NUMBER})\s*%?\s*/?\s*([+-])\s*({_NUMBER})\s*%", re.ASCII)
_ONE_SIDED = re.compile(rf"(?:±|\+/-|\+-|-/\+)\s*({_NUMBER})\s*(%|pF?\b)", re.ASCII | re.I)
_COMMA = re.compile(r"(?<![\d.,])(\d{1,6}),(\d{1,6})(?![\d,])", re.ASCII)


def _commas(text: str) -> Iterator[tuple[str, str | None]]:
    """The text with its commas taken as points, and as thousands where that is possible too."""
    match = _COMMA.search(text)
    if match is None:
        yield text, None
        return
    yield _COMMA.sub(r"\1.\2", text), "comma read as decimal point"
    if len(match[2]) == 3 and match[1][0] != "0" and len(match[1]) <= 3:
        yield _COMMA.sub(r"\1\2", text), "comma read as thousands"


def _words(text: str) -> list[str]:
    """Words without spaces; a figure and the unit behind a space are one word, with the space."""
    text = _TWO_SIDED.sub(r" \1\2\3\4% ", text)
    text = _ONE_SIDED.sub(r" ±\1\2 ", text)
    kept = [
        word if word.endswith("%") else re.sub(r"(?<=\d)-(?=\d)", " ", word.replace("/", " "))
        for word in text.replace(",", " ").replace(";", " ").split()
    ]
    pieces = " ".join(kept).split()
    words: list[str] = []
    at = 0
    while at < len(pieces):
        word, used = _with_unit(pieces, at)
        words.append(word)
        at += used
    return words


_FIGURES = re.compile(rf"~?{_NUMBER}", re.ASCII)
_FIGURES_FIRST = re.compile(rf"~?{_NUMBER}[kK]?[vV]?", re.ASCII)


def _with_unit(pieces: list[str], at: int) -> tuple[str, int]:
    """The word at ``at`` together with the unit behind it, and how many pieces that took."""
    first = pieces[at]
    if _FIGURES_FIRST.match(first) is not None:
        for used in (4, 3, 2):
            joined = "".join(pieces[at : at + used])
            # Figures of its own make the piece behind a reading of its own: 473 10V are no 47310 V.
            apart = any(letter.isdigit() for piece in pieces[at + 1 : at + used] for letter in piece)
            if len(pieces) >= at + used and not apart and written_volts(joined) is not None:
                return joined, used
    if len(pieces) > at + 1 and _FIGURES.fullmatch(first) is not None:
        unit = pieces[at + 1].rstrip(".")
        if unit.lower() in UNIT_WORDS and not (len(unit) == 1 and unit.isupper()):
            return f"{first} {unit}", 2
        if unit in ("%", "°C"):
            return first + unit, 2
    return (first.rstrip(".") or first) if first[:-1].strip("0123456789") else first, 1


_VOLTS_BEHIND = re.compile(r"(.*[A-Za-z])(\d{2,5})(V|VDC|VAC|)", re.ASCII)
_CODE_BEHIND = re.compile(rf"(.+?)({CODE_PATTERN})", re.ASCII)
_CODE_BEFORE = re.compile(rf"({VOLT_CODE_PATTERN})([1-9]\d\d[{LETTERS}]?)", re.ASCII)


def _meanings(word: str) -> Iterator[_Piece]:
    """Everything one word may say."""
    capitals = word.upper()
    yield from _valued(word)
    before = _CODE_BEFORE.fullmatch(word)
    if before is not None:
        for piece in _with_tolerance(before[2]):
            if piece.value is not None and piece.value.scheme is Scheme.THREE_DIGIT:
                yield _Piece(value=piece.value, letter=piece.letter, voltage=coded_volts(before[1]))
    tolerance = written_tolerance(word)
    if tolerance is not None:
        yield _Piece(tolerance=tolerance)
    if len(word) == 1 and capitals in LETTERS:
        yield _Piece(letter=capitals, behind_value=True)
    for voltage in (written_volts(word), coded_volts(word)):
        if voltage is not None:
            yield _Piece(voltage=voltage, behind_value=voltage.source is not None)
    bare = bare_volts(word)
    if bare is not None:
        yield _bare(bare)
    # In small letters p and n are units: p100 is no P100.
    for temperature in temperature_meanings(word if word[0] in "pn" else capitals):
        yield _Piece(temperature=temperature)
    classes = safety_classes(capitals)
    if classes:
        yield _Piece(safety=classes)
    else:
        date = date_words(capitals)
        if date is not None:
            yield _Piece(remarks=(date,), behind_value=True)
    highest = highest_celsius(word)
    if highest is not None:
        yield _Piece(remarks=(highest,))


def _bare(voltage: Voltage) -> _Piece:
    return _Piece(
        voltage=voltage,
        remarks=(f"{voltage.volts:g} taken as working volts: no V is marked",),
        behind_value=True,
    )


def _valued(word: str) -> Iterator[_Piece]:
    """Value, and what may follow it without a space: tolerance, temperature code, volts."""
    yield from _with_code(word)
    volts = _VOLTS_BEHIND.fullmatch(word)
    if volts is not None:
        behind = (
            _Piece(voltage=written_volts(volts[2] + volts[3])) if volts[3] else _usual(bare_volts(volts[2]))
        )
        if behind is not None:
            for piece in _with_code(volts[1]):
                if piece.letter or piece.temperature or volts[3]:
                    joined = piece.joined(behind)
                    if joined is not None:
                        yield joined


def _usual(voltage: Voltage | None) -> _Piece | None:
    return None if voltage is None else _bare(voltage)


def _with_code(word: str) -> Iterator[_Piece]:
    yield from _with_tolerance(word)
    code = _CODE_BEHIND.fullmatch(word)
    if code is not None:
        for temperature in temperature_meanings(code[2]):
            for piece in _with_tolerance(code[1]):
                joined = piece.joined(_Piece(temperature=temperature))
                if joined is not None:
                    yield joined


# Where an F may be the letter of 1 % and farad as well; behind a figure with a decimal point or a space it is farad.
_F_IN_CODE = re.compile(r"\d*[pnu]\d*F|\d*[PNU]\d+F", re.ASCII)


def _ends_in_unit(word: str) -> bool:
    """Whether the last letter of a value belongs to its unit and to nothing else: 100 pF, .05mfd, 0.1uF."""
    if " " in word or word[-2:].lower() == "fd":
        return True
    return word[-1] in "fF" and _F_IN_CODE.fullmatch(word) is None


def _with_tolerance(word: str) -> Iterator[_Piece]:
    whole = values_of(word)
    for value in whole:
        yield _Piece(value=value)
    last = word[-1]
    if last.upper() not in LETTERS or last in "pn" or (whole and _ends_in_unit(word)):
        return
    for value in values_of(word[:-1]):
        remarks = ("F read as the tolerance letter, not as farad",) if whole and last == "F" else ()
        yield _Piece(value=value, letter=last.upper(), remarks=remarks)


def _combined(meanings: list[tuple[_Piece, ...]]) -> list[_Piece]:
    pieces = [_Piece()]
    for word in meanings:
        joined = (piece.joined(each) for piece in pieces for each in word)
        pieces = list(dict.fromkeys(piece for piece in joined if piece is not None))
    return pieces


def _readings(piece: _Piece, remark: str | None) -> Iterator[Reading]:
    """The readings of one way to take the words: several where a tolerance letter has several meanings."""
    remarks = piece.remarks if remark is None else (*piece.remarks, remark)
    value = piece.value
    if value is None:
        if piece.letter or piece.tolerance or not (piece.temperature or piece.safety or piece.voltage):
            return
        yield Reading(
            scheme=Scheme.NO_VALUE,
            source=_source_without_value(piece),
            voltage=piece.voltage,
            temperature=piece.temperature,
            safety=piece.safety,
            remarks=remarks,
        )
        return
    tolerances: tuple[MarkedTolerance | None, ...] = (piece.tolerance,)
    if piece.letter is not None:
        tolerances = letter_meanings(piece.letter, value.farad)
    for tolerance in tolerances:
        if value.tight and _coarse(tolerance, piece.temperature):
            continue
        yield Reading(
            scheme=value.scheme,
            source=value.source,
            capacitance_farad=value.farad,
            tolerance=tolerance,
            voltage=piece.voltage,
            temperature=piece.temperature,
            safety=piece.safety,
            remarks=remarks if value.remark is None else (*remarks, value.remark),
        )


def _source_without_value(piece: _Piece) -> Source:
    if piece.temperature is not None:
        return piece.temperature.source
    return sources.SAFETY if piece.safety else sources.WRITTEN


def _coarse(tolerance: MarkedTolerance | None, temperature: TemperatureCharacteristic | None) -> bool:
    """Whether a part cannot be one of three figures: a wide tolerance, or a class 2 dielectric."""
    if temperature is not None and temperature.range_c is not None:
        return True
    limits = None if tolerance is None else tolerance.limits
    return isinstance(limits, Tolerance) and max(limits.minus, limits.plus) > _TIGHT
