"""A capacitor that hardly shows beside its own leak: one explanation's fit runs away, and the result still stands."""

from dataclasses import replace

import numpy as np
import pytest

from twonode.analysis.channel import PROBE_10, probe_parts
from twonode.analysis.estimate import estimate_part
from twonode.analysis.findings import FindingState
from twonode.analysis.hookup import series_stage
from twonode.analysis.model import Sweep
from twonode.analysis.network import Network
from twonode.analysis.quantities import Tolerance
from twonode.analysis.ratio import RatioPoint

TEN, FIVE = Tolerance(minus=0.1, plus=0.1), Tolerance(minus=0.05, plus=0.05)


def _sweep(seed, leak_ohm):
    rng = np.random.default_rng([149, seed])
    stage = series_stage(
        part="C1", value_farad=3.5e-9, tolerance=TEN, resistor_ohm=300e3, resistor_tolerance=FIVE
    )
    truth = stage.replace_part(replace(stage.part("C1"), leak_ohm=leak_ohm))
    network = Network([*truth.parts, *probe_parts(PROBE_10, stage.far, "far probe")], forced=stage.drive)
    hertz = np.geomspace(1.6, 1421.0, 12)
    points = []
    for hz, exact in zip(hertz, network.ratio(hertz, stage.far), strict=True):
        sigma = 2e-3 * abs(exact)
        points.append(
            RatioPoint(
                frequency_hz=float(hz),
                ratio=complex(exact + sigma * (rng.normal() + 1j * rng.normal())),
                ratio_cov=(sigma**2, 0.0, sigma**2),
                quantisation_share=0.2,
                drive_volts_per_div=0.2,
                far_volts_per_div=0.2,
            )
        )
    return Sweep(stage=stage, points=tuple(points))


@pytest.mark.parametrize("seed", [4, 5, 8, 10])
def test_a_large_leak_is_found_though_no_capacitor_alone_would_explain_it(seed):
    # Each of these ended in an overflow before runaway fits were held.
    found = estimate_part([_sweep(seed, 18e3)], "C1", nominal_farad=3.5e-9, tolerance=TEN)
    assert found.finding.state is FindingState.LEAKY
    low, high = found.leak.interval95
    assert low < 18e3 < high
    assert high < 5 * low
    assert "not determined" not in found.finding.because
