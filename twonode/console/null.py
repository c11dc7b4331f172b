"""``twonode null``: both probes on one node, to measure what the two channels do differently.

Owns the command's options, its hook-up drawing and what is shown of the result.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twonode.console.benches import bench_of, check_bench_options, unique_tags
from twonode.console.confirm import confirm_node_without_power, show_cautions
from twonode.console.debuglog import debug_log
from twonode.console.exits import Exit
from twonode.console.options import (
    TAG,
    Quantity,
    archive_option,
    bench_options,
    common_options,
    default_archive,
)
from twonode.console.simulation import family_options, misbehave_option

if TYPE_CHECKING:
    from twonode.acquire import NullRequest
    from twonode.analysis.channels_compared import ChannelDifferences, Difference
    from twonode.analysis.stage import Part, Stage
    from twonode.recordings import Recording

__all__ = ["null", "null_lines", "null_request", "null_stage"]

_LEAD = """\
                      CHANNEL 1   CHANNEL 2
                            \\     /
                        tip  \\   /  tip
 generator o--||---+----------*----{onward}
                   |
                [1 Mohm]
                   |
 shield    o-------+--- ground: both ground clips here

 --||--    blocking capacitor in the generator's lead, as for the sweeps
 [1 Mohm]  bleeder: empties it"""
_ALONE = " nothing else: take the lead off the set"
_IN_SET = "<{node}>, the set unplugged and discharged"

_LOOSE_TRIMMING = 0.04


@click.command(
    epilog="Exit status: 0 done, 2 wrong usage or bad file, 3 an instrument failed or the run was refused (such as "
    "for probes that are still on two nodes), 130 interrupted."
)
@click.option(
    "--stage",
    "stage_file",
    type=click.Path(path_type=Path),
    help="Stage file, if the clips stay on its drive node inside the set.  [default: the generator's lead alone]",
)
@click.option(
    "--level",
    "level_vpp",
    type=Quantity("V"),
    help="Generator, V peak-to-peak, open circuit: that of the sweeps to follow, or more.  [default: 2, and 0.6 "
    "where --stage has a polarised part at the drive node]",
)
@bench_options
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Of the simulated bench.")
@click.option("--speed", type=click.FloatRange(0.01, 100.0), default=1.0, hidden=True)
@family_options(hidden=True)
@misbehave_option(hidden=True)
@click.option(
    "--unplugged-and-discharged",
    is_flag=True,
    help="For scripts, with --stage: the set is unplugged, discharged and checked with a meter.",
)
@click.option(
    "--node-volts", type=Quantity("V"), help="For scripts, with --stage: volts left at the node, such as 0.1."
)
@click.option("--tag", "tags", type=TAG, multiple=True, help="Filed with it: bench=..., operator=...")
@archive_option
@click.option("--quiet", is_flag=True, help="No progress, drawing or notes; cautions still appear.")
@common_options
def null(**options: Any) -> int:
    """Measure what the two channels do differently, so that no sweep takes it for the part.

    Two probes are never trimmed alike, and every range of a scope has its own gain error of a per cent or two. With
    both probes on one node all that shows up by itself. It takes some seconds, is filed like a sweep, and the sweeps
    after it go by the newest one that fits scope and probes.

    \b
    Clip both probes to the generator's lead, then:
      twonode null --generator TCPIP0::192.168.1.20::5025::SOCKET
                   --scope TCPIP0::192.168.1.21::5555::SOCKET
    Without any hardware (the same --seed as the sweep's):
      twonode null --simulated --seed 7
      twonode sweep --stage stage.toml --part C7 --simulated --seed 7

    Do it again when a probe, its trimming or the scope has changed, or after some hours: scopes drift.

    SAFETY: inside a set (--stage) only with the set unplugged, discharged and checked with a meter; 5 V or more is
    refused. Better take the clips off the set. Untested on hardware.
    """
    from twonode.acquire import check_null_request
    from twonode.console.measuring import measure
    from twonode.drivers.leaving import leaving

    as_json = options["as_json"]
    quiet = options["quiet"] or as_json
    check_bench_options(options)
    stage = null_stage(options)
    if not quiet:
        onward = _IN_SET.format(node=stage.drive) if options["stage_file"] is not None else _ALONE
        click.echo(_LEAD.format(onward=onward) + "\n", err=True)
    request = null_request(options, stage)
    check_null_request(request)
    with debug_log(options["debug"]) as log, leaving(), bench_of(options, stage, one_node=True) as bench:
        archive = options["archive"] or default_archive()
        folder = measure(bench, request, archive=archive, quiet=quiet, log=log)
    _show(folder, as_json=as_json)
    return Exit.DONE


def null_stage(options: Mapping[str, Any]) -> Stage:
    """The stage named with --stage, else one for the simulated bench. Raises StageError."""
    if options["stage_file"] is not None:
        from twonode.analysis.stage import load_stage

        return load_stage(options["stage_file"])
    from twonode.analysis.hookup import series_stage

    # For the simulated bench: a load that hardly is one.
    return series_stage(part="C", value_farad=1e-9, tolerance=None, resistor_ohm=1e6, resistor_tolerance=None)


def null_request(options: Mapping[str, Any], stage: Stage) -> NullRequest:
    """The request that the options describe; inside a set the person at the keyboard is asked to confirm it.

    stage : as `null_stage` gives it.

    Raises UsageError for a tag that is given twice, UnfitRequest where it was not confirmed.
    """
    from twonode.acquire import NullRequest
    from twonode.acquire.request import is_polarised

    in_set = options["stage_file"] is not None
    unplugged, volts = options["unplugged_and_discharged"], options["node_volts"]
    if in_set and not options["simulated"]:
        show_cautions()
        unplugged, volts = confirm_node_without_power(stage.drive, given=unplugged, node_volts=volts)
    tags = unique_tags(options["tags"])
    return NullRequest(
        node=stage.drive if in_set else "generator lead",
        in_set=in_set,
        probe_factors=options["probes"],
        line_hz=float(options["line"]),
        level_vpp=options["level_vpp"],
        polarised=in_set and any(stage.drive in p.between and is_polarised(p) for p in _capacitors(stage)),
        node_volts=volts,
        unplugged_and_discharged=unplugged,
        tags=tags,
        operator=tags.get("operator"),
        simulated=options["simulated"],
        seed=options["seed"] if options["simulated"] else None,
    )


def _capacitors(stage: Stage) -> list[Part]:
    from twonode.analysis.stage import PartKind

    return [part for part in stage.parts if part.kind is PartKind.CAPACITOR]


def _show(folder: Path, *, as_json: bool) -> None:
    """What was found, on standard output."""
    from twonode.acquire import sweep_of
    from twonode.analysis.channels_compared import compare_channels
    from twonode.recordings import read_recording

    recording = read_recording(folder)
    found = compare_channels(sweep_of(recording))
    if as_json:
        print(json.dumps(_document(recording, found)))
        return
    for line in null_lines(recording, found):
        click.echo(line)


def _document(recording: Recording, found: ChannelDifferences) -> dict[str, Any]:
    def figure(difference: Difference | None, unit: str) -> dict[str, Any] | None:
        if difference is None:
            return None
        return {
            "value": difference.value,
            "standard_uncertainty": difference.standard_uncertainty,
            "unit": unit,
        }

    rows, used = recording.points, recording.used
    return {
        "format": 1,
        "recording": str(recording.folder),
        "conditions": {
            "level_vpp": recording.header.conditions.level_vpp,
            "probe_factors": [recording.header.drive_probe.factor, recording.header.far_probe.factor],
            "simulated": recording.header.conditions.simulated,
        },
        "channels": {
            "gain": figure(found.gain, ""),
            "trimming": figure(found.trimming, ""),
            "skew": figure(found.skew_s, "s"),
        },
        "ranges_volts_per_div": {
            "channel_1": sorted({row.ranges_volts_per_div[0] for row in used}),
            "channel_2": sorted({row.ranges_volts_per_div[1] for row in used}),
        },
        "fit": {
            "points": len(used),
            "refused": len(rows) - len(used),
            "reduced_chi_square": found.reduced_chi_square,
        },
    }


def null_lines(recording: Recording, found: ChannelDifferences) -> list[str]:
    """What a null run found, in words, and where it is kept."""
    from twonode.analysis.quantities import format_quantity

    far = sorted({row.ranges_volts_per_div[1] for row in recording.used})
    gain, sure = 100 * found.gain.value, 200 * found.gain.standard_uncertainty
    lines = [
        f"Channels compared: {len(recording.used)} points, channel 2 from {format_quantity(far[0], 'V')}/div "
        f"to {format_quantity(far[-1], 'V')}/div.",
        f"  Channel 2 reads {gain:+.2f} % ± {sure:.2f} % against channel 1, both on {_usual_range(recording)}.",
    ]
    if found.trimming is not None:
        apart, spread = 100 * abs(found.trimming.value), 200 * found.trimming.standard_uncertainty
        lines.append(f"  The probes are trimmed {apart:.1f} % ± {spread:.1f} % apart.")
        if abs(found.trimming.value) > _LOOSE_TRIMMING:
            lines.append("  That is a lot: trim both on a square wave, then do the null run again.")
    delay = format_quantity(abs(found.skew_s.value), "s", 2)
    lines.append(f"  Channel 2 is {delay} {'late' if found.skew_s.value > 0 else 'early'}.")
    where = "SIMULATED BENCH" if recording.header.conditions.simulated else "untested on hardware"
    lines.append(f"  The sweeps after this one go by it ({where}).")
    lines.append(f"Recording: {recording.folder}")
    return lines


def _usual_range(recording: Recording) -> str:
    from twonode.analysis.quantities import format_quantity

    return f"{format_quantity(recording.used[0].ranges_volts_per_div[0], 'V')}/div"
