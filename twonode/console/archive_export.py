"""``twonode archive export``: the archive, or some recordings of it, as files for other programs.

Owns the command's options, and what is said of recordings that cannot be read.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

import twonode
from twonode.console.exits import Exit
from twonode.console.options import (
    NO_NULL,
    common_options,
    default_archive,
    existing_archive_option,
    named_null,
)

if TYPE_CHECKING:
    from twonode.recordings.errors import RecordingError
    from twonode.recordings.export_rows import Gathered
    from twonode.recordings.export_tables import ExportForm

__all__ = ["export"]

# What an ending stands for, the form it means by itself first.
_BY_SUFFIX = {".csv": ("parts", "points"), ".json": ("json",), ".mat": ("matlab",), ".cir": ("deck",)}
_CONDITIONS = ("set_", "part", "finding", "since", "until")


@click.command()
@click.argument("recordings", nargs=-1, metavar="[RECORDING]...")
@click.option(
    "--to", "target", type=click.Path(path_type=Path), required=True, metavar="FILE", help="The new file."
)
@click.option(
    "--as",
    "form",
    type=click.Choice(["parts", "points", "json", "matlab", "deck"]),
    help="parts and points: CSV, a row a recording or a row a point; json; matlab; deck: the fitted stage for a "
    "circuit simulator (SPICE).  [default: by FILE's ending: .csv parts, .json, .mat, .cir]",
)
@click.option("--replace", is_flag=True, help="Write over FILE if it is there.")
@click.option("--set", "set_", metavar="TEXT", help="Only recordings of this set.")
@click.option("--part", metavar="TEXT", help="Only recordings of this part; of a deck, the part to fit.")
@click.option("--finding", metavar="FINDING", help="Only with this finding, such as leaky.")
@click.option("--since", metavar="DAY", help="Only recorded on this day or later, such as 2031-04-09.")
@click.option("--until", metavar="DAY", help="Only recorded on this day or earlier.")
@click.option(
    "--null",
    metavar="RECORDING|none",
    help="Of a deck: null run to use, or none.  [default: the one each sweep names, if it lies beside it]",
)
@existing_archive_option
@common_options
def export(recordings: tuple[str, ...], target: Path, form: str | None, **options: Any) -> int:
    """Write recordings as a file for other programs; all of the archive where none is named.

    Every recording is compared with its manifests first. One that is damaged is left out, said, and the exit status
    is 4. Units are SI and stand in the names of the columns.

    \b
    Examples:
      twonode archive export --to parts.csv
      twonode archive export --to points.csv --as points --set wrenfield-46
      twonode archive export --to archive.mat
      twonode archive export 2031-04-09T18-20 --to stage.cir
      ngspice -b stage.cir
    """
    from twonode.recordings.export_tables import ExportForm

    as_json, replace = options["as_json"], options["replace"]
    chosen = ExportForm(_form(target, form))
    archive: Path = options["archive"] or default_archive()
    _check_target(target, replace=replace)
    if chosen is ExportForm.DECK:
        return _deck(recordings, target, archive=archive, options=options)
    if options["null"] is not None:
        raise click.UsageError("--null belongs to a deck; the other forms hold what was filed")
    folders = _folders(recordings, archive, options)
    damaged: list[RecordingError] = []
    content, count = _content(chosen, _gathered(folders, damaged, strict=bool(recordings)))
    if not count:
        raise _nothing_to_write(chosen, len(folders), damaged)
    from twonode.recordings.export_tables import place_file

    place_file(target, content, replace=replace)
    status = Exit.DAMAGED if damaged else Exit.DONE
    if as_json:
        document = {
            "format": 1,
            "file": str(target),
            "as": chosen.value,
            "recordings": len(folders) - len(damaged),
            "rows": count,
            "left_out": [{"what": exc.what, "why": exc.why, "do": exc.do} for exc in damaged],
        }
        print(json.dumps(document))
        return status
    for exc in damaged:
        click.echo(f"Left out: {exc.what}", err=True)
    rows = {"parts": "part", "points": "point"}.get(chosen.value)
    of = _counted(len(folders) - len(damaged), "recording")
    click.echo(f"{f'{_counted(count, rows)} of {of}' if rows else of}: {target}")
    return status


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"


def _form(target: Path, asked: str | None) -> str:
    """What to write, by --as or by the file's ending. Raises UsageError where neither says, or they disagree."""
    meant = _BY_SUFFIX.get(target.suffix.lower())
    if asked is None and meant is None:
        raise click.UsageError(
            f"--to {target}: say with --as what to write, or end the name in {', '.join(_BY_SUFFIX)}"
        )
    if asked is not None and meant is not None and asked not in meant:
        fitting = next(suffix for suffix, forms in _BY_SUFFIX.items() if asked in forms)
        raise click.UsageError(
            f"--to {target} and --as {asked} contradict each other: {target.suffix} is for {' or '.join(meant)}, "
            f"and {asked} goes into {fitting}"
        )
    return asked or (meant or ("",))[0]


def _nothing_to_write(form: ExportForm, recordings: int, damaged: Sequence[RecordingError]) -> RecordingError:
    """Why a file would be empty, which would look like an export."""
    from twonode.recordings.errors import UnfitExport

    if damaged:
        return damaged[0]
    return UnfitExport(
        f"There are no {form.value} in {_counted(recordings, 'recording')}; nothing was written.",
        "Null runs and a drawer's checks are about no part, and DC readings have no points.",
        "Export them with --as json, or name others.",
    )


