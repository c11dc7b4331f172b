"""``twonode sweep --continue RECORDING``: going on with a sweep that was interrupted.

Owns which options go with it, and opening the bench as the recording says it was. What is left to measure, and whether
it is the same bench, is for `acquire.resume` to say.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twonode.console.benches import bench_of, check_bench_options
from twonode.console.confirm import confirm_without_power, show_cautions
from twonode.console.options import default_archive

if TYPE_CHECKING:
    from twonode.console.debuglog import DebugLog
    from twonode.recordings import Recording

__all__ = ["continue_sweep"]

# What the recording says itself.
_FROM_THE_RECORDING = {
    **{"hookup": "--hookup", "part": "--part", "expect": "--expect", "tolerance": "--tolerance"},
    **{"resistor": "--resistor", "resistor_tolerance": "--resistor-tolerance", "stage_file": "--stage"},
    **{"companion": "--companion", "across": "--across", "drive": "--drive", "far": "--far"},
    **{"through": "--through", "from_hz": "--from", "to_hz": "--to", "points": "--points", "plan": "--plan"},
    **{"null": "--null", "level_vpp": "--level", "probes": "--probes", "line": "--line", "tags": "--tag"},
    "seed": "--seed",
}


def continue_sweep(options: dict[str, Any], *, quiet: bool, log: DebugLog) -> Path:
    """Measure what is missing; returns the new recording, which holds the old points too."""
    from twonode.acquire import check_request, sweep_of
    from twonode.acquire.resume import Resumed, incomplete_sweep, line_of, request_of
    from twonode.analysis.hookup import HookUp
    from twonode.console.measuring import measure
    from twonode.recordings import read_recording
    from twonode.recordings.lookup import named_folder

    _refuse_what_it_says_itself()
    archive: Path = options["archive"] or default_archive()
    recording = incomplete_sweep(named_folder(options["continue_"], archive, unfinished=True))
    if options["archive"] is None:
        archive = recording.folder.resolve().parent
    header, stage = recording.header, recording.stage
    assert stage is not None, "every sweep has one, which is checked when it is read"
    options["probes"] = (header.drive_probe.factor, header.far_probe.factor)
    options["line"] = f"{line_of(recording):g}"
    if header.conditions.seed is not None:
        options["seed"] = header.conditions.seed
    _same_kind_of_bench(options, recording)
    unplugged, volts = options["unplugged_and_discharged"], options["node_volts"]
    if header.hookup is HookUp.STAGE and not options["simulated"]:
        show_cautions()
        confirmation = confirm_without_power(stage, given=unplugged, node_volts=volts)
        unplugged, volts = confirmation.unplugged_and_discharged, confirmation.node_volts
    request = request_of(recording, node_volts=volts, unplugged_and_discharged=unplugged, places=(archive,))
    check_request(request)
    if not quiet:
        click.echo(f"Going on with {recording.folder}, which has {len(recording.points)} points.", err=True)
        if header.null is not None and request.null is None:
            click.echo(f"Its null run ({header.null.recording}) cannot be used; going on without.", err=True)
    null = None if request.null is None else sweep_of(read_recording(request.null))
    with bench_of(options, stage) as bench:
        return measure(
            bench,
            request,
            archive=archive,
            quiet=quiet,
            null=null,
            resumed=Resumed(recording=recording),
            log=log,
        )


def _refuse_what_it_says_itself() -> None:
    from click.core import ParameterSource

    context = click.get_current_context()
    for name, option in _FROM_THE_RECORDING.items():
        if context.get_parameter_source(name) is ParameterSource.COMMANDLINE:
            raise click.UsageError(
                f"{option} and --continue exclude each other: the recording says it itself"
            )


def _same_kind_of_bench(options: dict[str, Any], recording: Recording) -> None:
    """Instruments where the recording found them, unless others are named; a simulated sweep on a simulated bench."""
    header = recording.header
    if header.conditions.simulated != options["simulated"]:
        word = (
            "was made on a simulated bench; add"
            if header.conditions.simulated
            else "was no simulation; leave out"
        )
        raise click.UsageError(f"{recording.name} {word} --simulated")
    if options["simulated"]:
        for instrument in header.instruments:
            _use_family(options, instrument.role.value, instrument.identity)
    else:
        for instrument in header.instruments:
            options[instrument.role.value] = options.get(instrument.role.value) or instrument.resource
    check_bench_options(options)


def _use_family(options: dict[str, Any], role: str, identity: str) -> None:
    """The dialect that a simulated instrument spoke, by its reply to *IDN?."""
    from twonode.console.simulation import GENERATOR_FAMILIES, SCOPE_FAMILIES

    families = SCOPE_FAMILIES if role == "scope" else GENERATOR_FAMILIES
    for family in families:
        if f"-{family.upper()}," in identity.upper():
            options[f"{role}_family"] = family
