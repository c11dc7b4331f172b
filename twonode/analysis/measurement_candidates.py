"""What could be measured next in a stage: every reasonable clip, companion, lifted end and meter reading.

Owns the list with the words a repairer would use, and the frequencies a sweep of a changed circuit needs. How much
each one would tell is worked out in `next_measurement`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from math import log10, pi

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.channel import PROBE_10, probe_parts
from twonode.analysis.companion import companion_name, nearest_e12, schematic_value
from twonode.analysis.dc_division import dc_volts, has_supply
from twonode.analysis.errors import AnalysisError, StageError
from twonode.analysis.feeding import GENERATOR_SIDE, clipped, fed_through, own_parts, signal_nodes
from twonode.analysis.hookup import COMPANION_ROLE, KNOWN_RESISTOR_ROLE
from twonode.analysis.network import Network
from twonode.analysis.quantities import Tolerance, format_quantity
from twonode.analysis.stage import GROUND, Part, PartKind, Stage

__all__ = [
    "FEED_TOLERANCE",
    "Candidate",
    "DcAction",
    "MeasurementKind",
    "OhmsAction",
    "SweepAction",
    "candidates_of",
    "clip_candidates",
    "feed_ohm",
    "fixture_alone",
    "informative_hz",
]

Real = NDArray[np.float64]

FEED_TOLERANCE = Tolerance(minus=0.01, plus=0.01)
"""An ordinary metal film resistor."""
COMPANION_TOLERANCE = Tolerance(minus=0.01, plus=0.01)
USUAL_FEED_OHM = 10e3
FEEDS_OHM = (100.0, 1e3, 10e3, 100e3)
FREQUENCIES = 8
LOWEST_HZ, HIGHEST_HZ = 4.0, 1e6
"""What scopes of this class reach with four periods in a record; above, leads and scope bandwidth decide."""
_GRID_HZ: Real = np.geomspace(LOWEST_HZ, HIGHEST_HZ, 58)
SEEN_SHARE = 0.3
QUIET_RATIO = 0.02
MOST_LIFTED = 3
FIXTURE_DRIVE, FIXTURE_FAR = "fixture drive", "fixture far"


class MeasurementKind(Enum):
    """Kinds of next measurement; the value is the word in JSON."""

    COMPANION = "companion"
    CHANNEL_1 = "channel 1"
    CHANNEL_2 = "channel 2"
    THROUGH = "through a resistor"
    OHMS = "ohms"
    LIFT = "lift"
    DC = "dc volts"


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepAction:
    """A sweep of this circuit, everything that is clipped on included, over this range."""

    stage: Stage
    part: str
    from_hz: float
    to_hz: float
    frequencies_hz: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DcAction:
    """A reading of DC volts from a node to ground, on the live set."""

    stage: Stage
    node: str
    meter_ohm: float = 10e6


@dataclass(frozen=True, slots=True, kw_only=True)
class OhmsAction:
    """A reading of ohms across a part, one end of it lifted."""

    part: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One measurement that could be made next, with what it takes to carry it out.

    options : options of `twonode sweep` beside --stage and --part; empty for a meter.
    """

    kind: MeasurementKind
    words: str
    action: SweepAction | DcAction | OhmsAction
    options: tuple[str, ...] = ()


def candidates_of(stage: Stage, suspects: Sequence[str]) -> tuple[Candidate, ...]:
    """Everything worth thinking of.

    Parameters
    ----------
    stage : as it was swept, channels included.
    suspects : names of the parts under suspicion, likeliest first; they decide the frequencies, what is lifted and
        what is read.
    """
    bare = _bare(stage)
    found = [*clip_candidates(bare, suspects), *_companions(bare, suspects)]
    found += _lifted(bare, suspects)
    found += _ohms(bare, suspects)
    found += _dc(bare)
    # Two shares of a small impedance may come to the same preferred value.
    return tuple({candidate.words: candidate for candidate in found}.values())


