"""``twonode estimate``: filed sweeps worked out again from their raw data."""

from __future__ import annotations

from pathlib import Path

import click

from twonode.console.options import NO_NULL, check_option, common_options, named_null, picture_option

__all__ = ["estimate"]


@click.command()
@click.argument(
    "recordings", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="RECORDING..."
)
@click.option("--part", help="Another capacitor of the same stage than the one that was asked for.")
@click.option(
    "--null",
    metavar="RECORDING|none",
    help="Null run to use, or none.  [default: the one each sweep names, if it lies beside it]",
)
@click.option("--save/--no-save", default=True, help="Keep result and picture beside the first recording.")
@picture_option
@check_option
@common_options
def estimate(
    recordings: tuple[Path, ...],
    part: str | None,
    null: str | None,
    save: bool,
    picture: bool,
    check: bool,
    as_json: bool,
    debug: bool,
) -> int:
    """Estimate again from the raw traces of one or several recordings.

    Several recordings of one stage are estimated jointly; a null run may be among them. The raw data is never
    changed; the new result is added beside the old ones.

    \b
    Example:
      twonode estimate twonode-demo/2031-04-09T18-20-11Z_wrenfield-46_C7

    Exit status: 0 done, 1 not passed (--check), 2 no recording, 4 a recording is damaged.
    """
    from twonode.console.filing import conclude, show

    del debug  # read from the command line before anything else can fail
    outcome = conclude(
        recordings,
        part=part,
        picture=picture,
        save=save,
        null=named_null(null),
        use_nulls=null != NO_NULL,
    )
    return show(outcome, as_json=as_json, check=check)
