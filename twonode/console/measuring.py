"""A running sweep on the screen: progress while it measures, and where the recording is, however it ends.

Owns drawing the events of `acquire` on standard error. Measuring itself, and switching the output off on the way
out, belong to the rooms below.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

if TYPE_CHECKING:
    from twonode.acquire import NullRequest, PointDone, SweepRequest
    from twonode.acquire.resume import Resumed
    from twonode.analysis.model import Sweep
    from twonode.drivers.bench import Bench

__all__ = ["Watcher", "measure", "recordings_in", "watching"]


class Owned(Protocol):
    """Something that wants to know which recording a run left."""

    def belongs_to(self, folder: Path) -> None:
        """This one, closed by now."""
        ...


class Watcher(Protocol):
    """Something that shows a sweep's progress."""

    def begin(self, total: int, expected_s: float) -> None:
        """The run begins; points it will have, and its time in s, as far as is known."""
        ...

    def point(self, event: PointDone) -> None:
        """A point is finished."""
        ...

    def say(self, text: str) -> None:
        """Something the person should see."""
        ...


def measure(
    bench: Bench,
    request: SweepRequest | NullRequest,
    *,
    archive: Path,
    quiet: bool,
    null: Sweep | None = None,
    resumed: Resumed | None = None,
    log: Owned | None = None,
    watcher: Watcher | None = None,
) -> Path:
    """Run a sweep or a null run on an entered bench and return its closed recording.

    null : the null run that the request names, for planning. resumed : the interrupted sweep to go on with.
    log : told which recording it belongs to. watcher : who shows it; None is the screen, as far as it is not quiet.

    Whatever ends it early leaves with a note that says where the finished points are.
    """
    from twonode.acquire import Note, NullRequest, PointDone, SweepClosed, SweepStarted
    from twonode.recordings.naming import UNFINISHED

    before = recordings_in(archive)
    closed: Path | None = None
    try:
        with (
            nullcontext(watcher) if watcher is not None else watching(quiet) as shown,
            closing(_run(bench, request, archive, null, resumed)) as run,
        ):
            for event in run:
                match event:
                    case SweepStarted():
                        shown.begin(event.total, event.expected_s)
                    case Note():
                        shown.say(event.text)
                    case PointDone():
                        shown.point(event)
                    case SweepClosed():
                        closed = event.recording
    except BaseException as exc:
        for path in sorted(recordings_in(archive) - before):
            exc.add_note(f"The points measured until then are kept: {path}")
            if not isinstance(request, NullRequest):
                exc.add_note(f"To go on with them: twonode sweep --continue {path}")
            if log is not None and not path.name.endswith(UNFINISHED):
                log.belongs_to(path)
        raise
    assert closed is not None, "a sweep that ends without error closes its recording"
    if log is not None:
        log.belongs_to(closed)
    return closed


def _run(
    bench: Bench,
    request: SweepRequest | NullRequest,
    archive: Path,
    null: Sweep | None,
    resumed: Resumed | None,
) -> Any:
    """The events as something that can be closed, which is what switches the output off."""
    from twonode.acquire import NullRequest, run_null, run_sweep

    if isinstance(request, NullRequest):
        return run_null(bench, request, archive=archive)
    return run_sweep(bench, request, archive=archive, null=null, resumed=resumed)


def recordings_in(archive: Path) -> set[Path]:
    """The folders in an archive, unfinished recordings included; none where it is not there yet."""
    try:
        return {each for each in archive.iterdir() if each.is_dir()}
    except OSError:
        return set()


@contextmanager
def watching(quiet: bool) -> Iterator[Watcher]:
    """Whoever draws the progress of one run, as the screen allows it."""
    if quiet:
        yield _Silent()
    elif not sys.stderr.isatty():
        yield _Plain()
    else:
        drawn = _Drawn()
        try:
            yield drawn
        finally:
            drawn.end()


class _Silent:
    """Says nothing but what the person must see."""

    def begin(self, total: int, expected_s: float) -> None:
        pass

    def point(self, event: PointDone) -> None:
        pass

    def say(self, text: str) -> None:
        pass


class _Plain(_Silent):
    """For a log or a pipe: what was refused or repeated, no progress."""

    def point(self, event: PointDone) -> None:
        if not event.used:
            self.say(f"Point {event.index} of {event.total} is not used: {event.reason}.")

    def say(self, text: str) -> None:
        print(text, file=sys.stderr)


class _Drawn:
    """A progress bar with done/total, time left and the latest ratio, drawn by rich."""

    def __init__(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn

        self._progress = Progress(
            TextColumn("{task.completed:.0f}/{task.total:.0f} points"),
            BarColumn(),
            TextColumn("{task.fields[left]}"),
            TextColumn("{task.fields[latest]}"),
            console=Console(stderr=True),
            transient=True,
        )
        self._task = self._progress.add_task("", total=1, left="connecting", latest="")
        self._progress.start()

    def begin(self, total: int, expected_s: float) -> None:
        self._progress.update(self._task, total=total, left=f"about {_seconds(expected_s)} left")

    def point(self, event: PointDone) -> None:
        from twonode.analysis.report import ratio_words

        latest = ratio_words(event.frequency_hz, event.ratio)
        self._progress.update(
            self._task, completed=event.index, left=f"{_seconds(event.left_s)} left", latest=latest
        )
        if not event.used:
            self.say(f"Point {event.index} of {event.total} is not used: {event.reason}.")

    def say(self, text: str) -> None:
        from rich.text import Text

        # As Text, so that square brackets of an instrument's reply are not taken for markup.
        self._progress.console.print(Text(text))

    def end(self) -> None:
        self._progress.stop()


def _seconds(seconds: float) -> str:
    whole = max(0, round(seconds))
    return f"{whole} s" if whole < 100 else f"{whole // 60} min {whole % 60:02d} s"
