"""Where each frequency goes: the currents of a stage's parts, the levels at its nodes, and its corners.

Owns the division of the signal current. Takes a stage and frequencies, returns frozen dataclasses; changes no part
and has no opinion on faults.

Everything is computed for 1 V at the drive node. The current i that arrives there leaves it through the parts tied
to it, and every further node hands on what it gets, until all of it has reached ground (a node that a supply holds
is ground for the signal). A part's current flows, by definition, away from the drive node: from the node that is
fewer parts away from it to the other, and between two nodes equally far away from the one named first in the stage.

The share of a part at a node is the magnitude of its current over the sum of the magnitudes of all currents that
leave the node that way. Phasors add up by their real and imaginary parts, magnitudes do not: two currents a quarter
turn apart have shares that add to 1 while their magnitudes add to more than the current that arrives. Shares are
therefore a fair picture of how large each current is beside the others, and no statement on power. The phasors are
given beside them, and those do add up (Kirchhoff).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.corners import Corner, Response, find_corners
from twonode.analysis.errors import AnalysisError
from twonode.analysis.network import Network
from twonode.analysis.stage import GROUND, Part, PartKind, Stage

__all__ = [
    "Branch",
    "GroundBranch",
    "PathsError",
    "SignalPaths",
    "decibels",
    "fed_ratio",
    "signal_ground",
    "signal_paths",
    "stage_corners",
]

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Frequencies outside this are a slip of the keyboard; small circuits of ideal parts say nothing about them.
_ALLOWED_HZ = (1e-3, 1e9)
_ALLOWED_SOURCE_OHM = (1e-3, 1e12)


class PathsError(AnalysisError):
    """A frequency or a source resistance for which no answer would mean anything."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Branch:
    """One part's signal current.

    start, end : the current flows from start to end (module docstring); end may be at signal ground.
    current : shape (n,), A per volt at the drive node.
    share : shape (n,), 0 to 1, of the magnitudes that leave `start`; 0 where nothing leaves it at all.
    """

    part: str
    start: str
    end: str
    current: Complex
    share: Real


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundBranch:
    """A part through which signal current reaches ground.

    share : shape (n,), of the magnitudes of all currents that reach ground.
    way : the parts from the drive node to this one, this one last, where there is one way only; else None.
    """

    part: str
    start: str
    end: str
    current: Complex
    share: Real
    way: tuple[str, ...] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalPaths:
    """The division of the signal current at n frequencies.

    branches : every part that carries signal current, nearest to the drive node first.
    ground : those of them that end at signal ground, with shares of the whole.
    nodes : the nodes where a signal can be, the drive node first.
    ratio : shape (nodes, n), V per volt at the drive node.
    arriving : shape (n,), A per volt at the drive node: the sum of the phasors that leave it.
    fed : shape (nodes, n), V per volt of a source behind `source_ohm`; None without one.
    """

    drive: str
    far: str
    frequency_hz: Real
    source_ohm: float | None
    branches: tuple[Branch, ...]
    ground: tuple[GroundBranch, ...]
    nodes: tuple[str, ...]
    ratio: Complex
    arriving: Complex
    fed: Complex | None

    def leaving(self, node: str) -> tuple[Branch, ...]:
        """The branches that carry current away from a node."""
        return tuple(branch for branch in self.branches if branch.start == node)


def signal_ground(parts: Sequence[Part]) -> frozenset[str]:
    """Ground and every node which a supply holds."""
    supplies = (part.between for part in parts if part.kind is PartKind.SUPPLY)
    return frozenset({GROUND, *(node for ends in supplies for node in ends)})


def decibels(ratio: Complex) -> Real:
    """20 log10 of the size, shape as given; minus infinity where nothing arrives."""
    with np.errstate(divide="ignore"):
        result: Real = 20.0 * np.log10(np.abs(ratio))
    return result


def signal_paths(
    stage: Stage, frequency_hz: Sequence[float] | Real, *, source_ohm: float | None = None
) -> SignalPaths:
    """How the signal current divides, and the level of every node.

    Parameters
    ----------
    frequency_hz : shape (n,), Hz, in any order.
    source_ohm : resistance of what feeds the drive node, ohm: a valve's anode resistance, a generator with the
        resistor behind it. Parts of the stage count as such and are not meant. None: levels against the drive node
        only.

    A part whose impedance is far smaller than its surroundings' has its current from two nearly equal voltages: some
    1e-16 times the ratio of the impedances is lost, which is a millionth where they differ by ten decades.

    Raises
    ------
    PathsError : no frequency, or one that is not in 1 mHz to 1 GHz; a source not in 1 mohm to 1 Tohm.
    NetworkError : the circuit has no unique solution.
    """
    hz = _checked_hz(frequency_hz)
    _check_source(source_ohm)
    network = Network(stage.parts, forced=stage.drive)
    y = network.admittances(_rates(hz))
    free = network.solve(y)[:, :, 0].T
    ratio = np.concatenate([np.ones((1, hz.size), dtype=np.complex128), free])
    across = network.incidence @ free + network.to_forced[:, None]
    currents = y * across  # from between[0] to between[1]
    order = _order(stage)
    rows = _directed(network, order)
    magnitudes = {row: np.abs(currents[row]) for row, _, _ in rows}
    branches = tuple(
        Branch(
            part=network.parts[row].name,
            start=start,
            end=end,
            current=_away(network.parts[row], start, currents[row]),
            share=_share(magnitudes[row], [magnitudes[other] for other, begin, _ in rows if begin == start]),
        )
        for row, start, end in rows
    )
    held = signal_ground(stage.parts)
    ends = [branch for branch in branches if branch.end in held]
    ground = tuple(
        GroundBranch(
            part=branch.part,
            start=branch.start,
            end=branch.end,
            current=branch.current,
            share=_share(np.abs(branch.current), [np.abs(each.current) for each in ends]),
            way=_only_way(branches, stage.drive, branch, held),
        )
        for branch in ends
    )
    arriving = np.zeros(hz.size, dtype=np.complex128)
    for branch in branches:
        if branch.start == stage.drive:
            arriving = arriving + branch.current
    return SignalPaths(
        drive=stage.drive,
        far=stage.far,
        frequency_hz=hz,
        source_ohm=source_ohm,
        branches=branches,
        ground=ground,
        nodes=network.nodes,
        ratio=ratio,
        arriving=arriving,
        fed=None if source_ohm is None else ratio / (1.0 + source_ohm * arriving),
    )


