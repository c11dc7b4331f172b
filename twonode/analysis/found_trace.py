"""What a saved trace does not say of itself: the frequency in it, and the steps of the converter behind it.

Owns both searches, and volts put back into codes, so that an imported trace takes the same way as a measured one.
"""

from __future__ import annotations

from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.errors import AnalysisError
from twonode.analysis.sinefit import common_frequency, fit_sines
from twonode.analysis.traces import ChannelCodes

__all__ = ["NoFrequency", "codes_of", "find_frequency", "find_step"]

Real = NDArray[np.float64]

LEAST_SAMPLES_PER_CYCLE = 2.5
_LEAST_CYCLES = 1.0
_FINE_STEPS = 50_000
"""A trace without steps of its own is put into so many: far below its noise, and inside int16."""
_MOST_STEPS = 60_000
_STEPS_PER_DIV = 25.0
"""Of an 8-bit converter over ten divisions (from memory); it only names the range."""
_OFF_STEP = 0.25
_FLAT_FACTOR = 6.0
_LEAST_FLAT = 6


class NoFrequency(AnalysisError):
    """No sine can be made out in a trace, or less of one than a period."""


def find_frequency(drive_v: Real, far_v: Real, sample_interval_s: float) -> float:
    """The one frequency that both channels hold, Hz.

    The strongest line of channel 1's spectrum, fitted more and more finely by least squares, then as the one frequency
    common to both channels (IEEE Std 1057, four-parameter fit; see `sinefit.common_frequency`).

    Raises NoFrequency for less than a period in the record or fewer than 2.5 samples a cycle. A record that was
    sampled too slowly for its signal cannot be told from one of a lower frequency.
    """
    n = drive_v.size
    centred = drive_v - drive_v.mean()
    span_s = n * sample_interval_s
    spectrum = np.abs(np.fft.rfft(centred * np.hanning(n)))
    spectrum[0] = 0.0
    coarse = max(1, int(np.argmax(spectrum)))
    # Near the lower end a line is wider than its distance from zero, so the fit itself decides.
    reach = 1.5 if coarse > 3 else coarse + 2.0
    trial_hz = np.arange(max(0.2, coarse - reach), coarse + reach, 0.1) / span_s
    trial_hz = trial_hz[trial_hz < 0.45 / sample_interval_s]
    if trial_hz.size == 0:
        raise _too_fast(2.0)
    left = [float(fit_sines(centred, sample_interval_s, float(hz)).residual_rms[0]) for hz in trial_hz]
    start_hz = float(trial_hz[int(np.argmin(left))])
    if start_hz * span_s < _LEAST_CYCLES:
        raise NoFrequency(
            f"The record holds less than a period of what channel 1 shows (about {start_hz * span_s:.1f}).",
            "Where one cycle ends cannot be seen, so neither size nor phase can be fitted.",
            "Save a record of four cycles or more.",
        )
    try:
        hz, _ = common_frequency(np.stack([drive_v, far_v]), sample_interval_s, start_hz)
    except (ValueError, np.linalg.LinAlgError) as exc:
        raise NoFrequency(
            "No sine of one frequency fits both channels.",
            "The ratio is that of two sines of one frequency.",
            "Save traces of a steady sine, both channels in the same record.",
        ) from exc
    if hz * span_s < _LEAST_CYCLES:
        raise NoFrequency(
            f"The record holds {hz * span_s:.2f} periods.",
            "Size and phase take a whole one at the least.",
            "Save a record of four cycles or more.",
        )
    if 1.0 / (hz * sample_interval_s) < LEAST_SAMPLES_PER_CYCLE:
        raise _too_fast(1.0 / (hz * sample_interval_s))
    return hz


def _too_fast(per_cycle: float) -> NoFrequency:
    return NoFrequency(
        f"The record holds {per_cycle:.1f} samples a cycle.",
        f"With fewer than {LEAST_SAMPLES_PER_CYCLE:g} one frequency cannot be told from another (aliasing).",
        "Save a record with a shorter sample interval.",
    )


def find_step(volts: Real) -> float | None:
    """The converter's step in a trace, V; None where no grid of steps holds all its values.

    Values rounded for the file lie beside the grid by a part of a step.
    """
    values = np.unique(volts)
    if values.size < 3:
        return float(values[1] - values[0]) if values.size == 2 else None
    apart = np.diff(values)
    # What is left of floating-point noise is no step.
    apart = apart[apart > 1e-9 * float(values[-1] - values[0])]
    step = float(apart.min())
    step = float(apart[apart < 1.4 * step].mean())
    for _ in range(4):
        number = np.round((values - values[0]) / step)
        if number[-1] < 1:
            return None
        centred = number - number.mean()
        step = float(centred @ (values - values.mean()) / (centred @ centred))
        if not step > 0:
            return None
    number = np.round((values - values[0]) / step)
    off = values - values[0] - step * number
    if float(np.abs(off - np.median(off)).max()) > _OFF_STEP * step or number[-1] > _MOST_STEPS:
        return None
    return step


def codes_of(volts: Real) -> ChannelCodes:
    """A trace as the codes it was made of, or, where no steps show in it, as codes far finer than its noise.

    The ends of the converter do not stand in a file. They are taken to lie beyond the trace, unless it is flat at its
    top or bottom for longer than a sine ever is: then there.
    """
    step = find_step(volts)
    if step is None:
        step = float(np.ptp(volts)) / _FINE_STEPS
    middle_v = float(volts.min()) + step * float(np.round(np.ptp(volts) / step / 2.0))
    codes = np.round((volts - middle_v) / step).astype(np.int16)
    lowest, highest = int(codes.min()), int(codes.max())
    return ChannelCodes(
        codes=codes,
        volts_per_code=step,
        volts_at_code_zero=middle_v,
        lowest_code=lowest if _is_flat(codes, lowest) else lowest - 1,
        highest_code=highest if _is_flat(codes, highest) else highest + 1,
        volts_per_div=float(f"{_STEPS_PER_DIV * step:.4g}"),
    )


def _is_flat(codes: NDArray[np.int16], end: int) -> bool:
    """Whether a trace stays at one of its ends longer than a sine of its size does.

    A sine of amplitude A codes spends acos(1 - 1/A)/pi, about sqrt(2/A)/pi of its time within the last code.
    """
    at_end = int(np.count_nonzero(codes == end))
    amplitude = (int(codes.max()) - int(codes.min())) / 2.0
    usual = codes.size * min(1.0, sqrt(2.0 / max(amplitude, 1.0)) / pi)
    return amplitude >= 8.0 and at_end >= _LEAST_FLAT and at_end > _FLAT_FACTOR * usual
