"""Sine fit against numpy's general least squares and the published variance formulas."""

import numpy as np
import pytest

from twonode.analysis.sinefit import common_frequency, distinct_phases, fit_sines, fit_sines_beside

INTERVAL_S = 1e-3


def made(n, *, hz, amplitude=1.0, phase=0.3, offset=0.0, noise=0.0, seed=0):
    t = np.arange(n) * INTERVAL_S
    noise_v = noise * np.random.default_rng(seed).standard_normal(n)
    return amplitude * np.cos(2 * np.pi * hz * t + phase) + offset + noise_v


def lstsq(traces, hz):
    """IEEE Std 1057 three-parameter fit by numpy's general solver."""
    t = np.arange(traces.shape[1]) * INTERVAL_S
    design = np.stack([np.cos(2 * np.pi * hz * t), np.sin(2 * np.pi * hz * t), np.ones(t.size)], axis=1)
    (a, b, c), rest, *_ = np.linalg.lstsq(design, traces.T, rcond=None)
    covariance = np.linalg.inv(design.T @ design)
    return a - 1j * b, c, np.sqrt(rest / (t.size - 3)), covariance


@pytest.mark.parametrize("n", [9, 100, 2048, 5000, 12_345])
@pytest.mark.parametrize("hz", [3.3, 71.3, 249.9, 499.0])
def test_known_frequency_fit_agrees_with_numpy_lstsq(n, hz):
    traces = np.stack(
        [made(n, hz=hz, noise=0.1, offset=0.4), made(n, hz=hz, amplitude=0.2, noise=0.1, seed=1)]
    )
    phasor, offset, rms, covariance = lstsq(traces, hz)
    fits = fit_sines(traces, INTERVAL_S, hz)
    # Few samples of a slow sine make an ill-conditioned problem; its digits are lost in both.
    allowed = 1e-10 * max(1.0, np.linalg.cond(covariance) * 1e-3)
    assert np.abs(fits.phasor - phasor).max() < allowed
    assert np.abs(fits.offset - offset).max() < allowed
    assert fits.residual_rms == pytest.approx(rms, rel=1e-6)
    assert fits.unscaled_covariance[0, 0] == pytest.approx(covariance[0, 0], rel=1e-6)
    assert fits.unscaled_covariance[0, 1] == pytest.approx(-covariance[0, 1], rel=1e-6, abs=1e-12)


def test_spread_of_amplitude_and_phase_matches_the_published_bound():
    # references: Haendel, IEEE TIM 49(6) 2000, doi 10.1109/19.893254: var A = 2 s^2/N, var phi = 2 s^2/(N A^2).
    n, sigma, hz = 1000, 0.01, 10.0
    rng = np.random.default_rng(5)
    clean = made(n, hz=hz)
    phasors = fit_sines(clean + sigma * rng.standard_normal((4000, n)), INTERVAL_S, hz).phasor
    assert np.abs(phasors).std() == pytest.approx(4.472e-4, rel=0.04)
    assert np.angle(phasors).std() == pytest.approx(4.472e-4, rel=0.04)


def test_common_frequency_of_two_channels_matches_the_exact_fisher_bound():
    # references: Haendel, IEEE TIM 2008, doi 10.1109/TIM.2008.923782; exact var w = 1.9136e-12 (rad/sample)^2 for
    # A = 1 and 0.5, sigma = 0.01, N = 1000, 0.0713 cycle a sample.
    n, sigma, hz = 1000, 0.01, 71.3
    rng = np.random.default_rng(6)
    clean = np.stack([made(n, hz=hz, phase=0.3), made(n, hz=hz, amplitude=0.5, phase=1.2)])
    found, stated = [], []
    for _ in range(600):
        hz_found, spread = common_frequency(
            clean + sigma * rng.standard_normal(clean.shape), INTERVAL_S, hz + 0.05
        )
        found.append(2 * np.pi * hz_found * INTERVAL_S)
        stated.append(2 * np.pi * spread * INTERVAL_S)
    assert np.mean(found) == pytest.approx(2 * np.pi * 0.0713, abs=4 * 1.3834e-6 / 600**0.5)
    assert np.std(found) == pytest.approx(1.3834e-6, rel=0.1)
    assert np.mean(stated) == pytest.approx(1.3834e-6, rel=0.03)


def test_a_frequency_far_from_the_record_is_refused():
    with pytest.raises(ValueError, match="no frequency near"):
        common_frequency(np.stack([made(1000, hz=71.3)]), INTERVAL_S, 60.0)


def test_hum_and_drift_fitted_beside_the_sine_leave_it_alone():
    n, hz = 3000, 31.7
    t = np.arange(n) * INTERVAL_S
    clean = made(n, hz=hz)
    dirty = clean + 0.2 * np.cos(2 * np.pi * 50.02 * t + 1.0) + 0.05 * (t / t[-1]) ** 2
    beside = fit_sines_beside(
        dirty[None, :], INTERVAL_S, hz, beside_hz=[50.0], drifting_hz=[50.0], drift_order=2
    )
    alone = fit_sines(dirty[None, :], INTERVAL_S, hz)
    truth = np.exp(0.3j)
    assert abs(beside.phasor[0] - truth) < 2e-4
    assert abs(beside.phasor[0] - truth) < abs(alone.phasor[0] - truth) / 5
    assert np.hypot(*beside.extra[0, :2]) == pytest.approx(0.2, rel=0.02)


def test_quantisation_noise_of_an_8_bit_converter_is_its_step_over_root_twelve():
    # references: residual 2.2457e-3 rms against q/sqrt(12) = 2.2553e-3 for 8 bit, span 2, amplitude 0.999.
    step = 2.0 / 256
    n = 100_003
    v = 0.999 * np.cos(2 * np.pi * 0.1234567 * np.arange(n))
    fits = fit_sines((np.round(v / step) * step)[None, :], 1.0, 0.1234567)
    assert fits.residual_rms[0] == pytest.approx(step / np.sqrt(12), rel=0.01)


def test_whole_samples_per_cycle_leave_few_distinct_phases():
    assert distinct_phases(1000, 1.0, 1 / 8) == 8
    assert distinct_phases(1000, 1.0, 4.618 / 1000) == 1000


@pytest.mark.parametrize(
    ("traces", "hz", "message"),
    [
        (np.zeros((1, 3)), 10.0, "n >= 4"),
        (np.zeros((1, 100)), 500.0, "half the sample rate"),
        (np.zeros((1, 100)), -1.0, "half the sample rate"),
        (np.full((1, 100), np.nan), 10.0, "finite"),
    ],
)
def test_what_cannot_be_fitted_is_refused(traces, hz, message):
    with pytest.raises(ValueError, match=message):
        fit_sines(traces, INTERVAL_S, hz)
