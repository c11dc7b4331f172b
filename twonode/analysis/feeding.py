"""Where generator and channels are clipped: other nodes, and the generator's side of a known resistor.

Owns the stage that each way of clipping amounts to. With channel 1 on the drive node, whatever only loads that node
cancels from the ratio; behind a known resistor, with channel 1 on the generator's side of it, the load divides and is
seen.
"""

from __future__ import annotations

from functools import cache

from twonode.analysis.hookup import KNOWN_RESISTOR_ROLE
from twonode.analysis.quantities import Tolerance, format_quantity
from twonode.analysis.stage import GROUND, Part, PartKind, Stage

__all__ = ["GENERATOR_SIDE", "clip_nodes", "clipped", "fed_through", "feed_of", "own_parts", "signal_nodes"]

GENERATOR_SIDE = "generator side"
"""Node between the generator and the known resistor; channel 1 is clipped there."""

_ADDED_ROLES = frozenset({"companion", KNOWN_RESISTOR_ROLE})


@cache
def feed_name(ohm: float) -> str:
    """ "feed 10 kΩ": named by the value, so that two feeds of different sweeps are two parts."""
    number, _, symbol = format_quantity(ohm, "ohm", 6).rpartition(" ")
    return f"feed {number.rstrip('0').rstrip('.') if '.' in number else number} {symbol}"


def clipped(stage: Stage, *, drive: str | None = None, far: str | None = None) -> Stage:
    """The stage with the channels on other nodes; None leaves one where it is.

    Raises StageError where that is no node a signal can be put on or read at.
    """
    return Stage(title=stage.title, drive=drive or stage.drive, far=far or stage.far, parts=stage.parts)


def fed_through(
    stage: Stage, ohm: float, tolerance: Tolerance, *, drive: str | None = None, far: str | None = None
) -> Stage:
    """The stage fed through a known resistor, channel 1 on the generator's side of it.

    Parameters
    ----------
    ohm, tolerance : the resistor between generator and the fed node.
    drive : the node that is fed; None is the stage's drive node.
    far : channel 2's node, the fed node itself included; None leaves it where it is.

    Raises StageError for a node that does not fit, or a stage that is fed through a resistor already.
    """
    feed = Part(
        name=feed_name(ohm),
        kind=PartKind.RESISTOR,
        between=(GENERATOR_SIDE, drive or stage.drive),
        value=ohm,
        tolerance=tolerance,
        role=KNOWN_RESISTOR_ROLE,
    )
    return Stage(title=stage.title, drive=GENERATOR_SIDE, far=far or stage.far, parts=(*stage.parts, feed))


def feed_of(stage: Stage) -> Part | None:
    """The known resistor a stage is fed through; None where it is not."""
    if stage.drive != GENERATOR_SIDE:
        return None
    return next(
        (p for p in stage.parts if GENERATOR_SIDE in p.between and p.role == KNOWN_RESISTOR_ROLE), None
    )


def clip_nodes(stage: Stage) -> tuple[str, str]:
    """The two nodes of the set that are clipped to: where it is fed, through a resistor or not, and channel 2's."""
    feed = feed_of(stage)
    if feed is None:
        return stage.drive, stage.far
    return next(n for n in feed.between if n != GENERATOR_SIDE), stage.far


def own_parts(stage: Stage) -> tuple[Part, ...]:
    """The parts that belong to the set: nothing that was clipped on for a sweep."""
    return tuple(p for p in stage.parts if p.role not in _ADDED_ROLES)


def signal_nodes(stage: Stage) -> tuple[str, ...]:
    """Nodes a signal can be on: all but ground and those a supply holds."""
    held = {n for p in stage.parts if p.kind is PartKind.SUPPLY for n in p.between} | {GROUND}
    return tuple(n for n in stage.nodes if n not in held)