def _bare(stage: Stage) -> Stage:
    """The stage without what was clipped on; where it was fed through a resistor, driven at the fed node."""
    drive = stage.drive
    if drive == GENERATOR_SIDE:
        feed = next(p for p in stage.parts if GENERATOR_SIDE in p.between)
        drive = next(n for n in feed.between if n != GENERATOR_SIDE)
    parts = own_parts(stage)
    fars = [stage.far, *(n for p in parts for n in p.between)]
    for far in fars:
        try:
            return Stage(title=stage.title, drive=drive, far=far, parts=parts)
        except StageError:
            continue
    raise StageError(
        "Nothing is left of the stage without what was clipped on.",
        "The next measurement is looked for in the set itself.",
        "Describe the set's own parts in the stage file.",
    )


def clip_candidates(stage: Stage, suspects: Sequence[str]) -> list[Candidate]:
    """Sweeps with generator and channels elsewhere, through a known resistor or not.

    stage : as it is now; the present way of clipping is not among them.
    """
    found: list[Candidate] = []
    nodes = signal_nodes(stage)

    def add(kind: MeasurementKind, words: str, build: Stage | None, *options: str) -> None:
        action = None if build is None else _sweep(build, suspects)
        if action is not None:
            found.append(Candidate(kind=kind, words=words, action=action, options=options))

    for far in nodes:
        if far not in (stage.far, stage.drive):
            words = f"clip channel 2 to {far!r} and sweep again"
            add(MeasurementKind.CHANNEL_2, words, _moved(stage, stage.drive, far), "--far", far)
    for drive in nodes:
        moved = drive != stage.drive
        fars = [n for n in nodes if n != drive]
        for far in fars if moved else ():
            words = f"clip generator and channel 1 to {drive!r}, channel 2 to {far!r}, and sweep again"
            add(MeasurementKind.CHANNEL_1, words, _moved(stage, drive, far), "--drive", drive, "--far", far)
        ohm = _feed(stage, drive)
        for far in (drive, *fars):
            known = format_quantity(ohm, "ohm", 3 if ohm < 1e3 else 2)
            there = "that node" if far == drive else repr(far)
            words = (
                f"clip channel 1 to the generator's side of a {known} resistor that feeds {drive!r}, "
                f"channel 2 to {there}, and sweep again"
            )
            options = ["--through", f"{schematic_value(ohm, PartKind.RESISTOR)} 1%", "--far", far]
            if moved:
                options += ["--drive", drive]
            add(MeasurementKind.THROUGH, words, _fed(stage, drive, far, ohm), *options)
    return found


def _moved(stage: Stage, drive: str, far: str) -> Stage | None:
    """The stage with its channels moved; None where that is no circuit."""
    try:
        return clipped(stage, drive=drive, far=far)
    except StageError:
        return None


def _fed(stage: Stage, drive: str, far: str, ohm: float) -> Stage | None:
    """The stage fed through a resistor; None where that is no circuit."""
    try:
        return fed_through(stage, ohm, FEED_TOLERANCE, drive=drive, far=far)
    except StageError:
        return None


def feed_ohm(stage: Stage, node: str) -> float:
    """Of the usual decades the one nearest the node's own impedance around 1 kHz, ohm."""
    probe = Part(name="feed", kind=PartKind.RESISTOR, between=(GENERATOR_SIDE, node), value=USUAL_FEED_OHM)
    network = Network([*stage.parts, *probe_parts(PROBE_10, node, "far probe"), probe], forced=GENERATOR_SIDE)
    ratio = complex(network.ratio(np.array([1e3]), node)[0])
    ohm = abs(USUAL_FEED_OHM * ratio / (1.0 - ratio))
    return min(FEEDS_OHM, key=lambda r: abs(log10(r / max(ohm, 1.0))))


def _feed(stage: Stage, node: str) -> float:
    """10 kohm is at hand; a smaller one is looked for where the node's impedance is far below it."""
    return min(USUAL_FEED_OHM, feed_ohm(stage, node))


