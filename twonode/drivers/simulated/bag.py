"""A bag of unmarked parts, and the fixture that holds them one after the other on the simulated bench.

Owns the draw of the parts (values, losses, leaks: the simulator's secret) and the hand that exchanges what the clips
hold. Everything comes from one seed. Nothing outside the tests may look at a `BagPart`.

The families and their losses are those of the trade: mica and polypropylene below 0.1 %, polyester about 0.5 %, high-K
ceramic 1 to 2.5 %, old paper above 1 %; an electrolytic of some microfarads has ohms in series (common practice).
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np

from twonode.analysis.stage import Part, PartKind, Stage
from twonode.drivers.simulated.world import World

__all__ = ["BagPart", "Held", "SimulatedFixture", "draw_bag"]

_E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
_WIRE_OHM = 0.3


class Held(Enum):
    """What the clips hold."""

    CAPACITOR = "capacitor"
    NOTHING = "nothing"
    WIRE = "wire"


@dataclass(frozen=True, slots=True, kw_only=True)
class BagPart:
    """One part of the bag as it really is.

    farad : true value, F. printed_farad : what was once printed on it, F. loss : tan delta of its dielectric.
    esr_ohm : in series. leak_ohm : in parallel, None is none. held : WIRE is a shorted part, NOTHING one that
        never got into the clips; the other fields do not count then.
    """

    family: str
    farad: float
    printed_farad: float
    loss: float = 0.0
    esr_ohm: float = 0.0
    leak_ohm: float | None = None
    held: Held = Held.CAPACITOR


@dataclass(frozen=True, slots=True, kw_only=True)
class _Family:
    """low, high : range of printed values, F. losses, esr_ohm, leak_ohm : ranges. spread : of the true value."""

    name: str
    share: float
    low: float
    high: float
    losses: tuple[float, float]
    spread: float
    drift: float = 0.0
    esr_ohm: tuple[float, float] | None = None
    leak_ohm: tuple[float, float] | None = None


_FAMILIES = (
    _Family(name="mica", share=5, low=10e-12, high=10e-9, losses=(3e-4, 1e-3), spread=0.02),
    _Family(name="ceramic, class 1", share=3, low=10e-12, high=1e-9, losses=(3e-4, 1.5e-3), spread=0.03),
    _Family(name="ceramic, high-K", share=4, low=470e-12, high=100e-9, losses=(0.01, 0.025), spread=0.06),
    _Family(name="polypropylene", share=3, low=1e-9, high=1e-6, losses=(2e-4, 8e-4), spread=0.02),
    _Family(name="polyester", share=4, low=1e-9, high=2.2e-6, losses=(4e-3, 7e-3), spread=0.03),
    _Family(
        name="paper",
        share=4,
        low=1e-9,
        high=1e-6,
        losses=(0.01, 0.04),
        spread=0.06,
        drift=0.08,
        leak_ohm=(20e6, 2e9),
    ),
    _Family(
        name="electrolytic",
        share=1,
        low=1e-6,
        high=10e-6,
        losses=(0.04, 0.09),
        spread=0.08,
        esr_ohm=(1.0, 6.0),
        leak_ohm=(1e6, 20e6),
    ),
)


def draw_bag(seed: int, count: int = 24) -> tuple[BagPart, ...]:
    """Draw the parts of a bag. Equal seeds give equal parts, whatever the count."""
    return tuple(_draw_part(np.random.default_rng([seed, zlib.crc32(b"bag"), n])) for n in range(count))


def _draw_part(chance: np.random.Generator) -> BagPart:
    shares = np.array([family.share for family in _FAMILIES])
    family = _FAMILIES[int(chance.choice(len(_FAMILIES), p=shares / shares.sum()))]
    lowest, highest = (round(12 * math.log10(limit / 1e-12)) for limit in (family.low, family.high))
    place = int(chance.integers(lowest, highest + 1))
    # From text, so that 22 nF is the float that a person's 22n is.
    printed = float(f"{_E12[place % 12]}e{place // 12 - 12}")
    drift = family.drift * abs(float(chance.standard_normal()))
    return BagPart(
        family=family.name,
        farad=printed * math.exp(family.spread / math.sqrt(3) * float(chance.standard_normal()) + drift),
        printed_farad=printed,
        loss=_between(chance, family.losses),
        esr_ohm=0.0 if family.esr_ohm is None else _between(chance, family.esr_ohm),
        leak_ohm=None if family.leak_ohm is None else _between(chance, family.leak_ohm),
    )


def _between(chance: np.random.Generator, limits: tuple[float, float]) -> float:
    """Even on a logarithmic scale."""
    low, high = limits
    return float(low * (high / low) ** chance.uniform())


class SimulatedFixture:
    """The hand at the simulated fixture: what a person does between two measurements.

    world : of the bench that the fixture is on. bag : the parts `hold` takes from, the first is number 1.
    """

    def __init__(self, world: World, bag: Sequence[BagPart]) -> None:
        self._world = world
        self._bag = tuple(bag)
        self._stage = world.settings.stage
        self._held: BagPart | None = None

    @property
    def size(self) -> int:
        """Number of parts in the bag."""
        return len(self._bag)

    def probes_together(self) -> None:
        """Both probes on the drive node of the empty fixture, for a null run."""
        self._held = None
        self._clip(one_node=True)

    def wire(self, stage: Stage) -> None:
        """Resistor and clips as in this stage; what the clips hold stays in them.

        stage : the fixture with an asked capacitor between the part's clips, or without when it is open.
        """
        self._stage = stage
        self._clip()

    def take_out(self) -> None:
        """Nothing in the clips."""
        self._held = None
        self._clip()

    def hold_known(self, farad: float, minus: float, plus: float) -> None:
        """A part whose value is known within limits, F and fractions; the same part every time."""
        chance = np.random.default_rng([self._world.settings.seed, zlib.crc32(b"known part")])
        # A part that is sold within limits lies well within them as a rule, and always within (common practice).
        share = float(np.clip(chance.standard_normal() / 3.0, -1.0, 1.0))
        true_farad = farad * (1.0 + share * (plus if share > 0 else minus))
        self._held = BagPart(family="polypropylene", farad=true_farad, printed_farad=farad, loss=3e-4)
        self._clip()

    def hold(self, number: int) -> None:
        """Part `number` of the bag (from 1). Raises IndexError where there is none."""
        if not 1 <= number <= len(self._bag):
            raise IndexError(f"the bag has {len(self._bag)} parts, not {number}")
        self._held = self._bag[number - 1]
        self._clip()

    def _clip(self, *, one_node: bool = False) -> None:
        stage, held = self._stage, self._held
        asked = [part for part in stage.parts if part.asked]
        parts = [part for part in stage.parts if not part.asked]
        true: dict[str, float] = {}
        if asked and held is not None and held.held is not Held.NOTHING:
            real = _real_part(asked[0], held)
            parts.append(real)
            true[real.name] = real.value
        self._world.clip(
            replace(
                self._world.settings,
                stage=replace(stage, parts=tuple(parts)),
                true=true,
                probe_nodes=(stage.drive, stage.drive) if one_node else None,
            )
        )


def _real_part(asked: Part, held: BagPart) -> Part:
    """What is between the part's clips in truth."""
    if held.held is Held.WIRE:
        return Part(name="wire", kind=PartKind.RESISTOR, between=asked.between, value=_WIRE_OHM)
    return Part(
        name=asked.name,
        kind=PartKind.CAPACITOR,
        between=asked.between,
        value=held.farad,
        loss=held.loss,
        esr_ohm=held.esr_ohm,
        leak_ohm=held.leak_ohm,
    )
