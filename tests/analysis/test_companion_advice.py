"""Which companion is advised: against sweeps that were really simulated with it, and what the budget makes of it."""

from dataclasses import replace
from math import log, sqrt

import numpy as np
import pytest
from made_sweeps import made_estimate, made_sweep, true_stage, wrenfield
from network_stages import FIVE_STAGES

from twonode.analysis.budget import best_action, budget
from twonode.analysis.companion import (
    Across,
    companion_name,
    companion_part,
    companions_of,
    shifted_ohm,
    with_companion,
)
from twonode.analysis.companion_advice import (
    BOX_OHM,
    BOX_TOLERANCE,
    CompanionAdvice,
    best_companion,
    expected_sigmas,
)
from twonode.analysis.estimate import estimate_part
from twonode.analysis.findings import FindingState
from twonode.analysis.hypotheses import ordinary_frees, ordinary_model, scan_starts
from twonode.analysis.model import Aspect, Model, Sweep
from twonode.analysis.posterior import maximise
from twonode.analysis.quantities import Measured, Tolerance
from twonode.analysis.stage import PartKind

TEN = Tolerance(minus=0.1, plus=0.1)
FREQUENCIES_HZ = np.geomspace(2.0, 300.0, 10)
TRIED_OHM = (6.8e3, 22e3, 82e3, 330e3, 1e6)


def loose_stage():
    return wrenfield(read_beforehand=False)


def clipped(stage, ohm):
    part = companion_part(
        stage, "C7", kind=PartKind.RESISTOR, value=ohm, tolerance=BOX_TOLERANCE, across=Across.FAR
    )
    return with_companion(stage, part)


def fitted(sweeps, part="C7", farad=22e-9):
    stage = next(s.stage for s in sweeps if s.stage is not None)
    model = ordinary_model(sweeps, stage.part(part), farad)
    return maximise(model, scan_starts(model))


def second_frequencies(ohm):
    """Where a person would sweep with the companion: moved with the corner."""
    return FREQUENCIES_HZ * (1.0 + 449e3 / ohm)


def test_the_box_is_e12_from_1_kohm_to_1_mohm():
    assert len(BOX_OHM) == 37
    assert (BOX_OHM[0], BOX_OHM[-1]) == (1000, 1_000_000)
    assert 4700 in BOX_OHM
    assert 820_000 in BOX_OHM


@pytest.mark.parametrize("ohm", [6800, 47_000, 330_000])
def test_the_forecast_is_what_the_sweep_then_gives(ohm):
    stage = loose_stage()
    first = made_sweep(stage, true_stage(), seed=3, frequencies_hz=FREQUENCIES_HZ, noise=1e-3)
    expected = expected_sigmas(fitted([first]), [first], "C7", 0)[ohm]
    helped = made_sweep(
        clipped(stage, ohm),
        clipped(true_stage(), ohm),
        seed=4,
        frequencies_hz=second_frequencies(ohm),
        noise=1e-3,
    )
    assert fitted([first, helped]).standard_uncertainty(0) == pytest.approx(expected, rel=0.12)


def test_no_tried_companion_is_much_better_than_the_advised_one():
    # Brute force: everything drawn from its prior, the sweep with every companion really simulated and fitted. The
    # same draws serve all values, so that chance moves them together.
    stage = loose_stage()
    free = ordinary_frees(stage.part("C7"), 22e-9, value_sigma=0.06)
    blank = made_sweep(stage, stage, frequencies_hz=FREQUENCIES_HZ)
    first = made_sweep(stage, true_stage(), seed=3, frequencies_hz=FREQUENCIES_HZ, noise=2e-3)
    advised = best_companion(fitted([first]), [first], "C7", 0)
    errors: dict[float, list[float]] = {}
    for ohm in (*TRIED_OHM, advised.value):
        helped = clipped(stage, ohm)
        second = made_sweep(helped, helped, frequencies_hz=second_frequencies(ohm))
        model = Model([blank, second], free)
        start = model.mean.copy()
        for seed in range(100):
            # One stream a parameter: order and number of the others do not matter.
            chance = [
                np.random.default_rng([seed, sum(map(ord, f"{p.owner.partition(' ')[0]}{p.aspect}"))])
                for p in model.parameters
            ]
            truth = model.mean + model.sigma * np.array([c.standard_normal() for c in chance])
            rng = np.random.default_rng(seed)
            found = model.evaluate(truth).ratio
            sweeps = [_noisy(s, r, 2e-3, rng) for s, r in zip(model.sweeps, found, strict=True)]
            fit = maximise(ordinary_model(sweeps, stage.part("C7"), 22e-9), [start])
            errors.setdefault(ohm, []).append(fit.theta[0] - truth[0])
    observed = {ohm: sqrt(np.mean(np.square(e))) for ohm, e in errors.items()}
    assert observed[advised.value] <= 1.1 * min(observed.values()), observed
    # The choice matters: the worst of the tried ones is clearly worse.
    assert max(observed.values()) > 1.3 * observed[advised.value]


