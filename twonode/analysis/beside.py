"""Which terms stand beside the sine in the fit of one record: hum, or a slow drift.

Owns the choice only; it depends on the record's length and the two frequencies, not on what was measured.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Beside", "terms_beside"]

SHORTEST_HUM = 0.1
"""Line cycles a record must hold for hum to be fitted as sines; below, the third harmonic is nearly a cubic."""
LINE_UNCERTAINTY = 2e-3
"""Relative spread of a public supply's frequency (0.1 Hz in 50 Hz; from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """Terms beside the sine.

    sines_hz : further sines. drifting_hz : those of them whose frequency is not quite known.
    drift_order : order of a polynomial in time, 0 for a constant.
    """

    sines_hz: tuple[float, ...] = ()
    drifting_hz: tuple[float, ...] = ()
    drift_order: int = 0


def terms_beside(
    samples: int, sample_interval_s: float, frequency_hz: float, line_hz: float | None
) -> Beside:
    """The terms for a record of so many samples of a sine of ``frequency_hz`` where the mains has ``line_hz``.

    Hum is fitted as sines where it can be told from the signal, even where the record holds but a part of its
    cycle; a record that is shorter still sees no more of it than a slow curve.
    """
    record_s = samples * sample_interval_s
    if line_hz is None or record_s * line_hz < 1e-3:
        return Beside()
    if record_s * line_hz < SHORTEST_HUM:
        return Beside(drift_order=3)
    sines = tuple(
        k * line_hz
        for k in (1, 2, 3)
        if abs(k * line_hz - frequency_hz) * record_s > 1.0 and k * line_hz * sample_interval_s < 0.4
    )
    drifting = sines[:1] if record_s * line_hz * LINE_UNCERTAINTY > 0.02 else ()
    return Beside(sines_hz=sines, drifting_hz=drifting)
