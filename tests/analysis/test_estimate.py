"""The estimate against lmfit, its own model's Jacobian, a Monte Carlo, and a budget that adds up."""

from dataclasses import replace
from math import exp, inf, log

import lmfit
import numpy as np
import pytest
from made_sweeps import made_sweep, wrenfield

from twonode.analysis.budget import budget
from twonode.analysis.estimate import EstimateError, estimate_part
from twonode.analysis.findings import FindingState
from twonode.analysis.hookup import HookUp, series_stage, shunt_stage
from twonode.analysis.hypotheses import ordinary_model, scan_starts
from twonode.analysis.marginal import marginal
from twonode.analysis.model import Aspect, Free, Model, Sweep, UnseenPart
from twonode.analysis.posterior import maximise
from twonode.analysis.quantities import Tolerance
from twonode.analysis.ratio import RatioPoint
from twonode.analysis.report import Circumstances, report_lines

TEN = Tolerance(minus=0.1, plus=0.1)
TIGHT = Tolerance(minus=0.001, plus=0.001)


def series(farad=22e-9, ohm=47e3):
    return series_stage(
        part="C1", value_farad=farad, tolerance=TEN, resistor_ohm=ohm, resistor_tolerance=TIGHT
    )


def drawn(stage, free, frequency_hz, rng, *, noise=5e-4):
    """A sweep whose every parameter is drawn from its own prior; the truth comes with it."""
    blank = tuple(
        RatioPoint(
            frequency_hz=float(hz),
            ratio=1j,
            ratio_cov=(1.0, 0.0, 1.0),
            quantisation_share=0.2,
            drive_volts_per_div=0.5,
            far_volts_per_div=0.5,
        )
        for hz in frequency_hz
    )
    model = Model([Sweep(stage=stage, points=blank)], free)
    sigma = np.where(np.isfinite(model.sigma), model.sigma, 0.05)
    truth = model.mean + sigma * rng.standard_normal(model.mean.size)
    (clean,) = model.evaluate(truth).ratio
    spread = noise * np.abs(clean)
    noisy = clean + spread * (rng.standard_normal(clean.size) + 1j * rng.standard_normal(clean.size))
    points = tuple(
        replace(p, ratio=complex(r), ratio_cov=(s**2, 0.0, s**2))
        for p, r, s in zip(blank, noisy, spread, strict=True)
    )
    return Sweep(stage=stage, points=points), truth


def free_of(stage):
    part = stage.part("C1")
    return [
        Free(part="C1", aspect=Aspect.VALUE, mean=log(part.value)),
        Free(part="C1", aspect=Aspect.LOSS, mean=0.004, sigma=0.01, logarithmic=False),
    ]


@pytest.mark.parametrize("with_null", [False, True])
def test_the_jacobian_of_the_whole_model_is_its_derivative(with_null):
    stage = wrenfield()
    rng = np.random.default_rng(2)
    free = [
        Free(part="C7", aspect=Aspect.VALUE, mean=log(22e-9)),
        Free(part="C7", aspect=Aspect.LOSS, mean=0.01, sigma=0.01, logarithmic=False),
        Free(part="C7", aspect=Aspect.ESR, mean=log(100.0), sigma=1.0),
        Free(part="C7", aspect=Aspect.LEAK, mean=log(5e6), sigma=1.0),
    ]
    sweep, truth = drawn(stage, free, np.geomspace(3, 30e3, 15), rng)
    sweeps = [sweep, replace(sweep, stage=None)] if with_null else [sweep]
    model = Model(sweeps, free)
    if with_null:
        assert model.index("bench far probe", Aspect.TIME_CONSTANT)
        truth = model.mean + np.where(np.isfinite(model.sigma), model.sigma, 0.1) * rng.standard_normal(
            model.mean.size
        )
    exact = model.evaluate(truth).jacobian
    for k, sigma in enumerate(model.sigma):
        step = 1e-4 * (sigma if np.isfinite(sigma) else 1.0)
        moved = []
        for times in (1, -1):
            theta = truth.copy()
            theta[k] += times * step
            moved.append(model.evaluate(theta).residual)
        numeric = (moved[0] - moved[1]) / (2 * step)
        # The prior's own size is the scale on which a derivative matters.
        assert np.abs(numeric - exact[:, k]).max() <= 1e-6 * max(np.abs(exact[:, k]).max(), 1e-3 / step)


@pytest.mark.parametrize("corner_over_probe", [0.1, 1.0, 7.0])
def test_drawn_from_the_priors_the_interval_holds_the_truth_95_times_in_100(corner_over_probe):
    # The hard case is a corner at the probe's own 1.3 kHz, where the posterior is no plain Gaussian.
    stage = series(22e-9, 5.4e3 / corner_over_probe)
    rng = np.random.default_rng(8)
    inside, scores = [], []
    for _ in range(200):
        corner = 1326.0 * corner_over_probe
        sweep, truth = drawn(stage, free_of(stage), corner * np.geomspace(0.1, 10, 12), rng)
        model = Model([sweep], free_of(stage))
        found = marginal(maximise(model, [model.mean]), 0)
        inside.append(found.low <= truth[0] <= found.high)
        scores.append((found.mean - truth[0]) / found.sigma)
    # 200 draws: the binomial spread of 95 % is 1.5 %.
    assert 0.90 <= np.mean(inside) <= 0.99
    assert 0.85 <= np.std(scores) <= 1.15


