"""The whole advice on one replacement.

Owns the order of the questions: position first, and where that is at the mains nothing but the safety class; else
values, rated voltage, dielectrics, parts at hand. Says what stays unknown.
"""

from __future__ import annotations

from dataclasses import dataclass

from twonode.analysis.quantities import Tolerance, format_quantity
from twonode.analysis.replacement.change import (
    AVC_LEAST_TIMES,
    AvcLeakage,
    Surroundings,
    avc_leakage,
    avc_lost,
)
from twonode.analysis.replacement.combinations import StockAdvice, from_stock
from twonode.analysis.replacement.errors import ReplacementError
from twonode.analysis.replacement.mains import MainsAdvice, mains_advice
from twonode.analysis.replacement.rating import (
    DEFAULT_LINE_RISE,
    RatedVoltage,
    WorkingVoltage,
    rated_voltage,
)
from twonode.analysis.replacement.role import Changes, PartType, Role, facts_of, part_type
from twonode.analysis.replacement.stock import StockPart
from twonode.analysis.replacement.suitability import DielectricAdvice, Fit, suitable
from twonode.analysis.replacement.values import Opinion, Suggestion, suggest_values

__all__ = [
    "Replacement",
    "ReplacementRequest",
    "advise_replacement",
    "percent_words",
]


_NOTHING_SAID = Surroundings()


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplacementRequest:
    """What goes out, and what is known of its position.

    working : DC volts; may be None at the mains only, where they do not count.
    tolerance : of the old part. rated_asked_v : a rated voltage the person has in mind.
    secondary_v : RMS volts of one half of the transformer's secondary. line_rise : fraction.
    line_v, line_hz : the mains, RMS; for positions there. stock : parts at hand, None without a list.
    """

    value_farad: float
    role: Role
    working: WorkingVoltage | None = None
    surroundings: Surroundings = _NOTHING_SAID
    tolerance: Tolerance | None = None
    rated_asked_v: float | None = None
    secondary_v: float | None = None
    line_rise: float = DEFAULT_LINE_RISE
    line_v: float | None = None
    line_hz: float | None = None
    stock: tuple[StockPart, ...] | None = None

    def __post_init__(self) -> None:
        around = self.surroundings
        for what, value, unit in (
            ("A next resistance", around.next_ohm, "ohm"),
            ("A source resistance", around.source_ohm, "ohm"),
            *(("A frequency", each, "Hz") for each in around.at_hz),
        ):
            if value is not None and not 0 < value < 1e12:
                raise ReplacementError(
                    f"{what} of {value:g} {unit} cannot be used.",
                    "Corner and loss follow from it: it must be above zero.",
                    "Give it as on the schematic, such as 470k or 100Hz.",
                )


@dataclass(frozen=True, slots=True, kw_only=True)
class Replacement:
    """The advice.

    limits : how far the value may move; None at the mains, which has limits of its own.
    rated : None at the mains. mains : None away from the mains. avc : None but for an AVC filter whose feed is known.
    in_short : one sentence. unknown : what was not looked at, one sentence each.
    """

    request: ReplacementRequest
    part_type: PartType
    limits: Tolerance | None
    in_short: str
    suggestions: tuple[Suggestion, ...]
    rated: RatedVoltage | None
    dielectrics: tuple[DielectricAdvice, ...]
    mains: MainsAdvice | None
    avc: AvcLeakage | None
    stock: StockAdvice | None
    notes: tuple[str, ...]
    unknown: tuple[str, ...]


def advise_replacement(request: ReplacementRequest) -> Replacement:
    """Work the advice out.

    Raises ReplacementError where no safe answer exists: impossible value, missing or impossible voltage, a rated
    voltage below the working one.
    """
    if facts_of(request.role).safety is not None:
        return _at_the_mains(request)
    if request.working is None:
        raise ReplacementError(
            "The working voltage is missing.",
            "A part with too low a rated voltage breaks down; without the volts no rating can be suggested.",
            "Give the DC volts of the supply behind the part: --voltage 'B+ 265V'.",
        )
    suggestions = suggest_values(
        request.value_farad,
        request.role,
        tolerance=request.tolerance,
        surroundings=request.surroundings,
    )
    kind = part_type(request.role, request.value_farad)
    rated = rated_voltage(
        request.role,
        kind,
        request.working,
        secondary_v=request.secondary_v,
        line_rise=request.line_rise,
        asked_v=request.rated_asked_v,
    )
    dielectrics = suitable(request.role, request.value_farad)
    stock = (
        None
        if request.stock is None
        else from_stock(
            request.stock,
            request.value_farad,
            request.role,
            needed_v=rated.needed_v,
            tolerance=request.tolerance,
        )
    )
    feed_ohm = request.surroundings.next_ohm
    avc = avc_leakage(feed_ohm) if request.role is Role.AVC_FILTER and feed_ohm is not None else None
    return Replacement(
        request=request,
        part_type=kind,
        limits=request.tolerance or facts_of(request.role).limits,
        in_short=_in_short(suggestions, rated, dielectrics),
        suggestions=suggestions,
        rated=rated,
        dielectrics=dielectrics,
        mains=None,
        avc=avc,
        stock=stock,
        notes=(*_avc_notes(avc), *_notes(request, kind)),
        unknown=_unknown(request, kind),
    )


