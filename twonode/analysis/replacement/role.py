"""What a capacitor is for: the positions that are known, how people call them, what each allows.

Owns the words of the positions and the facts that hold for a position whatever the value: how far the value may
move, which of two preferred values is usual, whether the warm-up surge reaches it, whether it is at the mains.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from types import MappingProxyType

from twonode.analysis.preferred import Series
from twonode.analysis.quantities import Tolerance
from twonode.analysis.replacement.errors import ReplacementError

__all__ = [
    "Changes",
    "PartType",
    "Preference",
    "Role",
    "RoleFacts",
    "SafetyClass",
    "facts_of",
    "parse_role",
    "part_type",
]


class Role(Enum):
    """A position in the set."""

    COUPLING = "coupling"
    CATHODE_BYPASS = "cathode bypass"
    SCREEN_BYPASS = "screen bypass"
    PLATE_BYPASS = "plate bypass"
    BYPASS = "bypass"
    AVC_FILTER = "AVC filter"
    TONE_CONTROL = "tone control"
    OUTPUT_PLATE = "output plate"
    FIRST_FILTER = "first filter"
    POWER_FILTER = "power filter"
    TUNED = "tuned circuit"
    ACROSS_LINE = "across the line"
    LINE_TO_CHASSIS = "line to chassis"
    AERIAL_ISOLATION = "aerial isolation"


class SafetyClass(Enum):
    """The classes of IEC 60384-14."""

    X = "X"
    Y = "Y"


class PartType(Enum):
    """The kind of new part that a position takes; decides which values and ratings are made."""

    FILM = "film"
    MICA_OR_C0G = "mica or C0G ceramic"
    ELECTROLYTIC = "electrolytic"
    SAFETY = "safety class"

    @property
    def series(self) -> Series:
        """The series in which such parts are commonly stocked (common practice, no source)."""
        return _STOCKED[self]


_STOCKED = {
    PartType.FILM: Series.E12,
    PartType.MICA_OR_C0G: Series.E24,
    PartType.ELECTROLYTIC: Series.E6,
    PartType.SAFETY: Series.E6,
}


class Preference(Enum):
    """Which of two preferred values is usual in a position."""

    NEAREST = "nearest"
    NEXT_HIGHER = "next higher"
    EXACT = "exact"


class Changes(Enum):
    """What another value changes there."""

    LOW_FREQUENCIES = "loss of low frequencies"
    BYPASSED_FROM = "frequency from which it bypasses"
    HIGH_FREQUENCIES = "loss of high frequencies"
    TIME_CONSTANT = "time constant"
    RIPPLE = "ripple"
    TUNING = "tuning"
    LINE_CURRENT = "current at line frequency"


@dataclass(frozen=True, slots=True, kw_only=True)
class RoleFacts:
    """What holds in a position.

    limits : how far the value may move where the part's own tolerance is not given.
    surge : the supply's volts reach the part while the valves are cold.
    safety : the class that alone is let there; None away from the mains.
    source : where limits and preference come from.
    """

    limits: Tolerance
    preference: Preference
    changes: Changes
    surge: bool
    why: str
    source: str
    safety: SafetyClass | None = None


_PRACTICE = "common practice, no source"
_20 = Tolerance(minus=0.2, plus=0.2)

_FACTS: Mapping[Role, RoleFacts] = MappingProxyType(
    {
        Role.COUPLING: RoleFacts(
            limits=_20,
            preference=Preference.NEAREST,
            changes=Changes.LOW_FREQUENCIES,
            surge=True,
            why="the nearest keeps the bass and the recovery after overload as designed",
            source=_PRACTICE,
        ),
        Role.CATHODE_BYPASS: RoleFacts(
            limits=Tolerance(minus=0.2, plus=1.0),
            preference=Preference.NEXT_HIGHER,
            changes=Changes.BYPASSED_FROM,
            surge=False,
            why="a bypass may be larger: it only bypasses from a lower frequency up",
            source=_PRACTICE,
        ),
        Role.SCREEN_BYPASS: RoleFacts(
            limits=Tolerance(minus=0.2, plus=1.0),
            preference=Preference.NEXT_HIGHER,
            changes=Changes.BYPASSED_FROM,
            surge=True,
            why="a bypass may be larger: it only bypasses from a lower frequency up",
            source=_PRACTICE,
        ),
        Role.PLATE_BYPASS: RoleFacts(
            limits=_20,
            preference=Preference.NEAREST,
            changes=Changes.HIGH_FREQUENCIES,
            surge=True,
            why="a larger one takes treble, a smaller one lets RF pass",
            source=_PRACTICE,
        ),
        Role.BYPASS: RoleFacts(
            limits=Tolerance(minus=0.2, plus=1.0),
            preference=Preference.NEXT_HIGHER,
            changes=Changes.BYPASSED_FROM,
            surge=True,
            why="a bypass may be larger: it only bypasses from a lower frequency up",
            source=_PRACTICE,
        ),
        Role.AVC_FILTER: RoleFacts(
            limits=_20,
            preference=Preference.NEAREST,
            changes=Changes.TIME_CONSTANT,
            surge=False,
            why="the nearest keeps the time in which the control follows a station",
            source=_PRACTICE,
        ),
        Role.TONE_CONTROL: RoleFacts(
            limits=_20,
            preference=Preference.NEAREST,
            changes=Changes.HIGH_FREQUENCIES,
            surge=False,
            why="the nearest keeps the tone as designed",
            source=_PRACTICE,
        ),
        Role.OUTPUT_PLATE: RoleFacts(
            limits=_20,
            preference=Preference.NEAREST,
            changes=Changes.HIGH_FREQUENCIES,
            surge=True,
            why="the nearest keeps the tone as designed",
            source=_PRACTICE,
        ),
        Role.FIRST_FILTER: RoleFacts(
            limits=Tolerance(minus=0.2, plus=0.25),
            preference=Preference.NEXT_HIGHER,
            changes=Changes.RIPPLE,
            surge=True,
            why="next higher where that is no more than a quarter more: a larger first filter overloads a "
            "valve rectifier",
            source=_PRACTICE,
        ),
        Role.POWER_FILTER: RoleFacts(
            limits=Tolerance(minus=0.2, plus=0.5),
            preference=Preference.NEXT_HIGHER,
            changes=Changes.RIPPLE,
            surge=True,
            why="electrolytics usually go to the next higher value that is stocked; the first filter behind a "
            "valve rectifier is a position of its own",
            source=_PRACTICE,
        ),
        Role.TUNED: RoleFacts(
            limits=Tolerance(minus=0.01, plus=0.01),
            preference=Preference.EXACT,
            changes=Changes.TUNING,
            surge=True,
            why="another value detunes the circuit: the exact one or none",
            source=_PRACTICE,
        ),
        Role.ACROSS_LINE: RoleFacts(
            limits=_20,
            preference=Preference.NEAREST,
            changes=Changes.LINE_CURRENT,
            surge=False,
            why="only class X parts (IEC 60384-14) belong across the line",
            source=_PRACTICE,
            safety=SafetyClass.X,
        ),
        Role.LINE_TO_CHASSIS: RoleFacts(
            limits=_20,
            preference=Preference.NEAREST,
            changes=Changes.LINE_CURRENT,
            surge=False,
            why="only class Y parts (IEC 60384-14) belong between line and chassis, and small ones",
            source=_PRACTICE,
            safety=SafetyClass.Y,
        ),
        Role.AERIAL_ISOLATION: RoleFacts(
            limits=_20,
            preference=Preference.NEAREST,
            changes=Changes.LINE_CURRENT,
            surge=False,
            why="in a transformerless set it alone keeps the line from the aerial: class Y (IEC 60384-14)",
            source="from memory",
            safety=SafetyClass.Y,
        ),
    }
)

# As people write them, after _plain; "tone" alone takes the harder position, at the output plate.
_ALIASES = {
    "grid coupling": Role.COUPLING,
    "coupling to output grid": Role.COUPLING,
    "interstage": Role.COUPLING,
    "ac coupling": Role.COUPLING,
    "cathode": Role.CATHODE_BYPASS,
    "screen": Role.SCREEN_BYPASS,
    "screen grid bypass": Role.SCREEN_BYPASS,
    "anode bypass": Role.PLATE_BYPASS,
    "plate rf bypass": Role.PLATE_BYPASS,
    "anode rf bypass": Role.PLATE_BYPASS,
    "rf bypass": Role.PLATE_BYPASS,
    "decoupling": Role.BYPASS,
    "avc": Role.AVC_FILTER,
    "agc": Role.AVC_FILTER,
    "agc filter": Role.AVC_FILTER,
    "avc bypass": Role.AVC_FILTER,
    "tone": Role.OUTPUT_PLATE,
    "output anode": Role.OUTPUT_PLATE,
    "output plate tone": Role.OUTPUT_PLATE,
    "output anode tone": Role.OUTPUT_PLATE,
    "tone output plate": Role.OUTPUT_PLATE,
    "reservoir": Role.FIRST_FILTER,
    "input filter": Role.FIRST_FILTER,
    "filter": Role.POWER_FILTER,
    "smoothing": Role.POWER_FILTER,
    "supply filter": Role.POWER_FILTER,
    "tuned": Role.TUNED,
    "tank": Role.TUNED,
    "tuning": Role.TUNED,
    "if transformer": Role.TUNED,
    "padder": Role.TUNED,
    "oscillator": Role.TUNED,
    "across line": Role.ACROSS_LINE,
    "across mains": Role.ACROSS_LINE,
    "line to line": Role.ACROSS_LINE,
    "line to neutral": Role.ACROSS_LINE,
    "mains to chassis": Role.LINE_TO_CHASSIS,
    "neutral to chassis": Role.LINE_TO_CHASSIS,
    "line to earth": Role.LINE_TO_CHASSIS,
    "mains to earth": Role.LINE_TO_CHASSIS,
    "line to ground": Role.LINE_TO_CHASSIS,
    "b minus to chassis": Role.LINE_TO_CHASSIS,
    "antenna isolation": Role.AERIAL_ISOLATION,
    "antenna": Role.AERIAL_ISOLATION,
    "aerial": Role.AERIAL_ISOLATION,
}
_FILLER = re.compile(r"\b(?:the|a|an|capacitor|condenser|cap)\b")
_AT_THE_LINE = re.compile(r"\b(?:line|mains|power line|ac)\b")


def _plain(text: str) -> str:
    words = re.sub(r"\bb\s*-(?=\s|$)", "b minus", text.strip().lower())
    words = re.sub(r"[-_/,]+", " ", words)
    return " ".join(_FILLER.sub(" ", words).split())


_NAMES = {_plain(role.value): role for role in Role} | _ALIASES


def parse_role(text: str) -> Role:
    """The position that a text names: "coupling", "anode bypass", "line-to-chassis" ...

    Raises ReplacementError for any other, with the nearest; at the line, where the two positions need
    different classes, nothing is guessed.
    """
    words = _plain(text)
    if words in _NAMES:
        return _NAMES[words]
    known = ", ".join(role.value for role in Role)
    if _AT_THE_LINE.search(words):
        raise ReplacementError(
            f"{text!r} does not say which position at the mains.",
            "Across the line takes a class X part, line to chassis a class Y part: the wrong one can kill.",
            f"Write '{Role.ACROSS_LINE.value}' or '{Role.LINE_TO_CHASSIS.value}'.",
        )
    near = difflib.get_close_matches(words, _NAMES, n=1)
    raise ReplacementError(
        f"{text!r} is no known role" + (f"; did you mean '{_NAMES[near[0]].value}'?" if near else "."),
        "The position decides the rated voltage and which dielectrics are safe.",
        f"Write one of: {known}.",
    )


def facts_of(role: Role) -> RoleFacts:
    """What holds in a position."""
    return _FACTS[role]


_SMALL_FARAD = 1e-9
"""Below this mica or C0G is usual (common practice, no source)."""
_SMALL_TUNED_FARAD = 10e-9
"""In a tuned circuit up to here, as far as they are made (common practice, no source)."""
_LARGE_FARAD = 1e-6
"""From here up a bypass or filter is an electrolytic (common practice, no source)."""
_MAY_BE_ELECTROLYTIC = frozenset(
    {Role.CATHODE_BYPASS, Role.SCREEN_BYPASS, Role.BYPASS, Role.FIRST_FILTER, Role.POWER_FILTER}
)


def part_type(role: Role, value_farad: float) -> PartType:
    """The kind of new part that a position takes at a value."""
    if facts_of(role).safety is not None:
        return PartType.SAFETY
    # The margin: 1000 pF typed in any unit is no "under 1000 pF".
    if value_farad < (_SMALL_TUNED_FARAD if role is Role.TUNED else _SMALL_FARAD) * (1 - 1e-9):
        return PartType.MICA_OR_C0G
    if role in _MAY_BE_ELECTROLYTIC and value_farad >= _LARGE_FARAD * (1 - 1e-9):
        return PartType.ELECTROLYTIC
    return PartType.FILM