def test_value_and_uncertainty_agree_with_lmfit_on_the_same_data():
    # lmfit with the priors as pseudo-data: an independent fitter and an independent covariance.
    stage = series()
    sweep, _ = drawn(stage, free_of(stage), 154 * np.geomspace(0.1, 10, 12), np.random.default_rng(4))
    model = Model([sweep], free_of(stage))
    ours = maximise(model, [model.mean])
    finite = np.isfinite(model.sigma)
    parameters = lmfit.Parameters()
    for k, mean in enumerate(model.mean):
        parameters.add(f"p{k}", value=mean)
    scale = np.where(finite, model.sigma, 1.0)

    def residual(values):
        theta = np.array([values[f"p{k}"].value for k in range(model.mean.size)])
        return np.concatenate([model.evaluate(theta).residual, ((theta - model.mean) / scale)[finite]])

    theirs = lmfit.minimize(residual, parameters, scale_covar=False, xtol=1e-12, ftol=1e-12)
    assert ours.theta[0] == pytest.approx(theirs.params["p0"].value, abs=0.02 * ours.standard_uncertainty(0))
    assert ours.standard_uncertainty(0) == pytest.approx(theirs.params["p0"].stderr, rel=0.02)


def test_the_budget_adds_up_and_names_the_loose_neighbour():
    stage = wrenfield()
    loose = stage.replace_part(replace(stage.part("R12"), measured=None))
    sweep = made_sweep(loose, loose)
    model = ordinary_model([sweep], loose.part("C7"), 22e-9)
    posterior = maximise(model, scan_starts(model))
    lines = budget(posterior, 0)
    assert sum(line.share for line in lines) == pytest.approx(1.0, abs=1e-9)
    assert lines[0].source == "R12"
    assert "clip a companion" in lines[0].action
    # design: +-20 % means sigma = 20 %/sqrt(3), so the lone sweep knows C to 11 to 12 %.
    # The 10 Mohm probe beside R12 takes its twentieth part off.
    assert 0.11 <= posterior.standard_uncertainty(0) <= 0.12


def test_where_a_neighbour_cannot_be_helped_by_a_companion_a_meter_is_advised_and_keeps_its_promise():
    # In a fixture the resistor is known or can be read.
    def fixture(tolerance):
        return series_stage(
            part="C1", value_farad=22e-9, tolerance=TEN, resistor_ohm=47e3, resistor_tolerance=tolerance
        )

    loose = fixture(Tolerance(minus=0.2, plus=0.2))
    frequencies_hz = np.geomspace(15, 1500, 12)
    sweep = made_sweep(loose, loose, frequencies_hz=frequencies_hz)
    model = ordinary_model([sweep], loose.part("C1"), 22e-9)
    (line, *_) = budget(maximise(model, scan_starts(model)), 0)
    assert line.source == "R"
    assert line.action.startswith("measure R with a meter")
    read = fixture(Tolerance(minus=0.005, plus=0.005))
    sweep = made_sweep(read, read, frequencies_hz=frequencies_hz)
    estimate = estimate_part([sweep], "C1", nominal_farad=22e-9, tolerance=TEN)
    found = estimate.capacitance.standard_uncertainty / estimate.capacitance.value
    assert found == pytest.approx(line.expected_sigma, rel=0.1)


def test_shares_are_what_removing_a_source_takes_away():
    # Exact for a linear problem: var(C) falls by the share of a prior, to first order, when that prior is exact.
    stage = series()
    sweep, _ = drawn(stage, free_of(stage), 154 * np.geomspace(0.1, 10, 12), np.random.default_rng(5))
    model = Model([sweep], free_of(stage))
    posterior = maximise(model, [model.mean])
    shares = posterior.prior_shares(0)
    k = model.index("R", Aspect.VALUE)
    step = 1e-3
    sharper = Model([sweep], free_of(stage))
    sharper.sigma = sharper.sigma.copy()
    sharper.sigma[k] *= 1 - step
    change = 1 - (maximise(sharper, [posterior.theta]).covariance[0, 0] / posterior.covariance[0, 0])
    assert change / (2 * step) == pytest.approx(shares[k], rel=0.01)


def test_monte_carlo_of_the_inputs_gives_the_laplace_uncertainty():
    # JCGM 101: propagate draws of noise and of every prior mean through the whole estimate.
    stage = series()
    rng = np.random.default_rng(6)
    frequency_hz = 154 * np.geomspace(0.1, 10, 12)
    sweep, _ = drawn(stage, free_of(stage), frequency_hz, rng)
    model = Model([sweep], free_of(stage))
    best = maximise(model, [model.mean])
    finite = np.isfinite(model.sigma)
    found = []
    for _ in range(300):
        points = tuple(
            replace(p, ratio=p.ratio + p.ratio_cov[0] ** 0.5 * complex(*rng.standard_normal(2)))
            for p in sweep.points
        )
        moved = Model([replace(sweep, points=points)], free_of(stage))
        moved.mean = np.where(
            finite,
            model.mean + np.where(finite, model.sigma, 0) * rng.standard_normal(model.mean.size),
            model.mean,
        )
        found.append(maximise(moved, [best.theta]).theta[0])
    # The spread of a standard deviation from 300 draws is 4 %.
    assert np.std(found) == pytest.approx(best.standard_uncertainty(0), rel=0.12)


