"""The null run: both probes on one node, and which null run the sweeps to follow go by.

Owns the drawing, START, and what is shown while it runs and of its end. Which null run a sweep may go by is for
`acquire` to say; the page says it before the sweep (`goes_by`).
"""

from __future__ import annotations

from datetime import UTC, datetime
from urllib.parse import urlencode

from nicegui import background_tasks, ui

from twonode.console.page import pieces
from twonode.console.page.context import PageContext
from twonode.console.page.job import Job, JobChanged, JobState
from twonode.console.page.null_work import NullProgress, NullSaid, null_options, null_work
from twonode.console.page.running import STOP_WORDS, OutputLine, PointsBar, stop_button, time_left

__all__ = ["ahead_words", "build", "goes_by"]

_CAUTIONS = (
    "Set unplugged and discharged: take the generator's lead and both probes off it.",
    "Both tips on the same place of the lead, both ground clips on the generator's ground, and nothing else.",
    "Trim both probes first, and leave them and the scope's channels as they are for the sweeps.",
)


def build(context: PageContext) -> None:
    """The view: the null run that runs or was the last thing on the bench, else the hook-up and START."""
    job = context.jobs.current
    if job is not None and isinstance(job.progress, NullProgress):
        _Session(context, job, job.progress)
        if not job.state.over:
            return
    _Begin(context)


def goes_by(context: PageContext, *, way: bool = True) -> None:
    """Say here which null run a sweep will go by and how old it is; way : to another one."""
    with ui.element("p").classes("null-line"):
        line = pieces.text("span", "Looking for a null run …")
        pieces.text("span", " ")
        link = pieces.link("Do a null run", "/null")
        link.set_visibility(way)

    async def look() -> None:
        words, there = await context.in_thread(ahead_words, context, now=datetime.now(UTC))
        if not context.client.is_deleted:
            line.set_text(context.words.say(words))
            link.set_text("Do a new one" if there else "Do one first")

    background_tasks.create(look())


def ahead_words(context: PageContext, *, now: datetime) -> tuple[str, bool]:
    """Which null run a sweep goes by, in words, and whether there is one."""
    from twonode.acquire import age_words
    from twonode.acquire.nullahead import null_ahead
    from twonode.errors import TwonodeError

    bench = context.bench
    simulated = bench.simulated
    try:
        found = null_ahead(
            context.archive,
            probe_factors=bench.options["probes"],
            simulated=simulated,
            seed=bench.options["seed"] if simulated else None,
        )
    except TwonodeError as exc:
        return f"Null run: {exc.what}", False
    if found is None:
        return "No null run was made with these probes yet.", False
    age = age_words(found.header.created_utc, now)
    made = (
        f"made {age}" if simulated else f"made {age} with {found.scope}; it is gone by if that scope answers"
    )
    drift = " Scopes drift: a new one is better." if found.drifted(now) else ""
    return f"Null run: {made}.{drift}", True


class _Begin:
    """Drawing and START."""

    def __init__(self, context: PageContext) -> None:
        from twonode.analysis.schematic_feed import null_run_svg

        self._context = context
        with ui.element("div").classes("beside"):
            with pieces.panel("Both probes on one node"):
                pieces.figure(
                    context.words.say(null_run_svg()),
                    "What the two channels still show differently is their own: sweeps take it out.",
                    "lead-figure",
                )
            with ui.element("div").classes("stack"):
                with pieces.panel("Before it", "caution"), ui.element("ul"):
                    for each in _CAUTIONS:
                        pieces.text("li", each)
                self._box = pieces.trouble(context.words)
                pieces.button("START the null run", self._start, "main").props("id=start")
                goes_by(context, way=False)
                pieces.text(
                    "p",
                    "It takes some ten seconds. Do it again when a probe, its trimming or the scope has changed, or "
                    "after some hours: scopes drift. Inside a set: `twonode null --stage`.",
                    "quiet-words",
                )

    def _start(self) -> None:
        from twonode.acquire import check_null_request
        from twonode.console.null import null_request, null_stage

        context = self._context
        with self._box.catching():
            context.seat.require()
            context.bench.check()
            options = null_options(context.bench.options)
            request = null_request(options, null_stage(options))
            check_null_request(request)
            context.jobs.start(
                "Null run",
                null_work(options, context.archive),
                progress=NullProgress(request=request),
                view="/null",
            )
            ui.navigate.to("/null")


class _Session:
    """One null run on one visit's page."""

    def __init__(self, context: PageContext, job: Job, progress: NullProgress) -> None:
        self._context, self._job, self._progress = context, job, progress
        self._box = pieces.trouble(context.words)
        with pieces.panel(classes="null-now"):
            self._actions = ui.element("div").classes("actions")
            self._output = OutputLine()
            self._phase = pieces.status()
            self._bar = PointsBar()
            self._left = pieces.text("p", "", "quiet-words")
            self._result = ui.element("div").props("role=status aria-live=polite")
            self._notes = ui.element("ul").classes("notes")
        self._changed()
        self._said()
        context.listen(self._heard)

    def _heard(self, event: object) -> None:
        if self._context.jobs.current is not self._job:
            return
        if isinstance(event, NullSaid):
            self._said()
        elif isinstance(event, JobChanged):
            self._changed()
            if self._job.state.over:
                self._context.sound("done" if self._job.state is JobState.DONE else "trouble")

    def _said(self) -> None:
        progress, over = self._progress, self._job.state.over
        counted = f": {progress.done} of {progress.total} points" if progress.total else ""
        ended = {JobState.DONE: "Done", JobState.STOPPED: "Stopped", JobState.FAILED: "It could not be done"}
        self._phase.set_text(f"{ended.get(self._job.state, progress.phase)}{counted}.")
        self._bar.show(progress.done, progress.total)
        self._left.set_text("" if progress.left_s is None or over else time_left(progress.left_s))
        self._notes.clear()
        with self._notes:
            for note in progress.notes:
                pieces.text("li", self._context.words.say(note))

    def _changed(self) -> None:
        job = self._job
        self._output.show(job)
        self._said()
        self._actions.clear()
        with self._actions:
            if job.state is JobState.RUNNING:
                stop_button(job)
                pieces.text("p", STOP_WORDS, "quiet-words")
        if job.state.over:
            self._ended()

    def _ended(self) -> None:
        say, progress = self._context.words.say, self._progress
        if self._job.state is not JobState.DONE:
            if self._job.trouble is not None:
                self._box.show(self._job.trouble)
            return
        self._result.clear()
        with self._result:
            first, *others = progress.found
            pieces.text("p", say(first), "value-words")
            for line in others:
                pieces.text("p", say(line), "path" if line.startswith("Recording:") else "")
            with pieces.row():
                pieces.link("Judge a suspect in its stage", "/stage", "button")
                pieces.link("A loose part", "/loose", "button")
                pieces.link("Once more", "/null", "button quiet")
                if progress.recording is not None:
                    kept = urlencode({"recording": progress.recording.name})
                    pieces.link("In the archive", f"/archive?{kept}", "button quiet")
