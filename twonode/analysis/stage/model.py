"""The small circuit around a part: its parts, the two clipped nodes, and what makes them a circuit.

Owns `Part` and `Stage`. Reading and writing them is left to the modules beside this one, solving them to the
network package.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, replace
from enum import Enum

from twonode.analysis.errors import StageError
from twonode.analysis.quantities import Measured, Tolerance
from twonode.analysis.stage.wording import nearest

__all__ = ["GROUND", "GROUND_LIKE", "Part", "PartKind", "Stage"]

GROUND = "ground"

GROUND_LIKE = frozenset({"gnd", "earth", "chassis", "0", "0v", "masse", "ground"})


class PartKind(Enum):
    """What a part is; the value is the word in files and on screen."""

    CAPACITOR = "capacitor"
    RESISTOR = "resistor"
    INDUCTOR = "inductor"
    SUPPLY = "supply"

    @property
    def unit(self) -> str:
        """The SI unit of the part's value, as `quantities` spells it."""
        return _UNIT_OF_KIND[self]


_UNIT_OF_KIND = {
    PartKind.CAPACITOR: "F",
    PartKind.RESISTOR: "ohm",
    PartKind.INDUCTOR: "H",
    PartKind.SUPPLY: "V",
}

# Where a stage says nothing: 20 % was the ordinary grade of old parts (common practice, no source).
_USUAL_TOLERANCE = Tolerance(minus=0.2, plus=0.2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part between two nodes.

    value : F, ohm or H, > 0; for a supply V to ground (not 0), which is a short for AC.
    tolerance : as marked, or None where the stage says nothing.
    measured : a meter's reading of this very part, same unit as value; it replaces the tolerance.
    aged : an old carbon composition resistor or the like, which has probably drifted upward.
    loss : tan delta of a capacitor's dielectric, constant over frequency.
    esr_ohm, leak_ohm : ohms in series with and in parallel to a capacitor.
    rated_v : working voltage, V.
    asked : this is the part the measurement is about.

    Raises StageError naming the part and the field.
    """

    name: str
    kind: PartKind
    between: tuple[str, str]
    value: float
    tolerance: Tolerance | None = None
    role: str | None = None
    rated_v: float | None = None
    measured: Measured | None = None
    aged: bool = False
    loss: float = 0.0
    esr_ohm: float = 0.0
    leak_ohm: float | None = None
    asked: bool = False
    dielectric: str | None = None

    def __post_init__(self) -> None:
        if not self.name or self.name != self.name.strip():
            raise StageError(
                f"A part has the name {self.name!r}.",
                "Parts are asked for and reported by name.",
                "Give it the name on the schematic, such as C7.",
            )
        self._check_nodes()
        self._check_numbers()
        if self.kind is not PartKind.CAPACITOR and (
            self.loss != 0 or self.esr_ohm != 0 or self.leak_ohm is not None or self.asked
        ):
            raise StageError(
                f"Part {self.name}: loss, esr, leak and asked fit a capacitor, not a {self.kind.value}.",
                "The program models and judges these for capacitors.",
                "Leave them out, or add the resistance as a part of its own.",
            )

    def _check_nodes(self) -> None:
        first, second = self.between
        for node in (first, second):
            if not node or node != node.strip():
                raise StageError(
                    f"Part {self.name}: between has a node named {node!r}.",
                    "A node without a clear name ties nothing together.",
                    'Write two node names, such as ["driver anode", "ground"].',
                )
            if node != GROUND and node.lower() in GROUND_LIKE:
                raise StageError(
                    f"Part {self.name}: between names the node {node!r}.",
                    f"Ground is always called {GROUND!r}; under another name it would float.",
                    f"Write {GROUND!r}.",
                )
        if first == second:
            raise StageError(
                f"Part {self.name}: both ends are tied to {first!r}.",
                "A part between one node and itself carries nothing.",
                "Correct between.",
            )
        if self.kind is PartKind.SUPPLY and GROUND not in self.between:
            raise StageError(
                f"Part {self.name}: a supply between {first!r} and {second!r}.",
                "A supply is DC volts to ground, and a short to ground for AC.",
                f"Put {GROUND!r} at one end.",
            )

    def _check_numbers(self) -> None:
        if self.kind is PartKind.SUPPLY:
            value_fits = math.isfinite(self.value) and self.value != 0
            allowed = "any voltage but 0 V"
        else:
            value_fits = 0 < self.value < math.inf
            allowed = f"more than 0 {self.kind.unit}"
        limits = (
            (value_fits, "value", self.value, allowed),
            (self.rated_v is None or 0 < self.rated_v < math.inf, "rated", self.rated_v, "more than 0 V"),
            (0 <= self.loss < 1, "loss", self.loss, "0 up to below 1"),
            (0 <= self.esr_ohm < math.inf, "esr", self.esr_ohm, "0 ohm or more"),
            (self.leak_ohm is None or 0 < self.leak_ohm < math.inf, "leak", self.leak_ohm, "more than 0 ohm"),
        )
        for fits, key, found, wanted in limits:
            if not fits:
                raise StageError(
                    f"Part {self.name}: {key} is {found:g}.",
                    f"A {self.kind.value} needs {wanted} there.",
                    f"Correct {key}, or leave the part out.",
                )

    def tolerance_or_default(self) -> Tolerance:
        """The stated tolerance, else ±20 % (common practice, no source)."""
        return self.tolerance if self.tolerance is not None else _USUAL_TOLERANCE


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """A small circuit and the two nodes the scope is clipped to.

    drive, far : node names of channel 1 and channel 2.
    parts : in the order of the file, which is the order of every list made from them.

    Raises StageError where the parts make no circuit (see `check`).
    """

    title: str
    drive: str
    far: str
    parts: tuple[Part, ...]

    def __post_init__(self) -> None:
        self.check()

    @property
    def nodes(self) -> tuple[str, ...]:
        """All nodes but ground, in the order they are first named."""
        seen = dict.fromkeys(node for part in self.parts for node in part.between)
        seen.pop(GROUND, None)
        return tuple(seen)

    def part(self, name: str) -> Part:
        """The part of that name; StageError names the nearest one if there is none."""
        for part in self.parts:
            if part.name == name:
                return part
        names = [part.name for part in self.parts]
        raise StageError(
            f"There is no part {name!r} in the stage{nearest(name, names)}",
            f"The stage {self.title!r} has {', '.join(names)}.",
            "Name one of these, or add the part to the stage.",
        )

    def asked_part(self, name: str | None = None) -> Part:
        """The capacitor the measurement is about: the named one, the one marked asked, or the only one.

        Raises StageError where that is no capacitor or not one capacitor.
        """
        capacitors = [part for part in self.parts if part.kind is PartKind.CAPACITOR]
        if name is not None:
            part = self.part(name)
            if part.kind is not PartKind.CAPACITOR:
                raise StageError(
                    f"Part {name} is a {part.kind.value}.",
                    "Only a capacitor can be asked for.",
                    f"Name one of {', '.join(each.name for each in capacitors) or 'the capacitors you add'}.",
                )
            return part
        marked = [part for part in capacitors if part.asked] or capacitors
        if len(marked) != 1:
            raise StageError(
                "The stage does not say which part is asked for.",
                f"It has {len(capacitors)} capacitors and none is marked.",
                "Name the part, or write asked = true in it.",
            )
        return marked[0]

    def replace_part(self, part: Part) -> Stage:
        """A stage in which ``part`` stands for the part of its name; StageError if there is none."""
        self.part(part.name)
        parts = tuple(part if each.name == part.name else each for each in self.parts)
        return replace(self, parts=parts)

    def with_parts(self, *parts: Part) -> Stage:
        """A stage with ``parts`` added at the end; StageError if a name is taken."""
        return replace(self, parts=self.parts + parts)

    def check(self) -> None:
        """Raise StageError unless the parts make a circuit that shows drive at far.

        Names are used once; drive and far are different nodes, not ground and not held by a supply; no node
        hangs on one end of one part only, except drive, far and ground; every node is tied, through parts of
        any kind, to drive or ground; and some way leads from drive to far without passing ground or a supply.
        """
        if not self.parts:
            raise StageError(
                "The stage has no parts.", "There is nothing to measure.", "Add [[part]] sections."
            )
        for name, count in Counter(part.name for part in self.parts).items():
            if count > 1:
                raise StageError(
                    f"Part {name}: the name is used {count} times.",
                    "Results are reported by name.",
                    "Give each part a name of its own.",
                )
        asked = [part.name for part in self.parts if part.asked]
        if len(asked) > 1:
            raise StageError(
                f"Parts {' and '.join(asked)}: asked is true in each.",
                "A measurement is about one part.",
                "Leave asked in one of them.",
            )
        self._check_clips()
        self._check_ties()
        self._check_paths()

    def _check_clips(self) -> None:
        nodes = self.nodes
        for key, node in (("drive", self.drive), ("far", self.far)):
            if node == GROUND or node.lower() in GROUND_LIKE:
                raise StageError(
                    f"The stage's {key} node is {node!r}.",
                    "There is no signal at ground.",
                    f"Name the node channel {1 if key == 'drive' else 2} is clipped to.",
                )
            if node not in nodes:
                raise StageError(
                    f"The stage's {key} node {node!r} is at no part{nearest(node, nodes)}",
                    f"The parts have the nodes {', '.join(nodes)}.",
                    f"Correct {key}, or between of the part that is clipped there.",
                )
            if node in self._held():
                raise StageError(
                    f"The stage's {key} node {node!r} is held by a supply.",
                    "A supply is a short to ground for AC: no signal can be there.",
                    f"Name another node for {key}.",
                )
        if self.drive == self.far:
            raise StageError(
                f"The stage's drive and far node are both {self.drive!r}.",
                "The ratio of a node to itself is 1 whatever the part is.",
                "Name two nodes.",
            )

    def _check_ties(self) -> None:
        ends = Counter(node for part in self.parts for node in part.between)
        for part in self.parts:
            for node in part.between:
                if ends[node] == 1 and node not in (GROUND, self.drive, self.far):
                    raise StageError(
                        f"Part {part.name}: its end {node!r} is tied to nothing"
                        f"{nearest(node, [other for other in (*ends, GROUND) if other != node])}",
                        "A part with a loose end carries no current, so the node is probably misspelt.",
                        "Correct between, or add what is there (an HT rail is a supply part).",
                    )

    def _check_paths(self) -> None:
        tied = self._reached({self.drive, GROUND}, walls=frozenset())
        for part in self.parts:
            for node in part.between:
                if node not in tied:
                    raise StageError(
                        f"Part {part.name}: no way leads from its node {node!r} to the drive node or ground.",
                        "The voltage of an island is not defined.",
                        "Add the part that ties it to the rest, or leave the island out.",
                    )
        if self.far not in self._reached({self.drive}, walls=self._held() | {GROUND}):
            raise StageError(
                f"No way leads from the drive node {self.drive!r} to the far node {self.far!r}.",
                "Through ground or a supply no signal arrives, so the far node would be silent.",
                "Add the part between them, or correct drive and far.",
            )

    def _held(self) -> frozenset[str]:
        """Nodes which a supply holds, ground left out."""
        supplies = (part.between for part in self.parts if part.kind is PartKind.SUPPLY)
        return frozenset(node for ends in supplies for node in ends if node != GROUND)

    def _reached(self, start: set[str], *, walls: frozenset[str]) -> set[str]:
        """Nodes reached from ``start`` through parts, not going on from a node in ``walls``."""
        beside: dict[str, list[str]] = {}
        for part in self.parts:
            first, second = part.between
            beside.setdefault(first, []).append(second)
            beside.setdefault(second, []).append(first)
        reached = set(start)
        waiting = [node for node in start if node not in walls]
        while waiting:
            for there in beside.get(waiting.pop(), ()):
                if there not in reached:
                    reached.add(there)
                    if there not in walls:
                        waiting.append(there)
        return reached
