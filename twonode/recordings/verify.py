"""Showing that recordings are unchanged, and that what they say fits together; one or a whole archive.

Owns the verdict on a recording and the work in several processes. Verified are the bytes of every file, the schema,
the invariants of rows and codes, and each ratio against the raw codes. Nothing is changed or repaired.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
    wait,
)
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from enum import Enum
from functools import partial
from multiprocessing import get_context
from pathlib import Path

from twonode.analysis.ratio_again import RATIO_READING
from twonode.recordings.anykind import AnyHeader, load_any
from twonode.recordings.bag import (
    BAG_INFO,
    BagContent,
    Difference,
    differences,
    info_labels,
    look_at_bag,
)
from twonode.recordings.bounded import LARGEST_HEADER_BYTES, read_bounded
from twonode.recordings.disk import is_held
from twonode.recordings.errors import NewerFormat, NotARecording, RecordingError
from twonode.recordings.folders import must_be_archive
from twonode.recordings.life import bag_info
from twonode.recordings.naming import UNFINISHED, is_recording_name, lock_path
from twonode.recordings.reader import Recording
from twonode.recordings.recompute import recompute
from twonode.recordings.results import is_left_over

__all__ = [
    "Depth",
    "Verdict",
    "VerifiedState",
    "one_thread_each",
    "recordings_in",
    "verify_many",
    "verify_recording",
]

MOST_PROBLEMS = 20
"""Named per recording; a recording with more is not looked at more closely."""
LONGEST_WAIT_S = 2.0
"""For another program that is adding a result at this moment."""
FEW_RECORDINGS = 24
"""Below this starting processes takes longer than the work."""
CHUNK = 8
_ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


class Depth(Enum):
    """How much is verified."""

    CHECKSUMS = "checksums"  # the bytes of every file
    EVERYTHING = "everything"  # and what they say: schema, rows, every ratio against its codes


class VerifiedState(Enum):
    """What came of verifying one folder."""

    SOUND = "sound"
    DAMAGED = "damaged"
    CUT_OFF = "addition cut off"  # a result's adding was killed; what was measured is whole
    NEWER = "newer format"  # its bytes are as they were written; a later program has to read them
    NO_RECORDING = "no recording"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """One folder verified.

    problems : what is wrong, file by file; empty where nothing is. kind : as its recording.json states it.
    rows : points or DC readings. ratios : how many were worked out again. octets : bytes that were read for checksums.
    read_otherwise : of them, those that today's way of reading gives another value, and that were filed by another.
    advice : what to do about it, where there is something.
    """

    folder: Path
    state: VerifiedState
    problems: tuple[Difference, ...] = ()
    kind: str | None = None
    rows: int = 0
    ratios: int = 0
    read_otherwise: int = 0
    octets: int = 0
    advice: str | None = None

    @property
    def name(self) -> str:
        """The folder's name."""
        return self.folder.name


def recordings_in(archive: str | os.PathLike[str]) -> tuple[Path, ...]:
    """The folders of an archive that are closed recordings, or once were, sorted by name.

    Raises NotARecording where there is no such folder, or a recording in its place.
    """
    place = Path(archive)
    must_be_archive(place)
    return tuple(
        each
        for each in sorted(place.iterdir())
        if not each.name.startswith(".")
        and not each.name.endswith(UNFINISHED)
        and each.is_dir()
        and (is_recording_name(each.name) or any((each / name).exists() for name in ("data", "bagit.txt")))
    )


def verify_recording(path: str | os.PathLike[str], *, depth: Depth = Depth.EVERYTHING) -> Verdict:
    """Verify one closed recording; whatever is wrong with it is in the verdict."""
    folder = Path(path)
    if folder.name.endswith(UNFINISHED):
        return Verdict(
            folder=folder,
            state=VerifiedState.NO_RECORDING,
            problems=(Difference(name=".", because="it was never closed"),),
            advice="`twonode archive recover` closes it.",
        )
    try:
        content, found = _settled(folder)
    except NotARecording as exc:
        lost = is_recording_name(folder.name) and folder.is_dir()
        return Verdict(
            folder=folder,
            state=VerifiedState.DAMAGED if lost else VerifiedState.NO_RECORDING,
            problems=(Difference(name=".", because=exc.what.removeprefix(f"{folder} ").rstrip(".")),),
            advice=exc.do,
        )
    except OSError as exc:
        because = f"it cannot be read ({exc.strerror or exc})"
        return Verdict(
            folder=folder,
            state=VerifiedState.DAMAGED,
            problems=(Difference(name=".", because=because),),
            advice="Check your rights to the folder.",
        )
    octets = sum(content.sizes.values())
    if found:
        left = all(each.unlisted and is_left_over(each, content) for each in found)
        return Verdict(
            folder=folder,
            state=VerifiedState.CUT_OFF if left else VerifiedState.DAMAGED,
            problems=tuple(found[:MOST_PROBLEMS]),
            octets=octets,
            advice="`twonode archive recover` finishes it." if left else _FETCH,
        )
    if depth is Depth.CHECKSUMS:
        return Verdict(folder=folder, state=VerifiedState.SOUND, octets=octets)
    return _meaning(folder, octets)


_FETCH = "Fetch the recording from a copy whose manifest fits its files."


