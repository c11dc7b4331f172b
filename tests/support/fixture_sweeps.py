"""Sweeps of a loose part in the fixture, worked out by hand, for tests of what is made of them.

The ratio is one voltage divider written out with complex admittances; nothing of the program's network, model or
simulator takes part. The channels are perfect: one, and the null run says so.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import pi

import numpy as np

from twonode.analysis.fixture import FixtureAdvice, advised_fixture, fixture_stage, open_advice
from twonode.analysis.fixture_open import OpenFixture, open_fixture
from twonode.analysis.hookup import HookUp
from twonode.analysis.model import Sweep
from twonode.analysis.ratio import RatioPoint

__all__ = ["PART", "MadeFixture", "capacitor", "resistor"]

PART = "part"
Admittance = Callable[[float], complex]


def capacitor(
    farad: float, tan_delta: float = 0.0, *, esr_ohm: float = 0.0, leak_ohm: float = np.inf
) -> Admittance:
    """Lossy dielectric, in series with its ESR, the leak across both."""

    def admittance(hz: float) -> complex:
        omega = 2 * pi * hz
        dielectric = omega * farad * (1j + tan_delta)
        return 1.0 / leak_ohm + 1.0 / (1.0 / dielectric + esr_ohm)

    return admittance


def resistor(ohm: float) -> Admittance:
    """The same at all frequencies."""
    return lambda hz: complex(1.0 / ohm)


def nothing(hz: float) -> complex:
    """An empty fixture."""
    return 0j


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeFixture:
    """A fixture with strays and a probe of stated loading.

    noise : V/V, of each component of a ratio, relative to the drive node's one volt.
    """

    across_farad: float = 1.4e-12
    ground_farad: float = 7e-12
    probe_farad: float = 12.5e-12
    probe_ohm: float = 10.02e6
    noise: float = 3e-5
    seed: int = 1

    def ratio(self, hz: float, part: Admittance, hookup: HookUp, resistor_ohm: float) -> complex:
        """Far over drive: what lies between the two, over that and all from far to ground."""
        omega = 2 * pi * hz
        across = 1j * omega * self.across_farad
        ground = 1j * omega * (self.ground_farad + self.probe_farad) + 1.0 / self.probe_ohm
        if hookup is HookUp.SERIES:
            across, ground = across + part(hz), ground + 1.0 / resistor_ohm
        else:
            across, ground = across + 1.0 / resistor_ohm, ground + part(hz)
        return complex(across / (across + ground))

    def sweep(
        self,
        part: Admittance | None,
        advice: FixtureAdvice,
        *,
        farad: float = 10e-9,
        hz: Sequence[float] = (),
    ) -> Sweep:
        """A sweep at the advice's frequencies, or others."""
        rng = np.random.default_rng([self.seed, len(advice.frequencies_hz), int(advice.resistor_ohm)])
        points = []
        for at in hz or advice.frequencies_hz:
            exact = self.ratio(at, part or nothing, advice.hookup, advice.resistor_ohm)
            points.append(_point(at, exact, self.noise * max(abs(exact), 0.02), rng))
        stage = fixture_stage(
            advice.hookup,
            part=PART if part is not None else None,
            farad=farad,
            resistor_ohm=advice.resistor_ohm,
        )
        return Sweep(stage=stage, points=tuple(points))

    def measured(self, part: Admittance, farad: float) -> Sweep:
        """The sweep that is advised for about this value."""
        return self.sweep(part, advised_fixture(farad), farad=farad)

    def null(self) -> Sweep:
        """Both probes on one node: a ratio of one, whatever the ranges."""
        rng = np.random.default_rng(self.seed)
        points = []
        for hz in np.geomspace(20.0, 1e6, 10):
            points.append(_point(float(hz), 1.0 + 0j, self.noise, rng))
        points += [_point(1e3, 1.0 + 0j, self.noise, rng, far_volts_per_div=step) for step in (0.01, 0.05)]
        return Sweep(stage=None, points=tuple(points))

    def open(self) -> OpenFixture:
        """The fixture as it is known after null run and open sweep."""
        return open_fixture([self.sweep(None, open_advice())], [self.null()])


def _point(
    hz: float,
    exact: complex,
    sigma: float,
    rng: np.random.Generator,
    *,
    far_volts_per_div: float | None = None,
) -> RatioPoint:
    return RatioPoint(
        frequency_hz=hz,
        ratio=exact + sigma * complex(rng.standard_normal(), rng.standard_normal()),
        ratio_cov=(sigma**2, 0.0, sigma**2),
        quantisation_share=0.3,
        drive_volts_per_div=0.5,
        far_volts_per_div=far_volts_per_div
        or (0.5 if abs(exact) > 0.3 else 0.05 if abs(exact) > 0.05 else 0.01),
    )
