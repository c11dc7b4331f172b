"""Time as the bench sees it: real, sped up, or jumped over.

Owns the three clocks, and the one that a stop breaks into. A simulated bench that runs faster than life hands its own
clock to whoever waits for it, so that waiting and the simulated circuit stay in step.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Protocol

__all__ = ["Clock", "ScaledClock", "StoppableClock", "SystemClock", "VirtualClock"]

_SLICE_S = 0.05
"""How long a wait goes on before it looks whether it was stopped."""


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


class StoppableClock:
    """Another clock whose waiting threads can be stopped from outside.

    After `stop` each thread that waits is interrupted once, at its next wait or in the middle of the one it is in. Only
    once: what it does on its way out, such as switching off, waits as usual. The thread that stopped is left alone.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._error: Callable[[], BaseException] | None = None
        # Not by the threads' numbers, which are given again to later ones.
        self._here = threading.local()

    def stop(self, error: Callable[[], BaseException]) -> None:
        """From now on raise what this makes in whoever waits."""
        self._here.spared = True
        self._error = error

    def now_s(self) -> float:
        """As the clock below says."""
        return self._clock.now_s()

    def sleep_s(self, seconds: float) -> None:
        """Sleep that long. Raises what `stop` was given, once in each thread."""
        self._check()
        left_s = seconds
        # A clock that jumps needs no slices, and would gather their rounding.
        while left_s > _SLICE_S and not isinstance(self._clock, VirtualClock):
            self._clock.sleep_s(_SLICE_S)
            left_s -= _SLICE_S
            self._check()
        self._clock.sleep_s(left_s)

    def _check(self) -> None:
        if self._error is not None and not getattr(self._here, "spared", False):
            self._here.spared = True
            raise self._error()