def _at_the_mains(request: ReplacementRequest) -> Replacement:
    mains = mains_advice(request.value_farad, request.role, line_v=request.line_v, line_hz=request.line_hz)
    chosen = next((each for each in mains.suggestions if each.recommended), None)
    letter = mains.safety.value
    in_short = (
        f"no value that is safe here comes near; class {letter} only, left to licensed practice"
        if chosen is None
        else f"{_farad(chosen.value_farad)} class {letter} safety part, no other kind"
    )
    ignored = [
        f"{name} is not used: no number of DC volts makes a part safe at the mains"
        for name, given in (
            ("the voltage given", request.working),
            ("the rated voltage given", request.rated_asked_v),
        )
        if given is not None
    ]
    if request.stock is not None:
        ignored.append(
            "the list of parts is not used: it cannot prove a safety class, and parts are never combined there"
        )
    return Replacement(
        request=request,
        part_type=PartType.SAFETY,
        limits=None,
        in_short=in_short,
        suggestions=mains.suggestions,
        rated=None,
        dielectrics=suitable(request.role, request.value_farad),
        mains=mains,
        avc=None,
        stock=None,
        notes=tuple(ignored),
        unknown=(
            "whether the set has an earth wire, and what stands at the chassis: look before touching",
            "the other parts between line and chassis, whose currents add up",
            "the local code's limit for the current, and whether you may do this work",
            "the approval on the new part: read it on the part itself",
            "size and lead spacing",
        ),
    )


def _farad(value: float) -> str:
    return format_quantity(value, "F")


def _volts(volts: float) -> str:
    return f"{volts:.3g} V" if volts < 1000 else f"{volts:.0f} V"


def percent_words(deviation: float) -> str:
    """A deviation as "+2.5 %", "-6 %" or "0 %"."""
    text = f"{deviation * 100:+.1f}".removesuffix(".0")
    return "0 %" if text in ("+0", "-0") else f"{text} %"


def _in_short(
    suggestions: tuple[Suggestion, ...], rated: RatedVoltage, dielectrics: tuple[DielectricAdvice, ...]
) -> str:
    chosen = next((each for each in suggestions if each.recommended), None)
    pair = next((each for each in suggestions if Opinion.TWO_IN_PARALLEL in each.opinions), None)
    if chosen is not None:
        value = f"{_farad(chosen.value_farad)} ({percent_words(chosen.deviation)})"
    elif pair is not None:
        made = " and ".join(map(_farad, pair.parts_farad))
        value = f"no single preferred value; {made} in parallel ({percent_words(pair.deviation)})"
    else:
        value = "no preferred value within the limits"
    volts = (
        "no standard rating reaches"
        if rated.suggested_v is None
        else f"rated {_volts(rated.suggested_v)} or more"
    )
    fitting = [each.name for each in dielectrics if each.fit is Fit.SUITS]
    return f"{value}, {volts}" + (f", {' or '.join(fitting)}" if fitting else "")


def _avc_notes(avc: AvcLeakage | None) -> tuple[str, ...]:
    if avc is None:
        return ()
    feed, least = (format_quantity(ohm, "ohm") for ohm in (avc.feed_ohm, avc.least_ohm))
    worse = 0.3 * avc.least_ohm
    return (
        f"leakage: behind {feed} the part needs {least} across it, {AVC_LEAST_TIMES:g} times as much, which take "
        f"{format_quantity(avc.lost, '%', 2)} of the AVC; {format_quantity(worse, 'ohm')} would take "
        f"{format_quantity(avc_lost(avc.feed_ohm, worse), '%', 2)}",
    )


def _notes(request: ReplacementRequest, kind: PartType) -> tuple[str, ...]:
    notes = []
    if request.line_v is not None or request.line_hz is not None:
        notes.append("the line voltage is used for positions at the mains only")
    if request.role is Role.POWER_FILTER:
        notes.append(
            "the first filter behind a valve rectifier is --role 'first filter': a larger one overloads it"
        )
    if request.role is Role.OUTPUT_PLATE:
        notes.append("--role tone means the part at the output plate; elsewhere write --role 'tone control'")
    working = request.working
    if working is not None and working.is_supply and not facts_of(request.role).surge:
        notes.append(
            "B+ does not reach this position: give the volts there, such as 8V, for a rating that fits"
        )
    if working is not None and not working.label and facts_of(request.role).surge:
        notes.append(
            f"{working.volts:g} V is taken as the whole supply (B+), which cold valves put on the part"
        )
    if kind is PartType.ELECTROLYTIC:
        notes.append("polarity: mark it before the old part comes out")
    return tuple(notes)


def _unknown(request: ReplacementRequest, kind: PartType) -> tuple[str, ...]:
    said = ["whether the old part's value is the one the set was designed with"]
    changes = facts_of(request.role).changes
    if request.surroundings.next_ohm is None and changes in (
        Changes.LOW_FREQUENCIES,
        Changes.BYPASSED_FROM,
        Changes.HIGH_FREQUENCIES,
        Changes.TIME_CONSTANT,
    ):
        said.append("corner and loss: the resistance it works with was not given (--next)")
        if request.role is Role.AVC_FILTER:
            said.append("how much of the AVC a leak takes: that needs the resistor too (--next)")
    elif changes is Changes.LOW_FREQUENCIES and request.surroundings.source_ohm is None:
        said.append("what feeds it (--source): without that, corner and loss are those of the two nodes")
    elif changes is Changes.BYPASSED_FROM:
        said.append("how much gain the bypass gives at low frequencies: that needs the valve's data")
    if facts_of(request.role).surge:
        said.append("the actual surge at switch-on: measured by who may do it, it beats any rule")
    if kind is PartType.ELECTROLYTIC:
        said += [
            "ripple current and ESR: compare the new part's data with the rectifier's current",
            "temperature at its place: choose 105 °C near valves",
        ]
    else:
        said.append("temperature at its place, beside valves and resistors")
    if request.role is Role.OUTPUT_PLATE:
        said.append("pulse rating: peaks with no loudspeaker connected are higher than any rule here")
    said.append("the new part's own tolerance, which comes on top of the deviation")
    said.append("size and lead spacing")
    return tuple(said)
