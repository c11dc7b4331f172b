"""The sweep while it runs: dots as they are measured, the value tightening, time left, STOP.

Owns what is shown of a running job, and what is said of one that was stopped. A tab that comes back, or a second one,
draws the same from the job's snapshot.
"""

from __future__ import annotations

from urllib.parse import urlencode

from nicegui import ui

from twonode.console.page import pieces
from twonode.console.page.context import PageContext
from twonode.console.page.job import Job, JobChanged, JobState
from twonode.console.page.live_plot import LivePlot
from twonode.console.page.running import STOP_WORDS, OutputLine, PointsBar, stop_button, time_left
from twonode.console.page.sweep_work import CONCLUDING, DotShown, LineShown, Progress, Said
from twonode.console.page.trouble import Trouble

__all__ = ["build"]


def build(context: PageContext) -> None:
    """The view."""
    job = context.jobs.current
    if job is None or not isinstance(job.progress, Progress):
        pieces.text("p", "No sweep runs now.")
        pieces.link("Start one", "/", "button")
        return
    _Live(context, job, job.progress)


class _Live:
    """One sweep on one visit's page."""

    def __init__(self, context: PageContext, job: Job, progress: Progress) -> None:
        self._context, self._job, self._progress = context, job, progress
        self._gone = self._sounded = False
        self._box = pieces.trouble(context.words)
        with ui.element("div").classes("live"):
            with pieces.panel(self._about(), "plot-panel"):
                self._plot = LivePlot(progress.dots, progress.stands)
            with ui.element("div").classes("live-side"):
                self._actions = ui.element("div").classes("actions")
                with pieces.panel():
                    self._output = OutputLine()
                    self._phase = pieces.status()
                    self._bar = PointsBar()
                    self._left = pieces.text("p", "", "quiet-words")
                with pieces.panel(classes="value-panel"):
                    pieces.text("p", "Value so far, 95 %", "reading-label")
                    self._value = pieces.text("p", "–", "reading")
                    self._stands = pieces.text("p", "", "sure-line")
                with pieces.panel("What was noted"):
                    self._notes = ui.element("ul").classes("notes")
        self._all()
        context.listen(self._heard)

    def _about(self) -> str:
        request = self._progress.request
        return self._context.words.say(f"{request.part}, {request.stage.title}")

    def _heard(self, event: object) -> None:
        if self._context.jobs.current is not self._job:
            return
        match event:
            case DotShown():
                self._plot.add(event.dot)
                self._count()
            case LineShown():
                self._plot.fit(event.stands)
                self._stand()
            case Said():
                self._count()
                self._note()
                if self._progress.phase == CONCLUDING and not self._sounded:
                    # Now, not with the finding: a sound ends with its page.
                    self._sounded = True
                    self._context.sound("done")
            case JobChanged():
                self._changed()

    def _all(self) -> None:
        self._count()
        self._stand()
        self._note()
        self._changed(first=True)

    def _changed(self, *, first: bool = False) -> None:
        job = self._job
        self._output.show(job)
        self._act()
        if not job.state.over:
            if job.state is JobState.STOPPING:
                self._phase.set_text(
                    "Stopping: the scope finishes its record, then what was measured is filed."
                )
            return
        if job.state is JobState.DONE and self._progress.recording is not None and not self._gone:
            self._gone = True
            # Everybody who looks on goes to the finding, once: from there the way back leads here again.
            ui.navigate.to(f"/finding?recording={self._progress.recording.name}")
            return
        self._ended(job, loud=not first)

    def _ended(self, job: Job, *, loud: bool) -> None:
        self._left.set_text("")
        self._phase.set_text("Stopped." if job.state is JobState.STOPPED else "It could not be done.")
        found = job.trouble
        if job.state is JobState.STOPPED:
            found = Trouble(
                what=f"The sweep was stopped: {job.stopped_because or 'interrupted'}.",
                why=f"Generator output: {job.output.value}{_how_soon(job)}.",
                do="What was measured until then is filed as interrupted; nothing is lost."
                if self._progress.dots
                else "Nothing had been measured yet.",
                notes=() if found is None else found.notes,
            )
        if found is not None:
            self._box.show(found)
        if loud:
            self._context.sound("trouble")

    def _act(self) -> None:
        self._actions.clear()
        with self._actions:
            if self._job.state is JobState.RUNNING:
                stop_button(self._job).props("id=stop")
                pieces.text("p", STOP_WORDS, "quiet-words")
            elif self._job.state.over and self._job.state is not JobState.DONE:
                kept = self._progress.recording
                if kept is not None:
                    pieces.link("Go on with it", f"/continue?{urlencode({'recording': kept.name})}", "button")
                again = "/loose" if self._progress.form.get("hookup") == "loose" else "/stage"
                pieces.link("Sweep again", f"{again}?again=1", "button")
                pieces.link("Start", "/", "button quiet")

    def _count(self) -> None:
        progress = self._progress
        done = len(progress.dots)
        if not self._job.state.over:
            counted = f": {done} of about {progress.total} points" if progress.total else ""
            self._phase.set_text(f"{progress.phase}{counted}")
        left = progress.left_s
        self._left.set_text("" if left is None or self._job.state.over else time_left(left))
        self._bar.show(done, progress.total)

    def _stand(self) -> None:
        stands = self._progress.stands
        if stands is None:
            return
        if stands.capacitance.value is not None:
            self._value.set_text(self._context.words.say(str(stands.capacitance)))
        else:
            self._value.set_text("–")
        if stands.state is not None and stands.probability is not None:
            # Never rounded up to certainty.
            sure = min(stands.probability, 0.999)
            self._stands.set_text(f"likeliest: {stands.state.value}, {100 * sure:.1f} %")

    def _note(self) -> None:
        self._notes.clear()
        with self._notes:
            for words in self._progress.notes:
                pieces.text("li", self._context.words.say(words))


def _how_soon(job: Job) -> str:
    return "" if job.off_after_s is None else f", confirmed {job.off_after_s:.2f} s after STOP"
