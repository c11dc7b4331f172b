"""``twonode explain``: where each frequency goes in a stage, and what each fault would do.

Owns the command's options and the tables on the screen. Works nothing out itself.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twonode.console.options import Quantity, common_options

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from twonode.analysis.explain import StageExplained
    from twonode.analysis.paths import SignalPaths
    from twonode.analysis.stage import Stage
    from twonode.analysis.what_if import Effect

__all__ = ["explain", "stage_named"]

_WIDEST = 100
_FREQUENCIES_A_TABLE = 6


@click.command(
    epilog="Values are written as on a schematic: 455k, 1MHz, 10k, 2M2. Exit status: 0 done, 2 wrong usage or bad file."
)
@click.argument("stage_name", metavar="[STAGE]", required=False)
@click.option("--list", "list_stages", is_flag=True, help="List the stages that come with the program.")
@click.option(
    "--at",
    "at_hz",
    type=Quantity("Hz"),
    multiple=True,
    help="A frequency to look at; may be repeated.  [default: 100Hz, 400Hz, 1kHz, 5kHz, 455kHz, 1MHz]",
)
@click.option(
    "--what-if",
    "what_if",
    metavar="PART=FAULT",
    help="Compare with one fault: C6=open, C7=shorted, C7=leaky:2M, R9=halved, R9=doubled, C7=off:15n.",
)
@click.option(
    "--source",
    "source_ohm",
    type=Quantity("ohm"),
    help="Resistance of what feeds the drive node: a valve's anode resistance, a generator's resistor.  "
    "[default: 1M, a pentode]",
)
@click.option(
    "--picture",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Draw it as a PNG: shares over frequency, healthy and faulty stages.",
)
@click.option("--no-picture", is_flag=True, help="Draw nothing.  [default]")
@common_options
def explain(
    stage_name: str | None,
    list_stages: bool,
    at_hz: tuple[float, ...],
    what_if: str | None,
    source_ohm: float | None,
    picture: Path | None,
    no_picture: bool,
    as_json: bool,
    debug: bool,
) -> int:
    """Show where each frequency goes in a stage, and what each fault would do.

    STAGE is a stage file, or the name of a stage that comes with the program (--list). Everything is worked out from
    the stage's stated values; nothing is measured. Shares are magnitudes: the current of one path over the sum of all
    of them. DC volts are those of the resistors alone, no valve drawing current.

    \b
    Examples:
      twonode explain --list
      twonode explain wrenfield-46-driver-output
      twonode explain coupling-with-bypass --what-if C2=open --source 60k
      twonode explain my-stage.toml --at 50Hz --at 455kHz --picture my-stage.png

    SAFETY: DC volts are checked on a live set, which can kill: meter work only, by who may do it.
    """
    del debug  # read from the command line before anything else can fail
    if list_stages:
        return _list(as_json=as_json)
    if stage_name is None:
        raise click.UsageError(
            "STAGE is missing; `twonode explain --list` lists those that come with the program"
        )
    if picture is not None and no_picture:
        raise click.UsageError("--picture and --no-picture exclude each other")
    if picture is not None and picture.suffix.lower() != ".png":
        raise click.UsageError(f"--picture: {picture.name} must end in .png, which is what is drawn")
    from twonode.analysis.explain import DEFAULT_HZ, explain_stage, explained_document
    from twonode.analysis.single_fault import parse_fault
    from twonode.analysis.what_if import FEED_OHM
    from twonode.cautions import DC_CAUTIONS

    stage = stage_named(stage_name)
    explained = explain_stage(
        stage,
        at_hz or DEFAULT_HZ,
        source_ohm=FEED_OHM if source_ohm is None else source_ohm,
        what_if=None if what_if is None else parse_fault(what_if, stage),
    )
    if picture is not None:
        _draw(explained, picture)
    if as_json:
        document = explained_document(explained)
        document["cautions"] = list(DC_CAUTIONS) if explained.dc is not None else []
        document["picture"] = None if picture is None else str(picture)
        print(json.dumps(document, allow_nan=False))
    else:
        _show(explained, given_source=source_ohm is not None, cautions=DC_CAUTIONS)
        if picture is not None:
            click.echo(f"Picture: {picture}")
    return 0


def _list(*, as_json: bool) -> int:
    from twonode.analysis.stage import shipped_stage, shipped_stage_names

    titles = {name: shipped_stage(name).title for name in shipped_stage_names()}
    if as_json:
        stages = [{"name": name, "title": title} for name, title in titles.items()]
        print(json.dumps({"format": 1, "stages": stages}))
        return 0
    widest = max(len(name) for name in titles)
    for name, title in titles.items():
        click.echo(f"{name:<{widest}}  {title}")
    click.echo("\nShow one: twonode explain NAME")
    return 0


def stage_named(name: str) -> Stage:
    """A file where there is one, or where the name can only be that of a file; else a shipped stage."""
    from twonode.analysis.stage import load_stage, shipped_stage

    path = Path(name)
    if path.is_file() or path.suffix.lower() == ".toml" or len(path.parts) > 1:
        return load_stage(path)
    return shipped_stage(name)


def _draw(explained: StageExplained, target: Path) -> None:
    from twonode.analysis.stage_picture import stage_picture_png
    from twonode.errors import TwonodeError

    content = stage_picture_png(explained)
    try:
        target.write_bytes(content)
    except OSError as exc:
        raise TwonodeError(
            f"The picture {target} cannot be written ({exc.strerror or exc}).",
            "Without it only the tables remain.",
            "Name a file in a folder that exists and that you may write to.",
        ) from exc


def _show(explained: StageExplained, *, given_source: bool, cautions: Sequence[str]) -> None:
    from rich.console import Console

    from twonode.analysis.explain import corner_words
    from twonode.analysis.quantities import format_quantity

    console = Console(highlight=False, emoji=False, markup=False)
    console.width = min(console.width, _WIDEST)
    stage = explained.stage
    console.print(stage.title, style="bold")
    console.print(explained.opening)
    console.print("Worked out from the stage's stated values: nothing was measured.")
    source = format_quantity(explained.sound.source_ohm, "ohm")
    console.print(
        f"Fed at the {stage.drive} from {source}"
        + ("." if given_source else " (a pentode; give a triode's anode resistance with --source).")
    )
    comparison = explained.comparison
    if comparison is not None:
        from twonode.analysis.single_fault import fault_words

        fault = f"{comparison.fault.part} {fault_words(comparison.fault, stage)}"
        console.print(f"What if: {fault}? {_sentence(comparison.effect)}", style="bold")
    _show_paths(console, explained, None if comparison is None else comparison.paths)
    console.print(f"The {stage.far} against the {stage.drive}: {corner_words(explained.ratio_corners)}.")
    console.print(f"The {stage.far} against the source: {corner_words(explained.fed_corners)}.")
    if comparison is not None:
        console.print(f"  with {fault}: {corner_words(comparison.corners)}.")
    _show_dc(console, explained, cautions)
    if comparison is None:
        _show_faults(console, explained)


def _sentence(effect: Effect) -> str:
    words = "; ".join(effect.words)
    return f"{words[0].upper()}{words[1:]}."


def _table(console: Console, title: str, first: str, columns: Sequence[str]) -> Table:
    """A table without its rows; its title is printed at once, for rich would wrap it to the table's width."""
    from rich import box
    from rich.table import Table

    console.print()
    console.print(title, style="bold")
    table = Table(
        box=box.SIMPLE_HEAD,
        pad_edge=False,
        show_edge=False,
        collapse_padding=True,
        header_style="none",
    )
    table.add_column(first, overflow="fold")
    for name in columns:
        table.add_column(name, justify="right", no_wrap=True)
    return table


