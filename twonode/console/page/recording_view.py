"""One recording opened: its finding, the lines of `twonode archive show`, picture, notes, sheet, checksums.

Owns the places of these and the forms beside them. Nothing here can delete: a recording is put aside and comes back.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlencode

from nicegui import ui

from twonode.console.archive_show import LookedAt, looked_at
from twonode.console.archive_words import finding_words, worth_words
from twonode.console.page import pieces
from twonode.console.page.archive_view import address, archive_words
from twonode.console.page.context import PageContext
from twonode.console.page.drawing import sheet_bytes
from twonode.console.page.verify_view import verify_one
from twonode.recordings.identity import IdentityField
from twonode.recordings.lookup import named_folder
from twonode.recordings.model import Ended
from twonode.recordings.notes import add_note, field_named, read_notes
from twonode.recordings.trash import discard

__all__ = ["build_recording"]

_CUT_SHORT = {Ended.INTERRUPTED.value: "stopped", Ended.RECOVERED.value: "killed"}

_LARGEST_PICTURE_BYTES = 5_000_000
_OWN_WORDS = ("", "Set", "Note", "Notes", "Picture", "Folder", "With", "Recorded")
"""Lines that hold a person's or an instrument's words, which are shown as they are."""


async def build_recording(context: PageContext, name: str) -> None:
    """The view of one recording; name : as `twonode archive show` takes it."""
    pieces.link("Back to the list", address(q=context.query.get("q")), "back")
    folder = await context.in_thread(named_folder, name, context.archive)
    seen = await context.in_thread(looked_at, folder)
    picture = await context.in_thread(_picture, seen.picture)
    _RecordingView(context, folder.absolute(), seen, picture).build()


def _picture(path: Path | None) -> bytes | None:
    if path is None or path.stat().st_size > _LARGEST_PICTURE_BYTES:
        return None
    return path.read_bytes()


class _RecordingView:
    """One recording on one visit."""

    def __init__(self, context: PageContext, folder: Path, seen: LookedAt, picture: bytes | None) -> None:
        self._context = context
        self._folder = folder
        self._seen = seen
        self._picture = picture

    def build(self) -> None:
        """All of it."""
        with ui.element("div").classes("two-columns"):
            with ui.element("div").classes("stack"):
                self._found()
                self._lines()
            with ui.element("div").classes("stack"):
                self._acts()
                self._notes()
        if self._picture is not None:
            with pieces.panel("Picture"):
                pieces.png(self._picture, f"{self._headline()}: bar, curve and residuals, as filed")

    def _headline(self) -> str:
        entry = self._seen.entry
        return f"{entry.identity.part or entry.kind}: {finding_words(entry)}"

    def _found(self) -> None:
        entry, say = self._seen.entry, self._context.words.say
        with pieces.panel(classes="found"):
            pieces.text("h2", entry.identity.part or {"null": "Null run"}.get(entry.kind or "", entry.title))
            if entry.finding is not None:
                pieces.finding_line(entry.finding)
            pieces.text("p", say(worth_words(entry.worth)), "big-value")
            if entry.title:
                pieces.text("p", entry.title, "quiet")
            if entry.kind == "sweep" and entry.ended in _CUT_SHORT and entry.drawer is None:
                pieces.text("p", f"This sweep was {_CUT_SHORT[entry.ended]} before its end.")
                pieces.link("Go on with it", f"/continue?{urlencode({'recording': entry.name})}", "button")
            if self._seen.damage is not None:
                with ui.element("div").classes("trouble").props("role=alert"):
                    for place, line in enumerate(str(self._seen.damage).splitlines()):
                        pieces.text("p", line, "what" if place == 0 else "")

    def _lines(self) -> None:
        say = self._context.words.say
        with pieces.panel("What is known of it"), ui.element("dl").classes("lines"):
            for label, line in self._seen.lines:
                if label in ("", "Note", "Notes", "Picture"):
                    continue
                pieces.text("dt", label)
                pieces.text("dd", line if label in _OWN_WORDS else say(line))

    # What can be done ------------------------------------------------------------------------------------------------

    def _acts(self) -> None:
        context, entry = self._context, self._seen.entry
        with pieces.panel("Sheet and checksums"):
            box = pieces.trouble(context.words)
            said = pieces.status()
            verdict = ui.element("div")
            paper = pieces.choice("Paper", {"A4": "A4", "letter": "letter"}, "A4")

            async def sheet(suffix: str) -> None:
                with box.catching():
                    said.set_text("Drawing the sheet …")
                    content, notes = await context.in_thread(
                        sheet_bytes, self._folder, context.archive, paper.value, suffix
                    )
                    context.download(content, f"{self._folder.name}{suffix}")
                    said.set_text(
                        " ".join([f"The sheet was handed to the browser ({suffix[1:].upper()}).", *notes])
                    )
                    return
                said.set_text("")

            async def verify() -> None:
                with box.catching():
                    said.set_text("Verifying …")
                    await verify_one(context, self._folder, verdict)
                said.set_text("")

            with pieces.row():
                if entry.kind != "null":
                    pieces.button("Sheet as PDF", lambda: sheet(".pdf"))
                    pieces.button("Sheet as HTML", lambda: sheet(".html"))
                pieces.button("Verify", verify)
            if entry.identity.part:
                over_time = address(part=entry.identity.part, set=entry.identity.set_name)
                pieces.link(f"{entry.identity.part} over time, and compare", over_time, "apart")
            self._put_aside()

    def _put_aside(self) -> None:
        context = self._context
        with ui.element("details").classes("put-aside") as details:
            pieces.text("summary", "Put it aside")
            pieces.text(
                "p",
                "It moves to the archive's folder .discarded and comes back unchanged. Nothing is deleted.",
            )
            reason = pieces.field("Why", hint="Kept as a note in the recording.")
            box = pieces.trouble(context.words)

            async def aside() -> None:
                with box.catching():
                    context.seat.require()
                    moved = await context.in_thread(_discarded, self._folder, reason.value.strip())
                    details.clear()
                    with details:
                        pieces.text("summary", "Put aside")
                        with ui.element("div").props("role=status"):
                            pieces.text("p", f"{moved.name} is put aside. This brings it back:")
                            pieces.text(
                                "code",
                                f"twonode archive restore {moved.name}{archive_words(context.archive)}",
                            )
                        pieces.link("Back to the list", address())

            pieces.button("Put it aside", aside)

    # Notes -----------------------------------------------------------------------------------------------------------

    def _notes(self) -> None:
        context = self._context
        with pieces.panel("Notes and corrections"):
            self._note_list = ui.element("ul").classes("notes")
            self._show_notes()
            note = pieces.area("New note")
            who = pieces.field("Written by")
            with ui.element("details"):
                pieces.text("summary", "Correct a field")
                pieces.text(
                    "p", "What was filed stays; lists and searches go by the last correction.", "quiet"
                )
                fields = {"": "nothing"} | {field.value: field.value for field in IdentityField}
                field = pieces.choice("Field", fields, "")
                value = pieces.field("What it should be", hint="Empty takes it back.")
                reason = pieces.field("How you know")
            box = pieces.trouble(context.words)
            said = pieces.status()

            async def add() -> None:
                with box.catching():
                    context.seat.require()
                    await context.in_thread(
                        add_note,
                        self._folder,
                        note.value,
                        operator=who.value.strip() or None,
                        when_utc=datetime.now(UTC),
                        corrects=field_named(field.value) if field.value else None,
                        value=(value.value.strip() or None) if field.value else None,
                        reason=reason.value.strip() or None,
                    )
                    for control in (note, value, reason):
                        control.set("")
                    field.set("")
                    said.set_text("The note is kept.")
                    self._show_notes()

            pieces.button("Keep the note", add)

    def _show_notes(self) -> None:
        self._note_list.clear()
        with self._note_list:
            notes = read_notes(self._folder)
            for note in notes:
                pieces.text("li", note.line)
            if not notes:
                pieces.text("li", "No note yet.", "quiet")


def _discarded(folder: Path, reason: str) -> Path:
    if reason:
        add_note(folder, f"discarded: {reason}", when_utc=datetime.now(UTC))
    return discard(folder)
