"""``twonode estimate``: filed sweeps worked out again from their raw data."""

from __future__ import annotations

from pathlib import Path

import click

from twonode.console.options import (
    NO_NULL,
    check_option,
    common_options,
    default_archive,
    existing_archive_option,
    named_null,
)

__all__ = ["estimate"]


@click.command()
@click.argument("recordings", nargs=-1, type=click.Path(path_type=Path), metavar="RECORDING...")
@click.option(
    "--all",
    "everything",
    is_flag=True,
    help="Every sweep of the archive but those of drawer batches; lists what changed since its last result.",
)
@existing_archive_option
@click.option("--part", help="Another capacitor of the same stage than the one that was asked for.")
@click.option(
    "--null",
    metavar="RECORDING|none",
    help="Null run to use, or none.  [default: the one each sweep names, if it lies beside it]",
)
@click.option("--save/--no-save", default=True, help="Keep result and picture beside the first recording.")
@click.option(
    "--picture/--no-picture", default=None, help="Draw the result as a PNG.  [default: unless --all]"
)
@check_option
@common_options
def estimate(
    recordings: tuple[Path, ...],
    everything: bool,
    archive: Path | None,
    part: str | None,
    null: str | None,
    save: bool,
    picture: bool | None,
    check: bool,
    as_json: bool,
    debug: bool,
) -> int:
    """Estimate again from the raw traces of one or several recordings.

    Several recordings of one stage are estimated jointly; a null run may be among them. The raw data is never
    changed; the new result is added beside the old ones.

    \b
    Examples:
      twonode estimate twonode-demo/2031-04-09T18-20-11Z_wrenfield-46_C7
      twonode estimate --all --archive twonode-demo

    Exit status: 0 done, 1 not passed (--check), 2 no recording, 4 a recording is damaged.
    """
    from twonode.console.filing import conclude, show
    from twonode.recordings.lookup import named_folder

    del debug  # read from the command line before anything else can fail
    if everything == bool(recordings):
        raise click.UsageError("Name recordings, or give --all for the whole archive")
    if everything:
        from twonode.console.estimate_all import estimate_all

        if part is not None or null is not None or check:
            raise click.UsageError(
                "--all goes by what each recording says: no --part, --null or --check with it"
            )
        return estimate_all(archive or default_archive(), save=save, picture=bool(picture), as_json=as_json)
    place = archive or default_archive()
    outcome = conclude(
        [named_folder(str(each), place) for each in recordings],
        part=part,
        picture=picture is not False,
        save=save,
        null=named_null(null),
        use_nulls=null != NO_NULL,
    )
    return show(outcome, as_json=as_json, check=check)
