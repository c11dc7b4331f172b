"""From the two traces of one point to a complex ratio with its covariance, and whether the point may be used.

Owns the fit, whose terms beside the sine `beside` chooses, the propagation to far / drive, the floor that
quantisation sets, and the checks a record must pass. Does not know ranges that could have been chosen instead,
circuits or instruments. A change by which the same codes give another ratio raises `ratio_again.RATIO_READING`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import j1

from twonode.analysis.beside import terms_beside
from twonode.analysis.sinefit import (
    SineFits,
    common_frequency,
    cycles_in,
    distinct_phases,
    fit_sines,
    fit_sines_beside,
)
from twonode.analysis.traces import ChannelCodes, TracePair

__all__ = ["MINIMUM_CYCLES", "PointReading", "RatioPoint", "Refusal", "read_point"]

Real = NDArray[np.float64]

MINIMUM_CYCLES = 4.0
CYCLES_SLACK = 0.01
"""Of them: a record of four whole cycles whose frequency had to be found in it comes out a little short or long."""
MINIMUM_SAMPLES_PER_CYCLE = 10.0
HARMONIC_LIMIT = 0.01
"""Second and third harmonic in the record, as a share of the sine: 1 % (class of hobby generators, references)."""
HUM_LIMIT = 1.0
"""Line-frequency content of a channel as a multiple of its sine, above which the fit is no longer trusted."""
UNSETTLED_SIGMA = 5.0
OUTLIER_SIGMA = 9.0


class Refusal(Enum):
    """Why a record is not used; the value is the word on screen and in files."""

    CLIPPED = "clipped"
    SMALL = "small signal"
    UNSETTLED = "not settled"
    HARMONICS = "harmonics"
    HUM = "hum"
    DISTURBED = "disturbed"
    FEW_CYCLES = "too few cycles"
    ALIASED = "too few samples per cycle"


@dataclass(frozen=True, slots=True, kw_only=True)
class RatioPoint:
    """One frequency step: far over drive voltage as a complex ratio.

    frequency_hz : as read back from the generator, not as requested.
    ratio : V/V; a negative angle means the far node lags.
    ratio_cov : (var Re, cov Re Im, var Im), (V/V)**2, standard (k = 1).
    quantisation_share : part of that variance which rounding alone explains, 0 to 1.
    drive_volts_per_div, far_volts_per_div : the ranges, V/div at the probe tips; each has its own gain error.
    magnitude_only : nobody read a phase. Then the ratio is its size, a real number, and only var Re means something.
    """

    frequency_hz: float
    ratio: complex
    ratio_cov: tuple[float, float, float]
    quantisation_share: float
    drive_volts_per_div: float
    far_volts_per_div: float
    magnitude_only: bool = False

    def __post_init__(self) -> None:
        if not self.frequency_hz > 0:  # written so that NaN fails too
            raise ValueError(f"frequency_hz: need > 0 Hz, got {self.frequency_hz}")
        re, both, im = self.ratio_cov
        if not (re > 0 and im > 0 and re * im - both * both > 0):
            raise ValueError(f"ratio_cov: need a positive definite covariance, got {self.ratio_cov}")
        if self.magnitude_only and not (self.ratio.imag == 0 and self.ratio.real >= 0 and both == 0):
            raise ValueError(
                f"magnitude_only: need a size, which is real and not below zero, got {self.ratio}"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class PointReading:
    """A ratio with what the record said about itself.

    point : the ratio, None where no sine could be fitted.
    drive_vpp, far_vpp : fitted peak-to-peak volts.
    drive_dc_v, far_dc_v : mean of the trace, V.
    drive_hum_v, far_hum_v : peak volts at line frequency where the record can tell, else 0.
    drive_fill_div, far_fill_div : fitted peak-to-peak in divisions.
    drive_residual_lsb, far_residual_lsb : rms residual in codes.
    refusals : reasons, with a sentence each; empty where the point may be used.
    """

    point: RatioPoint | None
    drive_vpp: float
    far_vpp: float
    drive_dc_v: float
    far_dc_v: float
    drive_hum_v: float
    far_hum_v: float
    drive_fill_div: float
    far_fill_div: float
    drive_residual_lsb: float
    far_residual_lsb: float
    cycles: float
    refusals: tuple[tuple[Refusal, str], ...]


def read_point(pair: TracePair, frequency_hz: float, *, line_hz: float | None = None) -> PointReading:
    """Turn one record of both channels into a ratio and check it.

    Parameters
    ----------
    pair : codes of both channels.
    frequency_hz : the generator's read-back frequency, Hz.
    line_hz : line frequency whose first three harmonics are fitted beside the sine, or None.

    Returns
    -------
    PointReading. A refused record still carries its ratio where one could be worked out.
    """
    channels = (pair.drive, pair.far)
    interval_s = pair.sample_interval_s
    cycles = cycles_in(pair.samples, interval_s, frequency_hz)
    refusals: list[tuple[Refusal, str]] = []
    for name, channel in zip(("1", "2"), channels, strict=True):
        if channel.clipped:
            refusals.append((Refusal.CLIPPED, f"channel {name} reaches the end of its range"))
    if cycles < MINIMUM_CYCLES * (1 - CYCLES_SLACK):
        refusals.append((Refusal.FEW_CYCLES, f"{cycles:.2f} cycles in the record, {MINIMUM_CYCLES:g} needed"))
    per_cycle = 1.0 / (frequency_hz * interval_s)
    if per_cycle < MINIMUM_SAMPLES_PER_CYCLE:
        refusals.append(
            (Refusal.ALIASED, f"{per_cycle:.1f} samples a cycle, {MINIMUM_SAMPLES_PER_CYCLE:g} needed")
        )
    codes = np.stack([channel.codes for channel in channels]).astype(np.float64)
    if cycles < 1.0 or per_cycle < 2.5:
        return _without_ratio(channels, codes, cycles, refusals)
    fits, hum = _fit(codes, interval_s, frequency_hz, line_hz)
    amplitude = np.abs(fits.phasor)
    stairs = _stairs(fits)
    refusals += _doubts(fits, hum, stairs, interval_s)
    point = _ratio(pair, fits, stairs, frequency_hz) if amplitude[0] > 0 else None
    step = np.array([abs(channel.volts_per_code) for channel in channels])
    return PointReading(
        point=point,
        drive_vpp=float(2 * amplitude[0] * step[0]),
        far_vpp=float(2 * amplitude[1] * step[1]),
        # The mean, not the fitted offset: in a short record that one is nearly the same as a slow hum.
        drive_dc_v=_offset_v(pair.drive, float(codes[0].mean())),
        far_dc_v=_offset_v(pair.far, float(codes[1].mean())),
        drive_hum_v=float(hum[0] * step[0]),
        far_hum_v=float(hum[1] * step[1]),
        drive_fill_div=float(2 * amplitude[0] * step[0] / pair.drive.volts_per_div),
        far_fill_div=float(2 * amplitude[1] * step[1] / pair.far.volts_per_div),
        drive_residual_lsb=float(fits.residual_rms[0]),
        far_residual_lsb=float(fits.residual_rms[1]),
        cycles=cycles,
        refusals=tuple(refusals),
    )


def _offset_v(channel: ChannelCodes, code: float) -> float:
    return float(code * channel.volts_per_code + channel.volts_at_code_zero)


def _without_ratio(
    channels: tuple[ChannelCodes, ChannelCodes],
    codes: Real,
    cycles: float,
    refusals: list[tuple[Refusal, str]],
) -> PointReading:
    swing = [float(np.ptp(row) * abs(c.volts_per_code)) for row, c in zip(codes, channels, strict=True)]
    return PointReading(
        point=None,
        drive_vpp=swing[0],
        far_vpp=swing[1],
        drive_dc_v=_offset_v(channels[0], float(codes[0].mean())),
        far_dc_v=_offset_v(channels[1], float(codes[1].mean())),
        drive_hum_v=0.0,
        far_hum_v=0.0,
        drive_fill_div=swing[0] / channels[0].volts_per_div,
        far_fill_div=swing[1] / channels[1].volts_per_div,
        drive_residual_lsb=0.0,
        far_residual_lsb=0.0,
        cycles=cycles,
        refusals=tuple(refusals),
    )


def _fit(codes: Real, interval_s: float, frequency_hz: float, line_hz: float | None) -> tuple[SineFits, Real]:
    """Fit with hum or drift beside the sine, at a refined frequency where the record calls for one.

    Returns the fits and each channel's line-frequency amplitude, in codes.
    """
    fits = _fit_beside(codes, interval_s, frequency_hz, line_hz)
    advance, spread = _phase_advance(fits, interval_s)
    if abs(advance) > max(UNSETTLED_SIGMA * spread, 2e-3):
        try:
            refined_hz, _ = common_frequency(codes, interval_s, frequency_hz)
        except ValueError:
            refined_hz = frequency_hz
        if abs(refined_hz - frequency_hz) < 0.02 * frequency_hz:
            fits = _fit_beside(codes, interval_s, refined_hz, line_hz)
    hum = np.zeros(2)
    held = codes.shape[1] * interval_s * (line_hz or 0.0)
    if held >= 1.0 and line_hz in terms_beside(codes.shape[1], interval_s, frequency_hz, line_hz).sines_hz:
        hum = np.hypot(fits.extra[:, 0], fits.extra[:, 1])
    return fits, hum


def _fit_beside(codes: Real, interval_s: float, frequency_hz: float, line_hz: float | None) -> SineFits:
    terms = terms_beside(codes.shape[1], interval_s, frequency_hz, line_hz)
    return fit_sines_beside(
        codes,
        interval_s,
        frequency_hz,
        beside_hz=terms.sines_hz,
        drifting_hz=terms.drifting_hz,
        drift_order=terms.drift_order,
    )


def _noise_codes(fits: SineFits) -> Real:
    """Noise of each channel, codes rms, never less than rounding's own."""
    return np.maximum(fits.residual_rms, 1.0 / sqrt(12.0))


