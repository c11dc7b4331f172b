"""Unmarked parts from the drawer: clip one in, press Next, read what it is, write the label.

Owns the form, the large buttons and the cards. The session is that of `twonode drawer`; it runs as a job and is drawn
from its snapshot, so that a tab that comes back sees the same.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from nicegui import ui

from twonode.acquire.drawer_request import check_drawer_request
from twonode.analysis.hookup import series_stage
from twonode.analysis.schematic import schematic_svg
from twonode.cautions import LOOSE_PART_CAUTIONS
from twonode.console.drawer import BAG, batch_table, drawer, drawer_request
from twonode.console.drawer_hand import Key
from twonode.console.drawer_screen import BIN_HEADS
from twonode.console.page import pieces
from twonode.console.page.archive_view import address
from twonode.console.page.context import PageContext
from twonode.console.page.control import Tick
from twonode.console.page.drawer_work import Ask, Asking, DrawerProgress, DrawerSaid, drawer_work
from twonode.console.page.job import Job, JobChanged, JobState, OutputState
from twonode.console.page.optionform import OptionForm, parsed_options
from twonode.console.page.running import OutputLine, stop_button, take_focus
from twonode.errors import TwonodeError

__all__ = ["build"]

_TICKED = "the tick below"


class NotReady(TwonodeError):
    """Something has to be said or ticked first."""


def build(context: PageContext) -> None:
    """The view: the session that runs, else the form of a new one."""
    job = context.jobs.current
    if job is not None and isinstance(job.progress, DrawerProgress):
        _Session(context, job, job.progress)
        if not job.state.over:
            return
    _Begin(context).build()


class _Begin:
    """The form of a new session."""

    def __init__(self, context: PageContext) -> None:
        self._context = context
        self._form = OptionForm(context.words.say)

    def build(self) -> None:
        """Cautions, drawing and form."""
        context, form = self._context, self._form
        simulated = context.bench.simulated
        with ui.element("div").classes("two-columns"):
            with ui.element("div").classes("stack"):
                with ui.element("section").classes("caution"):
                    pieces.text("h2", "Before a part goes into the clips")
                    with ui.element("ul"):
                        for caution in LOOSE_PART_CAUTIONS:
                            pieces.text("li", context.words.say(caution.replace("--polarised", _TICKED)))
                    agreed = None if simulated else pieces.tick("I have read this and work by it.")
                with pieces.panel("The batch"):
                    with ui.element("div").classes("form-grid"):
                        named = f"{datetime.now(UTC):%Y-%m-%dT%H-%M}"
                        form.field("--batch", "Name", "one that is there already goes on", named)
                        form.field(
                            "--known", "A part whose value is known", "checks the fixture, such as 1n 1%"
                        )
                        form.field("--resistors", "Resistors at hand", "", "100,1k,10k,100k,1M")
                        form.field("--resistor-tolerance", "Their tolerance", "such as 0.1%")
                        if simulated:
                            form.field("--parts", "Parts in the simulated bag", "", str(BAG))
                    polarised = pieces.tick(
                        "Small parts may be electrolytics too: at most 0.3 V peak on any."
                    )
                box = pieces.trouble(context.words)
                pieces.button("Begin", lambda: self._begin(box, agreed, polarised), "main")
            with pieces.panel("The fixture"):
                stage = series_stage(
                    part="part", value_farad=10e-9, tolerance=None, resistor_ohm=1e5, resistor_tolerance=None
                )
                resistor = next(each.name for each in stage.parts if each.name != "part")
                values = {"part": "unknown", resistor: "as it says"}
                pieces.figure(
                    context.words.say(schematic_svg(stage, values=values, marked=["part"])),
                    "The program says which resistor it wants. Large parts and the resistor change places, "
                    "which it says too.",
                )

    def _begin(self, box: pieces.TroubleBox, agreed: Tick | None, polarised: Tick) -> None:
        context, form = self._context, self._form
        with form.catching(box):
            context.seat.require()
            context.bench.check()
            if agreed is not None and not agreed.value:
                agreed.error("Tick it when it is so.")
                raise NotReady(
                    "The cautions were not acknowledged.",
                    "A charged part can hurt, and destroy the scope's input.",
                    "Read them, and tick the line below them.",
                )
            options = self._options(polarised)
            request = drawer_request(options, ask=False)
            check_drawer_request(request)
            table = batch_table(options, context.archive, request.batch)
            progress = DrawerProgress(batch=request.batch, table=table.path)
            work = drawer_work(request, table, options, context.archive)
            context.jobs.start(f"Drawer, {request.batch}", work, progress=progress, view="/drawer")
            ui.navigate.to("/drawer")

    def _options(self, polarised: Tick) -> dict[str, Any]:
        options = parsed_options(drawer, self._form.given())
        bench = self._context.bench.options
        options.update(
            {name: bench[name] for name in options if name in bench and name not in ("tags", "debug")}
        )
        options.update(polarised=polarised.value, archive=self._context.archive, as_json=False)
        return options


class _Session:
    """One session on one visit's page."""

    def __init__(self, context: PageContext, job: Job, progress: DrawerProgress) -> None:
        self._context, self._job, self._progress = context, job, progress
        self._asked: object = object()
        self._shown = -1
        with ui.element("div").classes("two-columns"):
            with ui.element("div").classes("stack"):
                with pieces.panel(f"Batch {progress.batch}", "drawer-now"):
                    self._output = OutputLine()
                    self._phase = pieces.status("", "drawer-phase")
                    self._box = pieces.trouble(context.words)
                    self._said = pieces.status()
                    self._question = ui.element("div").classes("drawer-question")
                    self._stop = ui.element("div")
                self._cards = ui.element("div").classes("cards").props("role=log aria-live=polite")
                self._cards.props["aria-label"] = "Results, the newest first"
            with ui.element("div").classes("stack"):
                with pieces.panel("Bins"):
                    self._bins = ui.element("div")
                self._noted = pieces.panel("What was noted")
                with self._noted:
                    self._notes = ui.element("ul").classes("notes")
        self._show()
        context.listen(self._heard)
        context.seat.on_change(self._seat_changed)

    def _heard(self, event: object) -> None:
        if self._context.jobs.current is not self._job:
            return
        if isinstance(event, DrawerSaid | JobChanged):
            self._show()
        if isinstance(event, JobChanged) and self._job.state.over:
            self._context.sound("done" if self._job.state is JobState.DONE else "trouble")

    def _seat_changed(self) -> None:
        if not self._context.client.is_deleted:
            self._asked = object()
            self._show()

    def _show(self) -> None:
        progress, say = self._progress, self._context.words.say
        self._output.show(self._job)
        self._phase.set_text(say(self._phase_words()))
        self._said.set_text(say(progress.said))
        self._show_trouble()
        self._show_question()
        if len(progress.cards) != self._shown:
            self._show_cards()
        self._show_bins()
        self._noted.set_visibility(bool(progress.notes))
        self._notes.clear()
        with self._notes:
            for note in progress.notes[-8:]:
                pieces.text("li", say(note))

    def _phase_words(self) -> str:
        progress, job = self._progress, self._job
        if job.state.over:
            how = {JobState.DONE: "Finished", JobState.STOPPED: "Stopped"}.get(job.state, "Ended by an error")
            kept = "; every finished part is kept" if job.state is not JobState.DONE else ""
            return f"{how}{kept}."
        if progress.asking is not None:
            return ""
        points = f": {progress.points} of {progress.total} points" if progress.total else ""
        return f"{progress.phase}{points} …"

    def _show_trouble(self) -> None:
        trouble = self._job.trouble if self._job.state.over else self._progress.trouble
        if trouble is None or (self._job.state is JobState.STOPPED and self._job.output is OutputState.OFF):
            self._box.clear()
        else:
            self._box.show(trouble)

    # Question and answers ----------------------------------------------------------------------------------------

    def _show_question(self) -> None:
        asking = self._progress.asking
        now = (asking, self._job.state)
        if now == self._asked:
            return
        self._asked = now
        mine = self._context.seat.mine or not self._context.client.has_socket_connection
        self._question.clear()
        self._stop.clear()
        if self._job.state.over:
            with self._question, pieces.row():
                pieces.link("Its recordings in the archive", address(q=self._progress.batch), "button")
                pieces.link("Another batch", "/drawer", "button")
            return
        with self._question:
            if asking is not None:
                pieces.text("p", self._context.words.say(asking.words), "drawer-words").props("role=status")
                if mine:
                    self._answers(asking)
        with self._stop:
            # Whoever sees danger may stop it, seat or no seat.
            if asking is None:
                stop_button(self._job)

    def _answers(self, asking: Asking) -> None:
        with pieces.row("drawer-keys"):
            match asking.ask:
                case Ask.HAND:
                    self._key(asking, "Done", True, "main", first=True)
                    self._key(asking, "Leave", False)
                case Ask.YES_NO:
                    self._key(asking, "Yes", True, "main", first=True)
                    self._key(asking, "No", False)
                case Ask.PART:
                    if asking.more:
                        self._key(asking, f"Next: measure part {asking.number}", Key.NEXT, "main", first=True)
                    if asking.last is not None:
                        self._key(asking, f"Repeat part {asking.last}", Key.REPEAT)
                        self._key(asking, f"Undo part {asking.last}", Key.UNDO)
                    self._key(
                        asking,
                        "Finish",
                        Key.FINISH,
                        "plain" if asking.more else "main",
                        first=not asking.more,
                    )

    def _key(
        self, asking: Asking, words: str, value: object, kind: str = "plain", *, first: bool = False
    ) -> None:
        def answered() -> None:
            with self._box.catching():
                self._context.seat.require()
                self._job.answer(asking.key, value)

        made = pieces.button(words, answered, kind)
        if first:
            take_focus(self._context, made)

    # Results ----------------------------------------------------------------------------------------------------

    def _show_cards(self) -> None:
        say, cards = self._context.words.say, self._progress.cards
        for place in range(max(self._shown, 0), len(cards)):
            with ui.element("section").classes("panel card") as made:
                first, *others = cards[place] or ("",)
                pieces.text("h3", say(first))
                for line in others:
                    pieces.text("p", say(line))
            made.move(self._cards, target_index=0)
        self._shown = len(cards)

    def _show_bins(self) -> None:
        rows = self._progress.bins
        if getattr(self, "_rows", None) == rows:
            return
        self._rows = list(rows)
        self._bins.clear()
        say = self._context.words.say
        with self._bins:
            if rows:
                pieces.table(
                    "Parts that count", list(BIN_HEADS), [[say(cell) for cell in row] for row in rows]
                )
            else:
                pieces.text("p", "No part yet.", "quiet")
            pieces.text("p", f"Table: {self._progress.table}", "path")
