"""The advice on a replacement on the screen.

Owns the order and the tables. Works nothing out.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from twonode.analysis.replacement import Replacement
    from twonode.analysis.replacement.combinations import Combination
    from twonode.analysis.replacement.values import Suggestion

__all__ = [
    "changes_of",
    "parts_words",
    "percent",
    "series_words",
    "shares_words",
    "show_replacement",
    "value_words",
    "was_words",
    "working_words",
]

_WIDEST = 100


def show_replacement(advice: Replacement, cautions: Sequence[str]) -> None:
    """Print the advice; the cautions come before anything that the person could act on."""
    from rich.console import Console

    from twonode.analysis.quantities import format_quantity

    console = Console(highlight=False, emoji=False, markup=False)
    console.width = min(console.width, _WIDEST)
    request = advice.request
    at = "" if request.working is None or advice.mains is not None else f", {working_words(advice)}"
    console.print(
        f"Instead of {format_quantity(request.value_farad, 'F')}, {request.role.value}{at}", style="bold"
    )
    console.print(f"In short: {advice.in_short}.", style="bold")
    console.print("CAUTION: " + " ".join(cautions))
    _show_values(console, advice)
    if advice.mains is not None:
        _show_mains(console, advice)
    if advice.rated is not None:
        _show_rated(console, advice)
    _show_dielectrics(console, advice)
    _show_stock(console, advice)
    _list(console, "Note", advice.notes)
    _list(console, "Not known", advice.unknown)


def working_words(advice: Replacement) -> str:
    """ "B+ 265 V": what the volts were called, and they; only where they were given."""
    working = advice.request.working
    assert working is not None
    return f"{working.label} {working.volts:g} V".strip()


def _list(console: Console, title: str, lines: Iterable[str]) -> None:
    lines = list(lines)
    if lines:
        console.print()
        console.print(title, style="bold")
    for line in lines:
        console.print(f"- {line}")


def _table(console: Console, title: str, *columns: str) -> Table:
    """A table without its rows; its title is printed at once, for rich would wrap it to the table's width."""
    from rich import box
    from rich.table import Table

    console.print()
    console.print(title, style="bold")
    table = Table(
        box=box.SIMPLE_HEAD, pad_edge=False, show_edge=False, collapse_padding=True, header_style="none"
    )
    for column in columns:
        table.add_column(column, overflow="fold")
    return table


def _show_values(console: Console, advice: Replacement) -> None:
    from twonode.analysis.replacement.role import facts_of

    title = "Value" if advice.limits is None else f"Value (may move {advice.limits})"
    if not advice.suggestions:
        console.print()
        console.print(title, style="bold")
        console.print(f"No preferred value: {facts_of(advice.request.role).why}.")
        return
    table = _table(console, title, "", "value", "change", "series", *changes_of(advice.suggestions[0]))
    for each in advice.suggestions:
        table.add_row(
            "usual" if each.recommended else "",
            value_words(each),
            percent(each.deviation),
            series_words(each),
            *changes_of(each).values(),
        )
    console.print(table)
    was = was_words(advice.suggestions[0])
    if was:
        console.print(f"With the old value: {was}.")
    for each in advice.suggestions:
        opinions = ", ".join(opinion.value for opinion in each.opinions)
        console.print(f"- {value_words(each)} ({opinions}): {each.because}")


def series_words(each: Suggestion) -> str:
    """The coarsest series that holds the value; the finer ones hold it too."""
    return each.series[0].name if each.series else "-"


def value_words(each: Suggestion) -> str:
    """The value, of which parts it is made, and the safety class where there is one."""
    from twonode.analysis.quantities import format_quantity

    made = " + ".join(format_quantity(part, "F") for part in each.parts_farad)
    return made if each.safety is None else f"{made} class {each.safety.value}"


def percent(fraction: float) -> str:
    """A change of the value with its sign."""
    from twonode.analysis.replacement.advice import percent_words

    return percent_words(fraction)