def _halves(fits: SineFits, interval_s: float) -> tuple[NDArray[np.complex128], Real]:
    """Change of each channel's phasor from the first to the second half, and its standard uncertainty, codes."""
    if fits.residual is None:
        raise ValueError("the halves of a record are compared by their residual")
    middle = fits.residual.shape[1] // 2
    first = fit_sines(fits.residual[:, :middle], interval_s, fits.frequency_hz)
    second = fit_sines(fits.residual[:, middle:], interval_s, fits.frequency_hz)
    turned = second.phasor * np.exp(-2j * pi * fits.frequency_hz * middle * interval_s)
    factor = np.trace(first.unscaled_covariance) + np.trace(second.unscaled_covariance)
    return turned - first.phasor, _noise_codes(fits) * sqrt(factor / 2.0)


def _phase_advance(fits: SineFits, interval_s: float) -> tuple[float, float]:
    """How far the drive channel's phase runs ahead of the assumed frequency, half to half, rad; and its spread."""
    change, spread = _halves(fits, interval_s)
    amplitude = abs(fits.phasor[0])
    if amplitude <= 0:
        return 0.0, 1.0
    return float((change[0] / fits.phasor[0]).imag), float(spread[0] / amplitude)


def _doubts(fits: SineFits, hum: Real, stairs: Real, interval_s: float) -> list[tuple[Refusal, str]]:
    doubts: list[tuple[Refusal, str]] = []
    assert fits.residual is not None
    amplitude = np.abs(fits.phasor)
    noise = _noise_codes(fits)
    change, spread = _halves(fits, interval_s)
    spread = np.hypot(spread, stairs)
    if amplitude[0] > 0:
        # A ratio does not care for a frequency that is off; only what the two channels do differently counts.
        shift = change[1] - fits.phasor[1] / fits.phasor[0] * change[0]
        allowed = sqrt(spread[1] ** 2 + (amplitude[1] / amplitude[0] * spread[0]) ** 2)
        if abs(shift) > UNSETTLED_SIGMA * allowed:
            share = abs(shift) / max(amplitude[1], 1e-9)
            doubts.append(
                (
                    Refusal.UNSETTLED,
                    f"the ratio moves by {100 * share:.2g} % from the first half to the second",
                )
            )
    samples = fits.residual.shape[1]
    for row, name in enumerate(("1", "2")):
        if hum[row] > HUM_LIMIT * amplitude[row] and hum[row] > 10.0:
            doubts.append((Refusal.HUM, f"channel {name} carries more hum than signal"))
        for order in (2, 3):
            hz = order * fits.frequency_hz
            if hz * interval_s > 0.45:
                continue
            level = abs(fit_sines(fits.residual[row], interval_s, hz).phasor[0])
            sure = level > 6.0 * noise[row] * sqrt(2.0 / samples)
            if sure and level > HARMONIC_LIMIT * amplitude[row] and level > 0.5:
                doubts.append(
                    (
                        Refusal.HARMONICS,
                        f"channel {name} holds {100 * level / max(amplitude[row], 1e-9):.2g} % of harmonic {order}",
                    )
                )
        spread_codes = 1.4826 * float(np.median(np.abs(fits.residual[row])))
        peak = float(np.abs(fits.residual[row]).max())
        if peak > OUTLIER_SIGMA * max(spread_codes, 1.0 / sqrt(12.0)) + 1.0:
            doubts.append((Refusal.DISTURBED, f"channel {name} holds a spike of {peak:.0f} codes"))
    return doubts


