"""A DC check from a voltmeter: the tip goes where the page says, one key takes the reading.

Owns the large words, the keys and the readings so far, drawn from the job's snapshot. What came of it is shown by the
view that the check was begun in.
"""

from __future__ import annotations

from collections.abc import Callable

from nicegui import ui

from twonode.acquire.dccheck import Answer, TipWanted
from twonode.cautions import DC_CAUTIONS
from twonode.console.page import pieces
from twonode.console.page.context import PageContext
from twonode.console.page.dc_meter_work import MeterProgress, MeterSaid
from twonode.console.page.job import Job, JobChanged, JobState
from twonode.console.page.running import take_focus

__all__ = ["MeterSession"]


class MeterSession:
    """One check on one visit's page. show : puts the result into the place that is open then."""

    def __init__(self, context: PageContext, job: Job, show: Callable[[MeterProgress], None]) -> None:
        self._context, self._job, self._show_result = context, job, show
        self._progress: MeterProgress = job.progress
        self._asked = ""
        with pieces.panel(job.title, "meter-now"):
            self._box = pieces.trouble(context.words)
            self._phase = pieces.status("", "drawer-words")
            self._note = pieces.status()
            self._question = ui.element("div")
            self._readings = ui.element("ul").props('aria-label="Readings, as they were stored"')
        self._cautions = ui.element("section").classes("caution")
        with self._cautions, ui.element("ul"):
            for caution in DC_CAUTIONS:
                pieces.text("li", context.words.say(caution))
        self._result = ui.element("div")
        self._show()
        context.listen(self._heard)
        context.seat.on_change(self._seat_changed)

    def _heard(self, event: object) -> None:
        if self._context.jobs.current is not self._job or not isinstance(event, MeterSaid | JobChanged):
            return
        self._show()
        if isinstance(event, JobChanged) and self._job.state.over:
            self._context.sound("done" if self._job.state is JobState.DONE else "trouble")

    def _seat_changed(self) -> None:
        if not self._context.client.is_deleted:
            self._asked = ""
            self._show()

    def _show(self) -> None:
        progress, say = self._progress, self._context.words.say
        self._note.set_text(say(progress.note))
        self._readings.clear()
        with self._readings:
            # Of a check that is over they stand in its result.
            for line in () if progress.checked is not None else progress.readings:
                pieces.text("li", say(line))
        if self._job.state.over:
            self._ended()
        else:
            self._ask(progress.wanted)

    def _ask(self, wanted: TipWanted | None) -> None:
        progress, say = self._progress, self._context.words.say
        if wanted is None:
            # What was asked before is answered; the next question is another one.
            self._asked = ""
            self._question.clear()
            self._phase.set_text("Reading …" if progress.readings or progress.key else "Connecting …")
            return
        if self._asked == progress.key:
            return
        self._asked = progress.key
        self._phase.set_text(say(f"{wanted.index} of {wanted.total}: tip on {wanted.step.node}"))
        self._question.clear()
        with self._question:
            for line in wanted.step.advice:
                pieces.text("p", say(line), "caution-line")
            if self._context.seat.mine or not self._context.client.has_socket_connection:
                with pieces.row("drawer-keys"):
                    take_focus(self._context, self._key("Read it", Answer.READ, "main"))
                    self._key("Leave it out", Answer.SKIP)
                    if wanted.index > 1:
                        self._key("The one before again", Answer.AGAIN)
                    self._key("Finish", Answer.FINISH)

    def _key(self, words: str, answer: Answer, kind: str = "plain") -> pieces.Text:
        key = self._progress.key

        def answered() -> None:
            with self._box.catching():
                self._context.seat.require()
                self._job.answer(key, answer)

        return pieces.button(words, answered, kind)

    def _ended(self) -> None:
        self._cautions.set_visibility(False)
        self._question.clear()
        self._note.set_text("")
        done = self._job.state is JobState.DONE
        self._phase.set_text("Finished." if done else "Not finished; readings that were taken are kept.")
        trouble = self._progress.trouble or self._job.trouble
        if trouble is not None and not done:
            self._box.show(trouble)
        if self._progress.checked is not None and not self._result.default_slot.children:
            with self._result:
                self._show_result(self._progress)
