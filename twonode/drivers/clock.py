"""Time as the bench sees it: real, sped up, or jumped over.

Owns the three clocks. A simulated bench that runs faster than life hands its own clock to whoever waits for it,
so that waiting and the simulated circuit stay in step.
"""

from __future__ import annotations

import time
from typing import Protocol

__all__ = ["Clock", "ScaledClock", "SystemClock", "VirtualClock"]


class Clock(Protocol):
    """What the rooms above need of time."""

    def now_s(self) -> float:
        """Seconds since an arbitrary start; never runs backwards."""
        ...

    def sleep_s(self, seconds: float) -> None:
        """Return once at least ``seconds`` (>= 0) have passed on this clock."""
        ...


class SystemClock:
    """The clock on the wall."""

    def now_s(self) -> float:
        """Seconds of the system's monotonic clock."""
        return time.monotonic()

    def sleep_s(self, seconds: float) -> None:
        """Sleep that long."""
        if seconds > 0:
            time.sleep(seconds)


class ScaledClock:
    """The clock on the wall, run ``speed`` times as fast."""

    def __init__(self, speed: float) -> None:
        if not speed > 0:
            raise ValueError(f"speed: need > 0, got {speed}")
        self._speed = speed
        self._start_s = time.monotonic()

    def now_s(self) -> float:
        """Scaled seconds since the clock was made."""
        return (time.monotonic() - self._start_s) * self._speed

    def sleep_s(self, seconds: float) -> None:
        """Sleep until that many scaled seconds have passed."""
        if seconds > 0:
            time.sleep(seconds / self._speed)


class VirtualClock:
    """A clock that only moves when somebody waits: for runs without sockets, in one thread."""

    def __init__(self) -> None:
        self._now_s = 0.0

    def now_s(self) -> float:
        """Seconds that were slept through so far."""
        return self._now_s

    def sleep_s(self, seconds: float) -> None:
        """Jump ahead by that much."""
        if seconds > 0:
            self._now_s += seconds
