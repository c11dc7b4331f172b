"""The finding in large type, what to do next, and where it is kept.

Owns the order in which it is said. The words are those of the command's report; the figures are worked out by
`filing.conclude`, or were when the sweep ended.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from nicegui import ui

from twonode.console.page import pieces
from twonode.console.page.context import PageContext
from twonode.console.page.sweep_work import Progress

if TYPE_CHECKING:
    from twonode.console.filing import Outcome

__all__ = ["build"]


async def build(context: PageContext) -> None:
    """The view; recording of the address : which one, the last sweep where none is named."""
    outcome = await _outcome(context)
    if outcome is None:
        pieces.text("p", "No sweep has ended since this page was started.")
        pieces.link("Look in the archive", "/archive", "button")
        return
    _Finding(context, outcome)


async def _outcome(context: PageContext) -> Outcome | None:
    from twonode.console.filing import conclude
    from twonode.recordings.lookup import named_folder

    name = context.query.get("recording")
    job = context.jobs.current
    if job is not None and isinstance(job.progress, Progress) and job.progress.outcome is not None:
        recording = job.progress.recording
        if name is None or (recording is not None and recording.name == name):
            return job.progress.outcome
    if name is None:
        return None
    folder = named_folder(name, context.archive)
    return await context.in_thread(conclude, [folder], picture=False, save=False)


class _Finding:
    def __init__(self, context: PageContext, outcome: Outcome) -> None:
        self._context, self._outcome = context, outcome
        self._estimate, self._circumstances = outcome.estimate, outcome.circumstances
        self._say = context.words.say
        # The sweep that was just made comes last where several were estimated together.
        self._folder = outcome.recordings[-1]
        self._large()
        with ui.element("div").classes("beside finding-beside"):
            self._picture()
            with ui.element("div").classes("stack"):
                self._next()
                self._kept()
        self._limits()
        self._in_full()

    def _large(self) -> None:
        from twonode.analysis.report import (
            against_words,
            because_words,
            certainty_words,
            conditions_words,
            value_words,
        )

        estimate = self._estimate
        state = estimate.finding.state.value
        with pieces.panel(classes="finding").props('role=status aria-live=polite aria-label="The finding"'):
            pieces.text("p", self._say(f"{estimate.part}, {self._circumstances.title}"), "quiet-words")
            pieces.finding_line(state)
            pieces.text("p", self._say(value_words(estimate)), "value-line")
            pieces.text(
                "p", self._say(f"{certainty_words(estimate)}; {against_words(estimate)}."), "sure-line"
            )
            if state not in ("within tolerance", "off value"):
                pieces.text("p", self._say(because_words(estimate)))
            if estimate.misfit is not None:
                with ui.element("div").classes("trouble"):
                    pieces.text("p", "Do not trust this yet.", "what")
                    pieces.text("p", self._say(estimate.misfit))
            pieces.text("p", self._say(conditions_words(self._circumstances)), "quiet-words")

    def _next(self) -> None:
        from twonode.analysis.findings import FindingState
        from twonode.analysis.hookup import HookUp

        estimate = self._estimate
        action = estimate.finding.action
        with pieces.panel("What to do next"):
            pieces.text("p", self._say(action[:1].upper() + action[1:].rstrip(".") + "."), "next")
            with pieces.row():
                if estimate.finding.state is FindingState.WITHIN_TOLERANCE:
                    pieces.link("DC check for leakage", f"/dc?{urlencode({'part': estimate.part})}", "button")
                elif estimate.finding.state is not FindingState.UNDECIDED:
                    pieces.link("What may go in instead", f"/replace?{self._wanted()}", "button")
                if self._circumstances.hookup is HookUp.STAGE and not self._circumstances.companions:
                    asked = urlencode({"again": 1, "with": self._folder.name, "part": estimate.part})
                    pieces.link("Sweep again with a companion", f"/stage?{asked}", "button")
                elif self._circumstances.hookup is HookUp.STAGE:
                    pieces.link("Sweep again", "/stage?again=1", "button")
                else:
                    pieces.link("Sweep again", "/loose?again=1", "button")
                pieces.link("Something else", "/", "button quiet")

    def _wanted(self) -> str:
        """What a replacement would have to be, for the view that looks for one."""
        estimate = self._estimate
        query = {"part": estimate.part}
        if estimate.nominal_farad is not None:
            query["value"] = repr(estimate.nominal_farad)
        for sweep in estimate.posterior.model.sweeps:
            if sweep.stage is not None:
                role = sweep.stage.part(estimate.part).role
                if role:
                    query["role"] = role
                break
        return urlencode(query)

    def _kept(self) -> None:
        name = self._folder.name
        with pieces.panel("Kept"):
            pieces.text(
                "p", "Saved: the recording, the result and the picture." if self._pictured else "Saved."
            )
            pieces.text("p", str(self._folder), "path")
            box = pieces.trouble(self._context.words)
            said = pieces.status()

            async def sheet() -> None:
                from twonode.console.page.drawing import sheet_bytes

                with box.catching():
                    said.set_text("Drawing the sheet …")
                    content, notes = await self._context.in_thread(
                        sheet_bytes, self._folder, self._context.archive, "A4", ".pdf"
                    )
                    self._context.download(content, f"{name}.pdf")
                    said.set_text(" ".join(["The sheet was handed to the browser.", *notes]))

            with pieces.row():
                pieces.button("Sheet to print", sheet)
                pieces.link("In the archive", f"/archive?{urlencode({'recording': name})}", "button")
                part = urlencode({"part": self._estimate.part})
                pieces.link("Compare with earlier ones", f"/archive?{part}", "button")

    @property
    def _pictured(self) -> bool:
        return self._outcome.picture is not None

    def _picture(self) -> None:
        place = self._outcome.picture or _newest_picture(self._folder)
        with pieces.panel("The measurement"):
            if place is None:
                pieces.text("p", "No picture was kept with this recording.")
                return
            pieces.png(
                place.read_bytes(), "Value against its tolerance; ratio, phase and fit; as described above."
            )

    def _limits(self) -> None:
        from twonode.analysis.findings import SWEEP_LIMITS

        with pieces.panel("Not tested"), ui.element("ul"):
            for limit in SWEEP_LIMITS:
                pieces.text("li", self._say(limit))

    def _in_full(self) -> None:
        from twonode.analysis.report import report_lines

        with ui.element("details").classes("panel"):
            pieces.text("summary", "In full, as the command line says it")
            for line in report_lines(self._estimate, self._circumstances):
                pieces.text("p", self._say(line.strip()))
            for note in self._outcome.notes:
                pieces.text("p", self._say(note))


def _newest_picture(folder: Path) -> Path | None:
    """The picture kept last beside a recording."""
    found = sorted((folder / "results").glob("picture[-_]*.png"), key=lambda path: path.stat().st_mtime)
    return found[-1] if found else None
