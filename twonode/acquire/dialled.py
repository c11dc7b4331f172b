"""The true frequency of a point whose frequency was dialled by hand.

Owns reading it off the record, and saying when the knob stands somewhere else than was asked.
"""

from __future__ import annotations

from math import sqrt

from twonode.acquire.errors import DialledOff
from twonode.analysis.found_trace import NoFrequency, find_frequency
from twonode.analysis.quantities import format_quantity
from twonode.analysis.traces import TracePair

__all__ = ["DIALLED_WITHIN", "SEEN_DIV", "dialled_hz"]

DIALLED_WITHIN = 0.4
"""A scale is read to some per cent; further off than this, the time base no longer suits."""
SEEN_DIV = 0.5
"""Smaller than this on channel 1, peak to peak, a trace is noise and hum; the range is chosen for ten times as much."""


def dialled_hz(traces: TracePair, asked_hz: float) -> float:
    """The one frequency in both traces, Hz; the asked one where clipping or silence leaves none to be found.

    A far-off one is believed only of a signal that can be seen: an output that was never switched on is noise and hum.

    Raises DialledOff where it is more than 40 % away from what was asked.
    """
    if traces.drive.clipped or traces.far.clipped:
        return asked_hz
    drive_v = traces.drive.volts()
    if 2 * sqrt(2) * float(drive_v.std()) < SEEN_DIV * traces.drive.volts_per_div:
        return asked_hz
    try:
        found_hz = find_frequency(drive_v, traces.far.volts(), traces.sample_interval_s)
    except NoFrequency:
        return asked_hz
    if abs(found_hz / asked_hz - 1.0) > DIALLED_WITHIN:
        raise DialledOff(
            f"The generator was to be dialled to {format_quantity(asked_hz, 'Hz')}; "
            f"the traces show {format_quantity(found_hz, 'Hz')}.",
            "That far off, time base and waiting time do not suit the point.",
            "Mind the generator's range switch, then go on with the sweep; what was measured is kept.",
        )
    return found_hz
