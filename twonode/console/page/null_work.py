"""A null run as the page runs it: the command's own functions in a job's thread, and what is shown of them.

Owns the snapshot that every tab draws from. Both probes are on the generator's lead alone, taken off any set; inside a
set is the command's, which asks more.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from twonode.console.page.job import Job

if TYPE_CHECKING:
    from twonode.acquire import NullRequest, PointDone

__all__ = ["NullProgress", "NullSaid", "null_options", "null_work"]


@dataclass(frozen=True, slots=True)
class NullSaid:
    """The snapshot is another one now."""


@dataclass(slots=True, kw_only=True)
class NullProgress:
    """All that is shown of one null run.

    recording : closed, or kept after an interruption. found : what it says of the channels, in words.
    """

    request: NullRequest
    phase: str = "Connecting"
    done: int = 0
    total: int = 0
    left_s: float | None = None
    notes: list[str] = field(default_factory=list)
    recording: Path | None = None
    found: tuple[str, ...] = ()


def null_options(bench: Mapping[str, Any]) -> dict[str, Any]:
    """The options of `twonode null` on the generator's lead alone; bench : those of the page's bench.

    A simulated bench has the same channels as for the sweeps, and no part to be faulty.
    """
    return {
        **bench,
        **dict.fromkeys(("stage_file", "level_vpp", "node_volts")),
        "unplugged_and_discharged": False,
        "tags": (),
        "true": (),
        "faults": (),
    }


def null_work(options: Mapping[str, Any], archive: Path) -> Callable[[Job], None]:
    """The work of one null run; the job's progress says what is asked. options : as `null_options` gives them."""

    def work(job: Job) -> None:
        from twonode.acquire import sweep_of
        from twonode.analysis.channels_compared import compare_channels
        from twonode.console.benches import bench_of
        from twonode.console.measuring import measure
        from twonode.console.null import null_lines, null_stage
        from twonode.recordings import read_recording

        progress: NullProgress = job.progress
        watcher = _Watcher(job, progress)
        stage = null_stage(options)
        with job.bench(stage, opened=bench_of(options, stage, one_node=True)) as bench:
            folder = measure(
                bench, progress.request, archive=archive, quiet=True, log=watcher, watcher=watcher
            )
        recording = read_recording(folder)
        progress.found = tuple(
            each.strip() for each in null_lines(recording, compare_channels(sweep_of(recording)))
        )
        progress.phase, progress.left_s = "Done", None

    return work


class _Watcher:
    """Writes into the snapshot and hands on."""

    def __init__(self, job: Job, progress: NullProgress) -> None:
        self._job = job
        self._progress = progress

    def begin(self, total: int, expected_s: float) -> None:
        self._progress.phase, self._progress.total, self._progress.left_s = "Measuring", total, expected_s
        self._changed()

    def point(self, event: PointDone) -> None:
        self._progress.done, self._progress.total, self._progress.left_s = (
            event.index,
            event.total,
            event.left_s,
        )
        if not event.used:
            self._progress.notes.append(f"Point {event.index} of {event.total} is not used: {event.reason}.")
        self._changed()

    def say(self, text: str) -> None:
        self._progress.notes.append(text)
        self._changed()

    def belongs_to(self, folder: Path) -> None:
        self._progress.recording = folder

    def _changed(self) -> None:
        self._job.emit(NullSaid())
        self._job.check()
