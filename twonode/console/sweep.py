"""``twonode sweep``: measure one capacitor, file the recording, say what the part is worth.

Owns the command's options and turning them into a request.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twonode.console.benches import bench_of, check_bench_options, unique_tags
from twonode.console.confirm import confirm_without_power, show_cautions
from twonode.console.options import (
    COMPANION,
    NO_NULL,
    NODE_VOLTS,
    PROBES,
    TAG,
    TOLERANCE,
    Quantity,
    archive_option,
    check_option,
    common_options,
    default_archive,
    named_null,
    picture_option,
    simulation_options,
)

if TYPE_CHECKING:
    from twonode.acquire import SweepRequest
    from twonode.analysis.hookup import HookUp
    from twonode.analysis.stage import Stage
    from twonode.drivers.bench import Bench
    from twonode.recordings import Recording

__all__ = ["sweep"]

# The ordinary grade of a new resistor with four bands (common practice, no source).
_USUAL_RESISTOR = "5%"


@click.command(
    epilog="Values are written as on a schematic: 22n, 4k7, 0.022uF, 10%, 20Hz. Exit status: 0 done, 1 not passed "
    "(--check), 2 wrong usage or bad file, 3 an instrument failed or the sweep was refused, 130 interrupted."
)
@click.option(
    "--hookup",
    type=click.Choice(["series", "shunt", "stage"]),
    help="How the part is wired: series (part between the nodes, known resistor from far node to ground), shunt "
    "(known resistor between the nodes, part to ground), stage (in circuit).  [default: stage where --stage is given]",
)
@click.option("--part", help="Name of the capacitor, such as C7.")
@click.option(
    "--expect",
    type=Quantity("F"),
    help="Value it should have, such as 22n; without it the part is looked for.",
)
@click.option(
    "--tolerance",
    type=TOLERANCE,
    help="Limits it is held against, such as 10% or -20/+100%.  [default: the stage's, else 20%]",
)
@click.option(
    "--resistor", type=Quantity("ohm"), help="Known resistor of the series or shunt hook-up, such as 100k."
)
@click.option(
    "--resistor-tolerance",
    type=TOLERANCE,
    help=f"How well it is known, such as 0.1%.  [default: {_USUAL_RESISTOR}]",
)
@click.option(
    "--stage",
    "stage_file",
    type=click.Path(path_type=Path),
    help="Stage file (TOML) with the circuit around the part.",
)
@click.option(
    "--companion",
    type=COMPANION,
    help='A known resistor or capacitor clipped on for a second sweep of a stage, such as "100k 0.1%".',
)
@click.option(
    "--across",
    type=click.Choice(["far", "part"]),
    help="Where the companion is: far node to ground, or across the part.  [default: far]",
)
@click.option("--drive", metavar="NODE", help="Node that is driven.  [default: the stage's]")
@click.option("--far", metavar="NODE", help="Node of channel 2.  [default: the stage's]")
@click.option(
    "--through",
    type=COMPANION,
    help='A known resistor between generator and driven node, such as "10k 1%": channel 1 goes to the generator\'s '
    "side of it, so that a bypass is seen from its own node.",
)
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
@click.option(
    "--probes", type=PROBES, default="10,10", show_default=True, help="Switch of channel 1's and 2's probe."
)
@click.option(
    "--line", type=click.Choice(["50", "60"]), default="50", show_default=True, help="Mains frequency, Hz."
)
@click.option("--generator", metavar="RESOURCE", help="VISA address of the generator.")
@click.option("--scope", metavar="RESOURCE", help="VISA address of the scope.")
@click.option(
    "--visa", type=click.Choice(["system", "python"]), help="VISA library.  [default: the system's, if any]"
)
@click.option(
    "--profile", "profiles", metavar="NAME", multiple=True, help="Command profile, where *IDN? is unknown."
)
@click.option("--simulated", is_flag=True, help="Use a simulated bench: no hardware, no confirmation.")
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

    SAFETY: never sweep a powered set. Before a sweep inside a set you are asked to confirm that it is unplugged,
    discharged and checked with a meter, and for the volts left at both nodes; 5 V or more is refused. A
    DC-blocking capacitor belongs in the generator lead, before channel 1. Untested on hardware.
    """
    from dataclasses import replace

    from twonode.acquire import check_request, sweep_of
    from twonode.console.filing import conclude, show
    from twonode.console.measuring import measure
    from twonode.drivers.leaving import leaving

    quiet = options["quiet"] or options["as_json"]
    archive: Path = options["archive"] or default_archive()
    check_bench_options(options)
    stage, hookup = _stage_of(options)
    _check_seen(stage, options, hookup)
    if not quiet:
        _show_hookup(hookup, stage)
    request = _request(options, stage, hookup)
    check_request(request)
    with leaving():
        with bench_of(options, stage) as bench:
            null = _null_run(bench, request, options["null"], archive=archive, quiet=quiet)
            if null is not None:
                request = replace(request, null=null.folder)
            recording = measure(
                bench, request, archive=archive, quiet=quiet, null=None if null is None else sweep_of(null)
            )
        # A null run from another folder is not found beside the sweep.
        places = () if null is None else (null.folder.resolve().parent,)
        outcome = conclude([recording], picture=options["picture"], places=places)
    status = show(outcome, as_json=options["as_json"], check=options["check"])
    if options["companion"] is not None and not quiet:
        click.echo(f"Together with the sweep without it: twonode estimate RECORDING {recording}", err=True)
    return status


