"""What every simulated instrument is to the link in front of it, whatever language it speaks.

Owns the lock, waiting on the bench's clock, and giving up when nobody waits. Knows no commands.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from typing import ClassVar

from twonode.drivers.clock import Clock

__all__ = ["NoReply", "SimulatedInstrument"]


class NoReply(Exception):
    """The instrument has not answered within its caller's patience."""


class SimulatedInstrument:
    """An instrument that takes one message at a time.

    lock : shared by the instruments of a world; held while a message is worked on, free while one waits.
    clock : what waiting goes by.
    line_end : what ends a message on its line; messages reach `execute` without it.
    patience_s : bench seconds a command may wait before `NoReply`.
    given_up : asked while waiting; True makes the command end in `NoReply` (client gone, bench closing).
    nap_s : longest wait in one go, so that `given_up` is asked now and then.
    """

    line_end: ClassVar[bytes] = b"\n"
    idn: str = ""

    def __init__(self, *, lock: threading.RLock, clock: Clock) -> None:
        self.lock = lock
        self.clock = clock
        self.patience_s = math.inf
        self.nap_s = math.inf
        self.given_up: Callable[[], bool] = lambda: False

    def execute(self, message: str) -> bytes:
        """Do one message and return the reply with its line end, or nothing.

        Raises NoReply where the reply is not there within `patience_s`, or nobody waits for it any more.
        """
        raise NotImplementedError

    def overrun(self) -> None:
        """A message too long for the input buffer was thrown away."""

    def pause(self, seconds: float) -> None:
        """Let bench time pass with the world free for the other instruments.

        Raises NoReply as soon as nobody waits for the answer any more.
        """
        end_s = self.clock.now_s() + seconds
        self.lock.release()
        try:
            while (left_s := end_s - self.clock.now_s()) > 0:
                if self.given_up():
                    raise NoReply("given up")
                self.clock.sleep_s(min(left_s, self.nap_s))
        finally:
            self.lock.acquire()