def _ratio(pair: TracePair, fits: SineFits, stairs: Real, frequency_hz: float) -> RatioPoint:
    samples = pair.samples
    noise = _noise_codes(fits)
    distinct = distinct_phases(samples, pair.sample_interval_s, frequency_hz)
    thinned = np.where(noise < 0.4, samples / distinct, 1.0)
    sign = np.array([np.sign(c.volts_per_code) for c in (pair.drive, pair.far)])
    total = [_channel_covariance(fits, i, noise[i] ** 2 * thinned[i], stairs[i]) for i in (0, 1)]
    rounding = [_channel_covariance(fits, i, thinned[i] / 12.0, stairs[i]) for i in (0, 1)]
    step = np.array([abs(pair.drive.volts_per_code), abs(pair.far.volts_per_code)])
    phasors = fits.phasor * step * sign
    ratio = complex(phasors[1] / phasors[0])
    covariance = _propagate(phasors[0], ratio, total[0] * step[0] ** 2, total[1] * step[1] ** 2)
    floor = _propagate(phasors[0], ratio, rounding[0] * step[0] ** 2, rounding[1] * step[1] ** 2)
    return RatioPoint(
        frequency_hz=frequency_hz,
        ratio=ratio,
        ratio_cov=(float(covariance[0, 0]), float(covariance[0, 1]), float(covariance[1, 1])),
        quantisation_share=float(min(1.0, np.trace(floor) / np.trace(covariance))),
        drive_volts_per_div=pair.drive.volts_per_div,
        far_volts_per_div=pair.far.volts_per_div,
    )


