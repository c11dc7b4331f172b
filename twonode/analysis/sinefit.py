"""Sine fit: evenly sampled traces in, phasors out.

Owns the known-frequency least-squares fit, its exact covariance factors, the refinement of one frequency common to
both channels, and the variant with extra terms for hum and slow drift. Takes numpy arrays, returns frozen
dataclasses; knows nothing of ratios, codes or instruments.

Convention: v(t) = Re(phasor * exp(j*w*t)) + offset, t = 0 at the first sample, so phasor = a - j*b for
v = a*cos(wt) + b*sin(wt) + offset.

Source: IEEE Std 1057, three-parameter (known frequency) sine fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, pi, sin

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "SineFits",
    "common_frequency",
    "cycles_in",
    "distinct_phases",
    "fit_sines",
    "fit_sines_beside",
]

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

_BLOCK = 8192
WELL_CONDITIONED = 1e6


@dataclass(frozen=True, slots=True, kw_only=True)
class SineFits:
    """Fits of k traces with one frequency.

    frequency_hz : the frequency used.
    phasor : shape (k,), complex peak amplitude, unit of the traces; t = 0 at the first sample.
    offset : shape (k,), unit of the traces.
    residual_rms : shape (k,), root of the residual sum of squares over the degrees of freedom.
    unscaled_covariance : shape (2, 2), of (Re phasor, Im phasor) for unit noise variance; times residual_rms**2
        it is the covariance of a phasor.
    extra : shape (k, m), coefficients of the extra columns where there were any.
    beside_rms : shape (k,), rms about its mean of what the extra columns fitted.
    residual : shape (k, n) where the fit keeps it, else None.
    """

    frequency_hz: float
    phasor: Complex
    offset: Real
    residual_rms: Real
    unscaled_covariance: Real
    extra: Real
    beside_rms: Real
    residual: Real | None = None


def fit_sines(traces: Real, sample_interval_s: float, frequency_hz: float) -> SineFits:
    """Fit a sine of known frequency to every trace by linear least squares.

    The sums over the record factorise into blocks (a block's phasors are one block's, turned), and the normal
    matrix has a closed form, so the cost is one small matrix product over the samples.

    Parameters
    ----------
    traces : shape (k, n), any unit.
    sample_interval_s : s.
    frequency_hz : Hz, taken as exact.

    Raises
    ------
    ValueError : n < 4, a frequency at or above half the sample rate, or values that are not finite.

    Source: IEEE Std 1057, three-parameter fit.
    """
    samples = _checked(traces, sample_interval_s, frequency_hz)
    k, n = samples.shape
    turn = 2.0 * pi * frequency_hz * sample_interval_s
    sums = _project(samples, turn)
    right = np.stack([sums[:, 0].real, -sums[:, 0].imag, sums[:, 1].real], axis=1)
    normal = _normal_matrix(n, turn)
    inverse: Real = np.asarray(np.linalg.inv(normal), dtype=np.float64)
    # One step of iterative refinement: the inverse alone would cost digits on records of few cycles.
    found = right @ inverse
    found += (right - found @ normal) @ inverse
    energy = np.array([np.dot(trace, trace) for trace in samples])
    rest = np.maximum(energy - np.einsum("ki,ki->k", found, right), 0.0)
    return SineFits(
        frequency_hz=frequency_hz,
        phasor=found[:, 0] - 1j * found[:, 1],
        offset=found[:, 2],
        residual_rms=np.sqrt(rest / (n - 3)),
        unscaled_covariance=_phasor_covariance(inverse),
        extra=np.zeros((k, 0)),
        beside_rms=np.zeros(k),
    )


def fit_sines_beside(
    traces: Real,
    sample_interval_s: float,
    frequency_hz: float,
    *,
    beside_hz: Sequence[float] = (),
    drifting_hz: Sequence[float] = (),
    drift_order: int = 0,
) -> SineFits:
    """The same fit with further terms beside the sine, so that they do not leak into it.

    Parameters
    ----------
    beside_hz : further sines (hum and its harmonics), Hz. Each adds cos and sin columns.
    drifting_hz : of those, sines whose frequency is not quite known: each adds t*cos and t*sin columns.
    drift_order : order of a polynomial in time (0 leaves only the offset).

    Returns
    -------
    SineFits with its residual; `extra` holds cos and sin of each beside_hz in order, then the others.

    Raises
    ------
    ValueError : as `fit_sines`, or more columns than samples.
    """
    samples = _checked(traces, sample_interval_s, frequency_hz)
    n = samples.shape[1]
    time_s: Real = np.arange(n, dtype=np.float64) * sample_interval_s
    centred = np.linspace(-1.0, 1.0, n)
    columns = [*_pair(time_s, frequency_hz), np.ones(n)]
    for hz in beside_hz:
        columns += _pair(time_s, hz)
    for hz in drifting_hz:
        columns += [centred * c for c in _pair(time_s, hz)]
    columns += [centred**order for order in range(1, drift_order + 1)]
    design = np.stack(columns)
    count = len(columns)
    if count >= n:
        raise ValueError(f"need more than {count} samples, got {n}")
    found, inverse = _solve(design, samples)
    rest = samples - found @ design
    return SineFits(
        frequency_hz=frequency_hz,
        phasor=found[:, 0] - 1j * found[:, 1],
        offset=found[:, 2],
        residual_rms=np.sqrt(np.einsum("kn,kn->k", rest, rest) / (n - count)),
        unscaled_covariance=_phasor_covariance(inverse),
        extra=found[:, 3:],
        beside_rms=(found[:, 3:] @ design[3:]).std(axis=1),
        residual=rest,
    )


def _solve(design: Real, samples: Real) -> tuple[Real, Real]:
    """Least squares of every trace on the rows of a design, and the inverse normal matrix.

    The normal matrix is solved where it is well conditioned; a record that holds only a part of a hum's cycle makes
    near copies of columns, which take an orthogonal factorisation.
    """
    scale = np.sqrt(np.einsum("cn,cn->c", design, design))
    normal = (design @ design.T) / np.outer(scale, scale)
    if np.linalg.cond(normal) < WELL_CONDITIONED:
        inverse = np.linalg.inv(normal) / np.outer(scale, scale)
        right = samples @ design.T
        found = right @ inverse
        found += (right - (found @ design) @ design.T) @ inverse
        return found, inverse
    q, r = np.linalg.qr(design.T)
    root = np.linalg.inv(r)
    return (samples @ q) @ root.T, root @ root.T


def common_frequency(traces: Real, sample_interval_s: float, frequency_hz: float) -> tuple[float, float]:
    """Refine one frequency shared by all traces (seven parameters for two channels).

    Gauss-Newton on the frequency with amplitudes, phases and offsets refitted at every step.

    Parameters
    ----------
    traces : shape (k, n).
    frequency_hz : start; must be within about half a cycle over the record of the true one.

    Returns
    -------
    frequency in Hz and its standard uncertainty in Hz for white noise of the residual's size.

    Raises
    ------
    ValueError : as `fit_sines`, or the refinement left the band it can be trusted in.

    Source: Haendel, IEEE TIM 2008, doi 10.1109/TIM.2008.923782 (model); variance formula in the tests.
    """
    samples = _checked(traces, sample_interval_s, frequency_hz)
    n = samples.shape[1]
    centred_s = (np.arange(n) - (n - 1) / 2.0) * sample_interval_s
    band_hz = 0.75 / (n * sample_interval_s)
    hz = frequency_hz
    spread = float("inf")
    for _ in range(12):
        if not 0.0 < hz < 0.5 / sample_interval_s or abs(hz - frequency_hz) > band_hz:
            raise ValueError(f"no frequency near {frequency_hz} Hz fits the traces")
        cosine, sine = _pair(centred_s, hz)
        q, _ = np.linalg.qr(np.stack([cosine, sine, np.ones(n)], axis=1))
        inner = samples @ q
        rest = samples - inner @ q.T
        fitted, *_ = np.linalg.lstsq(np.stack([cosine, sine, np.ones(n)], axis=1), samples.T, rcond=None)
        slope = 2.0 * pi * centred_s * (np.outer(fitted[1], cosine) - np.outer(fitted[0], sine))
        slope -= (slope @ q) @ q.T
        variance = np.maximum(np.einsum("kn,kn->k", rest, rest) / (n - 3), np.finfo(float).tiny)
        weight = 1.0 / variance
        curvature = float(np.sum(weight * np.einsum("kn,kn->k", slope, slope)))
        step = float(np.sum(weight * np.einsum("kn,kn->k", slope, rest))) / curvature
        hz += step
        spread = curvature**-0.5
        if abs(step) < 1e-3 * spread or abs(step) < 1e-14 * hz:
            break
    return hz, spread


def _checked(traces: Real, sample_interval_s: float, frequency_hz: float) -> Real:
    samples = np.atleast_2d(np.asarray(traces, dtype=np.float64))
    if samples.ndim != 2 or samples.shape[1] < 4:
        raise ValueError(f"traces: need shape (k, n) with n >= 4, got {samples.shape}")
    if not (isfinite(sample_interval_s) and sample_interval_s > 0):
        raise ValueError(f"sample_interval_s: need > 0 s, got {sample_interval_s}")
    if not 0.0 < frequency_hz < 0.5 / sample_interval_s:
        raise ValueError(
            f"frequency_hz: need between 0 and half the sample rate ({0.5 / sample_interval_s} Hz), "
            f"got {frequency_hz}"
        )
    if not np.isfinite(samples[:, :: max(1, samples.shape[1] // 64)]).all():
        raise ValueError("traces: samples must be finite")
    return samples


def _project(samples: Real, turn: float) -> Complex:
    """Sums over i of v*exp(-j*turn*i) and of v; shape (k, 2)."""
    k, n = samples.shape
    blocks = n // _BLOCK
    sums = np.zeros((k, 2), dtype=np.complex128)
    if blocks:
        angle = turn * _BLOCK * np.arange(blocks)
        across = np.stack([np.cos(angle), -np.sin(angle), np.ones(blocks)])
        inside = np.exp(-1j * turn * np.arange(_BLOCK))
        # Trace by trace: reshaping both at once would copy them, and the copy costs more than the sums.
        for row, trace in enumerate(samples):
            real, imaginary, plain = across @ trace[: blocks * _BLOCK].reshape(blocks, _BLOCK)
            sums[row, 0] = (real + 1j * imaginary) @ inside
            sums[row, 1] = plain.sum()
    tail = samples[:, blocks * _BLOCK :]
    if tail.shape[1]:
        angle = turn * np.arange(blocks * _BLOCK, n)
        sums[:, 0] += tail @ np.exp(-1j * angle)
        sums[:, 1] += tail.sum(axis=1)
    return sums


def _turning_sum(n: int, turn: float) -> complex:
    """Sum over i < n of exp(j*turn*i) in closed form (Dirichlet kernel)."""
    half = sin(turn / 2.0)
    if abs(half) < 1e-9:
        return complex(np.exp(1j * turn * np.arange(n)).sum())
    return complex(np.exp(0.5j * turn * (n - 1)) * (sin(n * turn / 2.0) / half))


def _normal_matrix(n: int, turn: float) -> Real:
    once, twice = _turning_sum(n, turn), _turning_sum(n, 2.0 * turn)
    return np.array(
        [
            [(n + twice.real) / 2.0, twice.imag / 2.0, once.real],
            [twice.imag / 2.0, (n - twice.real) / 2.0, once.imag],
            [once.real, once.imag, float(n)],
        ]
    )


def _phasor_covariance(inverse: Real) -> Real:
    """Covariance factor of (Re, Im) = (a, -b) from that of (a, b, ...)."""
    sign = np.array([1.0, -1.0])
    return np.asarray(inverse[:2, :2] * np.outer(sign, sign))


def _pair(time_s: Real, hz: float) -> list[Real]:
    angle = 2.0 * pi * hz * time_s
    return [np.cos(angle), np.sin(angle)]


def cycles_in(samples: int, sample_interval_s: float, frequency_hz: float) -> float:
    """Cycles that a record spans, from the first sample to one interval past the last."""
    return samples * sample_interval_s * frequency_hz


def distinct_phases(samples: int, sample_interval_s: float, frequency_hz: float) -> int:
    """How many different places in the cycle the samples fall on, to within a tenth of their mean spacing.

    Rounding errors repeat where the phase repeats, so that many samples carry no new information.
    """
    turns = np.sort((np.arange(samples) * (sample_interval_s * frequency_hz)) % 1.0)
    apart = np.diff(turns, append=turns[0] + 1.0) > 0.1 / samples
    return max(4, min(samples, int(apart.sum())))
