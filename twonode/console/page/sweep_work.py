"""A sweep as the page runs it: the command's own functions in a job's thread, and what is shown of them.

Owns the snapshot that every tab draws from, and the running estimate beside the measurement. Measuring, filing and
judging are `measuring.measure`, `sweeping` and `filing.conclude`, as for ``twonode sweep``.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from twonode.console.page.drawing import drawn
from twonode.console.page.job import Job

if TYPE_CHECKING:
    from twonode.acquire import PointDone, SweepRequest
    from twonode.acquire.sofar import SoFar, StandsAt
    from twonode.analysis.ratio import RatioPoint
    from twonode.console.filing import Outcome
    from twonode.recordings import Recording

__all__ = ["CONCLUDING", "DotShown", "LineShown", "Progress", "Said", "sweep_work"]

CONCLUDING = "Working it out"
"""The phase after the last point, the output being off."""
_ESTIMATE_PAUSE_S = 0.3
"""The running estimate and the measurement share this computer."""


@dataclass(frozen=True, slots=True)
class DotShown:
    """A point is measured. dot : as the plot takes it."""

    dot: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class LineShown:
    """The points so far were estimated."""

    stands: StandsAt


@dataclass(frozen=True, slots=True)
class Said:
    """Phase, count, time left or notes are others now."""


@dataclass(slots=True, kw_only=True)
class Progress:
    """All that is shown of one sweep.

    form : what was asked for, so that it can be asked again. with_recordings : sweeps it is estimated together with.
    resumes : the interrupted sweep that is gone on with. total, left_s : as far as is known.
    recording : closed, or kept after an interruption.
    """

    request: SweepRequest
    form: Mapping[str, Any] = field(default_factory=dict)
    with_recordings: tuple[Path, ...] = ()
    resumes: Recording | None = None
    phase: str = "Connecting"
    total: int = 0
    left_s: float | None = None
    dots: list[Mapping[str, Any]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    stands: StandsAt | None = None
    recording: Path | None = None
    outcome: Outcome | None = None


def sweep_work(archive: Path, null_wanted: str | None) -> Callable[[Job], None]:
    """The work of one sweep; the job's progress says what is asked.

    null_wanted : as --null.
    """

    def work(job: Job) -> None:
        from twonode.acquire import sweep_of
        from twonode.acquire.resume import Resumed
        from twonode.console.filing import conclude
        from twonode.console.measuring import measure
        from twonode.console.sweeping import null_to_go_by
        from twonode.recordings import read_recording

        progress: Progress = job.progress
        request = progress.request
        resumed = None if progress.resumes is None else Resumed(recording=progress.resumes)
        with job.bench(request.stage) as bench:
            if resumed is None:
                null, words = null_to_go_by(bench, request, null_wanted, archive=archive)
            else:
                null, words = (None if request.null is None else read_recording(request.null)), None
            if null is not None:
                request = replace(request, null=null.folder)
            watcher = _Watcher(job, progress)
            if words is not None:
                watcher.say(words)
            sweep = None if null is None else sweep_of(null)
            with _estimating(job, progress, bench, request, sweep) as estimator:
                watcher.estimator = estimator
                if resumed is not None:
                    watcher.goes_on_with(resumed.points)
                recording = measure(
                    bench,
                    request,
                    archive=archive,
                    quiet=True,
                    null=sweep,
                    resumed=resumed,
                    log=watcher,
                    watcher=watcher,
                )
        progress.phase, progress.left_s = CONCLUDING, None
        job.emit(Said())
        places = () if null is None else (null.folder.resolve().parent,)
        progress.outcome = drawn(
            conclude, [*progress.with_recordings, recording], picture=True, places=places
        )
        progress.notes += progress.outcome.notes
        progress.phase = "Done"

    return work


class _Watcher:
    """A `measuring.Watcher` that writes into the snapshot and hands on."""

    def __init__(self, job: Job, progress: Progress) -> None:
        self._job = job
        self._progress = progress
        self.estimator: _Estimator | None = None

    def begin(self, total: int, expected_s: float) -> None:
        self._progress.phase = "Measuring"
        self._progress.total, self._progress.left_s = total, expected_s
        self._job.emit(Said())
        self._job.check()

    def point(self, event: PointDone) -> None:
        from twonode.analysis.report import ratio_words

        words = ratio_words(event.frequency_hz, event.ratio)
        dot = {"n": event.index, "hz": event.frequency_hz, "used": event.used, "words": words}
        dot |= _drawn(event.point)
        # For whoever wants to know how long the way to the screen takes.
        dot["at_ms"] = time.time() * 1000.0
        self._progress.dots.append(dot)
        self._progress.total, self._progress.left_s = event.total, event.left_s
        self._job.emit(DotShown(dot))
        if not event.used:
            self.say(f"Point {event.index} of {event.total} is not used: {event.reason}.")
        elif self.estimator is not None and event.point is not None:
            self.estimator.add(event.point)
        self._job.check()

    def goes_on_with(self, points: Sequence[RatioPoint]) -> None:
        """Points that an interrupted sweep had."""
        from twonode.analysis.report import ratio_words

        for number, point in enumerate(points, start=1):
            words = ratio_words(point.frequency_hz, point.ratio)
            dot = {"n": number, "hz": point.frequency_hz, "used": True, "words": words} | _drawn(point)
            self._progress.dots.append(dot)
            self._job.emit(DotShown(dot))
            if self.estimator is not None:
                self.estimator.add(point)

    def belongs_to(self, folder: Path) -> None:
        self._progress.recording = folder

    def say(self, text: str) -> None:
        self._progress.notes.append(text)
        self._job.emit(Said())


def _drawn(point: RatioPoint | None) -> dict[str, float]:
    """A point as the plot takes it; nothing of one that has no ratio."""
    from twonode.analysis.curves import plotted_point

    if point is None or not point.ratio:
        return {}
    plotted = plotted_point(point)
    return {
        "db": plotted.decibels,
        "deg": plotted.degrees,
        "db_half": plotted.decibels_half,
        "deg_half": plotted.degrees_half,
    }


class _Estimator:
    """Estimates the points so far in a thread of its own; a point that comes meanwhile waits for the next round."""

    def __init__(self, job: Job, progress: Progress, sofar: SoFar) -> None:
        self._job, self._progress, self._sofar = job, progress, sofar
        self._points: list[RatioPoint] = []
        self._more = threading.Event()
        self._ended = False
        self._thread = threading.Thread(target=self._run, name="estimate", daemon=True)

    def __enter__(self) -> _Estimator:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended = True
        self._more.set()
        self._thread.join()

    def add(self, point: RatioPoint) -> None:
        """One more."""
        self._points.append(point)
        self._more.set()

    def _run(self) -> None:
        while True:
            self._more.wait()
            self._more.clear()
            if self._ended:
                return
            stands = self._sofar.stands_at(tuple(self._points))
            if stands is not None:
                self._progress.stands = stands
                self._job.emit(LineShown(stands))
            time.sleep(_ESTIMATE_PAUSE_S)


def _estimating(job: Job, progress: Progress, bench: Any, request: SweepRequest, null: Any) -> _Estimator:
    from twonode.acquire.sofar import SoFar

    return _Estimator(job, progress, SoFar(bench, request, null))
