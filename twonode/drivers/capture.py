"""What a two-channel scope hands over: its time base, the codes of one record and how to read them.

Owns the data only; nothing here talks to an instrument or knows what was clipped to the channels.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Capture", "ChannelTrace", "TimeSetting"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelTrace:
    """One channel of one record.

    codes : shape (n,), the converter's codes as integers.
    volts_per_code, volts_at_code_zero : V at the probe tip = codes * volts_per_code + volts_at_code_zero.
    lowest_code, highest_code : a code at or beyond these means the channel clipped.
    volts_per_div : the read-back range, at the probe tip.
    """

    codes: NDArray[np.int16]
    volts_per_code: float
    volts_at_code_zero: float
    lowest_code: int
    highest_code: int
    volts_per_div: float

    def __post_init__(self) -> None:
        if not self.volts_per_code > 0:
            raise ValueError(f"volts_per_code: need > 0 V, got {self.volts_per_code}")
        if self.codes.ndim != 1:
            raise ValueError(f"codes: need one dimension, got shape {self.codes.shape}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """Both channels of one simultaneous record on one time base.

    channel_1, channel_2 : traces of equal length.
    sample_interval_s : seconds between samples, as the instrument states it.
    """

    channel_1: ChannelTrace
    channel_2: ChannelTrace
    sample_interval_s: float

    def __post_init__(self) -> None:
        if self.channel_1.codes.shape != self.channel_2.codes.shape:
            raise ValueError("the two channels of a record need equally many samples")
        if not self.sample_interval_s > 0:
            raise ValueError(f"sample_interval_s: need > 0 s, got {self.sample_interval_s}")


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeSetting:
    """A time base as read back.

    points : length of the record of each channel. sample_rate_hz : 1/s.
    """

    seconds_per_div: float
    sample_rate_hz: float
    points: int

    @property
    def duration_s(self) -> float:
        """Length of the record, s."""
        return self.points / self.sample_rate_hz
