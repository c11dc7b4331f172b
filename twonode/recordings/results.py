"""Results beside the raw data: estimates, findings and pictures, added and never overwritten.

Owns the results/ folder of a closed recording. Results are tag files: adding one leaves the payload and its
manifest alone and rewrites the tag manifest. Whoever adds holds a lock beside the folder, and a hidden twin of the
new file stays until the tag manifest lists it: so what a killed program left half done is known, and can be done.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from twonode.recordings.bag import (
    DECLARATION,
    BagContent,
    Difference,
    damaged,
    differences,
    look_at_bag,
    write_tag_manifest,
)
from twonode.recordings.disk import FileLock, placing_new, twin_of
from twonode.recordings.errors import (
    NotARecording,
    RecordingError,
    RecordingInUse,
    UnfitRecord,
    not_changed,
)
from twonode.recordings.jsontext import JSON_ERRORS, encode_json
from twonode.recordings.naming import UNFINISHED, candidate_names, lock_path, slug

__all__ = [
    "StoredResult",
    "add_log",
    "add_picture",
    "add_result",
    "finish_additions",
    "is_left_over",
    "read_results",
]

LONGEST_WAIT_S = 10.0

_LARGEST_RESULT_BYTES = 16_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredResult:
    """One file of results/: its path and the JSON object in it."""

    path: Path
    document: dict[str, Any]


def add_result(path: str | os.PathLike[str], name: str, document: Mapping[str, Any]) -> Path:
    """Add ``results/NAME.json`` to a closed recording, or NAME_2, NAME_3 ... where that is taken.

    document : a JSON object without NaN or infinity, naming program version and inputs.

    Returns the file's path. Raises NotARecording, UnfitRecord, ArchiveNotWritable.
    """
    return _add(Path(path), name, ".json", _encode(name, document))


def add_picture(path: str | os.PathLike[str], name: str, png: bytes) -> Path:
    """Add ``results/NAME.png`` to a closed recording, numbered like results where that name is taken.

    Returns the file's path. Raises NotARecording, ArchiveNotWritable.
    """
    return _add(Path(path), name, ".png", png)


def add_log(path: str | os.PathLike[str], name: str, text: str) -> Path:
    """Add ``results/NAME.txt`` to a closed recording, numbered like results where that name is taken.

    Returns the file's path. Raises NotARecording, ArchiveNotWritable.
    """
    return _add(Path(path), name, ".txt", text.encode("utf-8", "backslashreplace"))


def _add(folder: Path, name: str, suffix: str, content: bytes) -> Path:
    if folder.name.endswith(UNFINISHED) or not (folder / DECLARATION).is_file():
        raise NotARecording(
            f"{folder} is no closed recording.",
            "Results are kept beside the raw data they were computed from.",
            "Name the recording's folder; close an unfinished one first.",
        )
    try:
        (folder / "results").mkdir(exist_ok=True)
        with _alone(folder):
            for candidate in candidate_names(slug(name) or "result"):
                target = folder / "results" / f"{candidate}{suffix}"
                try:
                    with placing_new(target, content):
                        write_tag_manifest(folder)
                except FileExistsError:
                    continue
                return target
    except OSError as exc:
        raise _not_added(folder, exc) from exc
    raise _not_added(folder, FileExistsError("every name is taken"))


def _not_added(folder: Path, exc: OSError) -> RecordingError:
    return not_changed(
        f"Nothing was added to {folder}",
        exc,
        kept="Notes and results are new files in the recording, which is as it was.",
    )


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """Nobody else adds to the recording inside the block. Raises RecordingInUse after some seconds, OSError."""
    deadline_s = time.monotonic() + LONGEST_WAIT_S
    while True:
        try:
            lock = FileLock(lock_path(folder))
            break
        except BlockingIOError as exc:
            if time.monotonic() > deadline_s:
                raise RecordingInUse(
                    f"Another program has been adding to {folder} for {LONGEST_WAIT_S:g} s.",
                    "Two at once could leave one's file out of the manifest.",
                    "Wait until it is done, or end it.",
                ) from exc
            time.sleep(0.005)
    try:
        yield
    finally:
        lock.remove()


def is_left_over(unlisted: Difference, content: BagContent) -> bool:
    """Whether a file that no manifest lists was left by a program that was killed while it added a result.

    That is a hidden temporary file, or a whole one beside which its hidden twin still lies.
    """
    place, _, last = unlisted.name.rpartition("/")
    if place not in ("", "results"):
        return False
    if twin_of(last) is not None:
        return True
    return place == "results" and any(
        name.startswith("results/.")
        and twin_of(name.removeprefix("results/")) == last
        and digest == content.digests[unlisted.name]
        for name, digest in content.digests.items()
    )


def finish_additions(path: str | os.PathLike[str]) -> tuple[str, ...]:
    """Do what a program that was killed while it added a result left half done.

    A whole result is listed in the tag manifest, a partial one is removed. Nothing is done, or changed, where that is
    not all that is wrong.

    Returns the names, relative to the recording, that were listed. Raises NotARecording, DamagedRecording,
    RecordingInUse, ArchiveNotWritable.
    """
    folder = Path(path)
    try:
        with _alone(folder):
            content = look_at_bag(folder)
            left: list[str] = []
            for each in differences(folder, content):
                if not (each.unlisted and is_left_over(each, content)):
                    raise damaged(folder / each.name, each.because)
                left.append(each.name)
            listed = tuple(name for name in left if twin_of(name.rpartition("/")[2]) is None)
            if listed:
                write_tag_manifest(folder)
            for name in left:
                if name not in listed:
                    (folder / name).unlink()
    except OSError as exc:
        raise not_changed(
            f"What was half added to {folder} was not finished", exc, kept="It is as it was found."
        ) from exc
    return listed


def _encode(name: str, document: Mapping[str, Any]) -> bytes:
    try:
        return encode_json(document)
    except (UnicodeEncodeError, TypeError, ValueError) as exc:
        raise UnfitRecord(
            f"The result {name!r} cannot be written: {exc}.",
            "A result must be read back exactly, or it is none.",
            "Write null for what was not determined, and lists for arrays.",
        ) from exc


def read_results(path: str | os.PathLike[str]) -> tuple[StoredResult, ...]:
    """All results of a recording, sorted by file name.

    Raises DamagedRecording naming a file that is no JSON object.
    """
    folder = Path(path) / "results"
    if not folder.is_dir():
        return ()
    names = sorted(
        each for each in folder.iterdir() if each.suffix == ".json" and not each.name.startswith(".")
    )
    return tuple(StoredResult(path=each, document=_decode(each)) for each in names)


def _decode(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_RESULT_BYTES + 1)
        document = msgspec.json.decode(content)
    except (OSError, *JSON_ERRORS) as exc:
        raise damaged(path, f"it cannot be read ({exc})") from exc
    if not isinstance(document, dict):
        raise damaged(path, "it is no JSON object")
    return document
