"""The raw codes of one point, both channels, with what is needed to read them as volts.

Owns the container which the ratio code, a running sweep and a stored recording share. Keeps the converter's
own integers and never rounds: volts are worked out anew each time, so that an archived point takes the same
path as a live one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twonode.analysis.errors import TraceError

__all__ = ["ChannelCodes", "TracePair"]


def _refuse(what: str) -> TraceError:
    return TraceError(
        f"The traces make no sense: {what}.",
        "Every voltage is worked out from the codes and their scaling.",
        "Take the point again; in a stored recording, check its files against the manifest.",
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChannelCodes:
    """One channel of one record.

    codes : shape (n,), int16, the converter's own codes; held read-only.
    volts_per_code, volts_at_code_zero : V at the probe tip is codes * volts_per_code + volts_at_code_zero.
        volts_per_code is negative for a channel that was inverted.
    lowest_code, highest_code : a code at or beyond these means that the channel clipped.
    volts_per_div : V per division at the probe tip, as read back.

    Raises TraceError where the parts do not belong together.
    """

    codes: NDArray[np.int16]
    volts_per_code: float
    volts_at_code_zero: float
    lowest_code: int
    highest_code: int
    volts_per_div: float

    def __post_init__(self) -> None:
        if self.codes.dtype != np.int16 or self.codes.ndim != 1 or self.codes.size == 0:
            raise _refuse(f"codes: need a row of int16, got {self.codes.dtype} of shape {self.codes.shape}")
        if not (math.isfinite(self.volts_per_code) and self.volts_per_code != 0):
            raise _refuse(f"volts_per_code: need a finite step other than 0 V, got {self.volts_per_code}")
        if not math.isfinite(self.volts_at_code_zero):
            raise _refuse(f"volts_at_code_zero: need a finite voltage, got {self.volts_at_code_zero}")
        if not self.lowest_code < self.highest_code:
            raise _refuse(f"lowest_code {self.lowest_code} is not below highest_code {self.highest_code}")
        if not (math.isfinite(self.volts_per_div) and self.volts_per_div > 0):
            raise _refuse(f"volts_per_div: need > 0 V, got {self.volts_per_div}")
        codes = self.codes.view()
        codes.flags.writeable = False
        object.__setattr__(self, "codes", codes)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, ChannelCodes):
            return NotImplemented
        return self._scaling() == other._scaling() and bool(np.array_equal(self.codes, other.codes))

    def __hash__(self) -> int:
        return hash((self._scaling(), self.codes.size))

    def _scaling(self) -> tuple[float, float, int, int, float]:
        return (
            self.volts_per_code,
            self.volts_at_code_zero,
            self.lowest_code,
            self.highest_code,
            self.volts_per_div,
        )

    def volts(self) -> NDArray[np.float64]:
        """Volts at the probe tip, shape (n,), float64."""
        return self.codes * np.float64(self.volts_per_code) + self.volts_at_code_zero

    @property
    def clipped(self) -> bool:
        """Whether any code lies at or beyond the converter's ends."""
        return int(self.codes.min()) <= self.lowest_code or int(self.codes.max()) >= self.highest_code


@dataclass(frozen=True, slots=True, kw_only=True)
class TracePair:
    """Both channels of one simultaneous record: drive is channel 1, far is channel 2.

    sample_interval_s : s between samples, as the instrument states it.

    Raises TraceError if the channels differ in length or the interval is not above zero.
    """

    drive: ChannelCodes
    far: ChannelCodes
    sample_interval_s: float

    def __post_init__(self) -> None:
        if self.drive.codes.shape != self.far.codes.shape:
            raise _refuse(
                f"the drive trace has {self.drive.codes.size} samples, the far trace {self.far.codes.size}"
            )
        if not (math.isfinite(self.sample_interval_s) and self.sample_interval_s > 0):
            raise _refuse(f"sample_interval_s: need > 0 s, got {self.sample_interval_s}")

    @property
    def samples(self) -> int:
        """Samples per channel."""
        return int(self.drive.codes.size)

    @property
    def duration_s(self) -> float:
        """Seconds covered: samples * sample_interval_s."""
        return self.samples * self.sample_interval_s
