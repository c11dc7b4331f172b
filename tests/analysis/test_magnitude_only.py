"""Points of which only a size was read: the likelihood is that of the size, and no phase is made up."""

from dataclasses import replace
from math import log

import numpy as np
import pytest
from made_sweeps import made_estimate, made_sweep, true_stage, wrenfield
from scipy.stats import binom

from twonode.analysis.channel import PROBE_10, probe_parts
from twonode.analysis.curves import fitted_curves
from twonode.analysis.estimate import estimate_part
from twonode.analysis.findings import FindingState
from twonode.analysis.hookup import HookUp, series_stage
from twonode.analysis.hypotheses import ordinary_model, scan_starts
from twonode.analysis.marginal import marginal
from twonode.analysis.model import Sweep
from twonode.analysis.network import Network
from twonode.analysis.picture import picture_png
from twonode.analysis.posterior import maximise
from twonode.analysis.quantities import Tolerance
from twonode.analysis.ratio import RatioPoint
from twonode.analysis.report import Circumstances

ONE_PERCENT = Tolerance(minus=0.01, plus=0.01)
TEN_PERCENT = Tolerance(minus=0.1, plus=0.1)


def _sizes_only(sweep):
    points = tuple(
        replace(
            point,
            ratio=complex(abs(point.ratio)),
            ratio_cov=(point.ratio_cov[0], 0.0, point.ratio_cov[0]),
            magnitude_only=True,
        )
        for point in sweep.points
    )
    return replace(sweep, points=points)


def test_slopes_of_a_size_are_those_of_finite_differences():
    whole = made_sweep(wrenfield(), true_stage())
    half = replace(whole, points=(*_sizes_only(whole).points[::2], *whole.points[1::2]))
    model = ordinary_model([half], half.stage.part("C7"), 22e-9)
    theta = model.mean + 0.3 * np.where(np.isfinite(model.sigma), model.sigma, 0.1)
    found = model.evaluate(theta)
    for place, parameter in enumerate(model.parameters):
        step = 1e-6 * (1.0 if parameter.sigma == np.inf else parameter.sigma)
        up, down = theta.copy(), theta.copy()
        up[place] += step
        down[place] -= step
        slope = (model.evaluate(up).residual - model.evaluate(down).residual) / (2 * step)
        scale = max(1.0, float(np.abs(slope).max()))
        assert found.jacobian[:, place] == pytest.approx(slope, abs=2e-5 * scale), parameter.owner


def test_the_residual_of_a_size_is_its_difference_from_the_modelled_size_whatever_the_phase():
    sweep = _sizes_only(made_sweep(wrenfield(), true_stage()))
    model = ordinary_model([sweep], sweep.stage.part("C7"), 22e-9)
    found = model.evaluate(model.mean)
    n = len(sweep.points)
    sigma = np.sqrt([p.ratio_cov[0] for p in sweep.points])
    sizes = np.array([p.ratio.real for p in sweep.points])
    assert found.residual[:n] == pytest.approx((np.abs(found.ratio[0]) - sizes) / sigma, rel=1e-9)
    assert not found.residual[n:].any()
    assert not found.jacobian[n : 2 * n].any()
    assert model.observations == n


def test_a_size_that_is_none_is_refused():
    good = _sizes_only(made_sweep(wrenfield(), true_stage())).points[0]
    for wrong in ({"ratio": 0.1 + 0.2j}, {"ratio": -0.1 + 0j}, {"ratio_cov": (1e-6, 1e-7, 1e-6)}):
        with pytest.raises(ValueError, match="magnitude_only"):
            replace(good, **wrong)


