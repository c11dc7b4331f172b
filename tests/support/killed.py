"""A process of this program that is killed with SIGKILL at a random moment, and what is found in the archive then.

Owns the child's work, the moment, and the checks afterwards; each case has a seed of its own, which draws the moment.
The child is forked, so that it does not have to load the program 200 times.
"""

from __future__ import annotations

import os
import random
import time
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path

from swept import HookUp, fixture_request

from twonode.acquire import PointDone, SweepClosed, SweepStarted, run_sweep
from twonode.drivers.bench import Bench
from twonode.drivers.simulated import SimulatedSettings, direct_links
from twonode.recordings import Recording, add_result, find_unfinished, read_any
from twonode.recordings.index import ArchiveIndex
from twonode.recordings.recover import recover_archive
from twonode.recordings.verify import VerifiedState, recordings_in, verify_recording

__all__ = ["Found", "Moment", "kill_once"]

POINTS = 8
LONGEST_S = 60.0


class Moment(Enum):
    """What the child is doing when it is killed."""

    SWEEPING = "sweeping"
    CLOSING = "closing"
    ADDING = "adding results"
    INDEXING = "updating the index"


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What was found after one kill.

    reported : points or results that the child had been told were safe. wrong : what must not be, in words.
    left : folders that were unfinished. half : recordings to which a result was half added.
    """

    moment: Moment
    reported: int
    wrong: tuple[str, ...]
    left: int
    half: int


def _sweep(archive: Path, seed: int, tell: Callable[[str], None]) -> Path:
    request = fixture_request(
        HookUp.SERIES, 10e-9, 100e3, frequencies_hz=tuple(100.0 * 1.5**n for n in range(POINTS))
    )
    links = direct_links(SimulatedSettings(stage=request.stage, seed=seed))
    folder = archive
    with Bench.from_links(generator=links.generator, scope=links.scope, clock=links.clock) as bench:
        for event in run_sweep(bench, request, archive=archive):
            match event:
                case SweepStarted():
                    tell("started")
                case PointDone():
                    tell(f"point {event.index} of {event.total}")
                case SweepClosed():
                    folder = event.recording
                    tell("closed")
    return folder


def _work(end: Connection, moment: Moment, archive: Path, seed: int) -> None:
    """The child: tells what was finished, as soon as the program says so."""
    tell = end.send
    folder = _sweep(archive, seed, tell)
    for count in range(1, 10_000):
        if moment is Moment.ADDING:
            add_result(folder, "estimate", {"count": count, "filling": "x" * 50_000})
            tell(f"result {count}")
        elif moment is Moment.INDEXING:
            add_result(folder, f"note {count}", {"count": count})
            with ArchiveIndex(archive) as index:
                index.update()
            tell(f"index {count}")
        else:
            time.sleep(LONGEST_S)


def kill_once(moment: Moment, seed: int, archive: Path) -> Found:
    """Start, kill, look, recover, look again."""
    chance = random.Random(f"{moment.value} {seed}")
    ours, theirs = get_context("fork").Pipe(duplex=False)
    child = get_context("fork").Process(target=_work, args=(theirs, moment, archive, seed))
    child.start()
    theirs.close()
    said = []
    # Up to the start of what is to be interrupted, then a random part of what it takes on an idle machine.
    last_point = f"point {POINTS} of {POINTS}"
    begins, lasts_s = {
        Moment.SWEEPING: ("started", 0.30),
        Moment.CLOSING: (last_point, 0.06),
        Moment.ADDING: ("closed", 0.08),
        Moment.INDEXING: ("closed", 0.15),
    }[moment]
    try:
        while begins not in said:
            said.append(ours.recv())
        os.sched_yield()
        time.sleep(chance.uniform(0.0, lasts_s))
    finally:
        child.kill()
        child.join()
    try:
        while True:
            said.append(ours.recv())
    except EOFError:
        pass
    return _look(moment, archive, said)


def _look(moment: Moment, archive: Path, said: list[str]) -> Found:
    points = sum(word.startswith("point") for word in said)
    results = sum(word.startswith(("result", "index")) for word in said)
    wrong: list[str] = []
    half = 0
    left = find_unfinished(archive)
    for each in recordings_in(archive):
        found = verify_recording(each)
        # A result that was being added may be seen to be half added; nothing else may be amiss.
        if found.state is VerifiedState.CUT_OFF and moment in (Moment.ADDING, Moment.INDEXING):
            half += 1
        elif found.state is not VerifiedState.SOUND:
            wrong.append(f"before recovering: {found.state.value} {found.problems}")
    for each in left:
        if verify_recording(each.folder).state is VerifiedState.SOUND:
            wrong.append("an unfinished folder verifies")
        if each.in_use:
            wrong.append("a folder is in use by a dead program")
    wrong += [f"index before recovering: {word}" for word in _index(archive)]
    for each in recover_archive(archive):
        if each.error is not None:
            wrong.append(f"not recovered: {each.error}")
    if find_unfinished(archive):
        wrong.append("not closed by recover")
    kept_points = kept_results = 0
    for folder in recordings_in(archive):
        found = verify_recording(folder)
        if found.state is not VerifiedState.SOUND or found.ratios != found.rows:
            wrong.append(f"after recovering: {found.state.value} {found.problems}")
        recording = read_any(folder)
        assert isinstance(recording, Recording)
        kept_points += len(recording.points)
        kept_results += len(list((folder / "results").glob("*.json")))
    if kept_points < points:
        wrong.append(f"{points} points were reported, {kept_points} are there")
    if kept_results < results:
        wrong.append(f"{results} results were reported, {kept_results} are there")
    if len(_index(archive, count := len(recordings_in(archive)))):
        wrong.append(f"the index does not find {count} recordings")
    hidden = [each.name for each in archive.iterdir() if each.name.endswith(".lock")]
    if hidden:
        wrong.append(f"locks stay: {hidden}")
    return Found(
        moment=moment,
        reported=points + results,
        wrong=tuple(wrong),
        left=len(left),
        half=half,
    )


def _index(archive: Path, recordings: int | None = None) -> list[str]:
    """What is amiss with searching the archive right now."""
    began_s = time.monotonic()
    with ArchiveIndex(archive) as index:
        index.update()
        found = len(index.find())
    wrong = [] if recordings in (None, found) else [f"finds {found}"]
    if time.monotonic() - began_s > 10.0:
        wrong.append("it was waited for")
    return wrong