def _show_paths(console: Console, explained: StageExplained, faulty: SignalPaths | None) -> None:
    """The shares and levels, a few frequencies at a time; with a fault each row has a second one below it."""
    from twonode.analysis.explain import way_words
    from twonode.analysis.explain_table import hertz_cell, level_cell, node_levels, share_cell

    paths = explained.paths
    count = paths.frequency_hz.size
    starts = range(0, count, _FREQUENCIES_A_TABLE)
    single = all(branch.end in _held(explained.stage) for branch in paths.leaving(paths.drive))
    for start in starts:
        here = slice(start, min(start + _FREQUENCIES_A_TABLE, count))
        heads = [hertz_cell(hz) for hz in paths.frequency_hz[here]]
        leaving = {f"{b.part} to {b.end}": b.share for b in paths.leaving(paths.drive)}
        other = (
            {} if faulty is None else {f"{b.part} to {b.end}": b.share for b in faulty.leaving(paths.drive)}
        )
        _rows(
            console,
            f"Signal current leaving the {paths.drive}",
            "through",
            heads,
            leaving,
            other,
            here,
            share_cell,
        )
        if not single:
            ground = {way_words(b): b.share for b in paths.ground}
            other = {} if faulty is None else {way_words(b): b.share for b in faulty.ground}
            _rows(console, "Where it reaches ground", "by way of", heads, ground, other, here, share_cell)
        _rows(
            console,
            "Level, dB",
            "",
            heads,
            node_levels(paths),
            {} if faulty is None else node_levels(faulty),
            here,
            level_cell,
        )