def changes_of(each: Suggestion) -> dict[str, str]:
    """Head and cell of every figure that the change has."""
    from twonode.analysis.quantities import format_quantity

    change = each.change
    cells = {}
    if change.corner_hz is not None:
        cells["corner"] = format_quantity(change.corner_hz, "Hz")
    if change.time_constant_s is not None:
        cells["time constant"] = format_quantity(change.time_constant_s, "s")
    for at in change.at:
        hertz = format_quantity(at.frequency_hz, "Hz")
        if at.loss_db is not None:
            cells[f"loss at {hertz}"] = f"{at.loss_db:.2f} dB"
        else:
            cells[f"reactance at {hertz}"] = format_quantity(at.reactance_ohm, "ohm")
    if change.ripple_db is not None:
        cells["ripple"] = f"{change.ripple_db:+.1f} dB"
    if change.tuning is not None:
        cells["tuning, at most"] = percent(change.tuning)
    return cells


def was_words(each: Suggestion) -> str:
    """What the old value did, in figures."""
    from twonode.analysis.quantities import format_quantity

    change = each.change
    words = []
    if change.was_corner_hz is not None:
        words.append(f"corner {format_quantity(change.was_corner_hz, 'Hz')}")
    if change.was_time_constant_s is not None:
        words.append(f"time constant {format_quantity(change.was_time_constant_s, 's')}")
    words += [
        f"{at.was_loss_db:.2f} dB at {format_quantity(at.frequency_hz, 'Hz')}"
        for at in change.at
        if at.was_loss_db is not None
    ]
    return ", ".join(words)


def _show_mains(console: Console, advice: Replacement) -> None:
    from twonode.analysis.quantities import format_quantity

    mains = advice.mains
    assert mains is not None
    for caution in mains.cautions:
        console.print(f"CAUTION: {caution}")
    said = " (the line was not given: these are usual ones)" if mains.assumed_line else ""
    table = _table(
        console,
        f"Current through it at the line{said}",
        "line",
        "value",
        "current",
        "part 20 % high",
        "",
    )
    for each in mains.currents:
        table.add_row(
            f"{each.line.volts:g} V {each.line.frequency_hz:g} Hz",
            format_quantity(each.value_farad, "F"),
            format_quantity(each.current_a, "A"),
            format_quantity(each.high_a, "A"),
            " ".join(
                word
                for word, true in (("old value", each.old), ("not suggested", not each.suggested))
                if true
            ),
        )
    console.print(table)
    _list(console, "Limits kept", mains.limits)


def _show_rated(console: Console, advice: Replacement) -> None:
    rated = advice.rated
    assert rated is not None
    console.print()
    value = (
        "none that is commonly made" if rated.suggested_v is None else f"{rated.suggested_v:g} V DC or more"
    )
    console.print(f"Rated voltage: {value}", style="bold")
    for line in rated.because:
        console.print(f"- {line}")
    if rated.asked_because is not None:
        console.print(f"- {rated.asked_because}")


def _show_dielectrics(console: Console, advice: Replacement) -> None:
    from twonode.analysis.replacement.suitability import COMMON_PRACTICE

    console.print()
    console.print(f"Dielectric ({COMMON_PRACTICE}, where none is named)", style="bold")
    for each in advice.dielectrics:
        source = "" if each.source == COMMON_PRACTICE else f" ({each.source})"
        console.print(f"- {each.fit.value}: {each.name}: {each.because}{source}")


def _show_stock(console: Console, advice: Replacement) -> None:
    from twonode.analysis.quantities import format_quantity

    stock = advice.stock
    if stock is None:
        return
    table = _table(
        console, "From the parts at hand", "", "parts (line)", "value", "change", "rated", "remarks"
    )
    for each in stock.found:
        low, high = format_quantity(each.low_farad, "F"), format_quantity(each.high_farad, "F")
        table.add_row(
            each.arrangement.value,
            parts_words(each),
            f"{format_quantity(each.value_farad, 'F')} ({low} to {high})",
            percent(each.deviation),
            f"{each.rated_v:.0f} V",
            "; ".join((*shares_words(each), *each.notes)),
        )
    if stock.found:
        console.print(table)
    if stock.because is not None:
        console.print(f"{stock.because}.")
    for refused in stock.refused:
        console.print(
            f"- line {refused.part.line}, {format_quantity(refused.part.value_farad, 'F')}: not used: "
            f"{refused.because}"
        )


def parts_words(each: Combination) -> str:
    """The parts of a combination with their lines in the list."""
    from twonode.analysis.quantities import format_quantity

    return " + ".join(f"{format_quantity(part.value_farad, 'F')} ({part.line})" for part in each.parts)


def shares_words(each: Combination) -> list[str]:
    """How the volts divide, where they do."""
    return [f"volts divide {' : '.join(f'{share:.0%}' for share in each.shares)}"] if each.shares else []
