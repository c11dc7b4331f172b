"""``twonode archive recover``: what a killed run left, closed with every point it reported.

Owns its options and what is said of each folder.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twonode.console.exits import Exit, exit_code
from twonode.console.options import archive_option, common_options, default_archive

if TYPE_CHECKING:
    from twonode.recordings.recover import Recovered

__all__ = ["recover"]


@click.command(
    epilog="Exit status: 0 done, also where there was nothing to do; 2 a folder cannot be written, 4 one is damaged."
)
@click.argument("names", nargs=-1, metavar="[NAME]...")
@archive_option
@common_options
def recover(names: tuple[str, ...], archive: Path | None, as_json: bool, debug: bool) -> int:
    """Close what a killed run left, with every point or DC reading it reported; without a name, all there is.

    A point that was cut off in the middle is dropped: nobody was told of it. Results whose adding was cut off are
    finished. Folders that a program is writing right now are left alone. A closed recording says that it was
    recovered; its sweep is not gone on with: measure again, and estimate both together.

    \b
    Example:
      twonode archive recover
    """
    del debug
    from twonode.recordings.recover import recover_archive, recover_folder

    place = archive or default_archive()
    found = [recover_folder(_named(name, place)) for name in names] or list(recover_archive(place))
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


def _named(name: str, archive: Path) -> Path:
    """The unfinished folder that is meant, with or without its suffix; else a closed recording."""
    from twonode.recordings.lookup import named_folder
    from twonode.recordings.naming import UNFINISHED

    for folder in (Path(name), archive / name, archive / f"{name}{UNFINISHED}"):
        if folder.name.endswith(UNFINISHED) and folder.is_dir():
            return folder
    return named_folder(name, archive)


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
