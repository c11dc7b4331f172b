"""The clock that a stop breaks into: at once, once in each thread, never for whoever stopped."""

import threading
import time

import pytest

from twonode.drivers.clock import ScaledClock, StoppableClock, SystemClock, VirtualClock
from twonode.drivers.leaving import Interrupted


def _stopped(clock):
    clock.stop(lambda: Interrupted("STOP"))


def test_it_waits_as_the_clock_below():
    clock = StoppableClock(VirtualClock())
    clock.sleep_s(0.3)
    assert clock.now_s() == 0.3
    scaled = StoppableClock(ScaledClock(10.0))
    began_s = time.monotonic()
    scaled.sleep_s(1.0)
    assert 0.1 <= time.monotonic() - began_s < 0.3
    assert scaled.now_s() >= 1.0


def test_a_thread_in_the_middle_of_a_long_wait_is_interrupted():
    clock = StoppableClock(SystemClock())
    caught = []

    def wait():
        try:
            clock.sleep_s(30.0)
        except Interrupted as exc:
            caught.append(exc.reason)

    thread = threading.Thread(target=wait)
    thread.start()
    time.sleep(0.1)
    began_s = time.monotonic()
    _stopped(clock)
    thread.join(5)
    assert time.monotonic() - began_s < 0.2
    assert caught == ["STOP"]


def test_each_thread_is_interrupted_once_so_that_it_can_switch_off():
    clock = StoppableClock(VirtualClock())
    seen = []

    def work():
        for _ in range(3):
            try:
                clock.sleep_s(0.1)
                seen.append("waited")
            except Interrupted:
                seen.append("interrupted")

    _stopped(clock)
    for _ in range(2):
        thread = threading.Thread(target=work)
        thread.start()
        thread.join(5)
    assert seen == ["interrupted", "waited", "waited"] * 2


def test_whoever_stopped_waits_as_before():
    clock = StoppableClock(VirtualClock())
    _stopped(clock)
    clock.sleep_s(0.5)
    assert clock.now_s() == 0.5


def test_a_stop_before_the_wait_is_noticed_by_a_wait_of_no_length():
    clock = StoppableClock(VirtualClock())
    thread = threading.Thread(target=_stopped, args=(clock,))
    thread.start()
    thread.join(5)
    with pytest.raises(Interrupted):
        clock.sleep_s(0.0)