def _checked_hz(frequency_hz: Sequence[float] | Real) -> Real:
    hz = np.atleast_1d(np.asarray(frequency_hz, dtype=float))
    low, high = _ALLOWED_HZ
    if hz.ndim != 1 or not hz.size or not np.all((hz >= low) & (hz <= high)):
        wrong = [f"{each:g} Hz" for each in hz.ravel() if not low <= each <= high]
        raise PathsError(
            f"No division of currents can be given for {', '.join(wrong) or 'no frequency at all'}.",
            "A small circuit of ideal parts means something from 1 mHz to 1 GHz.",
            "Ask for frequencies such as 100Hz, 1kHz and 455kHz.",
        )
    return hz


def _rates(hz: Real) -> Complex:
    return np.asarray(2j * np.pi * hz, dtype=np.complex128)


def _check_source(source_ohm: float | None) -> None:
    low, high = _ALLOWED_SOURCE_OHM
    if source_ohm is not None and not low <= source_ohm <= high:
        raise PathsError(
            f"A source resistance of {source_ohm:g} ohm is not possible.",
            "It is the resistance of what feeds the drive node, and more than nothing.",
            "Give the anode resistance or the generator's resistor, such as 10k.",
        )


def _order(stage: Stage) -> dict[str, int]:
    """Rank of every node: parts away from the drive node, then order of naming; signal ground comes last."""
    held = signal_ground(stage.parts)
    away = {stage.drive: 0}
    waiting = [stage.drive]
    for here in waiting:
        for part in stage.parts:
            if here in part.between:
                there = part.between[0] if part.between[1] == here else part.between[1]
                if there not in away and there not in held:
                    away[there] = away[here] + 1
                    waiting.append(there)
    beyond = len(stage.nodes) + 1
    named = [node for node in stage.nodes if node not in held]
    ranked = sorted(named, key=lambda node: (away.get(node, beyond), named.index(node)))
    return {node: place for place, node in enumerate(ranked)} | {node: len(ranked) for node in held}


def _directed(network: Network, order: dict[str, int]) -> list[tuple[int, str, str]]:
    """Row of the part, start and end of its current; nearest to the drive node first. Parts from ground to ground
    carry no signal and are left out."""
    found = []
    for row, part in enumerate(network.parts):
        start, end = sorted(part.between, key=lambda node: order[node])
        if order[start] < order[end]:
            found.append((row, start, end))
    return sorted(found, key=lambda each: (order[each[1]], each[0]))


def _away(part: Part, start: str, current: Complex) -> Complex:
    return current if part.between[0] == start else -current


def _share(magnitude: Real, all_of_them: list[Real]) -> Real:
    whole = np.sum(all_of_them, axis=0)
    result: Real = np.divide(magnitude, whole, out=np.zeros_like(magnitude), where=whole > 0)
    return result


def _only_way(
    branches: tuple[Branch, ...], drive: str, last: Branch, held: frozenset[str]
) -> tuple[str, ...] | None:
    """The parts from the drive node to the start of `last`, and `last`; None where there are several ways.

    There is one way only where every part on a shortest way is a bridge: without it the start is cut off.
    """
    inner = [branch for branch in branches if branch.end not in held]
    way = _shortest_way(inner, drive, last.start)
    if way is None:
        return None
    for part in way:
        if _shortest_way([branch for branch in inner if branch.part != part], drive, last.start) is not None:
            return None
    return (*way, last.part)


def _shortest_way(branches: Sequence[Branch], start: str, goal: str) -> tuple[str, ...] | None:
    ways: dict[str, tuple[str, ...]] = {start: ()}
    waiting = [start]
    for here in waiting:
        for branch in branches:
            if here in (branch.start, branch.end):
                there = branch.end if here == branch.start else branch.start
                if there not in ways:
                    ways[there] = (*ways[here], branch.part)
                    waiting.append(there)
    return ways.get(goal)


def fed_ratio(stage: Stage, source_ohm: float | None) -> Response:
    """The far node's voltage over frequency: per volt of a source behind `source_ohm`, or per volt at the drive node.

    The function returned takes Hz, shape (n,), and gives V/V, shape (n,).
    """
    _check_source(source_ohm)
    network = Network(stage.parts, forced=stage.drive)

    def response(hz: Real) -> Complex:
        y = network.admittances(_rates(hz))
        free = network.solve(y)[:, :, 0].T
        far: Complex = free[network.free_nodes.index(stage.far)]
        if source_ohm is None:
            return far
        across = network.incidence @ free + network.to_forced[:, None]
        arriving = (network.to_forced[:, None] * y * across).sum(axis=0)
        fed: Complex = far / (1.0 + source_ohm * arriving)
        return fed

    return response


def stage_corners(stage: Stage, *, source_ohm: float | None = None) -> tuple[Corner, ...]:
    """Corners of the far node: against the drive node, or with a source resistance against the source."""
    return find_corners(fed_ratio(stage, source_ohm))
