"""What a drawer session looks like: cautions, drawing, a few lines for every part, the bins at the end.

Owns the words and their places. What is said of a part comes from `analysis`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from twonode.acquire.drawer_events import FixtureChecked, KnownChecked
    from twonode.acquire.drawer_table import BatchTable, DrawerRow
    from twonode.analysis.loose_part import AtFrequency, LoosePart

__all__ = [
    "BIN_HEADS",
    "bin_lines",
    "bin_rows",
    "fixture_lines",
    "known_line",
    "part_lines",
    "show_beforehand",
]

_FAMILIES_SHOWN = 3
_LEAST_SHOWN = 0.05


def show_beforehand() -> None:
    """Cautions and the fixture's drawing, on standard error."""
    from twonode.analysis.hookup import HookUp, hookup_drawing, series_stage
    from twonode.cautions import LOOSE_PART_CAUTIONS

    click.secho("BEFORE A PART GOES INTO THE CLIPS", bold=True, err=True)
    for caution in LOOSE_PART_CAUTIONS:
        click.echo(f"  ! {caution}", err=True)
    stage = series_stage(
        part="part", value_farad=10e-9, tolerance=None, resistor_ohm=1e5, resistor_tolerance=None
    )
    click.echo("\n" + hookup_drawing(HookUp.SERIES, stage).replace("part 10.0 nF", "unknown part"), err=True)
    click.echo(
        " R  known resistor of the fixture: 100 ohm to 1 Mohm in decades; the program says which. Large parts and R"
        "\n    change places, which it says too.\n",
        err=True,
    )


def fixture_lines(event: FixtureChecked) -> Iterator[str]:
    """What the open fixture holds."""
    fixture = event.fixture
    yield f"Open fixture: {fixture.across} from clip to clip, {fixture.to_ground} to ground; taken into account."
    if fixture.misfit is not None:
        yield f"  {fixture.misfit}"


def known_line(event: KnownChecked) -> str:
    """How the known part reads."""
    check = event.check
    return f"Known part: {check.because}" + (f" {check.do}" if check.do else "")


def part_lines(row: DrawerRow) -> Iterator[str]:
    """The result of one part: value first, then loss, what it is near to, what it may be, what to write on it."""
    from twonode.analysis.loose_part import LooseState

    loose = row.loose
    assert loose is not None, "a part that was just measured has its result"
    yield f"Part {row.number}: {_headline(loose)}"
    if loose.state is not LooseState.MEASURED:
        yield "  r measures it again; u takes it back."
        return
    for reading in loose.readings:
        if reading.capacitance is not None or reading.tan_delta is not None:
            yield f"  {_hz(reading.frequency_hz):>8}  {_reading_words(reading)}"
    if loose.families:
        yield f"  likely    {_families(loose)}"
    if loose.misfit is not None:
        yield f"  doubtful  {loose.misfit}"
    yield f"  label     {row.label}"


def _headline(loose: LoosePart) -> str:
    near = loose.nearest
    if loose.value is None or near is None:
        return f"{loose.state.value}. {loose.because}"
    from twonode.analysis.loose_report import value_words

    return (
        f"{loose.value} (95 %) at {_hz(loose.value_hz or 0.0)}; nearest {near.series.name} value "
        f"{value_words(near.farad)} ({100 * near.deviation:+.1f} %)"
    )


def _hz(hz: float) -> str:
    from twonode.analysis.quantities import format_quantity

    return format_quantity(hz, "Hz", 3 if hz < 1000 else 1)


def _reading_words(reading: AtFrequency) -> str:
    from twonode.analysis.loose_report import loss_words, resistance_words

    value = f"{reading.why_not};" if reading.capacitance is None else f"C {reading.capacitance},"
    if reading.tan_delta is None:
        return f"{value} tan δ not determined"
    words = [f"{value} tan δ {loss_words(reading.tan_delta)}"]
    if reading.esr is not None:
        words.append(f"ESR {resistance_words(reading.esr)}")
    # Where there is but a bound, one of the two says all.
    if reading.parallel_resistance is not None and reading.parallel_resistance.value is not None:
        words.append(f"or {resistance_words(reading.parallel_resistance)} across it")
    return ", ".join(words)


def _families(loose: LoosePart) -> str:
    shown = [s for s in loose.families[:_FAMILIES_SHOWN] if s.probability >= _LEAST_SHOWN]
    return ", ".join(f"{share.dielectric.value} {100 * share.probability:.0f} %" for share in shown)


def bin_lines(table: BatchTable) -> Iterator[str]:
    """The bins as a table, and where the file is."""
    rows = bin_rows(table)
    if rows:
        yield from _aligned([BIN_HEADS, *rows])
    withdrawn = len(table.rows) - len(table.kept)
    if withdrawn:
        yield f"Taken back or measured again: {withdrawn}; their recordings are kept."
    yield f"Table: {table.path}" if table.rows else "Nothing was measured."


BIN_HEADS = ("bin", "count", "parts, and how far each is off the value")


def bin_rows(table: BatchTable) -> list[tuple[str, str, str]]:
    """Name, number of parts, and which they are, of every bin."""
    off = {row.number: _deviation(row) for row in table.kept}
    return [
        (each.name, str(len(each.numbers)), ", ".join(f"{number}{off[number]}" for number in each.numbers))
        for each in table.bins()
    ]


def _deviation(row: DrawerRow) -> str:
    percent = row.cells.get("deviation_percent")
    return "" if percent in (None, "") else f" ({float(percent):+.1f} %)"


def _aligned(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for place, row in enumerate(rows):
        line = "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        yield f"  {line}"
        if place == 0:
            yield "  " + "  ".join("-" * width for width in widths)