def _companions(stage: Stage, suspects: Sequence[str]) -> Iterable[Candidate]:
    """A resistor or a capacitor across the far node, a capacitor across each suspected one."""
    hz = _middle_hz(stage, suspects)
    if hz is None:
        return
    y_far = _node_ohm(stage, stage.far, hz)
    places: list[tuple[PartKind, float, tuple[str, str], str, str]] = []
    for share in (0.3, 1.0):
        ohm = nearest_e12(max(share * y_far, 10.0))
        places.append((PartKind.RESISTOR, ohm, (stage.far, GROUND), f"from {stage.far!r} to ground", "far"))
    farad = nearest_e12(1.0 / (2 * pi * hz * y_far))
    if 100e-12 <= farad <= 1e-6:
        places.append(
            (PartKind.CAPACITOR, farad, (stage.far, GROUND), f"from {stage.far!r} to ground", "far")
        )
    for name in suspects[:MOST_LIFTED]:
        part = stage.part(name)
        if part.kind is PartKind.CAPACITOR and part.value <= 1e-6:
            places.append(
                (PartKind.CAPACITOR, nearest_e12(part.value), part.between, f"across {name}", f"part {name}")
            )
    for kind, value, between, where, across in places:
        companion = Part(
            name=companion_name(value, kind),
            kind=kind,
            between=between,
            value=value,
            tolerance=COMPANION_TOLERANCE,
            role=COMPANION_ROLE,
        )
        action = _sweep(stage.with_parts(companion), suspects)
        if action is None:
            continue
        shown = format_quantity(value, kind.unit)
        place, _, asked = across.partition(" ")
        if asked:
            action = replace(action, part=asked)
        yield Candidate(
            kind=MeasurementKind.COMPANION,
            words=f"clip a known {shown} {where} and sweep again",
            action=action,
            options=("--companion", f"{schematic_value(value, kind)} 1%", "--across", place),
        )


def fixture_alone(part: Part, *, drive: str = FIXTURE_DRIVE, far: str = FIXTURE_FAR) -> Stage:
    """A capacitor with one end lifted, in series with a known resistor to ground, as a circuit of its own.

    The resistor is the decade whose corner with the part is the highest below 200 Hz, 1 Mohm where none is: there a
    probe that is trimmed off hardly matters (design).
    """
    decades = [10.0**n for n in range(2, 7)]
    fitting = [r for r in decades if 1.0 / (2 * pi * r * part.value) <= 200.0]
    ohm = fitting[0] if fitting else decades[-1]
    known = Part(
        name="fixture resistor",
        kind=PartKind.RESISTOR,
        between=(far, GROUND),
        value=ohm,
        tolerance=FEED_TOLERANCE,
        role=KNOWN_RESISTOR_ROLE,
    )
    alone = replace(part, between=(drive, far))
    return Stage(title=f"{part.name}, one end lifted", drive=drive, far=far, parts=(alone, known))


def _lifted(stage: Stage, suspects: Sequence[str]) -> Iterable[Candidate]:
    for name in suspects:
        part = stage.part(name)
        if part.kind is not PartKind.CAPACITOR:
            continue
        fixture = fixture_alone(part)
        action = _sweep(fixture, [name])
        if action is None:
            continue
        known = format_quantity(fixture.parts[1].value, "ohm", 3)
        yield Candidate(
            kind=MeasurementKind.LIFT,
            words=f"lift one end of {name} ({_end_to_lift(stage, part)}) and sweep it alone in series with {known}",
            action=action,
            options=(
                *("--hookup", "series", "--expect", schematic_value(part.value, part.kind)),
                *("--resistor", schematic_value(fixture.parts[1].value, PartKind.RESISTOR)),
                *("--resistor-tolerance", "1%"),
            ),
        )


def _end_to_lift(stage: Stage, part: Part) -> str:
    """The end that frees most paths: away from the drive for a coupling part, the cold end of a bypass.

    Common practice, no source.
    """
    if GROUND in part.between:
        return "the ground end"
    first, second = part.between
    away = second if first == stage.drive else first
    return f"the end at {away!r}"


def _ohms(stage: Stage, suspects: Sequence[str]) -> Iterable[Candidate]:
    for name in suspects:
        part = stage.part(name)
        if part.kind is PartKind.INDUCTOR or part.role == "stray":
            continue
        yield Candidate(
            kind=MeasurementKind.OHMS,
            words=f"read the ohms {'of' if part.kind is PartKind.RESISTOR else 'across'} {name} with one end lifted, "
            "set unplugged and discharged",
            action=OhmsAction(part=name),
        )