def _held(stage: Stage) -> frozenset[str]:
    from twonode.analysis.paths import signal_ground

    return signal_ground(stage.parts)


def _rows(
    console: Console,
    title: str,
    first: str,
    heads: Sequence[str],
    values: dict[str, Any],
    faulty: dict[str, Any],
    here: slice,
    form: Any,
) -> None:
    table = _table(console, title, first, heads)
    for name, row in values.items():
        table.add_row(name, *(form(value) for value in row[here]))
        if name in faulty:
            table.add_row("  with the fault", *(form(value) for value in faulty[name][here]))
    console.print(table)


def _show_dc(console: Console, explained: StageExplained, cautions: Sequence[str]) -> None:
    from twonode.analysis.explain_table import dc_share_words
    from twonode.analysis.what_if import volts_words

    if explained.dc is None:
        console.print()
        reach = dc_share_words(explained.dc_share, explained.stage.drive)
        console.print(f"DC: the stage names no supply; the {explained.stage.far} {reach}.")
        return
    comparison = explained.comparison
    faulty = None if comparison is None else comparison.dc
    table = _table(
        console,
        "DC with HT on, resistors alone (no valve draws current)",
        "node",
        ["as it should be", *(["with the fault"] if faulty else [])],
    )
    for node, volts in explained.dc.items():
        cells = [volts] if faulty is None else [volts, faulty[node]]
        table.add_row(node, *("floating" if each is None else volts_words(each) for each in cells))
    console.print(table)
    console.print("CAUTION, before any of these is checked: " + " ".join(cautions))


def _show_faults(console: Console, explained: StageExplained) -> None:
    from twonode.analysis.explain_table import hertz_cell, level_cell
    from twonode.analysis.what_if import volts_words

    stage = explained.stage
    heads = [hertz_cell(hz) for hz in explained.sound.band_hz.values()]
    table = _table(
        console,
        f"What each fault would do at the {stage.far}: change in dB with the same source"
        + ("" if explained.dc is None else ", and its DC"),
        "part, fault",
        [*heads, *(["DC"] if explained.dc is not None else [])],
    )
    table.add_column("in words", overflow="fold")
    for effect in explained.effects:
        cells = [level_cell(change) for change in effect.change_db.values()]
        if explained.dc is not None:
            cells.append("floats" if effect.far_dc_v is None else volts_words(effect.far_dc_v))
        table.add_row(f"{effect.fault.part} {effect.fault.kind.value}", *cells, "; ".join(effect.words))
    console.print(table)
    console.print("Open leaves 1.5 pF across the leads, shorted 0.5 Ω; a leak is 1 MΩ.")
