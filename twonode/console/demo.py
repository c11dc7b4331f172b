"""``twonode demo``: the whole job once, on the simulated bench, into a recording with its picture."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from twonode.console.options import ARCHIVE_VARIABLE, FAULT, check_option, common_options

if TYPE_CHECKING:
    from twonode.analysis.stage import Stage

__all__ = ["demo"]

_STAGE = "wrenfield-46-driver-output"
_PART = "C7"
_READ_BEFOREHAND = ("R12", "482k ± 0.5%")


@click.command()
@click.option(
    "--fault",
    "faults",
    type=FAULT,
    multiple=True,
    help="What is wrong with a part: C7=open, C7=shorted, C7=leaky:2M, C7=off:15n.",
)
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="All chance comes from it."
)
@click.option(
    "--archive",
    type=click.Path(path_type=Path, file_okay=False),
    envvar=ARCHIVE_VARIABLE,
    help="Folder the recording is filed in.  [default: twonode-demo in the current folder]",
)
@check_option
@click.option("--quiet", is_flag=True, help="No progress.")
@click.option("--speed", type=click.FloatRange(0.01, 100.0), default=1.0, hidden=True)
@common_options
def demo(
    faults: tuple[tuple[str, str, str | None], ...],
    seed: int,
    archive: Path | None,
    check: bool,
    quiet: bool,
    speed: float,
    as_json: bool,
    debug: bool,
) -> int:
    """Do the whole job once on a simulated bench: no hardware needed, nothing can go wrong.

    The coupling capacitor C7 of the invented Wrenfield 46 table receiver is measured in its stage, judged, and
    filed with a picture. It takes less than half a minute.

    \b
    Examples:
      twonode demo
      twonode demo --fault C7=leaky:2M
      twonode demo --fault C7=open --seed 7
    """
    from twonode.acquire import SweepRequest, check_request
    from twonode.analysis.hookup import HookUp
    from twonode.console.benches import simulated_bench
    from twonode.console.filing import conclude, show
    from twonode.console.measuring import measure
    from twonode.console.simulation import simulated_settings
    from twonode.drivers.leaving import leaving

    del debug  # read from the command line before anything else can fail
    stage = _demo_stage({part for part, _, _ in faults})
    asked = stage.asked_part(_PART)
    request = SweepRequest(
        hookup=HookUp.STAGE,
        stage=stage,
        part=asked.name,
        nominal_farad=asked.value,
        tolerance=asked.tolerance,
        tags={"set": "wrenfield-46", "position": asked.name},
        simulated=True,
        seed=seed,
    )
    check_request(request)
    settings = simulated_settings(stage, seed=seed, faults=faults, speed=speed)
    if not as_json:
        click.echo(f"SIMULATED BENCH, seed {seed}: no hardware is used, and no real part was measured.")
        click.echo(f"{stage.title}; in question: {asked.name}.{_readings(stage)}")
    with leaving():
        with simulated_bench(settings) as bench:
            recording = measure(
                bench, request, archive=archive or Path("twonode-demo"), quiet=quiet or as_json
            )
        outcome = conclude([recording], picture=True)
    return show(outcome, as_json=as_json, check=check)


def _readings(stage: Stage) -> str:
    name, reading = _READ_BEFOREHAND
    return f" An ohmmeter read {name} as {reading}." if stage.part(name).measured is not None else ""


def _demo_stage(faulty: set[str]) -> Stage:
    """The shipped stage, its grid leak read with an ohmmeter beforehand, unless that part is the faulty one."""
    from dataclasses import replace

    from twonode.analysis.quantities import parse_measured
    from twonode.analysis.stage import shipped_stage

    stage = shipped_stage(_STAGE)
    name, reading = _READ_BEFOREHAND
    if name in faulty:
        return stage
    part = stage.part(name)
    return stage.replace_part(replace(part, measured=parse_measured(reading, part.kind.unit)))
