"""Results beside the raw data: estimates, findings and pictures, added and never overwritten.

Owns the results/ folder of a closed recording. Results are tag files: adding one leaves the payload and its
manifest alone and rewrites the tag manifest.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from twonode.recordings.bag import DECLARATION, damaged, write_tag_manifest
from twonode.recordings.disk import place_new
from twonode.recordings.errors import NotARecording, UnfitRecord, not_writable
from twonode.recordings.jsontext import encode_json
from twonode.recordings.naming import UNFINISHED, candidate_names, slug

__all__ = ["StoredResult", "add_picture", "add_result", "read_results"]

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


def _add(folder: Path, name: str, suffix: str, content: bytes) -> Path:
    if folder.name.endswith(UNFINISHED) or not (folder / DECLARATION).is_file():
        raise NotARecording(
            f"{folder} is no closed recording.",
            "Results are kept beside the raw data they were computed from.",
            "Name the recording's folder; close an unfinished one first.",
        )
    try:
        (folder / "results").mkdir(exist_ok=True)
        for candidate in candidate_names(slug(name) or "result"):
            target = folder / "results" / f"{candidate}{suffix}"
            try:
                place_new(target, content)
            except FileExistsError:
                continue
            write_tag_manifest(folder)
            return target
    except OSError as exc:
        raise not_writable(folder / "results", exc) from exc
    raise not_writable(folder / "results", FileExistsError("every name is taken"))


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
    except (OSError, msgspec.DecodeError, UnicodeDecodeError) as exc:
        raise damaged(path, f"it cannot be read ({exc})") from exc
    if not isinstance(document, dict):
        raise damaged(path, "it is no JSON object")
    return document