def _noisy(sweep: Sweep, ratio, noise, rng):
    spread = noise * np.abs(ratio)
    noisy = ratio + spread * (rng.standard_normal(ratio.size) + 1j * rng.standard_normal(ratio.size))
    points = tuple(
        replace(p, ratio=complex(r), ratio_cov=(s**2, 0.0, s**2))
        for p, r, s in zip(sweep.points, noisy, spread, strict=True)
    )
    return replace(sweep, points=points)


def test_of_equally_good_companions_the_highest_is_taken():
    stage = loose_stage()
    first = made_sweep(stage, true_stage(), seed=3, frequencies_hz=FREQUENCIES_HZ)
    posterior = fitted([first])
    found = expected_sigmas(posterior, [first], "C7", 0)
    advice = best_companion(posterior, [first], "C7", 0)
    assert advice.expected_sigma == found[advice.value]
    assert advice.expected_sigma <= 1.05 * min(found.values())
    assert all(s > 1.05 * min(found.values()) for ohm, s in found.items() if ohm > advice.value)


def test_only_values_that_would_be_accepted_are_advised():
    stage = loose_stage()
    first = made_sweep(stage, true_stage(), frequencies_hz=FREQUENCIES_HZ)
    found = expected_sigmas(fitted([first]), [first], "C7", 0)
    ohm, _ = shifted_ohm(stage, "C7", Across.FAR)
    assert 1000 not in found
    assert min(found) == min(v for v in BOX_OHM if v >= 0.01 * ohm)
    assert best_companion(fitted([first]), [first], "C7", 0, box_ohm=(10.0, 100.0)) is None


@pytest.mark.parametrize("place", [2, 4])
def test_larger_stages_get_advice_too(place):
    stage = FIVE_STAGES[place]
    sweep = made_sweep(stage, stage, frequencies_hz=np.geomspace(30, 30e3, 16))
    posterior = fitted([sweep], "C1", stage.part("C1").value)
    advice = best_companion(posterior, [sweep], "C1", 0)
    assert 0 < advice.expected_sigma < posterior.standard_uncertainty(0)


def test_a_null_run_alone_and_a_companion_already_clipped_on_are_no_obstacle():
    stage = loose_stage()
    first = made_sweep(stage, true_stage(), seed=1, frequencies_hz=FREQUENCIES_HZ)
    helped = made_sweep(clipped(stage, 100e3), clipped(true_stage(), 100e3), seed=2)
    null = replace(first, stage=None, points=tuple(replace(p, ratio=1 + 0j) for p in first.points))
    posterior = fitted([helped, first])
    advice = best_companion(posterior, [null, helped, first], "C7", 0)
    assert advice.expected_sigma < posterior.standard_uncertainty(0)
    assert best_companion(posterior, [null], "C7", 0) is None


def test_where_only_a_companion_sweep_was_taken_the_one_without_is_what_is_missing():
    stage = loose_stage()
    helped = made_sweep(
        clipped(stage, 100e3),
        clipped(true_stage(), 100e3),
        seed=2,
        noise=1e-3,
        frequencies_hz=second_frequencies(100e3),
    )
    posterior = fitted([helped])
    advice = best_companion(posterior, [helped], "C7", 0)
    assert advice.value is None
    assert "take the companion off" in advice.words("C7")
    plain = made_sweep(stage, true_stage(), seed=3, noise=1e-3, frequencies_hz=FREQUENCIES_HZ)
    both = fitted([helped, plain])
    assert both.standard_uncertainty(0) == pytest.approx(advice.expected_sigma, rel=0.12)


def test_the_advice_is_in_plain_words_with_the_value_as_on_a_schematic():
    advice = CompanionAdvice(value=4700, across=Across.FAR, expected_sigma=0.001)
    assert advice.words("C7") == "clip a companion of 4k7 0.1 % across the far node and sweep again"
    beside = CompanionAdvice(value=1_000_000, across=Across.PART, expected_sigma=0.001)
    assert beside.words("C7") == "clip a companion of 1M 0.1 % across C7 and sweep again"


