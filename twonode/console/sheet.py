"""``twonode sheet``: the printable result of a recording, of a set's parts, or a set's whole history.

Owns the command's options and where the files go. What stands on a sheet is `recordings`', how it looks `analysis`'s.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twonode.console.exits import Exit
from twonode.console.options import common_options, default_archive, existing_archive_option

if TYPE_CHECKING:
    from twonode.analysis.sheet import Paper, RecordingSheet, TableSheet

__all__ = ["sheet", "sheet_of"]


@click.command()
@click.argument("recordings", nargs=-1, metavar="[RECORDING]...")
@click.option(
    "--set",
    "set_name",
    metavar="NAME",
    help="All parts of one set in a table, with findings, to be filled in.",
)
@click.option("--log", "log_name", metavar="NAME", help="One set's whole history in date order.")
@click.option("--serial", metavar="TEXT", help="With --set or --log: which of several sets of that name.")
@click.option(
    "--to",
    "target",
    type=click.Path(path_type=Path),
    metavar="FILE|FOLDER",
    help="Where it goes: FILE.pdf, .png or .html, which is replaced if it is there; or a folder.  [default: a PDF in "
    "the current folder, named like the recording; nothing is replaced]",
)
@click.option(
    "--paper",
    type=click.Choice(["A4", "letter"], case_sensitive=False),
    default="A4",
    show_default=True,
    metavar="[A4|letter]",
    help="Paper size.",
)
@existing_archive_option
@common_options
def sheet(
    recordings: tuple[str, ...],
    set_name: str | None,
    log_name: str | None,
    serial: str | None,
    target: Path | None,
    paper: str,
    archive: Path | None,
    as_json: bool,
    debug: bool,
) -> int:
    """Print what was measured: one page a recording, one table a set, or a set's service log.

    The page says in plain words what was found, how sure that is, how it was measured and what was not tested, and has
    room for a signature and for what replaced the part. It prints in black and white. Several recordings go into one
    PDF, or into a file each.

    \b
    Examples:
      twonode sheet 2031-04-09T18-20-11Z_wrenfield-46_C7
      twonode sheet twonode-demo/2031-04-09T18-20-11Z_wrenfield-46_C7 --to c7.html --paper letter
      twonode sheet --set wrenfield-46
      twonode sheet --log wrenfield-46 --to log.pdf

    The cautions on the sheet are for whoever measures next: sweeps only on a set that is unplugged, discharged and
    checked with a meter; DC checks are meter work on a live set, which can kill. Untested on hardware.

    Exit status: 0 done, 2 no such recording or set, or nowhere to write, 4 a recording is damaged.
    """
    from twonode.analysis.sheet import Paper
    from twonode.console.sheet_files import check_target

    del debug  # read from the command line before anything else can fail
    if (set_name is not None) + (log_name is not None) + bool(recordings) != 1:
        raise click.UsageError("Name recordings, or give either --set or --log")
    if serial is not None and recordings:
        raise click.UsageError("--serial goes with --set or --log; a recording says whose it is")
    check_target(target, several=len(recordings) > 1)
    size = Paper.A4 if paper.upper() == "A4" else Paper.LETTER
    place = archive or default_archive()
    if recordings:
        return _of_recordings(recordings, place, target, size, as_json=as_json)
    return _of_set(
        set_name or log_name or "",
        place,
        target,
        size,
        serial=serial,
        log=log_name is not None,
        as_json=as_json,
    )


def _of_recordings(
    names: Sequence[str], archive: Path, target: Path | None, paper: Paper, *, as_json: bool
) -> int:
    from twonode.recordings.lookup import named_folder

    folders = [named_folder(name, archive) for name in names]
    made: list[tuple[str, RecordingSheet | TableSheet]] = []
    for folder in folders:
        made.append((folder.resolve().name, _one(folder, archive)))
    return _write(made, target, paper, recordings=folders, as_json=as_json, code=Exit.DONE)


def _one(folder: Path, archive: Path) -> RecordingSheet:
    made, notes = sheet_of(folder, archive)
    for note in notes:
        print(note, file=sys.stderr)
    return made


def sheet_of(folder: Path, archive: Path) -> tuple[RecordingSheet, tuple[str, ...]]:
    """The content of one sheet, with the fit worked out again for the drawing; and what should be known of the fit.

    Raises RecordingError.
    """
    from twonode.cautions import DC_CAUTIONS, SWEEP_CAUTIONS
    from twonode.console.sheet_fit import fit_for_sheet
    from twonode.recordings.bag import check_bag
    from twonode.recordings.sheet_content import Cautions, recording_sheet

    check_bag(folder)
    fit = fit_for_sheet(folder)
    made = recording_sheet(
        folder,
        cautions=Cautions(sweep=SWEEP_CAUTIONS, dc=DC_CAUTIONS),
        archive=archive,
        curves=fit.curves,
        worked_out=fit.worked_out,
    )
    return made, fit.notes


def _of_set(
    name: str,
    archive: Path,
    target: Path | None,
    paper: Paper,
    *,
    serial: str | None,
    log: bool,
    as_json: bool,
) -> int:
    from twonode.cautions import DC_CAUTIONS, SWEEP_CAUTIONS
    from twonode.recordings.model import RecordingKind
    from twonode.recordings.naming import slug
    from twonode.recordings.service_log import service_log
    from twonode.recordings.set_sheet import read_set, set_sheet

    history = read_set(archive, name, serial=serial)
    any_dc = any(entry.kind == RecordingKind.DC.value for entry in history.entries)
    # Some cautions are said of both ways of measuring.
    cautions = tuple(dict.fromkeys(SWEEP_CAUTIONS + (DC_CAUTIONS if any_dc else ())))
    made = service_log(history, cautions) if log else set_sheet(history, cautions)
    for damaged, because in sorted(history.damaged.items()):
        print(f"{damaged} is damaged and not quoted: {because}", file=sys.stderr)
        print("`twonode archive verify` says more.", file=sys.stderr)
    named = f"{slug(history.name).lower() or 'set'}_{'log' if log else 'parts'}"
    return _write(
        [(named, made)],
        target,
        paper,
        recordings=[entry.folder for entry in history.entries],
        as_json=as_json,
        code=Exit.DAMAGED if history.damaged else Exit.DONE,
    )


def _write(
    made: Sequence[tuple[str, RecordingSheet | TableSheet]],
    target: Path | None,
    paper: Paper,
    *,
    recordings: Sequence[Path],
    as_json: bool,
    code: int,
) -> int:
    from twonode.console.sheet_files import write_sheets

    written, pages = write_sheets(made, target, paper)
    if as_json:
        document: dict[str, Any] = {
            "format": 1,
            "sheet": str(written[0]),
            "sheets": [str(path) for path in written],
            "pages": pages,
            "paper": paper.value,
            "recordings": [str(folder) for folder in recordings],
        }
        print(json.dumps(document))
    else:
        for path in written:
            click.echo(f"Sheet: {path}")
        click.echo(f"{pages} page{'s' if pages != 1 else ''}, {paper.value}.")
    return code
