"""The program's own null run and sweep on the in-process simulated bench, as one call each.

Owns where the recordings of a benchmark go and how they come back. The ratios are taken from the closed recording's
points and not worked out a second time from its raw codes, which would only cost time.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from twonode.acquire import Event, SweepClosed, SweepRequest, run_sweep
from twonode.acquire.nullrun import NullRequest, run_null
from twonode.acquire.reestimate import sweep_of
from twonode.analysis.hookup import HookUp
from twonode.analysis.model import Sweep
from twonode.analysis.ratio import RatioPoint
from twonode.drivers.bench import Bench
from twonode.drivers.simulated import SimulatedSettings, direct_links
from twonode.recordings.model import PointRow
from twonode.recordings.reader import read_recording

__all__ = ["Swept", "archive_folder", "measure", "measure_null"]

_MEMORY = Path("/dev/shm")


@dataclass(frozen=True, slots=True, kw_only=True)
class Swept:
    """A finished sweep: as analysis takes it, with its events and how long the bench was busy, s of its clock."""

    sweep: Sweep
    events: tuple[Event, ...]
    bench_s: float


@contextmanager
def archive_folder() -> Iterator[Path]:
    """A folder that is gone afterwards; in memory where the system has such a place, to spare the disk."""
    place = _MEMORY if _MEMORY.is_dir() else None
    with tempfile.TemporaryDirectory(dir=place) as folder:
        yield Path(folder)


def measure(
    settings: SimulatedSettings, request: SweepRequest, archive: Path, *, null: Sweep | None = None
) -> Swept:
    """Sweep with the program's own drivers and planning."""
    links = direct_links(settings)
    with Bench.from_links(generator=links.generator, scope=links.scope, clock=links.clock) as bench:
        began_s = bench.clock.now_s()
        events = tuple(run_sweep(bench, request, archive=archive, null=null))
        spent_s = bench.clock.now_s() - began_s
    return Swept(sweep=_read(events), events=events, bench_s=spent_s)


def measure_null(settings: SimulatedSettings, request: SweepRequest, archive: Path) -> Sweep:
    """The null run of the same instruments: both probes on the drive node."""
    drive = request.stage.drive
    links = direct_links(replace(settings, probe_nodes=(drive, drive)))
    asked = NullRequest(
        node=drive,
        in_set=request.hookup is HookUp.STAGE,
        level_vpp=request.generator_vpp,
        simulated=True,
        seed=settings.seed,
    )
    with Bench.from_links(generator=links.generator, scope=links.scope, clock=links.clock) as bench:
        events = tuple(run_null(bench, asked, archive=archive))
    return _read(events)


def _read(events: tuple[Event, ...]) -> Sweep:
    last = events[-1]
    assert isinstance(last, SweepClosed)
    recording = read_recording(last.recording)
    bare = sweep_of(replace(recording, points=()))
    return replace(bare, points=tuple(_filed(row) for row in recording.used))


def _filed(row: PointRow) -> RatioPoint:
    """The ratio as the sweep filed it: to the last bit what reading the raw codes once more would give."""
    filed = (row.ratio_re, row.ratio_im, row.var_re, row.cov_re_im, row.var_im)
    re, im, var_re, both, var_im = (float(number) for number in filed if number is not None)
    return RatioPoint(
        frequency_hz=row.frequency_hz,
        ratio=complex(re, im),
        ratio_cov=(var_re, both, var_im),
        quantisation_share=0.0,
        drive_volts_per_div=row.drive_volts_per_div,
        far_volts_per_div=row.far_volts_per_div,
    )
