"""``twonode archive note``: notes and corrections beside a recording.

Owns the command's options. A note is added; nothing that was filed is changed.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import click

from twonode.console.options import common_options, default_archive, existing_archive_option

__all__ = ["note"]


@click.command(
    epilog="Fields that can be corrected: set, serial, part, position, when (before or after), operator. Lists and "
    "searches go by the last correction; the words that were filed stay in recording.json."
)
@click.argument("recording", metavar="RECORDING")
@click.argument("text", required=False, default="")
@click.option(
    "--correct",
    metavar="FIELD=VALUE",
    help="What a field should be, such as part=C8; an empty value takes it back.",
)
@click.option("--reason", metavar="TEXT", help="How you know; a correction needs it.")
@click.option("--operator", metavar="NAME", help="Who writes the note.")
@existing_archive_option
@common_options
def note(
    recording: str,
    text: str,
    correct: str | None,
    reason: str | None,
    operator: str | None,
    archive: Path | None,
    as_json: bool,
    debug: bool,
) -> int:
    """Add a dated note to a recording, or a correction with its reason; without either show the notes there are.

    \b
    Examples:
      twonode archive note 2031-04-09T18-20 "crack in the wax at one end"
      twonode archive note 2031-04-09T18-20 --correct part=C8 --reason "read on the part itself"
    """
    del debug
    from twonode.recordings.identity import identity_of
    from twonode.recordings.lookup import named_folder
    from twonode.recordings.notes import add_note, field_named, read_notes

    folder = named_folder(recording, archive or default_archive())
    field = value = None
    if correct is not None:
        name, sign, rest = correct.partition("=")
        if not sign:
            raise click.UsageError(f"--correct {correct!r}: write a field and its value, such as part=C8")
        field, value = field_named(name), rest.strip() or None
    added = None
    if text.strip() or correct is not None or reason is not None:
        added = add_note(
            folder,
            text,
            operator=operator,
            when_utc=datetime.now(UTC),
            corrects=field,
            value=value,
            reason=reason,
        )
    notes, identity = read_notes(folder), identity_of(folder)
    if as_json:
        document = {
            "format": 1,
            "recording": str(folder),
            "added": None if added is None else str(added),
            "identity": identity.document(),
            "notes": [
                {
                    "when_utc": f"{each.when_utc:%Y-%m-%dT%H:%M:%SZ}",
                    "operator": each.operator,
                    "text": each.text,
                    "corrects": None if each.corrects is None else each.corrects.value,
                    "value": each.value,
                    "reason": each.reason,
                }
                for each in notes
            ],
        }
        print(json.dumps(document))
        return 0
    for each in notes if added is None else [n for n in notes if n.name == added.name]:
        click.echo(each.line)
    if added is not None:
        click.echo(f"Kept: {added}")
    elif not notes:
        click.echo(f"There is no note beside {folder.name}.")
    return 0
