"""The archive: found as one types, one recording opened, two compared, one part over the years.

Owns the search and its list, and which of the four a visit is. The search is that of `twonode archive find`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from urllib.parse import urlencode

from nicegui import ui

from twonode.analysis.findings import FindingState
from twonode.console.archive_find import search_of
from twonode.console.archive_words import about_words, created_words, finding_words, remark_words, worth_words
from twonode.console.page import pieces
from twonode.console.page.context import PageContext
from twonode.console.page.control import Choice, Field
from twonode.console.page.soon import Soon
from twonode.errors import TwonodeError
from twonode.recordings import find_unfinished
from twonode.recordings.entry import Entry, EntryState
from twonode.recordings.index import ArchiveIndex
from twonode.recordings.model import RecordingKind
from twonode.recordings.unfinished import Unfinished

__all__ = ["Found", "address", "archive_words", "build", "search"]

_SHOWN = 30
_KINDS = {
    RecordingKind.SWEEP.value: "sweeps",
    RecordingKind.DC.value: "DC readings",
    RecordingKind.NULL.value: "null runs",
    RecordingKind.POINTS.value: "imported tables",
}
_TYPED = {
    "part": ("Part", "such as C7"),
    "set_": ("Set", "such as wrenfield-46"),
    "value": ("Measured value", "a range, such as 20n..25n"),
    "since": ("Recorded since", "a day, month or year, such as 2031-04"),
    "until": ("Recorded until", ""),
    "serial": ("Serial number", ""),
    "position": ("Position in the set", ""),
    "operator": ("Who measured", ""),
}


async def build(context: PageContext) -> None:
    """The view: what the address asks for."""
    query = context.query
    if query.get("recording"):
        from twonode.console.page.recording_view import build_recording

        await build_recording(context, query["recording"])
    elif query.get("compare"):
        from twonode.console.page.compare_view import build_comparison

        await build_comparison(context, query["compare"].split(","))
    else:
        if query.get("part"):
            from twonode.console.page.history_view import build_history

            await build_history(context, query["part"], query.get("set"))
        await _SearchView(context).build()


def address(**query: str | None) -> str:
    """An address of this view; what is None is left out."""
    given = {name: value for name, value in query.items() if value}
    return f"/archive?{urlencode(given)}" if given else "/archive"


def archive_words(archive: Path) -> str:
    """How a command names this archive: nothing where it is the usual one."""
    from twonode.console.options import default_archive

    return "" if archive == default_archive() else f' --archive "{archive}"'


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What a search brought.

    entries : the newest of those that fit; total : how many fit. remarks : what should be known of the index.
    unfinished : never closed, where everything was asked for.
    """

    entries: tuple[Entry, ...]
    total: int
    remarks: tuple[str, ...] = ()
    unfinished: tuple[Unfinished, ...] = ()


def search(archive: Path, words: str, conditions: Mapping[str, str | None], *, limit: int) -> Found:
    """The search of `twonode archive find`; nothing where there is no archive yet.

    words : as typed. conditions : by the names of that command's options; empty texts ask for nothing.

    Raises UnfitSearch, NotARecording.
    """
    if not archive.is_dir():
        return Found(entries=(), total=0)
    names = (
        "set_",
        "serial",
        "part",
        "position",
        "when",
        "operator",
        "kind",
        "finding",
        "value",
        "since",
        "until",
    )
    asked = {name: (conditions.get(name) or "").strip() or None for name in names}
    with ArchiveIndex(archive) as index:
        index.update()
        wanted = search_of(tuple(words.split()), asked, index)
        found = index.find(wanted, limit=limit, fresh=False)
        everything = not words.strip() and not any(asked.values())
        return Found(
            entries=tuple(found),
            total=index.count(wanted),
            remarks=index.remarks,
            unfinished=tuple(find_unfinished(archive)) if everything and index.unfinished else (),
        )


