"""Sweeps computed from a stage's network with noise from a seed, for tests that need an estimate to look at."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from twonode.analysis.channel import PROBE_10, probe_parts
from twonode.analysis.diagnose import Hypothesis
from twonode.analysis.estimate import Estimate, estimate_part
from twonode.analysis.model import Sweep
from twonode.analysis.network import Network
from twonode.analysis.part_faults import PartFault
from twonode.analysis.quantities import Measured, Tolerance
from twonode.analysis.ratio import RatioPoint
from twonode.analysis.stage import Part, PartKind, Stage, shipped_stage

__all__ = [
    "FREQUENCIES_HZ",
    "fault",
    "made_estimate",
    "made_sweep",
    "shorted_stage",
    "true_stage",
    "with_part",
    "wrenfield",
]

FREQUENCIES_HZ = np.geomspace(3.0, 3000.0, 16)
TEN_PERCENT = Tolerance(minus=0.1, plus=0.1)


def wrenfield(*, read_beforehand: bool = True) -> Stage:
    """The shipped stage, its grid leak read with a meter or not."""
    stage = shipped_stage("wrenfield-46-driver-output")
    if not read_beforehand:
        return stage
    return stage.replace_part(replace(stage.part("R12"), measured=Measured(value=482e3, half_width=2.4e3)))


def with_part(stage: Stage, name: str, **changes: Any) -> Stage:
    """The stage with one part changed."""
    return stage.replace_part(replace(stage.part(name), **changes))


def fault(name: str, kind: PartFault) -> Hypothesis:
    """The hypothesis of one fault."""
    return Hypothesis(faults=((name, kind),))


def true_stage(**c7: float) -> Stage:
    """The stage as it is: R12 481 kohm, C7 as given."""
    return with_part(with_part(wrenfield(), "R12", value=481e3), "C7", **c7)


def shorted_stage(ohm: float = 0.5) -> Stage:
    """A wire across C7."""
    wire = Part(name="W", kind=PartKind.RESISTOR, between=("driver anode", "output grid"), value=ohm)
    return true_stage().with_parts(wire)


def made_sweep(
    stage: Stage, truth: Stage, *, seed: int = 1, noise: float = 1e-3, frequencies_hz=FREQUENCIES_HZ
) -> Sweep:
    """A sweep that believes in `stage` while the parts are those of `truth`; noise relative, per component."""
    rng = np.random.default_rng(seed)
    network = Network([*truth.parts, *probe_parts(PROBE_10, truth.far, "far probe")], forced=truth.drive)
    points = []
    for hz, exact in zip(frequencies_hz, network.ratio(frequencies_hz, truth.far), strict=True):
        sigma = noise * max(abs(exact), 1e-3)
        points.append(
            RatioPoint(
                frequency_hz=float(hz),
                ratio=complex(exact + sigma * (rng.normal() + 1j * rng.normal())),
                ratio_cov=(sigma**2, 0.0, sigma**2),
                quantisation_share=0.3,
                drive_volts_per_div=0.2,
                far_volts_per_div=0.2 if abs(exact) > 0.3 else 0.05,
            )
        )
    return Sweep(stage=stage, points=tuple(points))


def made_estimate(
    truth: Stage,
    *,
    stage: Stage | None = None,
    nominal_farad: float | None = 22e-9,
    tolerance: Tolerance | None = TEN_PERCENT,
    sweeps: int = 1,
) -> Estimate:
    """An estimate of C7 from made sweeps."""
    believed = wrenfield() if stage is None else stage
    return estimate_part(
        [made_sweep(believed, truth, seed=seed) for seed in range(1, sweeps + 1)],
        "C7",
        nominal_farad=nominal_farad,
        tolerance=tolerance,
    )
