"""A DC check from a voltmeter as the page runs it: the command's own check in a job's thread, the tip moved by clicks.

Owns the snapshot that every tab draws from, and the questions on the way. It opens a voltmeter and nothing else; what
is read, filed and judged is for `console.dc_leak` and `console.dc_chart`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import click

from twonode.console.page.job import Job
from twonode.console.page.optionform import named_by_labels
from twonode.console.page.trouble import Trouble
from twonode.errors import TwonodeError

if TYPE_CHECKING:
    from twonode.acquire.dccheck import Answer, DcEvent, TipWanted
    from twonode.console.dc_chart import ChartChecked
    from twonode.console.dc_leak import LeakChecked

__all__ = ["MeterProgress", "MeterSaid", "meter_work"]


@dataclass(frozen=True, slots=True)
class MeterSaid:
    """The snapshot is another one now."""


@dataclass(slots=True, kw_only=True)
class MeterProgress:
    """All that is shown of one check.

    labels : of the form's fields by option, for what is said of them. wanted : where the tip has to go, None while
    nothing is asked. key : what the answer is given under, another one for every question. readings : as they were
    stored, in words. note : what should be known of the last one.
    """

    labels: Mapping[str, str]
    wanted: TipWanted | None = None
    key: str = ""
    readings: list[str] = field(default_factory=list)
    note: str = ""
    trouble: Trouble | None = None
    checked: LeakChecked | ChartChecked | None = None


def meter_work(
    options: Mapping[str, Any], check: Callable[[Mapping[str, Any]], LeakChecked | ChartChecked]
) -> Callable[[Job], None]:
    """The work of one check. options : those of `twonode dc`; check : takes them and checks."""

    def work(job: Job) -> None:
        progress: MeterProgress = job.progress
        try:
            progress.checked = check({**options, "hand": _ClickedHand(job)})
        except (TwonodeError, click.ClickException) as exc:
            progress.trouble, _ = named_by_labels(exc, progress.labels)
            raise

    return work


class _ClickedHand:
    """A person who says by a click that the tip is where it should be."""

    def __init__(self, job: Job) -> None:
        self._job = job
        self._progress: MeterProgress = job.progress
        self._count = 0

    def place(self, wanted: TipWanted) -> Answer:
        """What was clicked; STOP ends the waiting with Interrupted."""
        from twonode.acquire.dccheck import Answer

        self._count += 1
        progress = self._progress
        progress.wanted, progress.key = wanted, f"tip {self._count}"
        self._job.emit(MeterSaid())
        try:
            answer = self._job.wait_for(progress.key)
        finally:
            progress.wanted, progress.note = None, ""
            self._job.emit(MeterSaid())
        return answer if isinstance(answer, Answer) else Answer.FINISH

    def told(self, event: DcEvent) -> None:
        """A reading was stored, or something should be known."""
        from twonode.acquire.dccheck import ReadingTaken
        from twonode.console.dc_readings import reading_words

        if isinstance(event, ReadingTaken):
            self._progress.readings.append(reading_words(event))
        else:
            self._progress.note = event.text
        self._job.emit(MeterSaid())
