"""DC volts of a stage as its resistances divide them: what stands at each node, and what reaches the far node.

Owns the DC solution. Capacitors count as their leak or as nothing, coils as a wire, and no valve draws current: the
volts are those of the resistors alone, as with cold valves and HT applied. A node without any DC path has no volts
of its own; it is called floating (None) instead of being given a number.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from twonode.analysis.errors import AnalysisError
from twonode.analysis.stage import GROUND, Part, PartKind, Stage

__all__ = ["DcError", "dc_share", "dc_volts", "has_supply"]


class DcError(AnalysisError):
    """DC sources that contradict each other."""


def has_supply(stage: Stage) -> bool:
    """Whether the stage says which DC volts feed it."""
    return any(part.kind is PartKind.SUPPLY for part in stage.parts)


def dc_volts(stage: Stage) -> dict[str, float | None]:
    """DC volts of every node to ground, in the order of `stage.nodes`; None for a floating node.

    Raises DcError where a coil joins two supplies, or a supply to ground.
    """
    held = {GROUND: 0.0}
    for part in stage.parts:
        if part.kind is PartKind.SUPPLY:
            node = part.between[0] if part.between[1] == GROUND else part.between[1]
            if held.get(node, part.value) != part.value:
                raise _contradiction(node)
            held[node] = part.value
    solved = _solve(stage.parts, held)
    return {node: solved.get(node) for node in stage.nodes}


def dc_share(stage: Stage) -> float | None:
    """The part of a DC voltage at the drive node that reaches the far node, V/V; None where the far node floats.

    0 where a coil from the drive node to ground lets no DC voltage stand there.
    """
    held = {node: 0.0 for part in stage.parts if part.kind is PartKind.SUPPLY for node in part.between}
    try:
        return _solve(stage.parts, {**held, GROUND: 0.0, stage.drive: 1.0}).get(stage.far)
    except DcError:
        return 0.0


def _solve(parts: Sequence[Part], held: Mapping[str, float]) -> dict[str, float]:
    """Volts of the held nodes and of every node with a DC path to one of them.

    held : node to volts, ground among them.
    """
    joined = _joined_by_coils(parts)

    def one(node: str) -> str:
        return joined.get(node, node)

    known: dict[str, float] = {}
    for node, volts in held.items():
        if known.setdefault(one(node), volts) != volts:
            raise _contradiction(node)
    ties = [
        (one(part.between[0]), one(part.between[1]), siemens)
        for part in parts
        if (siemens := _dc_siemens(part)) is not None
    ]
    fed = set(known)
    grown = True
    while grown:
        grown = False
        for first, second, _ in ties:
            if (first in fed) != (second in fed):
                fed |= {first, second}
                grown = True
    free = sorted(fed - set(known))
    place = {node: row for row, node in enumerate(free)}
    matrix, right = np.zeros((len(free), len(free))), np.zeros(len(free))
    for first, second, siemens in ties:
        for here, there in ((first, second), (second, first)):
            if here in place and here != there:
                matrix[place[here], place[here]] += siemens
                if there in place:
                    matrix[place[here], place[there]] -= siemens
                else:
                    right[place[here]] += siemens * known[there]
    solved = np.linalg.solve(matrix, right) if free else right
    known |= {node: float(solved[row]) for node, row in place.items()}
    every = {node for part in parts for node in part.between} | set(held)
    return {node: known[one(node)] for node in every if one(node) in known}


def _dc_siemens(part: Part) -> float | None:
    match part.kind:
        case PartKind.RESISTOR:
            return 1.0 / part.value
        case PartKind.CAPACITOR if part.leak_ohm is not None:
            return 1.0 / part.leak_ohm
        case _:
            return None


def _joined_by_coils(parts: Sequence[Part]) -> dict[str, str]:
    """Node to the name that stands for all nodes which coils join to it."""
    joined: dict[str, str] = {}
    for part in parts:
        if part.kind is PartKind.INDUCTOR:
            first, second = (joined.get(node, node) for node in part.between)
            joined |= {first: first, second: first}
            joined = {node: first if name == second else name for node, name in joined.items()}
            joined |= {node: first for node in part.between}
    return joined


def _contradiction(node: str) -> DcError:
    return DcError(
        f"The DC volts of node {node!r} are given twice, and differently.",
        "Supplies and coils, which are wires for DC, join it to two voltages at once.",
        "Correct the supplies in the stage file, or put the coil's resistance in series as a resistor.",
    )
