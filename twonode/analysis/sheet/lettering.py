"""Lettering: how wide a text will be, where its lines break, and what the type has no sign for.

Owns the widths of DejaVu Sans, which comes with matplotlib and is the same on every machine. Loads matplotlib when
the first text is measured.
"""

from __future__ import annotations

import re
import unicodedata
from functools import cache
from typing import Any

__all__ = ["FAMILY", "LEADING", "SMALLEST_POINTS", "fitting_size", "printable", "width_pt", "wrapped"]

FAMILY = "DejaVu Sans"
SMALLEST_POINTS = 8.0
"""Smallest type on paper: read at arm's length."""
LEADING = 1.28

_UNIT = 1000.0
_BREAK_AFTER = "/-_,;:.\\|"
_UNIT_WORD = re.compile(r"(%|[fpnµmkMGT]?(F|Ω|V|A|Hz))[).,;:]*")


@cache
def _font(*, bold: bool) -> Any:
    from matplotlib.font_manager import FontProperties, findfont
    from matplotlib.ft2font import FT2Font

    font = FT2Font(findfont(FontProperties(family=FAMILY, weight="bold" if bold else "normal")))
    font.set_size(_UNIT, 72)
    return font


@cache
def _advance(sign: str, *, bold: bool) -> float:
    """Width of one sign at one point of size."""
    from matplotlib.ft2font import LoadFlags

    glyph = _font(bold=bold).load_char(ord(sign), flags=LoadFlags.NO_HINTING)
    width: float = glyph.linearHoriAdvance / 65536.0 / _UNIT
    return width


def width_pt(text: str, size: float, *, bold: bool = False) -> float:
    """Width of a line of printable text, points; kerning, which only narrows it, is left out."""
    return size * sum(_advance(sign, bold=bold) for sign in text)


@cache
def _shown(sign: str) -> str:
    """What stands for one sign of a text."""
    if sign.isspace():
        return " "
    kind = unicodedata.category(sign)
    # Joiners, variation selectors and skin tones only change the sign before them.
    if kind in ("Cc", "Cf", "Mn", "Me", "Cs", "Co", "Cn") or "\U0001f3fb" <= sign <= "\U0001f3ff":
        return ""
    if _font(bold=False).get_char_index(ord(sign)) and _font(bold=True).get_char_index(ord(sign)):
        return sign
    name = unicodedata.name(sign, "")
    if kind.startswith("S") and name:
        return f"[{name.lower()}]"
    plain = unicodedata.normalize("NFKD", sign)
    if plain != sign and all(_font(bold=False).get_char_index(ord(each)) for each in plain):
        return plain
    return "▯"


def printable(text: str) -> str:
    """The text in signs the type has: an emoji becomes its name in brackets, an unknown letter an empty box.

    Line breaks and runs of space become one space.

    >>> printable("Wrenfield 📻  46")
    'Wrenfield [radio] 46'
    """
    composed = unicodedata.normalize("NFC", text)
    return " ".join("".join(_shown(sign) for sign in composed).split())


def wrapped(
    text: str, size: float, width: float, *, most: int | None = None, bold: bool = False
) -> list[str]:
    """The text as lines no wider than ``width`` points; more than ``most`` lines end in an ellipsis.

    Breaks at spaces; a word longer than a line after a slash or the like, else anywhere.
    """
    lines: list[str] = []
    line = ""
    for word in _words(printable(text)):
        joined = f"{line} {word}" if line else word
        if width_pt(joined, size, bold=bold) <= width:
            line = joined
            continue
        if width_pt(word, size, bold=bold) > width:
            *whole, line = _pieces(joined, size, width, bold=bold)
            lines += whole
        else:
            lines.append(line)
            line = word
        if most is not None and len(lines) > most:
            break
    lines.append(line)
    if most is None or len(lines) <= most:
        return lines
    return [*lines[: most - 1], _cut(lines[most - 1], size, width, bold=bold)]


def _words(text: str) -> list[str]:
    """Words between which a line may end: a figure keeps its unit."""
    words: list[str] = []
    for word in text.split(" "):
        if words and _UNIT_WORD.fullmatch(word) and words[-1][-1:].isdigit():
            words[-1] += f" {word}"
        else:
            words.append(word)
    return words


def _pieces(word: str, size: float, width: float, *, bold: bool) -> list[str]:
    """A text cut into lines wherever that fills them."""
    pieces = []
    while width_pt(word, size, bold=bold) > width:
        reach, total = 0, 0.0
        while total + size * _advance(word[reach], bold=bold) <= width:
            total += size * _advance(word[reach], bold=bold)
            reach += 1
        reach = max(reach, 1)
        soft = max((word.rfind(sign, 0, reach) + 1 for sign in _BREAK_AFTER), default=0)
        at = soft if soft > reach // 2 else reach
        pieces.append(word[:at])
        word = word[at:]
    return [*pieces, word]


def _cut(line: str, size: float, width: float, *, bold: bool) -> str:
    while line and width_pt(f"{line}…", size, bold=bold) > width:
        line = line[:-1]
    return f"{line.rstrip()}…"


def fitting_size(text: str, width: float, *, largest: float, smallest: float, bold: bool = False) -> float:
    """The largest size, in half points, at which the text as printed is no wider than ``width``; else ``smallest``."""
    size, text = largest, printable(text)
    while size > smallest and width_pt(text, size, bold=bold) > width:
        size -= 0.5
    return size
