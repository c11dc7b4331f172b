"""What is shown of anything that runs on the bench: STOP, the output, how far it is.

Owns these pieces; the views that have a job put them where they belong.
"""

from __future__ import annotations

from nicegui import ui
from nicegui.element import Element

from twonode.console.page import pieces
from twonode.console.page.context import PageContext
from twonode.console.page.job import Job, OutputState

__all__ = ["STOP_WORDS", "OutputLine", "PointsBar", "stop_button", "take_focus", "time_left"]


STOP_WORDS = (
    "or press Esc: the output goes off at once. Closing this tab stops it too, some two seconds later."
)


def stop_button(job: Job) -> pieces.Text:
    """STOP; whoever sees danger may press it, seat or no seat."""
    made = pieces.button("STOP", lambda: job.stop("STOP pressed"), "stop")
    return made.props('aria-keyshortcuts="Escape"')


def take_focus(context: PageContext, made: Element) -> None:
    """The hand is at the part: Enter is enough, unless something else is being used."""
    context.client.run_javascript(
        f"setTimeout(() => {{ if (document.activeElement === document.body) "
        f"document.getElementById('{made.html_id}')?.focus(); }}, 50)"
    )


class OutputLine:
    """What is known of the generator's output, in words and by a mark."""

    def __init__(self) -> None:
        self._line = pieces.text("p", "", "output-line").props("role=status aria-live=assertive")

    def show(self, job: Job) -> None:
        """As it is now."""
        on = job.output in (OutputState.ON, OutputState.UNKNOWN)
        self._line.set_text(f"Generator output: {job.output.value}")
        self._line.classes(add="on" if on else "off", remove="off" if on else "on")


class PointsBar:
    """How many points are measured, as a bar and for a screen reader."""

    def __init__(self) -> None:
        self._room = ui.element("div").classes("progress")
        self._room.props('role=progressbar aria-label="Points measured"')
        with self._room:
            self._filled = ui.element("div")

    def show(self, done: int, total: int) -> None:
        """total : 0 where it is not known yet."""
        percent = f"{min(1.0, done / total) if total else 0.0:.0%}"
        self._filled.style(f"width: {percent}")
        self._room.props(f"aria-valuemin=0 aria-valuemax=100 aria-valuenow={percent[:-1]}")


def time_left(seconds: float) -> str:
    """About how long it still takes, in words."""
    whole = max(0, round(seconds))
    return f"about {whole} s left" if whole < 100 else f"about {whole // 60} min {whole % 60:02d} s left"
