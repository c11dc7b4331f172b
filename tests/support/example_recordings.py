"""Makes the small recordings of `twonode/recordings/examples`: one a format version and kind, on the simulated bench.

The table of points is typed off the sweep, as somebody would who noted sizes and phases by hand.

Run ``python -m tests.support.example_recordings FOLDER`` with an empty folder; what is published is never made anew,
since its purpose is to be read by every later program. Records are thinned to some hundred samples, as from a scope
of little memory, so that the files stay small.
"""

from __future__ import annotations

import cmath
import math
import sys
from contextlib import ExitStack
from dataclasses import replace
from importlib import resources
from pathlib import Path
from unittest.mock import patch

from click.testing import CliRunner

from twonode.acquire import NullRequest, SweepRequest, run_null, run_sweep
from twonode.acquire.attempt import trace_pair
from twonode.analysis.hookup import HookUp
from twonode.analysis.quantities import Tolerance
from twonode.analysis.stage import shipped_stage
from twonode.analysis.traces import TracePair
from twonode.console.main import cli
from twonode.drivers.bench import Bench
from twonode.drivers.capture import Capture
from twonode.drivers.simulated import SimulatedSettings, direct_links
from twonode.recordings import read_recording

THINNED = 20
STAGE = shipped_stage("wrenfield-46-driver-output")
SETTINGS = SimulatedSettings(stage=STAGE, seed=46)

__all__ = ["make_examples"]


def make_examples(place: Path) -> None:
    """A sweep, a null run, a DC check and a table of points below ``place``."""
    _sweep(place)
    _null(place)
    _command("dc", "--simulated", "--seed", "46", "--fault", "C7=leaky:80M", "--archive", str(place / "dc"))
    _points(place)
    for kind in ("sweep", "null", "dc", "points"):
        (made,) = (each for each in (place / kind).iterdir() if each.is_dir())
        made.rename(place / f"format-1-{kind}")
        (place / kind).rmdir()


def _sweep(place: Path) -> None:
    request = SweepRequest(
        hookup=HookUp.STAGE,
        stage=STAGE,
        part="C7",
        nominal_farad=22e-9,
        tolerance=Tolerance(minus=0.1, plus=0.1),
        frequencies_hz=(20.0, 60.0, 200.0),
        simulated=True,
        seed=46,
        tags={"set": "Wrenfield 46 table receiver", "when": "before"},
    )
    links = direct_links(SETTINGS)
    with (
        patch("twonode.acquire.point.trace_pair", _thinned),
        Bench.from_links(generator=links.generator, scope=links.scope, clock=links.clock) as bench,
    ):
        list(run_sweep(bench, request, archive=place / "sweep"))


def _null(place: Path) -> None:
    request = NullRequest(node="generator lead", in_set=False, simulated=True, seed=46)
    links = direct_links(replace(SETTINGS, probe_nodes=(STAGE.drive, STAGE.drive)))
    with ExitStack() as short:
        short.enter_context(patch("twonode.acquire.nullpoint.SAMPLES_WANTED", 6000))
        short.enter_context(patch("twonode.acquire.nullpoint.trace_pair", _thinned))
        short.enter_context(patch("twonode.acquire.nullrun.SHORT_RECORD", 0))
        bench = short.enter_context(
            Bench.from_links(generator=links.generator, scope=links.scope, clock=links.clock)
        )
        list(run_null(bench, request, archive=place / "null"))


def _points(place: Path) -> None:
    (sweep,) = (place / "sweep").iterdir()
    lines = ["frequency Hz,ratio,phase deg"]
    for row in read_recording(sweep).points:
        assert row.ratio is not None
        angle = math.degrees(cmath.phase(row.ratio))
        lines.append(f"{row.frequency_hz:g},{abs(row.ratio):.3f},{angle:.1f}")
    table = place / "notebook.csv"
    table.write_text("\n".join(lines) + "\n", encoding="utf-8")
    stage = resources.files("twonode.analysis") / "stages" / "wrenfield-46-driver-output.toml"
    _command(
        *("archive", "import", str(table), "--stage", str(stage), "--part", "C7", "--no-picture"),
        *("--archive", str(place / "points")),
    )
    table.unlink()


def _command(*arguments: str) -> None:
    done = CliRunner().invoke(cli, arguments)
    assert done.exit_code == 0, done.output


def _thinned(capture: Capture) -> TracePair:
    whole = trace_pair(capture)
    return TracePair(
        drive=replace(whole.drive, codes=whole.drive.codes[::THINNED].copy()),
        far=replace(whole.far, codes=whole.far.codes[::THINNED].copy()),
        sample_interval_s=whole.sample_interval_s * THINNED,
    )


if __name__ == "__main__":
    make_examples(Path(sys.argv[1]))
