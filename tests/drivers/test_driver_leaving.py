"""Signals unwind blocks, and impatience does not stop the cleaning up."""

# ruff: noqa: PT012 - what happens inside the context is the test.
import signal
import subprocess
import sys
import textwrap
import threading

import pytest

from twonode.analysis.stage import parse_stage
from twonode.drivers.leaving import Interrupted, held_back, leaving
from twonode.drivers.link import open_link
from twonode.drivers.simulated.bench import SimulatedBench
from twonode.drivers.simulated.settings import SimulatedSettings

STAGE = """
title = "one resistor"
drive = "drive"
far = "far"

[[part]]
name = "R1"
kind = "resistor"
between = ["drive", "far"]
value = "100k"

[[part]]
name = "R2"
kind = "resistor"
between = ["far", "ground"]
value = "100k"
"""
SIGNALS = [getattr(signal, n) for n in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK") if hasattr(signal, n)]


@pytest.mark.parametrize("number", SIGNALS)
def test_each_signal_unwinds_and_the_handlers_are_put_back(number):
    before = [signal.getsignal(n) for n in SIGNALS]
    cleaned = []
    with pytest.raises(Interrupted) as caught, leaving():
        try:
            signal.raise_signal(number)
        finally:
            cleaned.append(True)
    assert caught.value.reason == signal.Signals(number).name
    assert isinstance(caught.value, KeyboardInterrupt)
    assert cleaned
    assert [signal.getsignal(n) for n in SIGNALS] == before


def test_a_second_signal_does_not_stop_the_cleaning_up():
    steps = []
    with pytest.raises(Interrupted) as caught, leaving():
        try:
            signal.raise_signal(signal.SIGTERM)
        finally:
            signal.raise_signal(signal.SIGINT)
            steps.append("after the second")
            signal.raise_signal(signal.SIGTERM)
            steps.append("after the third")
    assert steps == ["after the second", "after the third"]
    assert caught.value.reason == "SIGTERM"


def test_a_block_that_is_held_back_is_finished_first():
    steps = []
    with pytest.raises(Interrupted), leaving():
        with held_back():
            signal.raise_signal(signal.SIGINT)
            steps.append("inside")
        steps.append("never")
    assert steps == ["inside"]


def test_each_use_starts_afresh():
    for _ in range(2):
        with pytest.raises(Interrupted), leaving():
            signal.raise_signal(signal.SIGINT)
    with leaving(), held_back():
        pass


def test_a_signal_that_was_ignored_stays_ignored():
    number = SIGNALS[-1]
    before = signal.signal(number, signal.SIG_IGN)
    try:
        with leaving():
            signal.raise_signal(number)
    finally:
        signal.signal(number, before)


def test_in_another_thread_nothing_is_changed():
    before = signal.getsignal(signal.SIGTERM)
    seen = []

    def work():
        with leaving():
            seen.append(signal.getsignal(signal.SIGTERM))

    thread = threading.Thread(target=work)
    thread.start()
    thread.join(timeout=5)
    assert seen == [before]


@pytest.mark.skipif(sys.platform == "win32", reason="there a terminated process gets no signal")
@pytest.mark.parametrize("number", [n for n in SIGNALS if sys.platform != "win32"])
def test_a_terminated_process_leaves_the_output_off(number):
    code = """
        import sys, time
        from twonode.drivers.bench import open_bench
        from twonode.drivers.leaving import leaving
        with leaving(), open_bench(generator=sys.argv[1], scope=sys.argv[2]) as bench:
            bench.generator.prepare()
            bench.generator.output(True)
            print("on", flush=True)
            time.sleep(20)
    """
    with SimulatedBench(SimulatedSettings(stage=parse_stage(STAGE), speed=20.0)) as simulated:
        process = subprocess.Popen(
            [
                sys.executable,
                "-c",
                textwrap.dedent(code),
                simulated.generator_resource,
                simulated.scope_resource,
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert process.stdout is not None
        try:
            assert process.stdout.readline() == "on\n"
            process.send_signal(number)
            _, complaints = process.communicate(timeout=10)
        finally:
            process.kill()
        assert "Interrupted: " + signal.Signals(number).name in complaints
        link = open_link(simulated.generator_resource, timeout_s=2.0)
        try:
            assert link.query(":OUTP1?") == "0"
        finally:
            link.close()
