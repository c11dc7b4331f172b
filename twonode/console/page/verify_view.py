"""Verifying on the page: one recording, or the whole archive with its progress.

Owns what is shown; the work and its words are those of `twonode archive verify`.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from nicegui import ui

from twonode.console.archive_verify import verdict_lines
from twonode.console.page import pieces
from twonode.console.page.context import PageContext
from twonode.recordings.verify import Verdict, VerifiedState, recordings_in, verify_recording

__all__ = ["show_verdicts", "verify_archive", "verify_one"]

_AT_ONCE = 8


async def verify_one(context: PageContext, folder: Path, place: ui.element) -> None:
    """Verify one recording and say in ``place`` what came of it."""
    verdict = await context.in_thread(verify_recording, folder)
    place.clear()
    with place:
        show_verdicts([verdict])


def show_verdicts(verdicts: Sequence[Verdict]) -> None:
    """What came of it, every file that differs by its path."""
    sound = all(each.state is VerifiedState.SOUND for each in verdicts)
    with (
        ui.element("div")
        .classes("verdict" if sound else "trouble verdict")
        .props("" if sound else "role=alert")
    ):
        for place, line in enumerate(verdict_lines(verdicts, (), checksums=False, quiet=False)):
            pieces.text("p", line.strip(), "what" if place == 0 else "file" if line.startswith(" ") else "")


def verify_archive(context: PageContext) -> None:
    """A button that verifies all, a few at a time, so that the page goes on."""
    box = pieces.trouble(context.words)
    said = pieces.status()
    place = ui.element("div")

    async def verify() -> None:
        with box.catching():
            place.clear()
            folders = await context.in_thread(recordings_in, context.archive)
            verdicts: list[Verdict] = []
            for start in range(0, len(folders), _AT_ONCE):
                if context.client.is_deleted:
                    return
                verdicts += await context.in_thread(_several, folders[start : start + _AT_ONCE])
                said.set_text(f"{len(verdicts)} of {len(folders)} verified.")
            with place:
                show_verdicts(verdicts)
            context.sound("done" if all(v.state is VerifiedState.SOUND for v in verdicts) else "trouble")

    pieces.button("Verify all", verify)


def _several(folders: Sequence[Path]) -> list[Verdict]:
    return [verify_recording(folder) for folder in folders]
