"""Null runs on the in-process simulated bench, for tests."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from swept import Run, run

from twonode.acquire import NullRequest, SweepClosed, SweepRequest, run_null
from twonode.analysis.stage import Stage
from twonode.drivers.bench import Bench
from twonode.drivers.simulated import SimulatedSettings, direct_links
from twonode.errors import TwonodeError

__all__ = ["null_folder", "run_nulled", "sweep_after", "unsynced"]

SEED = 5


@pytest.fixture(autouse=True)
def unsynced(monkeypatch):
    """Recordings made by the dozen are not forced onto the medium; what that is for is tested with the recordings."""
    monkeypatch.setattr("os.fsync", lambda descriptor: None)


def run_nulled(stage: Stage, archive: Path, *, request: NullRequest | None = None, **settings) -> Run:
    """A null run on a fresh bench clipped to the stage's drive node; errors are kept, not raised."""
    fields = {"stage": stage, "seed": SEED, "probe_nodes": (stage.drive, stage.drive)} | settings
    asked = request or NullRequest(node=stage.drive, simulated=True, seed=fields["seed"])
    links = direct_links(SimulatedSettings(**fields))
    events, error = [], None
    try:
        with Bench.from_links(generator=links.generator, scope=links.scope, clock=links.clock) as bench:
            for event in run_null(bench, asked, archive=archive):
                events.append(event)
    except TwonodeError as exc:
        error = exc
    return Run(events=events, links=links, error=error)


def null_folder(stage: Stage, archive: Path, **more) -> Path:
    """The recording of a null run that went well."""
    done = run_nulled(stage, archive, **more)
    if done.error is not None:
        raise done.error
    assert isinstance(done.events[-1], SweepClosed)
    return done.recording


def sweep_after(request: SweepRequest, archive: Path, null: Path | None, **settings) -> Path:
    """The recording of a sweep that names a null run, on the bench of the same seed."""
    seed = settings.setdefault("seed", SEED)
    done = run(replace(request, null=null, seed=seed), archive, **settings)
    if done.error is not None:
        raise done.error
    return done.recording
