"""``twonode archive list``, ``find`` and ``rebuild``: the archive through its search index.

Owns their options and the list on the screen.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from twonode.console.options import common_options, default_archive, existing_archive_option

if TYPE_CHECKING:
    from twonode.recordings.entry import Entry
    from twonode.recordings.index import ArchiveIndex
    from twonode.recordings.index_query import Search

__all__ = ["find", "list_", "rebuild", "search_of"]

F = TypeVar("F", bound=Callable[..., Any])

_LONGEST_CELL = 34
_LONGEST_REMARK = 120


def _limit_option(default: int) -> Callable[[F], F]:
    return click.option(
        "--limit",
        type=click.IntRange(0),
        default=default,
        show_default=True,
        help="Show at most so many, the newest; 0 shows all.",
    )


def _every_option(command: F) -> F:
    return click.option(
        "--every",
        is_flag=True,
        help="Also what a drawer files on the way to a part: first looks, empty fixture, known part.",
    )(command)


@click.command(name="list")
@_limit_option(30)
@_every_option
@existing_archive_option
@common_options
def list_(limit: int, every: bool, archive: Path | None, as_json: bool, debug: bool) -> int:
    """List the recordings, newest first, and what a killed run left unfinished.

    \b
    Example:
      twonode archive list --limit 10
    """
    del debug
    from twonode.recordings.index_query import Search

    return _run(
        archive or default_archive(),
        lambda _: Search(),
        limit=limit,
        every=every,
        as_json=as_json,
        all_of_it=True,
    )


@click.command(
    epilog="Words are looked for at the beginning of words in names, titles, tags, roles, findings and notes, whatever "
    "their case; all of them must be there. A range holds both its ends and may be open: 20n..25n, ..25n, 20n..; a "
    "resistance (1M..10M) looks among leakage resistances. Days are those of UTC; 2031-04 and 2031 will do as well."
)
@click.argument("words", nargs=-1, metavar="[WORD]...")
@click.option("--set", "set_", metavar="TEXT", help="The set, such as wrenfield-46.")
@click.option("--serial", metavar="TEXT", help="Its serial number.")
@click.option("--part", metavar="TEXT", help="The part, such as C7.")
@click.option("--position", metavar="TEXT", help="Where in the set.")
@click.option("--when", metavar="before|after", help="Measured before or after the work.")
@click.option("--operator", metavar="TEXT", help="Who measured.")
@click.option("--kind", metavar="KIND", help="sweep, null, dc, or points (an imported table).")
@click.option("--finding", metavar="FINDING", help='Such as leaky, or off for "off value".')
@click.option("--value", metavar="RANGE", help="Measured value, such as 20n..25n.")
@click.option("--since", metavar="DAY", help="Recorded on this day or later, such as 2031-04-09.")
@click.option("--until", metavar="DAY", help="Recorded on this day or earlier.")
@_limit_option(100)
@_every_option
@existing_archive_option
@common_options
def find(
    words: tuple[str, ...],
    limit: int,
    every: bool,
    archive: Path | None,
    as_json: bool,
    debug: bool,
    **conditions: str | None,
) -> int:
    """Find recordings by words and by conditions, newest first.

    \b
    Examples:
      twonode archive find coupling wrenfield
      twonode archive find --part C7 --finding leaky --since 2031
      twonode archive find --set wrenfield-46 --value 20n..25n
    """
    del debug
    return _run(
        archive or default_archive(),
        lambda index: search_of(words, conditions, index),
        limit=limit,
        every=every,
        as_json=as_json,
        all_of_it=False,
    )


@click.command()
@existing_archive_option
@common_options
def rebuild(archive: Path | None, as_json: bool, debug: bool) -> int:
    """Make the search index anew from the folders alone.

    The index follows the folders by itself; this is for when it is in doubt. Recordings are only read.

    \b
    Example:
      twonode archive rebuild
    """
    del debug
    from twonode.recordings.index import ArchiveIndex, Place

    place = archive or default_archive()
    with ArchiveIndex(place) as index:
        done = index.rebuild(_progress("Reading recordings"))
        remarks = index.remarks
        # An index in memory ends with this program.
        kept = None if index.place is Place.MEMORY else index.path
    if as_json:
        print(
            json.dumps(
                {
                    "format": 1,
                    "archive": str(place),
                    "recordings": done.recordings,
                    "seconds": done.seconds,
                    "per_second": done.per_second,
                    "index": {"path": kept, "remarks": list(remarks)},
                    "trouble": [{"recording": str(e.folder), "trouble": e.trouble} for e in done.troubled],
                }
            )
        )
        return 0
    _say(remarks)
    click.echo(
        f"{done.recordings} recordings read in {done.seconds:.1f} s, {done.per_second:.0f} a second. "
        + (f"Index: {kept}" if kept else "There is no place to keep the index; every search makes its own.")
    )
    for entry in done.troubled:
        click.echo(f"{entry.name}: {entry.trouble}")
    if done.troubled:
        click.echo("`twonode archive verify` says which files differ.")
    return 0


def search_of(words: tuple[str, ...], conditions: Mapping[str, str | None], index: ArchiveIndex) -> Search:
    """The search of words and conditions, which are named as the options of `find`; None asks for nothing.

    Raises UnfitSearch.
    """
    from twonode.recordings.identity import IdentityField
    from twonode.recordings.index_query import (
        Search,
        finding_named,
        kind_named,
        parse_day,
        parse_value_range,
    )

    def given(name: str, parse: Callable[[str], Any]) -> Any:
        text = conditions[name]
        return None if text is None else parse(text)

    by_field = {
        field: conditions["set_" if field is IdentityField.SET else field.value] for field in IdentityField
    }
    return Search(
        words=words,
        identity={field: text for field, text in by_field.items() if text is not None},
        kind=given("kind", lambda text: kind_named(text, others=index.kinds())),
        finding=given("finding", lambda text: finding_named(text, others=index.findings())),
        since=given("since", parse_day),
        until=given("until", parse_day),
        value=given("value", parse_value_range),
    )


def _run(
    archive: Path,
    asked: Callable[[ArchiveIndex], Search],
    *,
    limit: int,
    every: bool,
    as_json: bool,
    all_of_it: bool,
) -> int:
    """The whole way of list and find; returns the exit code."""
    from twonode.console.archive_nothing import why_nothing
    from twonode.recordings import find_unfinished
    from twonode.recordings.index import ArchiveIndex

    with ArchiveIndex(archive) as index:
        index.update(_progress("Reading new recordings"))
        wanted = asked(index)
        search = replace(wanted, drawer_by_work=every)
        found = index.find(search, limit=limit or None, fresh=False)
        total = index.count(search)
        left_out = index.count(wanted) - total
        because = () if found or left_out else why_nothing(wanted, index)
        remarks, place = index.remarks, index.place
        unfinished = find_unfinished(archive) if all_of_it and index.unfinished else ()
    if as_json:
        from twonode.recordings.entry import entry_document

        document = {
            "format": 1,
            "archive": str(archive),
            "total": total,
            "left_out": left_out,
            "recordings": [entry_document(entry) for entry in found],
            "index": {"place": place.value, "remarks": list(remarks)},
        }
        if all_of_it:
            document["unfinished"] = [
                {"folder": str(each.folder), "points": each.points, "in_use": each.in_use}
                for each in unfinished
            ]
        print(json.dumps(document))
        return 0
    _say(remarks)
    _show(found)
    if len(found) < total:
        click.echo(f"The newest {len(found)} of {total}; --limit 0 shows all.")
    elif not found and not left_out:
        click.echo("There is no recording yet." if all_of_it else "Nothing fits.")
    for line in because:
        click.echo(line)
    if left_out:
        click.echo(f"Left out: {left_out} of a drawer's first looks and fixture checks; --every shows them.")
    for each in unfinished:
        state = (
            "is being written now" if each.in_use else "was never closed; `twonode archive recover` closes it"
        )
        click.echo(f"{each.folder.name}: {each.points} points, {state}.")
    return 0


def _show(found: Sequence[Entry]) -> None:
    """One line a recording, in columns."""
    from rich.cells import cell_len, set_cell_size

    from twonode.console.archive_words import about_words, finding_words, one_line, remark_words, worth_words

    rows = [
        (
            entry.name,
            one_line(entry.identity.part or "", _LONGEST_CELL),
            one_line(worth_words(entry.worth), _LONGEST_CELL),
            one_line(finding_words(entry), _LONGEST_CELL),
            one_line(about_words(entry), _LONGEST_CELL),
            one_line(remark_words(entry), _LONGEST_REMARK),
        )
        for entry in found
    ]
    widths = [max(map(cell_len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        cells = (set_cell_size(text, width) for text, width in zip(row, widths, strict=True) if width)
        click.echo("  ".join(cells).rstrip())


def _say(remarks: Sequence[str]) -> None:
    for remark in remarks:
        click.echo(remark, err=True)


def _progress(doing: str) -> Callable[[int, int], None] | None:
    """A count on the terminal while many folders are read; None where nobody watches."""
    if not sys.stderr.isatty():
        return None

    def show(done: int, total: int) -> None:
        end = "\n" if done == total else ""
        print(f"\r{doing}: {done} of {total}", end=end, file=sys.stderr, flush=True)

    return lambda done, total: show(done, total) if total >= 500 else None