def test_the_budget_proposes_the_companion_for_the_loose_neighbour_and_still_adds_up():
    first = made_sweep(loose_stage(), true_stage(), frequencies_hz=FREQUENCIES_HZ)
    posterior = fitted([first])
    lines = budget(posterior, 0)
    assert sum(line.share for line in lines) == pytest.approx(1.0, abs=1e-6)
    (r12,) = [line for line in lines if line.source == "R12"]
    advice = best_companion(posterior, [first], "C7", 0)
    assert r12.action == advice.words("C7")
    assert r12.expected_sigma == advice.expected_sigma
    assert best_action(lines) == r12


def test_a_meter_is_advised_where_no_resistor_of_the_box_suits():
    # 8 ohm at the far node: 1 kohm beside it is more than a hundred times too high.
    stage = loose_stage()
    stage = stage.replace_part(replace(stage.part("R12"), value=8.0))
    stage = stage.replace_part(replace(stage.part("C7"), value=22e-6))
    first = made_sweep(stage, stage, frequencies_hz=np.geomspace(100, 10e3, 10))
    posterior = fitted([first], farad=22e-6)
    (r12,) = [line for line in budget(posterior, 0) if line.source == "R12"]
    assert r12.action.startswith("measure R12 with a meter, the set unplugged")
    assert r12.expected_sigma < 0.2 * posterior.standard_uncertainty(0)


def test_the_best_action_is_the_one_with_the_smallest_promised_uncertainty():
    lines = budget(fitted([made_sweep(loose_stage(), true_stage())]), 0)
    promised = [line.expected_sigma for line in lines if line.expected_sigma is not None]
    assert best_action(lines).expected_sigma == min(promised)
    assert best_action(()) is None


def test_an_undecided_finding_names_the_companion():
    estimate = made_estimate(true_stage(value=22.5e-9), stage=loose_stage())
    assert estimate.finding.state is FindingState.UNDECIDED
    assert "clip a companion of" in estimate.finding.action
    assert estimate.expected_relative < 0.01


def test_a_reading_of_the_neighbour_leaves_no_companion_to_propose():
    stage = loose_stage()
    read = stage.replace_part(replace(stage.part("R12"), measured=Measured(value=481e3, half_width=100.0)))
    first = made_sweep(read, true_stage(), frequencies_hz=FREQUENCIES_HZ)
    assert not any("companion" in line.action for line in budget(fitted([first]), 0))


def test_after_the_companion_its_own_line_asks_for_a_better_reading_of_it():
    stage = loose_stage()
    sweeps = [
        made_sweep(stage, true_stage(), seed=1, frequencies_hz=FREQUENCIES_HZ, noise=2e-4),
        made_sweep(
            clipped(stage, 100e3),
            clipped(true_stage(), 100e3),
            seed=2,
            frequencies_hz=second_frequencies(100e3),
            noise=2e-4,
        ),
    ]
    posterior = fitted(sweeps)
    lines = budget(posterior, 0)
    assert sum(line.share for line in lines) == pytest.approx(1.0, abs=1e-6)
    assert lines[0].source == "companion 100 kΩ"
    assert "bench meter" in lines[0].action
    assert lines[0].expected_sigma < posterior.standard_uncertainty(0)


def test_two_companions_are_two_parameters_of_the_joint_estimate():
    stage = loose_stage()
    sweeps = [
        made_sweep(clipped(stage, ohm), clipped(true_stage(), ohm), seed=seed)
        for seed, ohm in enumerate((100e3, 22e3))
    ]
    estimate = estimate_part(sweeps, "C7", nominal_farad=22e-9, tolerance=TEN)
    names = {companion_name(ohm, PartKind.RESISTOR) for ohm in (100e3, 22e3)}
    assert names <= set(estimate.others)
    for ohm in (100e3, 22e3):
        name = companion_name(ohm, PartKind.RESISTOR)
        place = estimate.posterior.model.index(name, Aspect.VALUE)
        assert estimate.posterior.model.mean[place] == pytest.approx(log(ohm))
    found = estimate.capacitance
    assert found.standard_uncertainty / found.value < 0.01
    assert abs(found.value - 22e-9) < 4 * found.standard_uncertainty
    assert [len(companions_of(s.stage)) for s in estimate.posterior.model.sweeps] == [1, 1]