def _null_run(
    bench: Bench, request: SweepRequest, wanted: str | None, *, archive: Path, quiet: bool
) -> Recording | None:
    """The null run to go by, said on the screen whether there is one or not."""
    from datetime import UTC, datetime

    from twonode.acquire import age_words, null_for_sweep

    if wanted == NO_NULL:
        return None
    null = null_for_sweep(bench, request, archive=archive, wanted=named_null(wanted))
    if not quiet:
        words = "No null run in the archive fits this scope and these probes; `twonode null` makes one."
        if null is not None:
            age = age_words(null.header.created_utc, datetime.now(UTC))
            words = f"Going by the null run made {age}: {null.folder}"
        click.echo(words, err=True)
    return null


def _stage_of(options: dict[str, Any]) -> tuple[Stage, HookUp]:
    """The circuit and the hook-up that the options describe, the asked part in it as it is expected."""
    from twonode.analysis.hookup import HookUp

    if options["hookup"] is None and options["stage_file"] is None:
        raise click.UsageError("Say how the part is wired: --hookup series, --hookup shunt, or --stage FILE")
    hookup = HookUp(options["hookup"] or "stage")
    for name in ("drive", "far", "through"):
        if hookup is not HookUp.STAGE and options[name] is not None:
            raise click.UsageError(f"--{name} belongs to the stage hook-up, not to --hookup {hookup.value}")
    if options["across"] is not None and options["companion"] is None:
        raise click.UsageError('--across needs --companion, such as --companion "100k 0.1%"')
    if hookup is HookUp.STAGE:
        return _with_companion(_from_file(options), options), hookup
    if options["companion"] is not None:
        raise click.UsageError(
            f"--companion belongs to the stage hook-up; --hookup {hookup.value} has its known resistor"
        )
    if options["stage_file"] is not None:
        raise click.UsageError(f"--stage belongs to the stage hook-up, not to --hookup {hookup.value}")
    return _from_fixture(options, hookup), hookup


def _from_file(options: dict[str, Any]) -> Stage:
    from dataclasses import replace

    from twonode.analysis.stage import load_stage

    if options["stage_file"] is None:
        raise click.UsageError("--hookup stage needs --stage FILE, the circuit around the part")
    if options["resistor"] is not None or options["resistor_tolerance"] is not None:
        raise click.UsageError("--resistor belongs to --hookup series or shunt; a stage has its own parts")
    stage = _clipped(load_stage(options["stage_file"]), options)
    part = stage.asked_part(options["part"])
    return stage.replace_part(
        replace(
            part,
            value=options["expect"] or part.value,
            tolerance=options["tolerance"] or part.tolerance_or_default(),
        )
    )