@pytest.mark.parametrize("factor", [0.01, 0.1, 30.0, 1e3])
def test_a_value_decades_from_the_expected_one_is_found(factor):
    for make in (series_stage, shunt_stage):
        stage = make(part="C1", value_farad=22e-9, tolerance=TEN, resistor_ohm=47e3, resistor_tolerance=TIGHT)
        truth = stage.replace_part(replace(stage.part("C1"), value=22e-9 * factor))
        corner = 154 / factor
        sweep = made_sweep(stage, truth, frequencies_hz=np.geomspace(corner / 20, corner * 20, 14))
        estimate = estimate_part([sweep], "C1", nominal_farad=22e-9, tolerance=TEN)
        assert estimate.capacitance.value == pytest.approx(22e-9 * factor, rel=0.02)
        assert estimate.finding.state in (FindingState.OFF_VALUE, FindingState.OPEN)


def test_a_part_of_which_nothing_is_known_is_estimated_and_stays_undecided():
    stage = series()
    truth = stage.replace_part(replace(stage.part("C1"), value=3.1e-9))
    sweep = made_sweep(stage, truth, frequencies_hz=np.geomspace(50, 20e3, 14))
    estimate = estimate_part([sweep], "C1", nominal_farad=None)
    assert estimate.capacitance.value == pytest.approx(3.1e-9, rel=0.01)
    assert estimate.finding.state is FindingState.UNDECIDED


def test_a_stage_that_does_not_describe_the_readings_is_said_aloud():
    stage = wrenfield()
    truth = stage.with_parts(
        replace(stage.part("R9"), name="R99", between=("output grid", "ground"), value=150e3)
    )
    sweep = made_sweep(stage, replace_far(truth), noise=3e-4)
    estimate = estimate_part([sweep], "C7", nominal_farad=22e-9, tolerance=TEN)
    assert estimate.misfit is not None
    assert "cannot be trusted" in estimate.misfit
    # However probable the nearest explanation is among those that were tried, nothing is decided by it.
    assert estimate.finding.state is FindingState.UNDECIDED
    assert "no circuit" in estimate.finding.because
    first, second, *_ = report_lines(
        estimate, Circumstances(title="made", hookup=HookUp.STAGE, level_vpp=2.0)
    )
    assert first == "C7: UNDECIDED (no circuit that was tried describes the readings)"
    assert second.startswith("  DO NOT TRUST THIS YET")


def replace_far(stage):
    """The same stage with a coil in the way, which no value of the assumed parts can imitate."""
    return stage.with_parts(
        replace(stage.part("R9"), name="RX", between=("output grid", "x"), value=20e3),
        replace(stage.part("C6"), name="CX", between=("x", "ground"), value=47e-9),
    )


def test_a_part_that_only_loads_the_drive_node_cannot_be_seen():
    stage = wrenfield()
    with pytest.raises(UnseenPart, match="C6"):
        estimate_part([made_sweep(stage, stage)], "C6", nominal_farad=220e-12, tolerance=TEN)


def test_two_points_are_too_few():
    stage = wrenfield()
    sweep = made_sweep(stage, stage, frequencies_hz=np.array([10.0, 100.0]))
    with pytest.raises(EstimateError, match="usable points: 2"):
        estimate_part([sweep], "C7", nominal_farad=22e-9, tolerance=TEN)


def test_joint_sweeps_share_their_neighbours_and_know_more_than_one():
    stage = wrenfield()
    loose = stage.replace_part(replace(stage.part("R12"), measured=None))
    known = replace(stage.part("R12"), name="companion", value=100e3, tolerance=TIGHT, measured=None)
    helped = loose.with_parts(known)
    alone = made_sweep(loose, loose, seed=1)
    both = estimate_part(
        [alone, made_sweep(helped, helped, seed=2)], "C7", nominal_farad=22e-9, tolerance=TEN
    )
    lone = estimate_part([alone], "C7", nominal_farad=22e-9, tolerance=TEN)
    u_both, u_lone = (e.capacitance.standard_uncertainty / e.capacitance.value for e in (both, lone))
    assert u_lone > 0.1
    assert u_both < 0.01
    assert exp(log(both.capacitance.value)) == pytest.approx(22e-9, abs=4 * u_both * 22e-9)


def test_evidence_needs_proper_priors():
    stage = series()
    sweep, _ = drawn(stage, free_of(stage), 154 * np.geomspace(0.1, 10, 8), np.random.default_rng(5))
    improper = Model([sweep], free_of(stage))
    assert improper.sigma[0] == inf
    assert maximise(improper, [improper.mean]).log_evidence is None
