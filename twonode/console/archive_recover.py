"""``twonode archive recover``: what a killed run left, closed with every point it reported.

Owns its options and what is said of each folder.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twonode.console.exits import Exit, exit_code
from twonode.console.options import common_options, default_archive, existing_archive_option

if TYPE_CHECKING:
    from twonode.recordings.recover import Recovered

__all__ = ["recover"]


@click.command(
    epilog="Exit status: 0 done, also where there was nothing to do; 2 a folder cannot be written, 4 one is damaged."
)
@click.argument("names", nargs=-1, metavar="[NAME]...")
@existing_archive_option
@common_options
def recover(names: tuple[str, ...], archive: Path | None, as_json: bool, debug: bool) -> int:
    """Close what a killed run left, with every point or DC reading it reported; without a name, all there is.

    A point that was cut off in the middle is dropped: nobody was told of it. Results whose adding was cut off are
    finished. Folders that a program is writing right now are left alone. A closed recording says that it was
    recovered; `twonode sweep --continue` goes on with a sweep where it stopped.

    \b
    Examples:
      twonode archive recover
      twonode sweep --continue 2031-04-09T18-20-11Z_wrenfield-46_C7
    """
    del debug
    from twonode.recordings.lookup import named_folder
    from twonode.recordings.recover import recover_archive, recover_folder

    place = archive or default_archive()
    folders = [named_folder(name, place, unfinished=True) for name in names]
    found = [recover_folder(folder) for folder in folders] if names else list(recover_archive(place))
    code = _exit_of(found)
    if as_json:
        print(json.dumps(_document(found, code)))
        return code
    for each in found:
        for line in _lines(each):
            click.echo(line)
    if not found:
        click.echo(f"Nothing in {place} was left unfinished.")
    return code


def _exit_of(found: list[Recovered]) -> Exit:
    codes = {exit_code(each.error) for each in found if each.error is not None and not _in_use(each)}
    return Exit.DAMAGED if Exit.DAMAGED in codes else max(codes, default=Exit.DONE)


def _in_use(each: Recovered) -> bool:
    from twonode.recordings.recover import RecoveredState

    return each.state is RecoveredState.IN_USE


def _lines(each: Recovered) -> list[str]:
    from twonode.recordings.recover import RecoveredState

    match each.state:
        case RecoveredState.CLOSED:
            noun = "reading" if each.kind == "dc" else "point"
            count = f"{each.rows} {noun}{'' if each.rows == 1 else 's'}"
            lines = [f"{each.folder.name}: closed with {count} as {each.closed}"]
            if each.kind == "sweep" and each.closed is not None:
                lines.append(f"  `twonode sweep --continue {each.closed}` goes on with it.")
        case RecoveredState.FINISHED:
            lines = [f"{each.folder.name}: {', '.join(each.listed) or 'left-overs removed'}; finished."]
        case RecoveredState.IN_USE:
            lines = [f"{each.folder.name}: left alone, a program is writing it."]
        case _:
            lines = [f"{each.folder.name}: {each.state.value}."]
    if each.error is not None and not _in_use(each):
        lines += [f"  {line}" for line in str(each.error).splitlines()]
    return lines


def _document(found: list[Recovered], code: Exit) -> dict[str, Any]:
    document: dict[str, Any] = {
        "format": 1,
        "recovered": [
            {
                "folder": str(each.folder),
                "state": each.state.value,
                "recording": None if each.closed is None else str(each.closed),
                "kind": each.kind,
                "rows": each.rows,
                "listed": list(each.listed),
            }
            for each in found
        ],
    }
    if code is not Exit.DONE:
        error = next(e.error for e in found if e.error is not None and exit_code(e.error) is code)
        document["error"] = {"what": error.what, "why": error.why, "do": error.do}
    return document
