"""Colours as people write them: words, usual abbreviations, initials.

Owns the words. An abbreviation that fits several colours comes out as all of them; a misspelling is refused with the
nearest colour.
"""

from __future__ import annotations

import difflib
import re
from enum import Enum

from twonode.analysis.marking.model import MarkingError

__all__ = ["Colour", "colours_of", "looks_like_colours", "suggestion", "unknown_colour"]


class Colour(Enum):
    """A colour of a dot or band; NONE is a place left in the colour of the body."""

    BLACK = "black"
    BROWN = "brown"
    RED = "red"
    ORANGE = "orange"
    YELLOW = "yellow"
    GREEN = "green"
    BLUE = "blue"
    VIOLET = "violet"
    GREY = "grey"
    WHITE = "white"
    GOLD = "gold"
    SILVER = "silver"
    NONE = "none"

    @property
    def digit(self) -> int | None:
        """0 for black to 9 for white; None for the rest."""
        place = list(Colour).index(self)
        return place if place <= 9 else None


_NAMES = {
    **{colour.value: colour for colour in Colour},
    "purple": Colour.VIOLET,
    "gray": Colour.GREY,
    "body": Colour.NONE,
    "blank": Colour.NONE,
}
# IEC 60757 letters and the abbreviations of catalogues (common practice, no source).
_ABBREVIATIONS = {
    "bk": Colour.BLACK,
    "blk": Colour.BLACK,
    "bn": Colour.BROWN,
    "brn": Colour.BROWN,
    "rd": Colour.RED,
    "og": Colour.ORANGE,
    "orn": Colour.ORANGE,
    "org": Colour.ORANGE,
    "ye": Colour.YELLOW,
    "gn": Colour.GREEN,
    "grn": Colour.GREEN,
    "bu": Colour.BLUE,
    "vt": Colour.VIOLET,
    "gy": Colour.GREY,
    "gry": Colour.GREY,
    "wh": Colour.WHITE,
    "wht": Colour.WHITE,
    "gd": Colour.GOLD,
    "gld": Colour.GOLD,
    "sr": Colour.SILVER,
    "slv": Colour.SILVER,
}


def colours_of(word: str) -> tuple[Colour, ...]:
    """Every colour that a word may mean, in the order of the digits; empty where it is none.

    A full name or a known abbreviation means one colour. Any other beginning of a name means every colour whose name
    begins so: "b" is black, brown or blue.
    """
    word = word.lower()
    if word in _NAMES:
        return (_NAMES[word],)
    if word in _ABBREVIATIONS:
        return (_ABBREVIATIONS[word],)
    # "n" and "none" cut short are no colours; a dot without colour is written out.
    begun = {colour for name, colour in _NAMES.items() if name.startswith(word) and colour is not Colour.NONE}
    return tuple(colour for colour in Colour if colour in begun)


def suggestion(word: str, *, cutoff: float = 0.6) -> str | None:
    """The colour name nearest to a word that is none. cutoff : likeness from 0 to 1 that is still near."""
    near = difflib.get_close_matches(word.lower(), _NAMES, n=1, cutoff=cutoff)
    return near[0] if near else None


def looks_like_colours(text: str) -> bool:
    """Whether a text without figures is meant as colours: a whole colour name, or three words of which one is near."""
    if any(each.isdigit() for each in text):
        return False
    words = re.findall(r"[^\W\d_]+", text.lower())
    if any(word in _NAMES for word in words):
        return True
    if any(len(word) > 3 and suggestion(word, cutoff=0.75) is not None for word in words):
        return True
    return len(words) >= 3 and any(colours_of(word) for word in words)


def unknown_colour(word: str) -> MarkingError:
    """The refusal of a word that is no colour."""
    near = suggestion(word)
    shown = word if len(word) <= 20 else word[:17] + "..."
    return MarkingError(
        f"{shown!r} is no colour known here.",
        "One wrong colour changes the value tenfold.",
        f"Did you mean {near!r}?" if near else f"Write {', '.join(colour.value for colour in Colour)}.",
    )