def _dc(stage: Stage) -> Iterable[Candidate]:
    """DC volts where a healthy stage has none: elsewhere a valve's current, which is not modelled, decides."""
    if not has_supply(stage):
        return
    try:
        volts = dc_volts(stage)
    except AnalysisError:
        return
    for node in signal_nodes(stage):
        quiet = volts.get(node)
        if quiet is not None and abs(quiet) < 1e-6 and node != GENERATOR_SIDE:
            yield Candidate(
                kind=MeasurementKind.DC,
                words=f"read the DC volts from {node!r} to ground with a meter (the set is live: meter work only)",
                action=DcAction(stage=stage, node=node),
            )


def _sweep(stage: Stage, suspects: Sequence[str]) -> SweepAction | None:
    """The sweep of a circuit over the frequencies that tell about the suspects; None where none of them shows."""
    hz = informative_hz(stage, suspects)
    if hz is None:
        return None
    capacitors = [p.name for p in own_parts(stage) if p.kind is PartKind.CAPACITOR and p.role != "stray"]
    asked = next((n for n in suspects if n in capacitors), capacitors[0] if capacitors else None)
    if asked is None:
        return None
    return SweepAction(
        stage=_asking(stage, asked),
        part=asked,
        from_hz=float(hz[0]),
        to_hz=float(hz[-1]),
        frequencies_hz=tuple(float(f) for f in hz),
    )


def _asking(stage: Stage, name: str) -> Stage:
    parts = tuple(
        replace(p, asked=p.name == name) if p.kind is PartKind.CAPACITOR else p for p in stage.parts
    )
    return replace(stage, parts=parts)


def informative_hz(stage: Stage, suspects: Sequence[str], *, count: int = FREQUENCIES) -> Real | None:
    """Frequencies, evenly spaced in the logarithm, over which the suspects change the ratio; None where none does."""
    network = Network([*stage.parts, *probe_parts(PROBE_10, stage.far, "far probe")], forced=stage.drive)
    y = network.admittances(np.asarray(2j * np.pi * _GRID_HZ, dtype=np.complex128))
    ratio, by_y = network.transfer_with_sensitivity(y, stage.far)
    size = np.abs(ratio)
    informative = np.zeros(_GRID_HZ.size, dtype=bool)
    for row, part in enumerate(network.parts):
        if part.name not in suspects:
            continue
        slope = (
            np.abs(by_y[row] * y[row]) / np.where(size > 0, size, 1.0) * np.minimum(1.0, size / QUIET_RATIO)
        )
        if slope.max() > 1e-3:
            informative |= slope >= SEEN_SHARE * slope.max()
    if not informative.any():
        return None
    places = np.flatnonzero(informative)
    low, high = _GRID_HZ[places[0]], _GRID_HZ[places[-1]]
    middle = np.sqrt(low * high)
    # Two decades at least, so that plateaus and slopes are both there.
    low, high = min(low, middle / 10.0), max(high, middle * 10.0)
    if low < LOWEST_HZ:
        low, high = LOWEST_HZ, max(high, 100.0 * LOWEST_HZ)
    if high > HIGHEST_HZ:
        low, high = min(low, HIGHEST_HZ / 100.0), HIGHEST_HZ
    return np.geomspace(low, high, count)


def _middle_hz(stage: Stage, suspects: Sequence[str]) -> float | None:
    hz = informative_hz(stage, suspects)
    return None if hz is None else float(np.sqrt(hz[0] * hz[-1]))


def _node_ohm(stage: Stage, node: str, hz: float) -> float:
    """Size of the impedance at a node with the drive node held, ohm."""
    network = Network([*stage.parts, *probe_parts(PROBE_10, node, "far probe")], forced=stage.drive)
    place = network.node_index(node)
    assert place is not None
    s = np.array([2j * np.pi * hz], dtype=np.complex128)
    return float(abs(network.solve(network.admittances(s), (place,))[0, place, 1]))
