"""``twonode archive discard`` and ``restore``: recordings put aside and brought back.

Owns their options. Nothing is ever deleted.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import click

from twonode.console.options import common_options, default_archive, existing_archive_option

__all__ = ["discard", "restore"]


@click.command()
@click.argument("recordings", nargs=-1, required=True, metavar="RECORDING...")
@click.option("--reason", metavar="TEXT", help="Kept as a note in the recording.")
@existing_archive_option
@common_options
def discard(
    recordings: tuple[str, ...], reason: str | None, archive: Path | None, as_json: bool, debug: bool
) -> int:
    """Put recordings aside, into the archive's hidden folder .discarded. Nothing is ever deleted.

    \b
    Example:
      twonode archive discard 2031-04-09T18-20 --reason "wrong node clipped"
    """
    del debug
    from twonode.recordings.errors import RecordingError
    from twonode.recordings.lookup import named_folder
    from twonode.recordings.notes import add_note
    from twonode.recordings.trash import discard as put_aside

    place = archive or default_archive()
    # All of them are looked up first: a slip in the last name moves none.
    folders = [named_folder(text, place) for text in recordings]
    moved = []
    for folder in folders:
        moved.append(put_aside(folder))
        if reason:
            try:
                add_note(moved[-1], f"discarded: {reason}", when_utc=datetime.now(UTC))
            except RecordingError as exc:  # a damaged one is put aside as well
                click.echo(f"The reason was not kept: {exc.what}", err=True)
    if as_json:
        print(json.dumps({"format": 1, "discarded": [str(each) for each in moved]}))
        return 0
    for each in moved:
        click.echo(f"{each.name} is put aside; `twonode archive restore {each.name}` brings it back.")
    return 0


@click.command()
@click.argument("recording", required=False, metavar="[RECORDING]")
@existing_archive_option
@common_options
def restore(recording: str | None, archive: Path | None, as_json: bool, debug: bool) -> int:
    """Bring a discarded recording back; without a name show what was put aside.

    \b
    Example:
      twonode archive restore 2031-04-09T18-20
    """
    del debug
    from twonode.recordings.trash import discarded
    from twonode.recordings.trash import restore as bring_back

    place = archive or default_archive()
    back = None if recording is None else bring_back(place, recording)
    left = discarded(place)
    if as_json:
        document = {
            "format": 1,
            "restored": None if back is None else str(back),
            "discarded": [str(each) for each in left],
        }
        print(json.dumps(document))
        return 0
    if back is not None:
        click.echo(f"{back} is back.")
        return 0
    for each in left:
        click.echo(each.name)
    if not left:
        click.echo("Nothing has been put aside.")
    return 0
