"""Where the parts of a stage stand in its schematic: a row of nodes, and what hangs on each.

Owns the layout; `schematic` draws it. Nodes stand in one row, the drive node leftmost and the far node rightmost.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import permutations

from twonode.analysis.stage import GROUND, Part, PartKind, Stage

__all__ = ["STEP", "Branch", "Column", "branches_of", "row_order"]

STEP = 96  # between two branches side by side
_MOST_ORDERED = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Branch:
    """Parts from a node of the row down to ground or up to a supply, nearest first.

    rail : node at the far end, ground or a supply's. inner : names of the nodes in between.
    """

    parts: tuple[Part, ...]
    rail: str
    inner: tuple[str, ...]


@dataclass(slots=True, kw_only=True)
class Column:
    """A node of the row with what hangs on it. x : of its first branch."""

    node: str
    down: list[Branch] = field(default_factory=list)
    up: list[Branch] = field(default_factory=list)
    x: float = 0.0

    @property
    def slots(self) -> int:
        """Branches side by side."""
        return max(len(self.down), len(self.up), 1)

    @property
    def end_x(self) -> float:
        """Right end of the node's wire."""
        return self.x + (self.slots - 1) * STEP


def branches_of(
    parts: list[Part], rails: set[str], clips: set[str]
) -> tuple[list[tuple[str, Branch]], list[Part]]:
    """What hangs on one node and ends at a rail, by node; and the parts that join two nodes of the row.

    A node in the middle of two parts only, one of them to a rail, becomes part of a branch.
    """
    ends: dict[str, list[Part]] = {}
    for part in parts:
        for node in part.between:
            ends.setdefault(node, []).append(part)
    inner = {
        node
        for node, found in ends.items()
        if node not in rails
        and node not in clips
        and len(found) == 2
        and sum(_other(p, node) in rails for p in found) == 1
    }
    branches: list[tuple[str, Branch]] = []
    across: list[Part] = []
    used: set[str] = set()
    for part in parts:
        first, second = part.between
        if first in rails and second in rails:
            rail = first if first != GROUND else second
            branches.append((GROUND, Branch(parts=(part,), rail=rail, inner=())))
            continue
        middle = next((node for node in part.between if node in inner and node not in used), None)
        if middle is not None and _other(part, middle) not in rails and _other(part, middle) not in inner:
            last = next(p for p in ends[middle] if p is not part)
            used.add(middle)
            branch = Branch(parts=(part, last), rail=_other(last, middle), inner=(middle,))
            branches.append((_other(part, middle), branch))
        elif first in rails or second in rails:
            node, rail = (second, first) if first in rails else (first, second)
            if node not in inner:
                branches.append((node, Branch(parts=(part,), rail=rail, inner=())))
        else:
            across.append(part)
    return branches, across


def _other(part: Part, node: str) -> str:
    return part.between[1] if part.between[0] == node else part.between[0]


def row_order(stage: Stage, across: list[Part], hung: set[str]) -> list[str]:
    """Nodes of the row, drive first and far last, the others so that parts span as little as they can."""
    nodes = {node for part in across for node in part.between} | (hung - {GROUND}) | {stage.drive, stage.far}
    held = {n for p in stage.parts if p.kind is PartKind.SUPPLY for n in p.between}
    middle = [n for n in stage.nodes if n in nodes - held and n not in (stage.drive, stage.far)]
    if len(middle) > _MOST_ORDERED:
        return [stage.drive, *middle, stage.far]

    def spans(order: tuple[str, ...]) -> int:
        place = {n: k for k, n in enumerate((stage.drive, *order, stage.far))}
        return sum(abs(place[p.between[0]] - place[p.between[1]]) ** 2 for p in across)

    return [stage.drive, *min(permutations(middle), key=spans), stage.far]
