"""Rated voltage: from the volts of the position, with the warm-up surge and a high line.

Owns the reading of voltages as people name them and the rule for each kind of part. Never suggests a rating below
what the position can reach. Says nothing about the mains, where no number of volts makes a part safe.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from twonode.analysis.quantities import format_quantity, parse_quantity
from twonode.analysis.replacement.errors import ReplacementError
from twonode.analysis.replacement.role import PartType, Role, facts_of

__all__ = [
    "DEFAULT_LINE_RISE",
    "RatedVoltage",
    "WorkingVoltage",
    "parse_secondary",
    "parse_working_voltage",
    "rated_voltage",
    "rectifier_peak_v",
    "standard_ratings_v",
]

DEFAULT_LINE_RISE = 0.08
"""A set made for 115 to 117 V on a line of up to 124 V; editable (computed; the line voltages are a trade figure)."""

_MARGIN = 1.1  # 400 V is thin for a peak of 382 V, 630 V usual (common practice, no source)
_ELECTROLYTIC = 1.5  # volts x 1.2 under rating x 0.8: a magazine column of 1993 on filter capacitors
_OUTPUT_PLATE_V = 1000.0  # a repair guide on output stages: rate at 1000 V or more
_OUTPUT_SWING = 2.0  # a transformer-loaded anode swings to about twice the supply (from memory)
_NO_LOAD = math.sqrt(2.0)
"""Cold valves draw nothing and B+ rises to the rectifier's peak. Where the transformer is not known, B+ under load is
taken as the RMS of one half of the secondary, which makes the peak sqrt(2) times B+ (common practice, no source)."""

# Commonly made ratings, volts DC (from memory).
_STANDARD_V = {
    PartType.FILM: (63.0, 100.0, 160.0, 250.0, 400.0, 630.0, 1000.0, 1250.0, 1600.0, 2000.0),
    PartType.MICA_OR_C0G: (50.0, 100.0, 300.0, 500.0, 1000.0, 2000.0, 3000.0),
    PartType.ELECTROLYTIC: (
        *(6.3, 10.0, 16.0, 25.0, 35.0, 50.0, 63.0, 100.0),
        *(160.0, 200.0, 250.0, 350.0, 400.0, 450.0, 500.0),
    ),
}
_MOST_V = 20e3


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkingVoltage:
    """The DC volts of a position. label : what the person called them, "B+" or "HT"; empty if nothing."""

    volts: float
    label: str = ""

    @property
    def is_supply(self) -> bool:
        """Whether they were called B+ or HT."""
        return self.label.lower().replace(" ", "").replace(".", "") in ("b+", "+b", "bplus", "ht", "ht+")

    @property
    def is_warm(self) -> bool:
        """Whether they were called those of one electrode, which holds with warm valves only."""
        return self.label.lower() in ("anode", "plate", "screen", "cathode", "avc")


@dataclass(frozen=True, slots=True, kw_only=True)
class RatedVoltage:
    """The rated voltage that a position asks for, volts DC.

    surge_v : what the position reaches with cold valves and a high line.
    needed_v : no rating below this is suggested. suggested_v : the next standard rating; None where none is made.
    asked_v, asked_fits, asked_because : a rating that the person named, and whether it is enough.
    """

    part_type: PartType
    working_v: float
    surge_v: float
    needed_v: float
    suggested_v: float | None
    standard_v: tuple[float, ...]
    because: tuple[str, ...]
    asked_v: float | None = None
    asked_fits: bool | None = None
    asked_because: str | None = None


_LABEL = r"(?P<label>b\s*\+|\+\s*b|b plus|h\.?t\.?\+?|ht|supply|anode|plate|screen|cathode|working|avc)"
_WORKING = re.compile(rf"(?:{_LABEL}\s*[:=]?\s*)?(?P<volts>[+-]?[\d.].*?)\s*(?:v?dc|d\.c\.)?", re.IGNORECASE)
# No such text is longer; it also bounds the work done on garbage.
_LONGEST = 120
_RAIL = re.compile(r"(b\s*\+|h\.?t\.?\+?)\s+(?:line|rail)\b", re.IGNORECASE)  # the HT line is no mains line
_ALTERNATING = re.compile(r"(?:\bac\b|vac\b|\bmains\b|\bline\b|a\.c\.|~|\brms\b)", re.IGNORECASE)


def parse_working_voltage(text: str) -> WorkingVoltage:
    """Read "B+ 265V", "265V", "HT 265 V", "265 V DC".

    Raises ReplacementError for AC or mains volts and for zero, negative or impossible ones, QuantityError for what
    is no voltage.
    """
    text = text.strip()
    if len(text) <= _LONGEST:
        text = _RAIL.sub(r"\1", text)
    if _ALTERNATING.search(text):
        raise ReplacementError(
            f"{text!r} is a voltage of the mains, or AC.",
            "Rated DC volts cannot be worked out from it, and a part at the mains needs a safety class instead.",
            "Give the DC volts of the position, or --role 'across the line' or 'line to chassis' with --line.",
        )
    match = _WORKING.fullmatch(text) if len(text) <= _LONGEST else None
    label = "" if match is None or match["label"] is None else match["label"]
    volts = parse_quantity(text if match is None else match["volts"], "V")
    if not 0 < volts <= _MOST_V:
        raise ReplacementError(
            f"A working voltage of {volts:g} V cannot be used.",
            "The rated voltage follows from it: it must be above zero, and 20 kV is beyond any valve radio.",
            "Give the DC volts of the supply behind the part, such as 'B+ 265V', without a sign.",
        )
    return WorkingVoltage(volts=volts, label=label)


_CENTRE = re.compile(
    r"(?P<a>[\d.]+)\s*v?\s*-\s*0\s*v?\s*-\s*(?P<b>[\d.]+)\s*v?(?:\s*(?:ac|rms))?", re.IGNORECASE
)
_SINGLE = re.compile(r"(?P<a>[\d.]+\s*v?)(?:\s*(?:ac|rms))?", re.IGNORECASE)


def parse_secondary(text: str) -> float:
    """RMS volts from one end of the rectifier's winding to its centre: "250-0-250 V", or "250V" without a centre.

    Of two unequal halves the higher. Raises ReplacementError for anything else.
    """
    cleaned = text.strip() if len(text) <= _LONGEST else ""
    centre, single = _CENTRE.fullmatch(cleaned), _SINGLE.fullmatch(cleaned)
    try:
        if centre is not None:
            volts = max(float(centre["a"]), float(centre["b"]))
        else:
            volts = float((single["a"] if single is not None else "").rstrip("vV "))
    except ValueError:
        volts = 0.0
    if not 0 < volts <= _MOST_V:
        raise ReplacementError(
            f"{text!r} is no transformer secondary.",
            "Its volts say how high B+ rises while the valves are cold.",
            "Write it like 250-0-250V, or 250V for a winding without a centre tap.",
        )
    return volts


def rectifier_peak_v(secondary_v: float, line_rise: float = 0.0) -> float:
    """Peak of one winding half, volts: sqrt(2) times its RMS, at a line higher by the fraction ``line_rise``."""
    return math.sqrt(2.0) * secondary_v * (1.0 + line_rise)


def standard_ratings_v(part_type: PartType) -> tuple[float, ...]:
    """Ratings commonly made, volts DC, rising; none for safety parts, which are chosen by class."""
    return _STANDARD_V.get(part_type, ())


def rated_voltage(
    role: Role,
    part_type: PartType,
    working: WorkingVoltage,
    *,
    secondary_v: float | None = None,
    line_rise: float = DEFAULT_LINE_RISE,
    asked_v: float | None = None,
) -> RatedVoltage:
    """The rated voltage that a position not at the mains asks for.

    Raises ReplacementError where ``asked_v`` is below the working voltage, or the line rise is impossible;
    ValueError for a position at the mains.
    """
    if facts_of(role).safety is not None:
        raise ValueError("role: no number of volts makes a part safe at the mains")
    if not 0 <= line_rise <= 0.5:
        raise ReplacementError(
            f"A line {line_rise * 100:g} % higher cannot be used.",
            "It says how far the line may rise above the one the volts were taken at: 0 to 50 %.",
            "Give it like 8%.",
        )
    if asked_v is not None and not 0 < asked_v <= _MOST_V:
        raise ReplacementError(
            f"A rated voltage of {asked_v:g} V cannot be used.",
            "A rating is above zero and below 20 kV.",
            "Give it as printed on the part, such as 630V.",
        )
    if asked_v is not None and asked_v < working.volts:
        raise ReplacementError(
            f"A part rated {_volts(asked_v)} is refused: the position works at {_volts(working.volts)}.",
            "A capacitor below the working voltage breaks down, takes other parts along, and can catch fire.",
            "Choose a higher rating; without --rated the least one that is suggested is shown.",
        )
    if working.is_warm and facts_of(role).surge:
        raise ReplacementError(
            f"{_volts(working.volts)} at the {working.label} holds with warm valves only.",
            "Cold valves draw nothing and put the whole supply on the part: this rating would be too low.",
            "Give the supply's volts: --voltage 'B+ 265V'.",
        )
    surge, because = _surge(role, working.volts, secondary_v, line_rise)
    needed, more = _needed(role, part_type, working.volts, surge, peak_known=secondary_v is not None)
    standard = standard_ratings_v(part_type)
    suggested = next((each for each in standard if each >= needed * (1 - 1e-9)), None)
    because += more
    if suggested is None:
        because += (
            f"no {part_type.value} part is commonly made for {_volts(needed)}: a special part, or several in series "
            "with equalising resistors, is a matter for design",
        )
    fits = None if asked_v is None else asked_v >= needed * (1 - 1e-9)
    return RatedVoltage(
        part_type=part_type,
        working_v=working.volts,
        surge_v=surge,
        needed_v=needed,
        suggested_v=suggested,
        standard_v=standard,
        because=because,
        asked_v=asked_v,
        asked_fits=fits,
        asked_because=None if asked_v is None else _asked(asked_v, needed, fits=bool(fits)),
    )


def _volts(volts: float) -> str:
    return format_quantity(volts, "V") if volts < 1000 else f"{volts:.0f} V"


def _asked(asked_v: float, needed_v: float, *, fits: bool) -> str:
    if fits:
        return f"{_volts(asked_v)} is enough: {_volts(needed_v)} is needed"
    return (
        f"not suggested: {_volts(asked_v)} is above the working voltage, but below the {_volts(needed_v)} that "
        "warm-up, a high line and a margin ask for"
    )


def _surge(
    role: Role, working_v: float, secondary_v: float | None, line_rise: float
) -> tuple[float, tuple[str, ...]]:
    rise = f"{line_rise * 100:g} %"
    high = working_v * (1 + line_rise)
    if not facts_of(role).surge:
        return high, (f"{_volts(high)} with the line {rise} up; B+ does not reach this position",)
    if secondary_v is not None:
        peak = rectifier_peak_v(secondary_v)
        at_rise = rectifier_peak_v(secondary_v, line_rise)
        if at_rise >= high:
            return at_rise, (
                f"cold valves put the rectifier's peak on it: {_volts(peak)}, {_volts(at_rise)} with the line "
                f"{rise} up",
            )
    unloaded = working_v * _NO_LOAD * (1 + line_rise)
    said = (
        "the transformer's secondary is not known (give --secondary)"
        if secondary_v is None
        else "the volts given are above the secondary's peak, as behind a voltage doubler"
    )
    return unloaded, (
        f"cold valves let B+ rise to the rectifier's peak; {said}: taken as 1.41 times the working voltage with the "
        f"line {rise} up, {_volts(unloaded)}",
    )


def _needed(
    role: Role, part_type: PartType, working_v: float, surge_v: float, *, peak_known: bool
) -> tuple[float, tuple[str, ...]]:
    if part_type is PartType.ELECTROLYTIC:
        by_rule = working_v * _ELECTROLYTIC
        if not facts_of(role).surge:
            return by_rule, (
                f"an electrolytic is rated at least 1.5 times the volts on it: {_volts(by_rule)}",
            )
        # The rule has margins of its own; a peak that is known rather than assumed gets one besides.
        least = surge_v * _MARGIN if peak_known else surge_v
        needed = max(by_rule, least)
        return needed, (
            f"an electrolytic is rated at least 1.5 times the volts on it, {_volts(by_rule)}, and no less than "
            f"{_volts(least)}" + (", 10 % above the peak" if peak_known else " at switch-on"),
        )
    needed = surge_v * _MARGIN
    margin = f"10 % above that, {_volts(needed)}"
    if role is Role.OUTPUT_PLATE:
        swing = surge_v * _OUTPUT_SWING
        needed = max(_OUTPUT_PLATE_V, swing)
        return needed, (
            f"at the output plate never below 1000 V, and no less than twice the supply, {_volts(swing)}: the "
            "transformer's swing comes on top, more with no loudspeaker connected",
        )
    if part_type is PartType.FILM and facts_of(role).surge:
        return needed, (f"{margin}; a next higher rating costs little",)
    return needed, (margin,)