def _drawn(rng, frequencies_hz, noise):
    """A fixture's sizes with everything that is not exactly known drawn from what the model says of it."""
    stage = series_stage(
        part="C7",
        value_farad=22e-9,
        tolerance=TEN_PERCENT,
        resistor_ohm=100e3,
        resistor_tolerance=ONE_PERCENT,
    )
    farad = 22e-9 * np.exp(rng.uniform(-0.3, 0.3))
    sweep = Sweep(stage=stage, points=())
    true_ohm = 100e3 * np.exp(rng.normal(0.0, 0.01 / np.sqrt(3.0)))
    probe_ohm, probe_farad = probe_parts(PROBE_10, stage.far, "far probe")
    network = Network(
        [
            replace(stage.part("C7"), value=farad, loss=abs(rng.normal(0.004, 0.01))),
            replace(stage.part("R"), value=true_ohm),
            replace(probe_ohm, value=probe_ohm.value * np.exp(rng.normal(0.0, PROBE_10.resistance_sigma))),
            replace(
                probe_farad, value=probe_farad.value * np.exp(rng.normal(0.0, PROBE_10.capacitance_sigma))
            ),
        ],
        forced=stage.drive,
    )
    gain = np.exp(rng.normal(0.0, sweep.channels.gain_sigma) - rng.normal(0.0, sweep.channels.gain_sigma))
    sizes = np.abs(network.ratio(frequencies_hz, stage.far)) * gain
    points = tuple(
        RatioPoint(
            frequency_hz=float(hz),
            ratio=complex(abs(size * (1.0 + noise * rng.normal()))),
            ratio_cov=((noise * size) ** 2, 0.0, (noise * size) ** 2),
            quantisation_share=0.0,
            drive_volts_per_div=1.0,
            far_volts_per_div=1.0,
            magnitude_only=True,
        )
        for hz, size in zip(frequencies_hz, sizes, strict=True)
    )
    return replace(sweep, points=points), farad


@pytest.mark.parametrize(("noise", "count"), [(0.03, 12), (0.005, 8)])
def test_the_interval_from_sizes_alone_holds_the_true_value_as_often_as_it_says(noise, count):
    # Outside reference: the binomial distribution; bounds hold 99.9 % of honest 95 % intervals.
    rng = np.random.default_rng(20310409)
    runs, held = 100, 0
    for _ in range(runs):
        sweep, farad = _drawn(rng, np.geomspace(8.0, 800.0, count), noise)
        model = ordinary_model([sweep], sweep.stage.part("C7"), 22e-9)
        found = marginal(maximise(model, scan_starts(model, decades=1.0, keep=1)), 0)
        held += found.low <= log(farad) <= found.high
    low, high = binom.interval(0.999, runs, 0.95)
    assert low <= held <= high, held / runs


def test_sizes_alone_say_less_than_ratios_and_still_find_the_part():
    sweep = made_sweep(wrenfield(), true_stage(value=20e-9))
    found = [
        estimate_part([s], "C7", nominal_farad=22e-9, tolerance=TEN_PERCENT)
        for s in (sweep, _sizes_only(sweep))
    ]
    whole, sizes = (each.capacitance for each in found)
    assert sizes.interval95[0] < 20e-9 < sizes.interval95[1]
    assert sizes.standard_uncertainty > whole.standard_uncertainty
    assert found[1].misfit is None


@pytest.mark.parametrize(
    ("truth", "state"),
    [({"value": 1e-12}, FindingState.OPEN), ({"value": 14e-9}, FindingState.OFF_VALUE)],
)
def test_findings_come_from_sizes_alone(truth, state):
    sweep = _sizes_only(made_sweep(wrenfield(), true_stage(**truth)))
    assert estimate_part([sweep], "C7", nominal_farad=22e-9, tolerance=TEN_PERCENT).finding.state is state


def test_nothing_is_drawn_of_a_phase_that_nobody_measured():
    sweep = made_sweep(wrenfield(), true_stage())
    mixed = replace(sweep, points=(*_sizes_only(sweep).points[:8], *sweep.points[8:]))
    estimate = estimate_part([mixed], "C7", nominal_farad=22e-9, tolerance=TEN_PERCENT)
    (curve,) = fitted_curves(estimate)
    _, degrees = curve.degrees()
    assert list(np.isfinite(degrees)) == [False] * 8 + [True] * 8
    assert list(np.isfinite(curve.residual_angle)) == [False] * 8 + [True] * 8
    assert np.isfinite(curve.residual_size).all()
    png = picture_png(estimate, Circumstances(title="Wrenfield 46", hookup=HookUp.STAGE, level_vpp=2.0))
    assert png.startswith(b"\x89PNG")
    (whole,) = fitted_curves(made_estimate(true_stage()))
    assert np.isfinite(whole.degrees()[1]).all()
