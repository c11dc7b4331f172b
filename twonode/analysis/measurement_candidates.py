"""What could be measured next in a stage: every reasonable clip, companion, lifted end and meter reading.

Owns the list with the words a repairer would use. How much each one would tell is worked out in `next_measurement`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from math import pi

import numpy as np

from twonode.analysis.clip_candidates import FEED_TOLERANCE, clip_candidates
from twonode.analysis.companion import companion_name, nearest_e12, schematic_value
from twonode.analysis.dc_division import dc_volts, has_supply
from twonode.analysis.errors import AnalysisError, StageError
from twonode.analysis.feeding import GENERATOR_SIDE, own_parts, signal_nodes
from twonode.analysis.hookup import COMPANION_ROLE, KNOWN_RESISTOR_ROLE
from twonode.analysis.measurement_action import (
    Candidate,
    DcAction,
    MeasurementKind,
    OhmsAction,
    informative_hz,
    probed,
    telling_sweep,
)
from twonode.analysis.quantities import Tolerance, format_quantity
from twonode.analysis.stage import GROUND, Part, PartKind, Stage

__all__ = ["candidates_of", "fixture_alone"]

COMPANION_TOLERANCE = Tolerance(minus=0.01, plus=0.01)
MOST_LIFTED = 3
FIXTURE_DRIVE, FIXTURE_FAR = "fixture drive", "fixture far"


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


def _companions(stage: Stage, suspects: Sequence[str]) -> Iterable[Candidate]:
    """A resistor or a capacitor across the far node, a capacitor across each suspected one."""
    hz = _middle_hz(stage, suspects)
    if hz is None:
        return
    y_far = _far_ohm(stage, hz)
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
        action = telling_sweep(stage.with_parts(companion), suspects)
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
        action = telling_sweep(fixture, [name])
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


def _middle_hz(stage: Stage, suspects: Sequence[str]) -> float | None:
    hz = informative_hz(stage, suspects)
    return None if hz is None else float(np.sqrt(hz[0] * hz[-1]))


def _far_ohm(stage: Stage, hz: float) -> float:
    """Size of the impedance at the far node with the drive node held, ohm."""
    network = probed(stage)
    place = network.node_index(stage.far)
    assert place is not None
    s = np.array([2j * np.pi * hz], dtype=np.complex128)
    return float(abs(network.solve(network.admittances(s), (place,))[0, place, 1]))
