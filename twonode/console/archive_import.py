"""``twonode archive import``: readings that others took, filed, estimated and shown like a sweep's.

Owns the command's options. What a file may hold is in `recordings.import_points` and `recordings.import_traces`.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twonode.console.benches import unique_tags
from twonode.console.options import (
    PROBES,
    TAG,
    Quantity,
    archive_option,
    check_option,
    common_options,
    default_archive,
    picture_option,
)
from twonode.console.wiring import wired_stage, wiring_options

if TYPE_CHECKING:
    from twonode.acquire.imported import Imported, ImportRequest

__all__ = ["import_"]

_NUMBER_WITH = re.compile(r"\s*(\d+(?:\.\d*)?|\.\d+)\s*(%|dB|deg|°)\s*", re.IGNORECASE)


class _Uncertainty(click.ParamType):  # type: ignore[type-arg,unused-ignore]
    """A standard uncertainty with one of the given units: a fraction for "%" and "dB", degrees for "deg"."""

    name = "uncertainty"

    def __init__(self, *units: str) -> None:
        self._units = units

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if not isinstance(value, str):
            return value
        from twonode.analysis.quantities import fraction_of

        match = _NUMBER_WITH.fullmatch(value)
        unit = "" if match is None else match[2].lower().replace("°", "deg")
        if match is None or unit not in {each.lower() for each in self._units}:
            self.fail(f"{value!r}: write a number with {' or '.join(self._units)}, such as 2{self._units[0]}")
        found = fraction_of(float(match[1]), unit)
        largest = 30.0 if unit == "deg" else 0.5
        if not 0 < found <= largest:
            self.fail(f"{value!r}: a standard uncertainty lies above zero and below half of the reading")
        return found


@click.command(
    name="import",
    epilog="Uncertainties are standard ones (k = 1). Exit status: 0 done, 1 not passed (--check), 2 wrong usage or "
    "bad file.",
)
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE...")
@wiring_options
@click.option(
    "--uncertainty",
    type=_Uncertainty("%", "dB"),
    help="Of each size, where the table has no column for it, such as 2% or 0.2dB.  [default: 3%]",
)
@click.option(
    "--phase-uncertainty",
    type=_Uncertainty("deg"),
    help="Of each phase, where the table has no column for it.  [default: 2deg]",
)
@click.option(
    "--frequency-uncertainty",
    type=_Uncertainty("%"),
    help="Of all frequencies together.  [default: 0.5% for a table, 0.01% for traces]",
)
@click.option(
    "--gain-uncertainty",
    type=_Uncertainty("%"),
    help="Of each channel, the same at all frequencies.  [default: 1.5%]",
)
@click.option(
    "--probes",
    type=PROBES,
    default="10,10",
    show_default=True,
    help="Switch of the probes that loaded driven and far node.",
)
@click.option(
    "--line",
    type=click.Choice(["50", "60"]),
    default="50",
    show_default=True,
    help="Mains frequency, Hz, looked for in traces.",
)
@click.option(
    "--level", "level_vpp", type=Quantity("V"), help="Generator, V peak-to-peak.  [default: not known]"
)
@click.option(
    "--tag",
    "tags",
    type=TAG,
    multiple=True,
    help="Filed with it: set=..., serial=..., operator=..., when=...",
)
@archive_option
@picture_option
@check_option
@click.option("--quiet", is_flag=True, help="No notes on how the file was read.")
@common_options
def import_(**options: Any) -> int:
    """File readings that were taken by hand or by any other means, and estimate the part from them.

    FILE is a table of points in CSV, or the traces of both channels, one CSV file a frequency. The line that names
    the columns says what is in them and in which unit:

    \b
      frequency_hz,gain dB,phase deg      f (kHz);ratio;uncertainty %
      frequency Hz,CH1 Vpp,CH2 Vpp        time (s),CH1 (V),CH2 (V)

    The phase may be missing: then the sizes alone count. It is negative where the far node lags. The file is kept in
    the recording, whose conditions say that this program did not measure it.

    \b
    Examples:
      twonode archive import notebook.csv --hookup series --part C7
                     --expect 22n --tolerance 10% --resistor 100k
      twonode archive import 20hz.csv 100hz.csv 500hz.csv --stage stage.toml
                     --part C7
    """
    from twonode.console.filing import conclude, show

    quiet = options["quiet"] or options["as_json"]
    request = _request(options)
    found = _file(options, request, archive=options["archive"] or default_archive())
    if not quiet:
        for note in found.notes:
            click.echo(note, err=True)
    outcome = conclude([found.recording], picture=options["picture"])
    return show(outcome, as_json=options["as_json"], check=options["check"])


def _file(options: dict[str, Any], request: ImportRequest, *, archive: Path) -> Imported:
    """The readings as a recording; which kind of file it is, its columns tell."""
    from twonode.acquire.imported import import_table, import_traces
    from twonode.recordings.import_points import holds_points, read_points_table

    files: tuple[Path, ...] = options["files"]
    if not holds_points(files[0]):
        for name in ("uncertainty", "phase_uncertainty"):
            if options[name] is not None:
                raise click.UsageError(
                    f"--{name.replace('_', '-')} belongs to a table; traces show their own noise"
                )
        return import_traces(request, files, archive=archive)
    if len(files) > 1:
        raise click.UsageError(
            f"{files[0].name} is a table of points: import one table at a time, then estimate them together"
        )
    table = read_points_table(
        files[0],
        size_uncertainty=options["uncertainty"],
        phase_uncertainty_deg=options["phase_uncertainty"],
    )
    return import_table(request, table, archive=archive)


def _request(options: dict[str, Any]) -> ImportRequest:
    from twonode.acquire.imported import ImportRequest
    from twonode.analysis.hookup import HookUp

    stage, hookup = wired_stage(options)
    asked = stage.asked_part(options["part"])
    tags = unique_tags(options["tags"])
    return ImportRequest(
        hookup=hookup,
        stage=stage,
        part=asked.name,
        nominal_farad=None if hookup is not HookUp.STAGE and options["expect"] is None else asked.value,
        tolerance=asked.tolerance,
        probe_factors=options["probes"],
        level_vpp=options["level_vpp"],
        frequency_uncertainty=options["frequency_uncertainty"],
        gain_uncertainty=options["gain_uncertainty"],
        line_hz=float(options["line"]),
        tags=tags,
        operator=tags.get("operator"),
    )
