"""Sweeps computed from a stage's network with noise from a seed, for tests that need an estimate to look at."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from twonode.analysis.channel import PROBE_10, probe_parts
from twonode.analysis.model import Sweep
from twonode.analysis.network import Network
from twonode.analysis.quantities import Measured
from twonode.analysis.ratio import RatioPoint
from twonode.analysis.stage import Stage, shipped_stage

__all__ = ["FREQUENCIES_HZ", "made_sweep", "wrenfield"]

FREQUENCIES_HZ = np.geomspace(3.0, 3000.0, 16)


def wrenfield() -> Stage:
    """The shipped stage, its grid leak read with a meter."""
    stage = shipped_stage("wrenfield-46-driver-output")
    return stage.replace_part(replace(stage.part("R12"), measured=Measured(value=482e3, half_width=2.4e3)))


def made_sweep(
    stage: Stage, truth: Stage, *, seed: int = 1, noise: float = 1e-3, frequencies_hz=FREQUENCIES_HZ
) -> Sweep:
    """A sweep that believes in `stage` while the parts are those of `truth`; noise relative, per component."""
    rng = np.random.default_rng(seed)
    network = Network([*truth.parts, *probe_parts(PROBE_10, truth.far, "far probe")], forced=truth.drive)
    y = network.admittances(2j * np.pi * np.asarray(frequencies_hz))
    points = []
    for hz, exact in zip(frequencies_hz, network.transfer(y, truth.far), strict=True):
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
