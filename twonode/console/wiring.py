"""How the part was wired, said on the command line: options and the stage they amount to.

Owns these for every command that takes readings of one part, measured or imported.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from twonode.console.options import COMPANION, TOLERANCE, Quantity

if TYPE_CHECKING:
    from twonode.analysis.hookup import HookUp
    from twonode.analysis.stage import Stage

__all__ = ["wired_stage", "wiring_options"]

F = TypeVar("F", bound=Callable[..., Any])

# The ordinary grade of a new resistor with four bands (common practice, no source).
_USUAL_RESISTOR = "5%"


def wiring_options(command: F) -> F:
    """--hookup, --part, --expect, --tolerance, --resistor, --stage, --companion and where the channels are."""
    for option in (
        click.option(
            "--through",
            type=COMPANION,
            help='A known resistor between generator and driven node, such as "10k 1%": channel 1 goes to the '
            "generator's side of it, so that a bypass is seen from its own node.",
        ),
        click.option("--far", metavar="NODE", help="Node of channel 2.  [default: the stage's]"),
        click.option("--drive", metavar="NODE", help="Node that is driven.  [default: the stage's]"),
        click.option(
            "--across",
            type=click.Choice(["far", "part"]),
            help="Where the companion is: far node to ground, or across the part.  [default: far]",
        ),
        click.option(
            "--companion",
            type=COMPANION,
            help='A known resistor or capacitor clipped on for a second sweep of a stage, such as "100k 0.1%".',
        ),
        click.option(
            "--stage",
            "stage_file",
            type=click.Path(path_type=Path),
            help="Stage file (TOML) with the circuit around the part.",
        ),
        click.option(
            "--resistor-tolerance",
            type=TOLERANCE,
            help=f"How well it is known, such as 0.1%.  [default: {_USUAL_RESISTOR}]",
        ),
        click.option(
            "--resistor",
            type=Quantity("ohm"),
            help="Known resistor of the series or shunt hook-up, such as 100k.",
        ),
        click.option(
            "--tolerance",
            type=TOLERANCE,
            help="Limits it is held against, such as 10% or -20/+100%.  [default: the stage's, else 20%]",
        ),
        click.option(
            "--expect",
            type=Quantity("F"),
            help="Value it should have, such as 22n; without it the part is looked for.",
        ),
        click.option("--part", help="Name of the capacitor, such as C7."),
        click.option(
            "--hookup",
            type=click.Choice(["series", "shunt", "stage"]),
            help="How the part is wired: series (part between the nodes, known resistor from far node to ground), "
            "shunt (known resistor between the nodes, part to ground), stage (in circuit).  "
            "[default: stage where --stage is given]",
        ),
    ):
        command = option(command)
    return command


def wired_stage(options: dict[str, Any]) -> tuple[Stage, HookUp]:
    """The circuit and the hook-up that the options describe, the asked part in it as it is expected.

    Raises click.UsageError, StageError, and AnalysisError where the ratio could not show the part.
    """
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
        stage = _with_companion(_from_file(options), options)
        _check_seen(stage, options)
        return stage, hookup
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


def _check_seen(stage: Stage, options: dict[str, Any]) -> None:
    """Refuse a sweep that could not show the part, and say where to clip on."""
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
