"""``twonode marking``: every reading that a part's marking allows.

Owns the command's options and the table on the screen. Reads nothing itself.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import click

from twonode.console.options import Quantity, common_options

if TYPE_CHECKING:
    from twonode.analysis.marking import MarkingRead, MeterReading, RankedReading

__all__ = ["detail_words", "marking", "reading_cells", "source_words"]

_WIDEST = 100
_LONGEST_WORD = len("three-digit")
"""Of the names of the schemes; no column is made narrower."""


class _MeterReading(Quantity):
    """A measured capacitance, with the meter's limits or without."""

    def __init__(self) -> None:
        super().__init__("F")

    def parse(self, text: str) -> MeterReading:  # type: ignore[override]
        """The reading of a text such as "252p" or "252p ± 1%"."""
        from twonode.analysis.marking import parse_meter_reading

        return parse_meter_reading(text)


@click.command(
    epilog="Exit status: 0 read, 2 no scheme known here reads it.",
    # A tolerance such as -20+80% is a word of the marking, not an option.
    context_settings={"ignore_unknown_options": True},
)
@click.argument("text", nargs=-1, required=True)
@click.option(
    "--measured",
    type=_MeterReading(),
    metavar="CAPACITANCE",
    help='What a meter says, such as 252p or "252p ± 1%": orders the readings by agreement.',
)
@click.option(
    "--arrow",
    type=click.Choice(["right", "left", "unknown"]),
    default="right",
    show_default=True,
    help="Which way the arrows on the dots point; unknown reads them both ways.",
)
@common_options
def marking(
    text: tuple[str, ...], measured: MeterReading | None, arrow: str, as_json: bool, debug: bool
) -> int:
    """Read a part's marking: every value it may mean, by which scheme, from which source.

    Nothing is guessed: where schemes or tables disagree all readings are listed. A measured value tells them apart.

    \b
    Examples:
      twonode marking 473K 400V
      twonode marking .05 mfd 600 VDC
      twonode marking 250 --measured "252p ± 1%"
      twonode marking red red orange
      twonode marking "white brown red / red blue red"

    Colours are written out or shortened (bk br gn); b, g, bl and gr fit several and give every reading. Write "none"
    for a bare place and / between two rows, each row from left to right, the arrows pointing right:

    \b
      three dots               six dots
      +------------------+     +------------------+
      |  o >   o >   o > |     |  1 >   2 >   3 > |    1 2 3 / 4 5 6
      |  1     2     3   |     |  4     5     6   |
      +------------------+     +------------------+

    A value is no working voltage: where none is marked it is unknown. Parts at the mains carry a safety class (X1, X2,
    Y1, Y2) and are replaced only by certified parts of the same class.
    """
    del debug  # read from the command line before anything else can fail
    options = [word for word in text if word.startswith("--")]
    if options:
        raise click.UsageError(f"No such option: {options[0]}")
    from twonode.analysis.marking import Arrow, marking_document, read_marking

    found = read_marking(" ".join(text), measured=measured, arrow=Arrow(arrow))
    if as_json:
        print(json.dumps(marking_document(found), allow_nan=False))
    else:
        _show(found)
    return 0


def _show(found: MarkingRead) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table

    console = Console(highlight=False, emoji=False, markup=False)
    console.width = min(console.width, _WIDEST)
    count = len(found.readings)
    console.print(f"{found.text}: {'one reading' if count == 1 else f'{count} readings'}", style="bold")
    table = Table(
        box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, collapse_padding=True, header_style="none"
    )
    table.add_column("", justify="right", no_wrap=True)
    table.add_column("value", justify="right", no_wrap=True)
    table.add_column("tolerance", no_wrap=True)
    table.add_column("volts", no_wrap=True)
    if found.measured is not None:
        table.add_column("measured", no_wrap=True)
    table.add_column("scheme", min_width=_LONGEST_WORD)
    table.add_column("from", no_wrap=True)
    table.add_column("today", no_wrap=True)
    sources: dict[str, str] = {}
    details: dict[str, list[str]] = {}
    for number, ranked in enumerate(found.readings, start=1):
        letters = [sources.setdefault(source, _letter(len(sources))) for source in source_words(ranked)]
        cells = [str(number), *reading_cells(ranked)]
        if found.measured is not None:
            cells.append("-" if ranked.agreement is None else ranked.agreement.words)
        table.add_row(*cells, ranked.reading.scheme.value, " ".join(letters), ranked.today or "-")
        said = "; ".join(detail_words(ranked))
        if said:
            details.setdefault(said, []).append(str(number))
    console.print(table)
    console.print()
    for said, numbers in details.items():
        console.print(f"{', '.join(numbers)}: {said}.")
    for source, letter in sources.items():
        console.print(f"{letter}  {source}")
    console.print()
    for line in (found.order, *found.notes):
        console.print(line)
    for line in found.cautions:
        console.print(line, style="bold")


def _letter(count: int) -> str:
    return "abcdefghijklmnopqrstuvwxyz"[count]


def reading_cells(ranked: RankedReading) -> list[str]:
    """Value, tolerance and volts of a reading."""
    from twonode.analysis.marking import capacitance_words

    reading = ranked.reading
    farad, voltage = reading.capacitance_farad, reading.voltage
    return [
        "not marked" if farad is None else capacitance_words(farad),
        "not marked" if reading.tolerance is None else str(reading.tolerance.limits),
        "unknown"
        if voltage is None
        else f"{voltage.volts:g} V{'' if voltage.kind is None else f' {voltage.kind}'}",
    ]


def source_words(ranked: RankedReading) -> list[str]:
    """Where value, tolerance, volts and temperature code of one reading come from, each source once."""
    reading = ranked.reading
    found = [
        None if each is None else each.source
        for each in (reading, reading.tolerance, reading.voltage, reading.temperature)
    ]
    return list(dict.fromkeys(str(source) for source in found if source is not None))


def detail_words(ranked: RankedReading) -> list[str]:
    """What else a reading says or rests on."""
    reading = ranked.reading
    details = []
    if reading.safety:
        details.append(f"mains safety class {', '.join(reading.safety)}")
    if reading.temperature is not None:
        details.append(f"{reading.temperature.code} is {reading.temperature.words}")
    return details + list(reading.remarks)
