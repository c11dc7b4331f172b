"""``twonode simulate``: the simulated bench in a process of its own, for any program that speaks VISA."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from twonode.console.options import common_options, simulation_options
from twonode.console.simulation import Clips, family_options, misbehave_option

if TYPE_CHECKING:
    from twonode.drivers.simulated.misbehave import Misbehaviour

__all__ = ["simulate"]

_HINTS = {
    Clips.STAGE: "add to `twonode sweep ...`: --generator {generator} --scope {scope}",
    Clips.NULL: "twonode null --generator {generator} --scope {scope}",
    Clips.TRIAL: "twonode instruments --try {generator} {scope}",
}


@click.command()
@click.option(
    "--stage",
    "stage_file",
    type=click.Path(path_type=Path),
    help="Stage file with the circuit the bench is clipped to.  [default: the Wrenfield 46 of the demo]",
)
@click.option(
    "--clips",
    type=click.Choice([each.value for each in Clips]),
    default=Clips.STAGE.value,
    show_default=True,
    help="Where the probes are: stage (drive and far node, 10:1), null (both on the drive node, 10:1, as for "
    "`twonode null`), trial (both on the drive node, 1:1, as for `twonode instruments --try`).",
)
@family_options(hidden=False)
@click.option(
    "--line", type=click.Choice(["50", "60"]), default="50", show_default=True, help="Mains frequency, Hz."
)
@simulation_options
@misbehave_option(hidden=False)
@common_options
def simulate(
    stage_file: Path | None,
    clips: str,
    generator_family: str,
    scope_family: str,
    line: str,
    true: tuple[tuple[str, str], ...],
    faults: tuple[tuple[str, str, str | None], ...],
    seed: int,
    speed: float,
    misbehave: tuple[Misbehaviour, ...],
    as_json: bool,
    debug: bool,
) -> int:
    """Serve a simulated bench on this computer until interrupted (Ctrl-C).

    Prints three addresses, one a line, then what to type in a second terminal; only programs on this computer can
    reach them. The serial generators G3, G4 and G5 keep their own language there and do not answer *IDN?, so their
    profile has to be named.

    \b
    Example, in two terminals:
      twonode simulate --true C7=18n --seed 3
      twonode sweep --stage stage.toml --part C7 --generator ... --scope ...
    To rehearse the guided check of new instruments:
      twonode simulate --clips trial --scope-family S2
    What a program does when something goes wrong (the list: --misbehave help):
      twonode simulate --misbehave closed-inside-block@3 --misbehave hum@5
    """
    from twonode.analysis.stage import load_stage, shipped_stage
    from twonode.console.simulation import profile_options_for, simulated_settings
    from twonode.drivers.leaving import leaving
    from twonode.drivers.simulated import SimulatedBench

    del debug  # read from the command line before anything else can fail
    stage = load_stage(stage_file) if stage_file is not None else shipped_stage("wrenfield-46-driver-output")
    place = Clips(clips)
    settings = simulated_settings(
        stage,
        probe_factors=place.probe_factors,
        probe_nodes=(stage.drive, stage.drive) if place.on_one_node else None,
        seed=seed,
        true=true,
        faults=faults,
        line_hz=float(line),
        speed=speed,
        scope_family=scope_family,
        generator_family=generator_family,
        misbehave=misbehave,
    )
    with leaving(), SimulatedBench(settings) as bench:
        addresses = {
            "generator": bench.generator_resource,
            "scope": bench.scope_resource,
            "voltmeter": bench.voltmeter_resource,
        }
        if as_json:
            print(json.dumps({"format": 1, "simulated": True, "seed": seed, **addresses}), flush=True)
        else:
            for kind, resource in addresses.items():
                print(f"{kind} {resource}", flush=True)
            more = profile_options_for(generator_family, scope_family)
            click.echo(f"In another terminal: {_HINTS[place].format_map(addresses)}{more}", err=True)
            click.echo("Ctrl-C here ends it.", err=True)
        _wait_forever()
    return 0


def _wait_forever() -> None:
    import threading

    never = threading.Event()
    while True:
        # In pieces: on Windows an endless wait would not see Ctrl-C.
        never.wait(0.5)
