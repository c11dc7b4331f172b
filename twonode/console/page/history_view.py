"""One part over the years: every finding of it with its value, drawn.

Owns turning entries of the index into the drawing; the list below it is the search's.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from twonode.analysis.history_svg import PastFinding, history_svg
from twonode.console.page import pieces
from twonode.console.page.archive_view import address, search
from twonode.console.page.context import PageContext
from twonode.recordings.entry import Entry

__all__ = ["build_history", "past_findings", "stated_band"]

_MOST = 60


async def build_history(context: PageContext, part: str, set_name: str | None) -> None:
    """The drawing of one part; words where it was never measured."""
    found = await context.in_thread(
        search, context.archive, "", {"part": part, "set_": set_name}, limit=_MOST
    )
    with pieces.panel(f"{part} over time"):
        if not found.entries:
            pieces.text("p", f"No recording of {part} is here yet.")
            return
        sets = sorted({entry.identity.set_name or "" for entry in found.entries})
        if len(sets) > 1:
            pieces.text("p", f"{part} of several sets; one of them:", "quiet")
            with pieces.row():
                for each in filter(None, sets):
                    pieces.link(each, address(part=part, set=each))
        past = past_findings(found.entries)
        if past:
            svg = history_svg(
                past, band=stated_band(found.entries), words=context.words.farad, title=f"{part} over time"
            )
            pieces.figure(svg, "Value with its 95 % interval; the band is what was expected of it.", "wide")


def past_findings(entries: Sequence[Entry]) -> list[PastFinding]:
    """The capacitances among the entries, as the drawing takes them."""
    found = []
    for entry in entries:
        worth = entry.worth
        if worth is None or worth.unit != "F" or entry.created_utc is None:
            continue
        try:
            when = datetime.fromisoformat(entry.created_utc)
        except ValueError:
            continue
        past = PastFinding(
            when=when,
            value=worth.value,
            low=worth.low,
            high=worth.high,
            at_least=worth.at_least,
            at_most=worth.at_most,
            state=entry.finding,
        )
        if past.shown:
            found.append(past)
    return found


def stated_band(entries: Sequence[Entry]) -> tuple[float, float] | None:
    """The limits that the newest entry with limits was held against."""
    for entry in entries:
        if entry.expected_low is not None and entry.expected_high is not None:
            return entry.expected_low, entry.expected_high
    return None
