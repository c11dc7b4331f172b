"""``twonode archive compare``: before and after, this year and last."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import click

from twonode.console.options import TOLERANCE, common_options, default_archive, existing_archive_option

__all__ = ["compare"]


@click.command()
@click.argument("first", metavar="RECORDING")
@click.argument("second", metavar="RECORDING")
@click.option("--part", help="Another capacitor of the stages than the ones asked for.")
@click.option(
    "--limit",
    type=TOLERANCE,
    metavar="SHARE",
    help="Change that calls for another look.  [default: 10%]",
)
@click.option(
    "--picture",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Draw both curves, the earlier one as a ghost, as a PNG.",
)
@existing_archive_option
@common_options
def compare(
    first: str,
    second: str,
    part: str | None,
    limit: object,
    picture: Path | None,
    archive: Path | None,
    as_json: bool,
    debug: bool,
) -> int:
    """Compare two recordings of a part: has its value changed, and by how much?

    Both are worked out again from their raw codes. What both share, such as a grid leak known to 20 %, cancels from the
    difference as long as it has not changed in between; the change is stated with and without that.

    \b
    Example:
      twonode archive compare 2031-04-09T18-20-11Z_wrenfield-46_C7 2032-05-01T09-10-00Z_wrenfield-46_C7 --picture c7.png

    Exit status: 0 done, 2 no such recording or not comparable, 4 a recording is damaged.
    """
    from twonode.acquire.compare import compare_recordings
    from twonode.analysis.comparison import DRIFT_LIMIT, comparison_document, comparison_lines
    from twonode.analysis.quantities import Tolerance
    from twonode.recordings.disk import write_whole
    from twonode.recordings.lookup import named_folder

    del debug
    share = limit.plus if isinstance(limit, Tolerance) else DRIFT_LIMIT
    place = archive or default_archive()
    if picture is not None:
        _check_picture(picture)
    found = compare_recordings(
        named_folder(first, place), named_folder(second, place), part=part, limit=share
    )
    for note in found.notes:
        print(note, file=sys.stderr)
    names = found.names
    drawn = None
    if picture is not None:
        from twonode.analysis.comparison_picture import comparison_picture_png
        from twonode.recordings.errors import output_not_writable

        content = comparison_picture_png(found.comparison, names=names, methods=found.methods)
        try:
            write_whole(picture, content)
        except OSError as exc:
            raise output_not_writable(picture, exc) from exc
        drawn = str(picture)
    if as_json:
        document = comparison_document(found.comparison)
        document["recordings"] = [str(found.first.folder), str(found.second.folder)]
        document["methods"] = list(found.methods)
        document["picture"] = drawn
        print(json.dumps(document))
        return 0
    headline, *others = comparison_lines(found.comparison, names)
    click.secho(headline, bold=True)
    for line in others:
        click.echo(line)
    click.echo(f"  What differed in method: {'; '.join(found.methods) or 'nothing that is recorded'}.")
    if drawn is not None:
        click.echo(f"Picture:   {drawn}")
    return 0


def _check_picture(picture: Path) -> None:
    """Refuse a name that no PNG should have, before anything is worked out."""
    from twonode.console.sheet_files import not_inside_a_recording

    if picture.suffix.lower() != ".png":
        raise click.UsageError(f"--picture {picture}: the picture is a PNG; end the name in .png")
    not_inside_a_recording(picture.parent)
