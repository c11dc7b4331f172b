"""Many sweeps in one process, each over sockets on a bench of its own: memory, open sockets, threads.

The bench's clock is virtual, so that only the work itself takes time. Memory is the resident set after a dozen sweeps,
when everything is loaded, against the one at the end; measured in a process of its own.
"""

from __future__ import annotations

import gc
import multiprocessing
import os
import sys
import threading
from multiprocessing.connection import Connection
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.benchmarks.table import Row

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

SWEEPS = 500
QUICK_SWEEPS = 50
WARM_UP = 12
MOST_GROWTH_MB = 20.0


def _resident_mb() -> float:
    """Resident set of this process, from /proc; nan where there is none (not Linux)."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    except OSError:
        return float("nan")
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def _sockets() -> int:
    """Open sockets of this process, from /proc."""
    found = 0
    try:
        for each in Path("/proc/self/fd").iterdir():
            try:
                found += os.readlink(each).startswith("socket:")
            except OSError:
                continue
    except OSError:
        return 0
    return found


def _work(count: int, end: Connection) -> None:
    from fault_runs import fault_request

    from twonode.acquire import SweepClosed, estimate_recordings, run_sweep
    from twonode.drivers.bench import open_bench
    from twonode.drivers.clock import VirtualClock
    from twonode.drivers.simulated import SimulatedBench, SimulatedSettings

    before_mb, closed, sockets, threads = 0.0, 0, 0, 0
    request = fault_request()
    for number in range(count):
        settings = SimulatedSettings(stage=request.stage, seed=number)
        with (
            TemporaryDirectory() as archive,
            SimulatedBench(settings, clock=VirtualClock()) as served,
            open_bench(
                generator=served.generator_resource, scope=served.scope_resource, clock=served.clock
            ) as bench,
        ):
            for event in run_sweep(bench, request, archive=Path(archive)):
                if isinstance(event, SweepClosed):
                    closed += 1
                    estimate_recordings([event.recording])
        if number + 1 == WARM_UP:
            gc.collect()
            before_mb, sockets, threads = _resident_mb(), _sockets(), threading.active_count()
        if number % 50 == 49:
            print(f"   sweep {number + 1}: {_resident_mb():.0f} MB", file=sys.stderr, flush=True)
    gc.collect()
    end.send((closed, _resident_mb() - before_mb, _sockets() - sockets, threading.active_count() - threads))


def run(*, quick: bool = False) -> list[Row]:
    """Growth of memory, and what stays open."""
    count = QUICK_SWEEPS if quick else SWEEPS
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    worker = context.Process(target=_work, args=(count, theirs))
    worker.start()
    # A worker that dies is an end of file then, not a wait for ever.
    theirs.close()
    closed, growth_mb, sockets, threads = ours.recv()
    worker.join()
    return [
        Row(
            figure=f"{count} sweeps with estimates in one process: all closed",
            target=str(count),
            measured=str(closed),
            met=closed == count,
        ),
        Row(
            figure="growth of memory",
            target=f"<= {MOST_GROWTH_MB:g} MB",
            measured=f"{growth_mb:.1f} MB",
            met=growth_mb <= MOST_GROWTH_MB,
        ),
        Row(figure="sockets left open", target="0", measured=str(sockets), met=sockets <= 0),
        Row(figure="threads left", target="0", measured=str(threads), met=threads <= 0),
    ]
