"""The record a point ended with, and the scope's traces in the words of analysis.

Owns both for sweeps and null runs alike.
"""

from __future__ import annotations

from dataclasses import dataclass

from twonode.analysis.ratio import PointReading
from twonode.analysis.traces import ChannelCodes, TracePair
from twonode.drivers.capture import Capture, ChannelTrace

__all__ = ["Attempt", "trace_pair"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """The record a point ended with.

    used : it passed every check. reason : why not, or None. repeat_reason : why earlier ones were dropped.
    troubled : an earlier one was dropped for more than a range that had to be found.
    """

    frequency_set_hz: float
    frequency_hz: float
    traces: TracePair
    reading: PointReading
    averages: int
    waited_s: float
    used: bool
    reason: str | None
    repeats: int
    repeat_reason: str | None
    troubled: bool
    started_s: float


def trace_pair(capture: Capture) -> TracePair:
    """The scope's record in the words of analysis: channel 1 is the drive node, channel 2 the far node."""
    return TracePair(
        drive=_codes(capture.channel_1),
        far=_codes(capture.channel_2),
        sample_interval_s=capture.sample_interval_s,
    )


def _codes(trace: ChannelTrace) -> ChannelCodes:
    return ChannelCodes(
        codes=trace.codes,
        volts_per_code=trace.volts_per_code,
        volts_at_code_zero=trace.volts_at_code_zero,
        lowest_code=trace.lowest_code,
        highest_code=trace.highest_code,
        volts_per_div=trace.volts_per_div,
    )
