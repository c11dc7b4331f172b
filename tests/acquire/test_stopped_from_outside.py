"""A STOP from another thread that reaches the measuring one while it is already on its way out."""

import threading
from pathlib import Path

import pytest
from swept import HookUp, fixture_request

from twonode.acquire import NullRequest, PointDone, run_null, run_sweep
from twonode.drivers.bench import Bench
from twonode.drivers.leaving import Interrupted
from twonode.drivers.simulated import SimulatedSettings, direct_links
from twonode.recordings import find_unfinished, read_recording
from twonode.recordings.model import Ended

STEPS_HZ = (200.0, 400.0, 800.0, 1600.0)


REQUEST = fixture_request(HookUp.SERIES, 10e-9, 100e3, frequencies_hz=STEPS_HZ)


def _sweep(bench: Bench, archive: Path):
    return run_sweep(bench, REQUEST, archive=archive)


def _null(bench: Bench, archive: Path):
    return run_null(bench, NullRequest(node=REQUEST.stage.drive, simulated=True, seed=3), archive=archive)


def _bench(start):
    stage = REQUEST.stage
    nodes = (stage.drive, stage.drive if start is _null else stage.far)
    links = direct_links(SimulatedSettings(stage=stage, seed=3, probe_nodes=nodes))
    return Bench.from_links(generator=links.generator, scope=links.scope, clock=links.clock)


def _stop_from_outside(bench):
    stopping = threading.Thread(target=bench.stop, args=("STOP",))
    stopping.start()
    stopping.join()


def _leave_after(point, start, archive):
    """Whoever shows the points leaves on its own; the measuring thread has not heard of STOP yet."""
    with _bench(start) as bench:
        run = start(bench, archive)
        while not (isinstance(event := next(run), PointDone) and event.index == point):
            pass
        _stop_from_outside(bench)
        run.close()


def _stop_after_all(archive):
    with _bench(_sweep) as bench:
        for event in _sweep(bench, archive):
            if isinstance(event, PointDone) and event.index == len(STEPS_HZ):
                _stop_from_outside(bench)


def _closed(archive):
    assert find_unfinished(archive) == ()
    (folder,) = (each for each in archive.iterdir() if each.is_dir())
    return read_recording(folder)


@pytest.mark.parametrize("start", [_sweep, _null])
def test_what_was_measured_is_closed_even_if_switching_off_is_interrupted(tmp_path, start):
    with pytest.raises(Interrupted, match="STOP"):
        _leave_after(1, start, tmp_path)
    recording = _closed(tmp_path)
    assert recording.header.ended is Ended.INTERRUPTED
    assert len(recording.points) == 1


def test_a_sweep_with_all_its_points_is_finished_whatever_comes_afterwards(tmp_path):
    with pytest.raises(Interrupted, match="STOP"):
        _stop_after_all(tmp_path)
    recording = _closed(tmp_path)
    assert recording.header.ended is Ended.FINISHED
    assert len(recording.points) == len(STEPS_HZ)