def _settled(folder: Path) -> tuple[BagContent, list[Difference]]:
    """Content and differences, once no other program is in the middle of adding a result."""
    deadline_s = time.monotonic() + LONGEST_WAIT_S
    while True:
        content = look_at_bag(folder)
        found = list(differences(folder, content))
        being_added = any(each.unlisted for each in found) and is_held(lock_path(folder))
        if not being_added or time.monotonic() > deadline_s:
            return content, found
        time.sleep(0.05)


def _meaning(folder: Path, octets: int) -> Verdict:
    """The verdict on a recording whose bytes are as they were written."""
    kind, rows, checked, otherwise = None, 0, 0, 0
    problems: list[Difference] = []
    try:
        recording = load_any(folder)
        kind = recording.header.kind.value
        problems += _odd_info(folder, recording.header)
        if isinstance(recording, Recording):
            rows = len(recording.points)
            same_way = recording.header.ratio_reading == RATIO_READING
            for each in recompute(recording):
                checked += 1
                if each.because is not None and not same_way:
                    otherwise += 1
                elif each.because is not None and len(problems) < MOST_PROBLEMS:
                    problems.append(
                        Difference(name="data/points.csv", because=f"point {each.point}: {each.because}")
                    )
        else:
            rows = len(recording.readings)
    except NewerFormat as exc:
        return Verdict(
            folder=folder,
            state=VerifiedState.NEWER,
            problems=(Difference(name="data/recording.json", because=_short(exc, folder)),),
            octets=octets,
            advice=exc.do,
        )
    except RecordingError as exc:
        problems.append(_named(exc, folder))
    return Verdict(
        folder=folder,
        state=VerifiedState.DAMAGED if problems else VerifiedState.SOUND,
        problems=tuple(problems),
        kind=kind,
        rows=rows,
        ratios=checked,
        read_otherwise=otherwise,
        octets=octets,
        advice="Its files fit its manifests: it was written so, or both were changed." if problems else None,
    )


def _odd_info(folder: Path, header: AnyHeader) -> Iterator[Difference]:
    """bag-info.txt against what this program writes for such a header; the folder may have been renamed since."""
    labels = info_labels(read_bounded(folder / BAG_INFO, LARGEST_HEADER_BYTES)) or {}
    wanted = bag_info(header, identifier=labels.get("External-Identifier", folder.name))
    wanted = {label: text for label, value in wanted.items() if (text := " ".join(value.split()))}
    stated = {label: value for label, value in labels.items() if label != "Payload-Oxum"}
    if list(stated.items()) != list(wanted.items()):
        yield Difference(
            name=BAG_INFO, because="it does not say what recording.json says, in this program's order"
        )


def _named(exc: RecordingError, folder: Path) -> Difference:
    """The file that an error of reading is about."""
    text = _short(exc, folder)
    for name in ("data/recording.json", "data/points.csv", "data/readings.csv", "data/traces.npz"):
        if text.startswith(name):
            # Its bytes are as they were written: what they say does not fit.
            because = text.removeprefix(name).lstrip(" ,:").removeprefix("is not as it was written: ")
            return Difference(name=name, because=because)
    return Difference(name="data", because=text)


def _short(exc: RecordingError, folder: Path) -> str:
    return exc.what.replace(f"{folder}{os.sep}", "").replace(os.sep, "/").rstrip(".")


def verify_many(
    folders: Sequence[Path], *, depth: Depth = Depth.EVERYTHING, processes: int | None = None
) -> Iterator[Verdict]:
    """Verdicts as they come, in no particular order.

    processes : how many work at the same time; None chooses. Checksums alone need no process of their own: hashing
        lets other threads run.
    """
    count = processes or (os.cpu_count() or 1 if len(folders) >= FEW_RECORDINGS else 1)
    count = min(count, len(folders))
    work = partial(_verify_some, depth=depth)
    if count <= 1:
        for folder in folders:
            yield from work((folder,))
        return
    chunks = [tuple(folders[at : at + CHUNK]) for at in range(0, len(folders), CHUNK)]
    with ExitStack() as stack:
        pool: Executor
        if depth is Depth.CHECKSUMS:
            pool = stack.enter_context(ThreadPoolExecutor(count))
        else:
            stack.enter_context(one_thread_each())
            pool = stack.enter_context(ProcessPoolExecutor(count, mp_context=get_context("spawn")))
        yield from _as_they_come(pool, work, chunks, ahead=2 * count)


def _verify_some(folders: tuple[Path, ...], *, depth: Depth) -> list[Verdict]:
    return [verify_recording(folder, depth=depth) for folder in folders]


def _as_they_come(
    pool: Executor,
    work: Callable[[tuple[Path, ...]], list[Verdict]],
    chunks: Sequence[tuple[Path, ...]],
    *,
    ahead: int,
) -> Iterator[Verdict]:
    """Results of all chunks, no more than ``ahead`` of them handed out, so that an interrupt ends soon."""
    left = iter(chunks)
    running: set[Future[list[Verdict]]] = set()
    try:
        while True:
            for chunk in left:
                running.add(pool.submit(work, chunk))
                if len(running) >= ahead:
                    break
            if not running:
                return
            done, running = wait(running, return_when=FIRST_COMPLETED)
            for each in done:
                yield from each.result()
    finally:
        for each in running:
            each.cancel()


@contextmanager
def one_thread_each() -> Iterator[None]:
    """Processes started inside use one thread for their matrices: the processes are the parallel part."""
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
