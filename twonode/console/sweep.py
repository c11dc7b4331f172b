"""``twonode sweep``: measure one capacitor, file the recording, say what the part is worth.

Owns the command's options and turning them into a request.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twonode.console.benches import bench_of, check_bench_options
from twonode.console.confirm import confirm_without_power, show_cautions
from twonode.console.options import (
    NODE_VOLTS,
    TAG,
    Quantity,
    archive_option,
    bench_options,
    check_option,
    common_options,
    default_archive,
    picture_option,
    simulation_options,
)
from twonode.console.simulation import family_options, misbehave_option
from twonode.console.sweeping import null_to_go_by, sweep_request
from twonode.console.wiring import wired_stage, wiring_options

if TYPE_CHECKING:
    from twonode.acquire import SweepRequest
    from twonode.analysis.hookup import HookUp
    from twonode.analysis.stage import Stage
    from twonode.console.debuglog import DebugLog
    from twonode.console.filing import Outcome
    from twonode.drivers.bench import Bench
    from twonode.recordings import Recording

__all__ = ["sweep"]


@click.command(
    epilog="Values are written as on a schematic: 22n, 4k7, 0.022uF, 10%, 20Hz. Exit status: 0 done, 1 not passed "
    "(--check), 2 wrong usage or bad file, 3 an instrument failed or the sweep was refused, 130 interrupted."
)
@click.option(
    "--continue",
    "continue_",
    metavar="RECORDING",
    help="Go on with a sweep that was interrupted: a new recording takes its points over and adds what is missing. "
    "The old one stays as it is; of the two, give only the new one to other commands.",
)
@wiring_options
@click.option("--from", "from_hz", type=Quantity("Hz"), help="Lowest frequency.  [default: chosen]")
@click.option("--to", "to_hz", type=Quantity("Hz"), help="Highest frequency.  [default: chosen]")
@click.option("--points", type=int, help="Number of frequencies.  [default: as many as are needed]")
@click.option(
    "--plan",
    type=click.Choice(["information", "even"]),
    default="information",
    show_default=True,
    help="How frequencies are chosen: where the next one tells most for its time, or evenly spaced.",
)
@click.option(
    "--null",
    metavar="RECORDING|none",
    help="Null run to use, or none.  [default: the newest in the archive that fits scope and probes]",
)
@click.option("--level", "level_vpp", type=Quantity("V"), help="Generator, V peak-to-peak, open circuit.")
@bench_options
@click.option(
    "--unplugged-and-discharged",
    is_flag=True,
    help="For scripts: the set is unplugged, discharged and checked with a meter.",
)
@click.option(
    "--node-volts", type=NODE_VOLTS, help="For scripts: volts left at drive and far node, such as 0.3,0.1."
)
@click.option(
    "--tag", "tags", type=TAG, multiple=True, help="Filed with it: set=..., serial=..., position=..."
)
@simulation_options
@family_options(hidden=True)
@misbehave_option(hidden=True)
@archive_option
@picture_option
@check_option
@click.option("--quiet", is_flag=True, help="No progress, drawing or notes; cautions still appear.")
@common_options
def sweep(**options: Any) -> int:
    """Measure one capacitor over frequency and say what it is worth in the circuit.

    \b
    A loose part with a known resistor:
      twonode sweep --hookup series --part C7 --expect 22n --tolerance 10%
                    --resistor 100k --resistor-tolerance 0.1%
                    --generator TCPIP0::192.168.1.20::5025::SOCKET
                    --scope TCPIP0::192.168.1.21::5555::SOCKET
    A part inside its stage (the set UNPLUGGED, discharged, checked):
      twonode sweep --stage stage.toml --part C7 --generator ... --scope ...
    A bypass at the driven node, seen through a known resistor:
      twonode sweep --stage stage.toml --part C6 --through "10k 1%"
                    --far "driver anode" --generator ... --scope ...
    A second sweep with a known resistor clipped on, then both together:
      twonode sweep --stage stage.toml --part C7 --companion "100k 0.1%" ...
      twonode estimate RECORDING1 RECORDING2
    The same without any hardware:
      twonode sweep --stage stage.toml --part C7 --simulated
    Going on after a cable fell out (same instruments, same wiring):
      twonode sweep --continue RECORDING

    SAFETY: never sweep a powered set. Before a sweep inside a set you are asked to confirm that it is unplugged,
    discharged and checked with a meter, and for the volts left at both nodes; 5 V or more is refused. A
    DC-blocking capacitor belongs in the generator lead, before channel 1. Untested on hardware.
    """
    from twonode.console.continuing import continue_sweep
    from twonode.console.debuglog import debug_log
    from twonode.console.filing import show
    from twonode.drivers.errors import OutputUnknown
    from twonode.drivers.leaving import leaving

    quiet = options["quiet"] or options["as_json"]
    with leaving():
        places: tuple[Path, ...] = ()
        with debug_log(options["debug"]) as log:
            try:
                if options["continue_"] is not None:
                    recording = continue_sweep(options, quiet=quiet, log=log)
                else:
                    recording, places = _measured(options, quiet=quiet, log=log)
            except OutputUnknown as exc:
                for folder in log.folders:
                    exc.add_note(f"All points are measured and kept; twonode estimate {folder}")
                raise
        outcome = _concluded(recording, picture=options["picture"], places=places)
    status = show(outcome, as_json=options["as_json"], check=options["check"])
    if options["companion"] is not None and not quiet:
        click.echo(f"Together with the sweep without it: twonode estimate RECORDING {recording}", err=True)
    return status


def _concluded(recording: Path, *, picture: bool, places: tuple[Path, ...]) -> Outcome:
    """What the sweep tells. Raises SweepFailed, naming the recording, where its points cannot carry an estimate."""
    from twonode.acquire.errors import SweepFailed
    from twonode.analysis.estimate import EstimateError
    from twonode.console.filing import conclude

    try:
        return conclude([recording], picture=picture, places=places)
    except EstimateError as exc:
        raise SweepFailed(
            exc.what, exc.why, f"{exc.do} What was measured is kept: twonode archive show {recording}"
        ) from exc


def _measured(options: dict[str, Any], *, quiet: bool, log: DebugLog) -> tuple[Path, tuple[Path, ...]]:
    """A sweep from its beginning: its recording, and where its null run lies."""
    from dataclasses import replace

    from twonode.acquire import check_request, sweep_of
    from twonode.console.measuring import measure

    archive: Path = options["archive"] or default_archive()
    check_bench_options(options)
    stage, hookup = wired_stage(options)
    if not quiet:
        _show_hookup(hookup, stage)
    request = _request(options, stage, hookup)
    check_request(request)
    with bench_of(options, stage) as bench:
        null = _null_run(bench, request, options["null"], archive=archive, quiet=quiet)
        if null is not None:
            request = replace(request, null=null.folder)
        recording = measure(
            bench,
            request,
            archive=archive,
            quiet=quiet,
            null=None if null is None else sweep_of(null),
            log=log,
        )
    # A null run from another folder is not found beside the sweep.
    return recording, () if null is None else (null.folder.resolve().parent,)


def _null_run(
    bench: Bench, request: SweepRequest, wanted: str | None, *, archive: Path, quiet: bool
) -> Recording | None:
    """The null run to go by, said on the screen whether there is one or not."""
    null, words = null_to_go_by(bench, request, wanted, archive=archive)
    if words is not None and not quiet:
        click.echo(words, err=True)
    return null


def _show_hookup(hookup: HookUp, stage: Stage) -> None:
    from twonode.analysis.hookup import hookup_drawing

    click.echo(hookup_drawing(hookup, stage) + "\n", err=True)


def _request(options: dict[str, Any], stage: Stage, hookup: HookUp) -> SweepRequest:
    from twonode.analysis.hookup import HookUp

    unplugged, volts = options["unplugged_and_discharged"], options["node_volts"]
    if hookup is HookUp.STAGE and not options["simulated"]:
        show_cautions(companion=options["companion"] is not None)
        confirmation = confirm_without_power(stage, given=unplugged, node_volts=volts)
        unplugged, volts = confirmation.unplugged_and_discharged, confirmation.node_volts
    return sweep_request(options, stage, hookup, unplugged=unplugged, node_volts=volts)
