"""The frequency in a saved trace, and the converter's steps behind its volts."""

import numpy as np
import pytest

from twonode.analysis.found_trace import NoFrequency, codes_of, find_frequency, find_step


def _volts(hz, *, samples, interval_s, size=1.0, phase=0.0, step=0.02, noise=0.0, offset=0.0, seed=1):
    t = np.arange(samples) * interval_s
    clean = size * np.sin(2 * np.pi * hz * t + phase) + offset
    clean = clean + noise * np.random.default_rng(seed).normal(size=samples)
    return np.round(clean / step) * step if step else clean


@pytest.mark.parametrize("cycles", [1.3, 2.5, 4.0, 7.77, 31.3, 150.0])
@pytest.mark.parametrize("phase", [0.0, 1.9])
def test_the_frequency_is_found_within_what_noise_allows(cycles, phase):
    samples, interval_s = 2000, 1e-5
    hz = cycles / (samples * interval_s)
    pair = [
        _volts(hz, samples=samples, interval_s=interval_s, phase=phase + p, size=a, noise=0.01, seed=s)
        for p, a, s in ((0.0, 1.0, 1), (0.7, 0.3, 2))
    ]
    found = find_frequency(*pair, interval_s)
    # Rife and Boorstyn (1974), bound for one sine in white noise: var f = 6 / (4 pi^2 dt^2 snr n^3), snr = A^2/(2 s^2).
    snr = 1.0 / (2 * (0.01**2 + 0.02**2 / 12))
    bound = np.sqrt(6.0 / (4 * np.pi**2 * interval_s**2 * snr * float(samples) ** 3))
    # Below a few cycles the bound is out of reach: offset and sine are then alike.
    assert found == pytest.approx(hz, abs=6 * bound * (1.0 if cycles > 3 else 20.0))


def test_hum_and_an_offset_do_not_take_the_place_of_the_signal():
    t = np.arange(4000) * 1e-5
    drive = _volts(1234.5, samples=4000, interval_s=1e-5, offset=0.4) + 0.3 * np.sin(2 * np.pi * 50 * t)
    far = _volts(1234.5, samples=4000, interval_s=1e-5, size=0.02, step=0.001, seed=3)
    assert find_frequency(drive, far, 1e-5) == pytest.approx(1234.5, rel=1e-4)


@pytest.mark.parametrize(
    ("hz", "said"),
    [(8.0, "less than a period"), (47_000.0, "samples a cycle")],
)
def test_less_than_a_period_and_too_few_samples_are_refused(hz, said):
    pair = [_volts(hz, samples=1000, interval_s=1e-5, size=a) for a in (1.0, 0.5)]
    with pytest.raises(NoFrequency, match=said):
        find_frequency(*pair, 1e-5)


@pytest.mark.parametrize("digits", [3, 4, 6, 17])
@pytest.mark.parametrize("step", [0.02, 0.003125, 1 / 3])
def test_the_step_is_found_in_volts_rounded_for_the_file(step, digits):
    volts = _volts(313.0, samples=3000, interval_s=1e-5, size=100 * step, step=step, noise=0.3 * step)
    written = np.array([float(f"{v:.{digits}g}") for v in volts])
    found = find_step(written)
    # With three digits a value of 100 steps is rounded by a sixth of a step and more: either is right, a wrong one not.
    if digits > 3:
        assert found is not None
    assert found is None or found == pytest.approx(step, rel=1e-3)


def test_a_trace_without_steps_has_none_and_keeps_its_volts():
    volts = _volts(313.0, samples=3000, interval_s=1e-5, step=0, noise=0.01)
    assert find_step(volts) is None
    assert codes_of(volts).volts() == pytest.approx(volts, abs=np.ptp(volts) / 90_000)


def test_codes_give_back_the_volts_of_the_file():
    volts = _volts(313.0, samples=3000, interval_s=1e-5, size=1.1, offset=-3.0, step=0.025)
    codes = codes_of(volts)
    assert codes.volts_per_code == pytest.approx(0.025, rel=1e-9)
    assert codes.volts() == pytest.approx(volts, abs=1e-9)
    assert np.ptp(codes.codes) == round(np.ptp(volts) / 0.025)
    assert not codes.clipped


def test_a_square_topped_trace_counts_as_clipped():
    volts = np.clip(_volts(313.0, samples=3000, interval_s=1e-5, size=2.0, step=0.01), -2.5, 1.0)
    assert codes_of(volts).clipped
    assert not codes_of(_volts(313.0, samples=3000, interval_s=1e-5, size=0.05, step=0.01)).clipped
