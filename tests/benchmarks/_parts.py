"""Parts in hook-ups as a person would wire them: what is marked on them, what they are wired with.

Owns the draw of hook-up, marked value and fixture resistor, all known to 0.1 %, and the request that goes with it.
Several parts share one set of instruments with its null run, as on a bench.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import pi

import numpy as np

from twonode.acquire import SweepRequest
from twonode.acquire.request import PlanKind, advised_resistor
from twonode.analysis.hookup import HookUp, series_stage, shunt_stage
from twonode.analysis.quantities import Measured, Tolerance
from twonode.analysis.stage import Stage, shipped_stage
from twonode.drivers.simulated import SimulatedSettings
from twonode.drivers.simulated.truth import draw_truth

__all__ = ["PARTS_PER_BENCH", "TEN", "Wired", "draw_wired", "neighbours"]

TEN = Tolerance(minus=0.1, plus=0.1)
TIGHT = Tolerance(minus=0.001, plus=0.001)
E6 = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
DECADES_OHM = (1e3, 1e4, 1e5, 1e6)
HIGHEST_CORNER_HZ = 20e3
PARTS_PER_BENCH = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Wired:
    """A part with its marked value, ready for a sweep."""

    hookup: HookUp
    stage: Stage
    part: str

    @property
    def nominal_farad(self) -> float:
        return self.stage.part(self.part).value

    @property
    def words(self) -> str:
        known = self.stage.parts[1]
        return f"{self.hookup.value}, {self.nominal_farad:.2g} F, {known.name} {known.value:.3g} ohm"

    def request(self, seed: int, plan: PlanKind = PlanKind.INFORMATION) -> SweepRequest:
        return SweepRequest(
            hookup=self.hookup,
            stage=self.stage,
            part=self.part,
            nominal_farad=self.nominal_farad,
            tolerance=TEN,
            plan=plan,
            simulated=True,
            seed=seed,
        )


def draw_wired(hookup: HookUp, rng: np.random.Generator) -> Wired:
    """E6 values; the advised resistor, or as often another decade that a person may have at hand."""
    if hookup is HookUp.STAGE:
        stage = shipped_stage("wrenfield-46-driver-output")
        read = Measured(value=470e3, half_width=470.0)
        return Wired(
            hookup=hookup,
            stage=stage.replace_part(replace(stage.part("R12"), measured=read)),
            part="C7",
        )
    lowest = -9 if hookup is HookUp.SERIES else -10
    farad = float(rng.choice(E6)) * 10.0 ** (lowest + int(rng.integers(3)))
    ohm = advised_resistor(farad)
    others = [r for r in DECADES_OHM if r < ohm and 1 / (2 * pi * r * farad) <= HIGHEST_CORNER_HZ]
    if others and rng.uniform() < 0.5:
        ohm = float(rng.choice(others))
    make: Callable[..., Stage] = series_stage if hookup is HookUp.SERIES else shunt_stage
    stage = make(part="C1", value_farad=farad, tolerance=TEN, resistor_ohm=ohm, resistor_tolerance=TIGHT)
    return Wired(hookup=hookup, stage=stage, part="C1")


def neighbours(wired: Wired, seed: int) -> dict[str, float]:
    """True values of all other parts, as the simulator draws them for this seed."""
    drawn = draw_truth(SimulatedSettings(stage=wired.stage, seed=seed)).value
    return {name: value for name, value in drawn.items() if name != wired.part}