def _check_target(target: Path, *, replace: bool) -> None:
    """Refuse a place that nothing can go to, before anything is read."""
    from twonode.console.sheet_files import not_inside_a_recording
    from twonode.recordings.errors import UnfitExport

    if target.is_dir() or not target.parent.is_dir():
        raise UnfitExport(
            f"{target} is a folder." if target.is_dir() else f"There is no folder {target.parent}.",
            "An export is one file in a folder that is there.",
            "Name a file with --to.",
        )
    if target.exists() and not replace:
        raise UnfitExport(
            f"{target} is there already.",
            "It may be an export that somebody still needs.",
            "Give --replace to write over it, or another name with --to.",
        )
    not_inside_a_recording(target.parent)


def _folders(recordings: Sequence[str], archive: Path, options: dict[str, Any]) -> list[Path]:
    """The recordings that are named, or those of the archive that the conditions hold for, oldest first."""
    from twonode.recordings.errors import UnfitExport
    from twonode.recordings.lookup import named_folder
    from twonode.recordings.verify import recordings_in

    conditions = {name: options[name] for name in _CONDITIONS if options[name] is not None}
    if recordings:
        if conditions:
            names = ", ".join(f"--{name.strip('_')}" for name in conditions)
            raise click.UsageError(
                f"{names} choose among the archive's recordings; RECORDING names them itself"
            )
        return list(dict.fromkeys(named_folder(name, archive) for name in recordings))
    if not conditions:
        found = list(recordings_in(archive))
        if not found:
            raise UnfitExport(
                f"There is no recording in {archive}; nothing was written.",
                "An empty file would look like an export.",
                "Name the archive with --archive.",
            )
        return found
    from twonode.console.archive_nothing import asked_words, why_nothing
    from twonode.recordings.identity import IdentityField
    from twonode.recordings.index import ArchiveIndex
    from twonode.recordings.index_query import Search, finding_named, parse_day

    with ArchiveIndex(archive) as index:
        index.update()
        finding = conditions.get("finding")
        since, until = (conditions.get(name) for name in ("since", "until"))
        identity = {
            IdentityField.SET: conditions.get("set_"),
            IdentityField.PART: conditions.get("part"),
        }
        search = Search(
            identity={field: text for field, text in identity.items() if text is not None},
            finding=None if finding is None else finding_named(finding, others=index.findings()),
            since=None if since is None else parse_day(since),
            until=None if until is None else parse_day(until),
        )
        fitting = [entry.folder for entry in reversed(index.find(search, fresh=False))]
        if not fitting:
            raise UnfitExport(
                f"No recording in {archive} fits {asked_words(conditions)}; nothing was written.",
                " ".join(why_nothing(search, index)) or "An empty file would look like an export.",
                "`twonode archive find` takes the same conditions and shows what fits.",
            )
    return fitting


def _gathered(folders: Iterable[Path], damaged: list[RecordingError], *, strict: bool) -> Iterator[Gathered]:
    """The recordings one after the other; what cannot be read goes into ``damaged``, or ends it where it was named."""
    from twonode.recordings.errors import RecordingError
    from twonode.recordings.export_rows import gather

    for folder in folders:
        try:
            yield gather(folder)
        except RecordingError as exc:
            if strict:
                raise
            damaged.append(exc)


def _content(form: ExportForm, found: Iterator[Gathered]) -> tuple[bytes, int]:
    from twonode.recordings.export_tables import ExportForm, parts_csv, points_csv, whole_json

    program, now_utc = f"twonode {twonode.__version__}", datetime.now(UTC)
    match form:
        case ExportForm.PARTS:
            return parts_csv(found)
        case ExportForm.POINTS:
            return points_csv(found)
        case ExportForm.MATLAB:
            from twonode.recordings.export_matlab import matlab_file

            return matlab_file(found, program=program, now_utc=now_utc)
        case _:
            return whole_json(found, program=program, now_utc=now_utc)


def _deck(recordings: Sequence[str], target: Path, *, archive: Path, options: dict[str, Any]) -> int:
    from twonode.acquire.fitted_deck import fitted_deck
    from twonode.recordings.export_tables import place_file
    from twonode.recordings.lookup import named_folder

    if not recordings:
        raise click.UsageError("A deck is made of one recording, or of several of one stage: name them")
    for name in _CONDITIONS:
        if name != "part" and options[name] is not None:
            raise click.UsageError(f"--{name.strip('_')} does not belong to a deck")
    made = fitted_deck(
        [named_folder(name, archive) for name in recordings],
        part=options["part"],
        null=named_null(options["null"]),
        use_nulls=options["null"] != NO_NULL,
    )
    for note in made.found.notes:
        click.echo(note, err=True)
    place_file(target, made.text.encode("ascii"), replace=options["replace"])
    if options["as_json"]:
        document = {
            "format": 1,
            "file": str(target),
            "as": "deck",
            "recordings": len(made.found.recordings),
            "part": made.found.estimate.part,
            "from_hz": made.from_hz,
            "to_hz": made.to_hz,
        }
        print(json.dumps(document))
    else:
        click.echo(f"The stage as fitted, for {made.found.estimate.part}: {target}")
        click.echo(f"ngspice -b {target.name} leaves its ratio in ratio.txt.")
    return Exit.DONE