class _SearchView:
    """The search on one visit."""

    def __init__(self, context: PageContext) -> None:
        self._context = context
        self._limit = _SHOWN
        self._picked: list[str] = []
        self._soon = Soon(context, self._look)
        self._conditions: dict[str, Field | Choice] = {}

    async def build(self) -> None:
        context = self._context
        with ui.element("search").classes("panel search"):
            self._words = pieces.field(
                "Search",
                context.query.get("q", ""),
                hint="The beginning of any word: part, set, finding, tag, note. All of them have to fit.",
                on_change=self._changed,
            )
            with ui.element("details").classes("more") as more:
                pieces.text("summary", "More conditions")
                with ui.element("div").classes("form-grid"):
                    self._make_conditions()
            if context.query.get("part"):
                with pieces.row():
                    pieces.text("span", f"Only recordings of {context.query['part']} are listed.")
                    pieces.link("List all", address())
            elif any(control.value for control in self._conditions.values()):
                more.props("open")
        self._box = pieces.trouble(context.words)
        self._said = pieces.status("Looking through the archive …")
        with pieces.row("compare-bar"):
            self._compare = pieces.button("Compare the two", self._go_compare)
            self._compare.props("disabled")
            self._compare_said = pieces.text("span", "Tick two recordings to compare them.", "quiet")
        self._list = ui.element("div").classes("results-room")
        await self._soon.first()
        await _aside(context)
        _whole_archive(context)

    def _make_conditions(self) -> None:
        query = self._context.query
        any_finding = {"": "any"} | {state.value: state.value for state in FindingState}
        any_kind = {"": "any"} | _KINDS
        any_time = {"": "any", "before": "before the work", "after": "after the work"}
        for name, (label, hint) in list(_TYPED.items())[:2]:
            given = query.get(name.rstrip("_"), "")
            self._conditions[name] = pieces.field(label, given, hint=hint, on_change=self._changed)
        self._conditions["finding"] = pieces.choice(
            "Finding", any_finding, query.get("finding", ""), self._changed
        )
        for name, (label, hint) in list(_TYPED.items())[2:]:
            self._conditions[name] = pieces.field(
                label, query.get(name, ""), hint=hint, on_change=self._changed
            )
        self._conditions["kind"] = pieces.choice("Kind", any_kind, "", self._changed)
        self._conditions["when"] = pieces.choice("Measured", any_time, "", self._changed)

    def _changed(self, _: object) -> None:
        self._limit = _SHOWN
        self._soon.ask()

    async def _look(self, wanted: object) -> None:
        assert callable(wanted)
        context = self._context
        conditions = {name: control.value for name, control in self._conditions.items()}
        try:
            found = await context.in_thread(
                search, context.archive, self._words.value, conditions, limit=self._limit
            )
        except TwonodeError as exc:
            if wanted():
                self._box.show(exc)
                self._said.set_text("")
            return
        if wanted():
            self._box.clear()
            self._show(found)

    def _show(self, found: Found) -> None:
        self._said.set_text(_count_words(found))
        self._list.clear()
        with self._list:
            for remark in found.remarks:
                pieces.text("p", remark, "quiet")
            for each in found.unfinished:
                state = (
                    "is being written now."
                    if each.in_use
                    else "was never closed: `twonode archive recover` closes it."
                )
                pieces.text("p", f"{each.folder.name}: {each.points} points, {state}", "unfinished")
            with ui.element("ol").classes("results").props('aria-label="Recordings, newest first"'):
                for entry in found.entries:
                    self._line(entry)
            if len(found.entries) < found.total:
                pieces.button("Show more", self._more)

    def _more(self) -> None:
        self._limit += 2 * _SHOWN
        self._soon.ask(pause_s=0.0)

    def _line(self, entry: Entry) -> None:
        words = self._context.words
        with ui.element("li"):
            with ui.element("div").classes("result-main"):
                named = entry.identity.part or {"null": "null run"}.get(
                    entry.kind or "", entry.title or entry.name
                )
                href = address(recording=entry.name, q=self._words.value.strip() or None)
                pieces.link(named, href, "part")
                _finding(entry)
                pieces.text("span", words.say(worth_words(entry.worth)), "value")
            with ui.element("div").classes("result-about"):
                pieces.text("span", created_words(entry.created_utc))
                for said in (about_words(entry), remark_words(entry)):
                    if said:
                        pieces.text("span", said)
            picked = partial(self._pick, entry.name)
            pieces.tick("Compare", entry.name in self._picked, picked).classes("pick")

    def _pick(self, name: str, on: bool) -> None:
        if on and name not in self._picked:
            self._picked.append(name)
        elif not on and name in self._picked:
            self._picked.remove(name)
        count = len(self._picked)
        self._compare_said.set_text(
            {
                0: "Tick two recordings to compare them.",
                1: "One is ticked; tick the other.",
                2: "Two are ticked.",
            }.get(count, f"{count} are ticked; two can be compared.")
        )
        if count == 2:
            self._compare.props(remove="disabled")
        else:
            self._compare.props("disabled")

    def _go_compare(self) -> None:
        if len(self._picked) == 2:
            ui.navigate.to(address(compare=",".join(self._picked)))


def _finding(entry: Entry) -> None:
    """Mark and word of a line."""
    said = finding_words(entry)
    if entry.state is EntryState.READABLE and entry.finding is not None:
        mark, style = pieces.finding_words(entry.finding)
    else:
        mark, style = ("!", "trouble-found") if entry.state is not EntryState.READABLE else ("·", "")
    with ui.element("span").classes(f"finding {style}"):
        pieces.text("span", mark, "mark").props("aria-hidden=true")
        pieces.text("span", said)


def _count_words(found: Found) -> str:
    if not found.total:
        return "Nothing fits." if not found.unfinished else ""
    shown = len(found.entries)
    what = "1 recording" if found.total == 1 else f"{found.total} recordings"
    return f"{what}." if shown == found.total else f"{what}; the newest {shown} are shown."


async def _aside(context: PageContext) -> None:
    """What was put aside, and how it comes back."""
    from twonode.recordings.trash import discarded, restore

    names = [each.name for each in await context.in_thread(discarded, context.archive)]
    if not names:
        return
    with ui.element("details").classes("panel aside"):
        pieces.text("summary", f"Put aside: {len(names)}")
        pieces.text("p", "Nothing is ever deleted; these lie in the archive's folder .discarded.")
        box = pieces.trouble(context.words)
        with ui.element("ul"):
            for name in names:
                with ui.element("li") as line:
                    pieces.text("span", name)
                    pieces.text("code", f"twonode archive restore {name}{archive_words(context.archive)}")

                    async def back(name: str = name, line: ui.element = line) -> None:
                        with box.catching():
                            context.seat.require()
                            folder = await context.in_thread(restore, context.archive, name)
                            line.clear()
                            with line:
                                pieces.text("span", "Back in the archive: ")
                                pieces.link(folder.name, address(recording=folder.name))

                    pieces.button("Bring it back", back, "quiet").props(f'aria-label="Bring back {name}"')


def _whole_archive(context: PageContext) -> None:
    from twonode.console.page.verify_view import verify_archive

    with ui.element("details").classes("panel"):
        pieces.text("summary", "Verify the whole archive")
        pieces.text(
            "p",
            "Every byte is compared with its checksum, and every ratio is worked out again. Nothing is changed.",
        )
        verify_archive(context)