def _clipped(stage: Stage, options: dict[str, Any]) -> Stage:
    """The stage with generator and channels where --drive, --far and --through put them."""
    drive, far, through = options["drive"], options["far"], options["through"]
    if through is None:
        if drive is None and far is None:
            return stage
        from twonode.analysis.feeding import clipped

        return clipped(stage, drive=drive, far=far)
    from twonode.analysis.feeding import fed_through
    from twonode.analysis.stage import PartKind

    if through.kind is not PartKind.RESISTOR:
        raise click.UsageError('--through is a resistor, such as --through "10k 1%"')
    return fed_through(stage, through.value, through.tolerance, drive=drive, far=far)


def _check_seen(stage: Stage, options: dict[str, Any], hookup: HookUp) -> None:
    """Refuse a sweep that could not show the part, and say where to clip on."""
    from twonode.analysis.hookup import HookUp

    if hookup is HookUp.STAGE:
        from twonode.analysis.clips import check_seen

        check_seen(stage, stage.asked_part(options["part"]).name)


def _with_companion(stage: Stage, options: dict[str, Any]) -> Stage:
    """The stage with what is clipped on for this sweep."""
    if options["companion"] is None:
        return stage
    from twonode.analysis.companion import Across, companion_part, with_companion

    chosen = options["companion"]
    companion = companion_part(
        stage,
        stage.asked_part(options["part"]).name,
        kind=chosen.kind,
        value=chosen.value,
        tolerance=chosen.tolerance,
        across=Across(options["across"] or "far"),
    )
    return with_companion(stage, companion)


def _from_fixture(options: dict[str, Any], hookup: HookUp) -> Stage:
    from twonode.analysis.hookup import HookUp, series_stage, shunt_stage
    from twonode.analysis.quantities import parse_tolerance

    if options["resistor"] is None:
        raise click.UsageError(f"--hookup {hookup.value} needs --resistor, such as --resistor 100k")
    build = series_stage if hookup is HookUp.SERIES else shunt_stage
    return build(
        part=options["part"] or "C",
        value_farad=options["expect"] or _UNKNOWN_FARAD,
        tolerance=options["tolerance"] or parse_tolerance(_USUAL_TOLERANCE),
        resistor_ohm=options["resistor"],
        resistor_tolerance=options["resistor_tolerance"] or parse_tolerance(_USUAL_RESISTOR),
    )


_UNKNOWN_FARAD = 10e-9
"""Where the search for a part of which nothing is known begins: the middle of what a fixture reaches."""
_USUAL_TOLERANCE = "20%"
"""The ordinary grade of old parts (common practice, no source)."""


def _show_hookup(hookup: HookUp, stage: Stage) -> None:
    from twonode.analysis.hookup import hookup_drawing

    click.echo(hookup_drawing(hookup, stage) + "\n", err=True)


def _request(options: dict[str, Any], stage: Stage, hookup: HookUp) -> SweepRequest:
    from twonode.acquire import PlanKind, SweepRequest
    from twonode.analysis.hookup import HookUp

    asked = stage.asked_part(options["part"])
    unplugged, volts = options["unplugged_and_discharged"], options["node_volts"]
    if hookup is HookUp.STAGE and not options["simulated"]:
        show_cautions(companion=options["companion"] is not None)
        confirmation = confirm_without_power(stage, given=unplugged, node_volts=volts)
        unplugged, volts = confirmation.unplugged_and_discharged, confirmation.node_volts
    tags = unique_tags(options["tags"])
    return SweepRequest(
        hookup=hookup,
        stage=stage,
        part=asked.name,
        nominal_farad=None if hookup is not HookUp.STAGE and options["expect"] is None else asked.value,
        tolerance=asked.tolerance,
        plan=PlanKind(options["plan"]),
        from_hz=options["from_hz"],
        to_hz=options["to_hz"],
        points=options["points"],
        level_vpp=options["level_vpp"],
        probe_factors=options["probes"],
        line_hz=float(options["line"]),
        tags=tags,
        operator=tags.get("operator"),
        node_volts=volts,
        unplugged_and_discharged=unplugged,
        simulated=options["simulated"],
        seed=options["seed"] if options["simulated"] else None,
    )
