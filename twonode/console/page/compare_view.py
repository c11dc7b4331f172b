"""Two recordings of a part beside each other: has its value changed?

Owns the places. The comparison is that of `twonode archive compare`.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from nicegui import ui

from twonode.acquire.compare import ComparedRecordings, compare_recordings
from twonode.analysis.comparison import comparison_lines
from twonode.analysis.comparison_picture import comparison_picture_png
from twonode.console.page import pieces
from twonode.console.page.archive_view import address
from twonode.console.page.context import PageContext
from twonode.console.page.drawing import drawn
from twonode.console.page.soon import Soon
from twonode.errors import TwonodeError
from twonode.recordings.lookup import named_folder

__all__ = ["build_comparison", "compared"]


def compared(archive: Path, names: Sequence[str]) -> tuple[ComparedRecordings, bytes]:
    """The comparison and its picture. Raises as `compare_recordings` and `named_folder`."""
    first, second = (named_folder(name, archive) for name in names)
    found = compare_recordings(first, second)
    return found, drawn(comparison_picture_png, found.comparison, names=found.names, methods=found.methods)


async def build_comparison(context: PageContext, names: Sequence[str]) -> None:
    """The view of two recordings, by name."""
    pieces.link("Back to the list", address(), "back")
    if len(names) != 2:
        pieces.text("p", "Two recordings can be compared; tick them in the list.")
        return
    box = pieces.trouble(context.words)
    said = pieces.status("Working both out again from their raw codes …")
    place = ui.element("div").classes("stack")

    async def work(wanted: object) -> None:
        assert callable(wanted)
        try:
            found, picture = await context.in_thread(compared, context.archive, names)
        except TwonodeError as exc:
            if wanted():
                said.set_text("")
                box.show(exc)
            return
        if wanted():
            said.set_text("")
            with place:
                _show(context, found, picture)

    await Soon(context, work).first()


def _show(context: PageContext, found: ComparedRecordings, picture: bytes) -> None:
    say = context.words.say
    headline, *others = comparison_lines(found.comparison, found.names)
    with pieces.panel(classes="found"):
        pieces.text("h2", say(headline))
        for line in others:
            pieces.text("p", say(line.strip()))
        pieces.text(
            "p", f"What differed in method: {'; '.join(found.methods) or 'nothing that is recorded'}."
        )
        for note in found.notes:
            pieces.text("p", note, "quiet")
        with pieces.row():
            for name, folder in zip(found.names, (found.first.folder, found.second.folder), strict=True):
                pieces.link(f"Open: {name}", address(recording=folder.name))
    with pieces.panel("Both curves"):
        pieces.png(picture, f"{headline} Both values on one bar, the later sweep over the earlier one.")
