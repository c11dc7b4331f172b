"""``twonode drawer``: one unmarked part after the other in the fixture, measured, saved and sorted.

Owns the command's options and the order in which it asks. What a session does belongs to `acquire.drawer`.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twonode.console.benches import bench_of, bench_served_by, check_bench_options, unique_tags
from twonode.console.confirm import interactive
from twonode.console.exits import Exit
from twonode.console.options import (
    RESISTORS,
    TAG,
    TOLERANCE,
    Quantity,
    archive_option,
    bench_options,
    common_options,
    default_archive,
)
from twonode.console.simulation import misbehave_option

if TYPE_CHECKING:
    from twonode.acquire.drawer import DrawerRequest, DrawerSession
    from twonode.acquire.drawer_table import BatchTable
    from twonode.analysis.quantities import Tolerance
    from twonode.analysis.stage import Stage
    from twonode.console.drawer_hand import Hand, Keys
    from twonode.drivers.bench import Bench
    from twonode.drivers.simulated.bag import SimulatedFixture

__all__ = ["BAG", "batch_table", "drawer", "drawer_request", "empty_fixture", "simulated_bag"]

BAG = 24
"""Parts in the simulated bag where nobody says."""
_SIMULATED_KNOWN = "1n 1%"
_USUAL_RESISTOR = "1%"
"""The ordinary grade of a new metal-film resistor (common practice, no source)."""
_SIMULATED_RESISTOR = "0.1%"


class _KnownPart(Quantity):
    """A capacitor of known value with its limits, such as "1n 1%"."""

    def __init__(self) -> None:
        super().__init__("F")
        self.name = "value tolerance"

    def parse(self, text: str) -> tuple[float, Tolerance]:  # type: ignore[override]
        """Value in F and limits. Raises QuantityError."""
        from twonode.analysis.errors import QuantityError
        from twonode.analysis.quantities import parse_quantity, parse_tolerance

        value, _, limits = text.strip().rpartition(" ")
        if not value:
            raise QuantityError(
                f"{text!r} does not say how well the known part is known.",
                "What the fixture reads is held against its limits.",
                'Write value and tolerance, such as "1n 1%".',
            )
        return parse_quantity(value.rstrip("± "), "F"), parse_tolerance(limits)


@click.command(
    epilog="The table is rewritten after every part; a row that was taken back stays in it, marked. Exit status: "
    "0 done, 2 wrong usage or bad file, 3 an instrument failed or the fixture is in doubt, 130 interrupted; what was "
    "finished is kept in any case."
)
@click.option(
    "--batch", help="Name of the batch; one that is there already goes on.  [default: date and time]"
)
@click.option(
    "--known",
    type=_KnownPart(),
    help=f'A part whose value is known, to check the fixture with, such as "1n 1%".  [default: asked for; '
    f'"{_SIMULATED_KNOWN}" on the simulated bench]',
)
@click.option(
    "--resistors",
    type=RESISTORS,
    default="100,1k,10k,100k,1M",
    show_default=True,
    help="Known resistors that are at hand for the fixture.",
)
@click.option(
    "--resistor-tolerance",
    type=TOLERANCE,
    help=f"How well the fixture's resistors are known.  [default: {_USUAL_RESISTOR}; {_SIMULATED_RESISTOR} on the "
    "simulated bench]",
)
@click.option(
    "--polarised",
    is_flag=True,
    help="Small parts may be electrolytics too: at most 0.3 V peak on any. From 0.1 uF on that is so anyway.",
)
@click.option(
    "--parts", type=click.IntRange(1, 9999), help=f"Number of parts.  [default: {BAG} simulated ones]"
)
@click.option(
    "--csv",
    "csv_path",
    type=click.Path(path_type=Path, dir_okay=False),
    help="The table.  [default: in the archive]",
)
@click.option(
    "--null",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="RECORDING",
    help="Null run to go by.  [default: one is made first]",
)
@bench_options
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="Of the simulated bench and its bag."
)
@click.option(
    "--yes/--ask",
    "by_itself",
    default=None,
    help="Go through the simulated bag without keys, or read keys.  [default: keys where there is a terminal]",
)
@click.option("--speed", type=click.FloatRange(0.01, 100.0), default=8.0, hidden=True)
@misbehave_option(hidden=True)
@click.option("--tag", "tags", type=TAG, multiple=True, help="Filed with it: place=..., operator=...")
@archive_option
@click.option(
    "--quiet", is_flag=True, help="No progress, drawing or notes; cautions still appear on hardware."
)
@common_options
def drawer(**options: Any) -> int:
    """Measure and sort unmarked capacitors, one after the other.

    Null run, empty fixture and a known part come first; then for every part: clip it in, press Enter, read what it is.
    The program looks for the value, says which resistor it wants, measures C, tan delta and ESR at 1 and 100 kHz (and
    where else the value asks for it), and files everything at once. The keys, each with Enter:

    \b
      Enter  measure the next part      r  measure the last one again
      u      take the last one back     q  finish: bins and table

    \b
    Without any hardware, a bag of 24 parts:
      twonode drawer --simulated
    On the bench:
      twonode drawer --known "1n 1%" --resistor-tolerance 0.1%
                     --generator TCPIP0::192.168.1.20::5025::SOCKET
                     --scope TCPIP0::192.168.1.21::5555::SOCKET

    SAFETY: discharge every part and check it with a meter before it is clipped in. Loose parts only, never a part that
    is wired to a set. The working voltage of an unmarked part stays unknown: not for line or B+. Untested on
    hardware.
    """
    from twonode.acquire.drawer import DrawerSession, check_drawer_request
    from twonode.console.drawer_run import SessionRun
    from twonode.console.drawer_screen import bin_lines, show_beforehand
    from twonode.drivers.leaving import leaving

    as_json, quiet = options["as_json"], options["quiet"] or options["as_json"]
    check_bench_options(options)
    keys = _keys(options)
    archive: Path = options["archive"] or default_archive()
    if not quiet or not options["simulated"]:
        show_beforehand()
    request = drawer_request(options, ask=interactive())
    check_drawer_request(request)
    table = batch_table(options, archive, request.batch)
    _say_where_it_goes_on(options, table, keys)
    if request.known is None and not quiet:
        click.echo("No known part: nothing checks whether the fixture reads right (--known).", err=True)
    if not as_json and options["simulated"]:
        click.echo(
            f"SIMULATED BENCH, seed {options['seed']}: no hardware is used, and no real part is measured; its time "
            f"runs {options['speed']:g} times as fast.",
            err=True,
        )
    try:
        with leaving(), _bench_and_hand(options, quiet=quiet) as (bench, hand):
            session = DrawerSession(bench, request, archive=archive, table=table)
            logged = archive if options["debug"] else None
            SessionRun(session, hand, keys, quiet=quiet, said=not as_json, logged=logged).through()
    except BaseException as exc:
        if table.rows:
            exc.add_note(f"Parts measured and kept: {len(table.kept)}, in {table.path}")
        raise
    if as_json:
        print(json.dumps(_document(session, request)))
        return Exit.DONE
    for line in bin_lines(table):
        click.echo(line)
    return Exit.DONE


def _keys(options: dict[str, Any]) -> Keys:
    """Who says what comes next. Raises UsageError where nobody could exchange the parts."""
    from twonode.console.drawer_hand import AllParts, PersonsKeys

    by_itself, simulated = options["by_itself"], options["simulated"]
    if by_itself and not simulated:
        raise click.UsageError("--yes needs --simulated: on the bench somebody has to exchange the parts")
    last = _last_part(options)
    if by_itself is None:
        by_itself = simulated and not interactive()
    return AllParts(last) if by_itself and last is not None else PersonsKeys(last)


def _say_where_it_goes_on(options: dict[str, Any], table: BatchTable, keys: Keys) -> None:
    """Of a batch that is there already: which part is next, or that none is.

    Raises UnfitRequest where none is and nobody is there to repeat one or take one back.
    """
    from twonode.acquire.errors import UnfitRequest
    from twonode.console.drawer_hand import AllParts

    if not table.rows:
        return
    last, number = _last_part(options), table.next_number
    if last is None or number <= last:
        if not options["quiet"] and not options["as_json"]:
            click.echo(f"The batch goes on with part {number}: {table.path}", err=True)
        return
    full = f"The batch has its {last} parts already: {table.path}."
    more = f"For more, give the number of the last one: --parts {last + 1} or above."
    if isinstance(keys, AllParts):
        raise UnfitRequest(full, "None is left to be measured.", f"{more} Or begin another batch (--batch).")
    click.echo(f"{full} r repeats the last one, u takes it back. {more}", err=True)


def _last_part(options: dict[str, Any]) -> int | None:
    """Number of the last part; None where nobody knows."""
    return options["parts"] or (BAG if options["simulated"] else None)


def drawer_request(options: dict[str, Any], *, ask: bool) -> DrawerRequest:
    """The request of the command's options; ask : for a known part, at the keyboard, where none is given.

    Raises QuantityError, UsageError.
    """
    from twonode.acquire.drawer import DrawerRequest
    from twonode.analysis.quantities import parse_tolerance

    simulated = options["simulated"]
    tags = unique_tags(options["tags"])
    usual = _SIMULATED_RESISTOR if simulated else _USUAL_RESISTOR
    return DrawerRequest(
        batch=options["batch"] or f"{datetime.now(UTC):%Y-%m-%dT%H-%M-%SZ}",
        known=_known(options, ask=ask),
        resistors_ohm=options["resistors"],
        resistor_tolerance=options["resistor_tolerance"] or parse_tolerance(usual),
        probe_factors=options["probes"],
        line_hz=float(options["line"]),
        polarised=options["polarised"],
        null=options["null"],
        tags=tags,
        operator=tags.get("operator"),
        simulated=simulated,
        seed=options["seed"] if simulated else None,
    )


def _known(options: dict[str, Any], *, ask: bool) -> tuple[float, Tolerance] | None:
    """Value and limits of the known part: from the option, asked for, or none."""
    given: tuple[float, Tolerance] | None = options["known"]
    if given is None and options["simulated"]:
        given = _KnownPart().parse(_SIMULATED_KNOWN)
    return _ask_known() if given is None and ask else given


def _ask_known() -> tuple[float, Tolerance] | None:
    from twonode.console.drawer_hand import read_line
    from twonode.errors import TwonodeError

    while True:
        typed = read_line('A part whose value is known, such as "1n 1%" (Enter = none at hand): ')
        if not typed:
            return None
        try:
            return _KnownPart().parse(typed)
        except TwonodeError as exc:
            click.echo(str(exc), err=True)


def batch_table(options: dict[str, Any], archive: Path, batch: str) -> BatchTable:
    """The table of a batch, which goes on where it is there already. Raises DamagedRecording."""
    from twonode.acquire.drawer_table import BatchTable
    from twonode.analysis.loose_report import ROW_COLUMNS
    from twonode.recordings.naming import slug

    if options["csv_path"] is not None and not options["csv_path"].parent.is_dir():
        raise click.UsageError(f"--csv: there is no folder {options['csv_path'].parent}")
    path = options["csv_path"] or archive / f"drawer-{slug(batch) or 'batch'}.csv"
    return BatchTable.opened(path, ROW_COLUMNS)


@contextmanager
def _bench_and_hand(options: dict[str, Any], *, quiet: bool) -> Iterator[tuple[Bench, Hand]]:
    from twonode.console.drawer_hand import Person, SimulatedHand

    if not options["simulated"]:
        with bench_of(options, empty_fixture()) as bench:
            yield bench, Person()
        return
    with simulated_bag(options) as (bench, fixture):
        yield bench, SimulatedHand(fixture, quiet=quiet)


@contextmanager
def simulated_bag(options: dict[str, Any]) -> Iterator[tuple[Bench, SimulatedFixture]]:
    """A simulated bench with its fixture and a bag of parts beside it."""
    from twonode.console.simulation import simulated_settings
    from twonode.drivers.simulated import SimulatedBench
    from twonode.drivers.simulated.bag import SimulatedFixture, draw_bag

    served = SimulatedBench(
        simulated_settings(
            empty_fixture(),
            seed=options["seed"],
            line_hz=float(options["line"]),
            probe_factors=options["probes"],
            speed=options["speed"],
            misbehave=options.get("misbehave", ()),
        )
    )
    with bench_served_by(served) as bench:
        bag = draw_bag(options["seed"], options["parts"] or BAG)
        yield bench, SimulatedFixture(served.world, bag)


def empty_fixture() -> Stage:
    """The fixture before anything is in it."""
    from twonode.analysis.fixture import fixture_stage
    from twonode.analysis.hookup import HookUp

    return fixture_stage(HookUp.SERIES, part=None, resistor_ohm=1e6)


def _document(session: DrawerSession, request: DrawerRequest) -> dict[str, Any]:
    from twonode.acquire.drawer import stored_document

    table = session.table
    return {
        "format": 1,
        "batch": request.batch,
        "table": str(table.path),
        "conditions": {"simulated": request.simulated, "seed": request.seed, "bias_v": 0.0},
        **session.documents,
        "parts": [
            {
                **stored_document(row),
                "recording": str(row.recording),
            }
            for row in table.kept
        ],
        "withdrawn": [
            {"number": row.number, "because": row.because, "recording": str(row.recording)}
            for row in table.rows
            if row not in table.kept
        ],
        "bins": [{"name": each.name, "numbers": list(each.numbers)} for each in table.bins()],
    }
