"""Whether recordings are sweeps of one stage, and the stages as a joint estimate takes them.

Owns the comparison. Sweeps of one stage differ in companions only; their neighbours become one parameter each by
their name, so that names must mean the same part in all of them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

from twonode.acquire.errors import UnfitRequest
from twonode.analysis.companion import is_companion, without_companions
from twonode.analysis.quantities import Measured, format_quantity
from twonode.analysis.stage import Part, Stage
from twonode.recordings.model import Header

__all__ = ["NamedStage", "holds", "joint_stages"]


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedStage:
    """The stage of a recording, with the recording's name for the words; stage None is a null run.

    holds : names of interrupted recordings whose points are in this one.
    """

    recording: str
    stage: Stage | None
    holds: tuple[str, ...] = ()


def holds(header: Header) -> tuple[str, ...]:
    """Names of the interrupted recordings that a sweep went on with, whose points it therefore holds."""
    before = header.continues
    return () if before is None else (before.recording, *before.before)


def joint_stages(named: Sequence[NamedStage], part: str) -> tuple[Stage | None, ...]:
    """The stages to use in a joint estimate, in the same order.

    A companion that another recording has under the same name but at another value gets a name of its own; a meter
    reading of a neighbour counts in all of them.

    Parameters
    ----------
    part : the asked part; its expected value may differ between recordings.

    Raises
    ------
    UnfitRequest : a recording is given twice, the stages differ in more than companions, or two meter readings of
        one part differ.
    """
    for name, count in Counter(each.recording for each in named).items():
        if count > 1:
            raise UnfitRequest(
                f"{name} is given {count} times.",
                "The same readings would count as if they had been taken again, and promise too much.",
                "Give each recording once.",
            )
    for each in named:
        if repeated := {other.recording for other in named}.intersection(each.holds):
            raise UnfitRequest(
                f"The points of {sorted(repeated)[0]} are in {each.recording} as well, which goes on with it.",
                "The same readings would count as if they had been taken again, and promise too much.",
                f"Give {each.recording} alone.",
            )
    sweeps = [each for each in named if each.stage is not None]
    for other in sweeps[1:]:
        _check_same(sweeps[0], other, part)
    readings = _readings(sweeps)
    taken: dict[str, tuple[object, ...]] = {}
    found: list[Stage | None] = []
    for each in named:
        if each.stage is None:
            found.append(None)
            continue
        parts = [
            _told_apart(p, taken) if is_companion(p) else replace(p, measured=readings.get(p.name))
            for p in each.stage.parts
        ]
        found.append(replace(each.stage, parts=tuple(parts)))
    return tuple(found)


def _check_same(first: NamedStage, other: NamedStage, asked: str) -> None:
    assert first.stage is not None
    assert other.stage is not None
    one, two = without_companions(first.stage), without_companions(other.stage)
    difference = None
    mine, theirs = ({p.name: p for p in stage.parts} for stage in (one, two))
    if (one.drive, one.far) != (two.drive, two.far):
        difference = (
            f"from {one.drive!r} to {one.far!r} in one, from {two.drive!r} to {two.far!r} in the other"
        )
    elif mine.keys() != theirs.keys():
        odd = sorted(mine.keys() ^ theirs.keys())
        difference = f"only one of them has {' and '.join(odd)}"
    else:
        for name, part in mine.items():
            if _circuit(part, asked) != _circuit(theirs[name], asked):
                difference = _how(part, theirs[name])
                break
    if difference is None:
        return
    raise UnfitRequest(
        f"{first.recording} and {other.recording} are sweeps of different stages: {difference}.",
        "A joint estimate shares the neighbours' values, so the circuit may differ in companions only.",
        "Estimate them one by one; a resistor that was clipped on is given with --companion, not in the stage file.",
    )


def _circuit(part: Part, asked: str) -> tuple[object, ...]:
    """What must be equal of a part; the asked part is measured, so its expected value need not be."""
    where = (part.kind, frozenset(part.between))
    if part.name == asked:
        return where
    return (*where, part.value, part.tolerance, part.aged, part.loss, part.esr_ohm, part.leak_ohm)


def _how(mine: Part, theirs: Part) -> str:
    if frozenset(mine.between) != frozenset(theirs.between):
        return f"{mine.name} is tied to other nodes"
    if mine.kind is theirs.kind and mine.value != theirs.value:
        values = [format_quantity(p.value, p.kind.unit) for p in (mine, theirs)]
        return f"{mine.name} is {values[0]} in one and {values[1]} in the other"
    return f"{mine.name} is not the same in both"


def _readings(sweeps: Sequence[NamedStage]) -> dict[str, Measured]:
    """Meter readings by part; each counts for all sweeps, as the part is the same."""
    found: dict[str, Measured] = {}
    for each in sweeps:
        assert each.stage is not None
        for part in each.stage.parts:
            if part.measured is None or is_companion(part):
                continue
            if found.setdefault(part.name, part.measured) != part.measured:
                raise UnfitRequest(
                    f"{part.name} was read with a meter twice, with different results.",
                    "A joint estimate needs one value for it; which of them holds is not for the program to say.",
                    "Estimate the recordings one by one, or sweep again with the better reading.",
                )
    return found


def _told_apart(companion: Part, taken: dict[str, tuple[object, ...]]) -> Part:
    """The companion, renamed where the name already stands for another one.

    The same value with the same tolerance is taken for the same part, wherever it was clipped on.
    """
    identity = (companion.kind, companion.value, companion.tolerance, companion.measured)
    name, number = companion.name, 1
    while taken.setdefault(name, identity) != identity:
        number += 1
        name = f"{companion.name} ({number})"
    return replace(companion, name=name)