def _channel_covariance(fits: SineFits, row: int, variance: float, stairs: float) -> Real:
    """Covariance of one phasor in codes**2: white noise, plus what the converter's staircase does to the amplitude."""
    phasor = fits.phasor[row]
    amplitude = abs(phasor)
    covariance: Real = fits.unscaled_covariance * variance
    if amplitude == 0:
        return covariance
    along = np.array([phasor.real, phasor.imag]) / amplitude
    return covariance + stairs**2 * np.outer(along, along)


def _stairs(fits: SineFits) -> Real:
    """Standard uncertainty of each channel's amplitude from rounding to whole codes, codes.

    A staircase of unit steps changes the amplitude A of a sine (not its phase) by a Fourier series of which the
    first term is (2/pi) J1(2 pi A) cos(2 pi offset), its rms over offsets sqrt(2)/pi |J1|. Gaussian noise of n
    codes rms damps it by exp(-2 pi**2 n**2), another slow sine of B codes by J0(2 pi B), rms 0.225/sqrt(B).
    Derived from the Fourier series of the rounding error.
    """
    amplitude = np.abs(fits.phasor)
    rms = sqrt(2.0) / pi * np.abs(j1(2.0 * pi * amplitude))
    dither = np.maximum(fits.residual_rms**2 - 1.0 / 12.0, 0.0)
    beside = sqrt(2.0) * fits.beside_rms
    slow = np.minimum(1.0, 0.225 / np.sqrt(np.maximum(beside, 1e-6)))
    damped: Real = rms * slow * np.exp(-2.0 * pi**2 * dither)
    return damped


def _propagate(drive: complex, ratio: complex, drive_cov: Real, far_cov: Real) -> Real:
    """First-order covariance of far / drive (JCGM 102)."""
    turn = _as_matrix(ratio)
    scale = _as_matrix(1.0 / drive)
    propagated: Real = scale @ (far_cov + turn @ drive_cov @ turn.T) @ scale.T
    return propagated


def _as_matrix(z: complex) -> Real:
    return np.array([[z.real, -z.imag], [z.imag, z.real]])
