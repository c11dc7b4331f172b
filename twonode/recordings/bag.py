"""The BagIt side of a recording: manifests that any bag tool, or ``sha256sum -c``, can check.

Owns bagit.txt, bag-info.txt and the two manifests: their exact bytes, and comparing them with the files.
What the files mean is left to others.

Source: RFC 8493 (BagIt 1.0).
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping
from pathlib import Path, PurePosixPath

from twonode.recordings.disk import sha256_of, write_whole
from twonode.recordings.errors import DamagedRecording, NotARecording

__all__ = [
    "BAG_INFO",
    "DECLARATION",
    "MANIFEST",
    "TAG_MANIFEST",
    "check_bag",
    "write_bag_files",
    "write_tag_manifest",
]

DECLARATION = "bagit.txt"
BAG_INFO = "bag-info.txt"
MANIFEST = "manifest-sha256.txt"
TAG_MANIFEST = "tagmanifest-sha256.txt"

_DECLARED = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
_MANIFEST_LINE = re.compile(r"([0-9a-f]{64})  ([^\r\n]+)")

# Far above any manifest of ours; keeps a damaged one from filling the memory.
_LARGEST_MANIFEST_BYTES = 16_000_000


def write_bag_files(bag: Path, *, info: Mapping[str, str]) -> None:
    """Write declaration, bag-info and both manifests around what lies in ``bag/data``; synced.

    info : labels and values for bag-info.txt; Payload-Oxum is added. Line breaks become spaces.

    Raises OSError.
    """
    payload = _files_below(bag / "data", bag)
    write_whole(bag / DECLARATION, _DECLARED)
    octets = sum((bag / name).stat().st_size for name in payload)
    labels = {**info, "Payload-Oxum": f"{octets}.{len(payload)}"}
    text = "".join(
        f"{label}: {' '.join(value.split())}\n" for label, value in labels.items() if value.strip()
    )
    write_whole(bag / BAG_INFO, text.encode("utf-8"))
    write_whole(bag / MANIFEST, _manifest(bag, payload))
    write_tag_manifest(bag)


def write_tag_manifest(bag: Path) -> None:
    """Write the tag manifest over everything outside data/, atomically; synced on return. Raises OSError.

    Looks again afterwards: whichever of two programs adding results at once comes last sees the other's file.
    """
    written: list[str] | None = None
    while (names := _tag_files(bag)) != written:
        write_whole(bag / TAG_MANIFEST, _manifest(bag, names))
        written = names


def _tag_files(bag: Path) -> list[str]:
    # A hidden file there is a result that another program is still writing.
    results = (name for name in _files_below(bag / "results", bag) if not name.startswith("results/."))
    return [DECLARATION, BAG_INFO, MANIFEST, *results]


def _manifest(bag: Path, names: Iterable[str]) -> bytes:
    lines = (f"{sha256_of(bag / name)}  {name}\n" for name in sorted(names))
    return "".join(lines).encode("utf-8")


def _files_below(folder: Path, bag: Path) -> list[str]:
    """Names relative to the bag, with slashes, sorted."""
    found = (
        (Path(root) / name).relative_to(bag).as_posix()
        for root, _, names in os.walk(folder)
        for name in names
    )
    return sorted(found)


def check_bag(bag: Path) -> None:
    """Compare every file of a bag with its manifests.

    Raises NotARecording where there is no bag, DamagedRecording naming the first file that differs, is
    missing or is in data/ without being listed. Nothing outside the bag is read, whatever a manifest says.
    """
    if not (bag / DECLARATION).is_file() or not (bag / MANIFEST).is_file():
        raise NotARecording(
            f"{bag} is no recording: it has no {DECLARATION} with a {MANIFEST}.",
            "A recording is a folder in BagIt form.",
            "Name the recording's folder; a sweep that was killed ends in .unfinished.",
        )
    if _read(bag / DECLARATION) != _DECLARED:
        raise damaged(bag / DECLARATION, "it is not the BagIt 1.0 declaration")
    payload = _listed(bag, MANIFEST)
    for name in payload:
        if not name.startswith("data/"):
            raise damaged(bag / MANIFEST, f"it lists {name!r}, which is not below data/")
    for name in _files_below(bag / "data", bag):
        if name not in payload:
            raise damaged(bag / name, f"it is not listed in {MANIFEST}")
    tags = _listed(bag, TAG_MANIFEST)
    for name in (DECLARATION, BAG_INFO, MANIFEST):
        if name not in tags:
            raise damaged(bag / TAG_MANIFEST, f"{name} is not listed")
    for name, digest in {**tags, **payload}.items():
        _compare(bag, name, digest)


def _listed(bag: Path, manifest: str) -> dict[str, str]:
    path = bag / manifest
    try:
        text = _read(path).decode("utf-8")
    except UnicodeDecodeError as exc:
        raise damaged(path, "it is not UTF-8 text") from exc
    if not text.endswith("\n"):
        raise damaged(path, "it does not end with a line feed")
    listed: dict[str, str] = {}
    for at, line in enumerate(text[:-1].split("\n"), start=1):
        match = _MANIFEST_LINE.fullmatch(line)
        if match is None:
            raise damaged(path, f"line {at} is not a SHA-256, two spaces and a name")
        digest, name = match.groups()
        parts = PurePosixPath(name).parts
        inside = not name.startswith("/") and ".." not in parts and "\\" not in name and ":" not in name
        if not inside or "/".join(parts) != name or name in listed:
            raise damaged(path, f"line {at} names {name!r}, which is no plain name inside the recording")
        listed[name] = digest
    return listed


def _compare(bag: Path, name: str, digest: str) -> None:
    path = bag
    for part in PurePosixPath(name).parts:
        path = path / part
        if path.is_symlink():
            raise damaged(path, "it is a link, which may lead outside the recording")
    if not path.is_file():
        raise damaged(path, "it is listed in the manifest and missing")
    try:
        found = sha256_of(path)
    except OSError as exc:
        raise damaged(path, f"it cannot be read ({exc.strerror or exc})") from exc
    if found != digest:
        raise damaged(path, "its content differs from the manifest")


def _read(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            content = file.read(_LARGEST_MANIFEST_BYTES + 1)
    except OSError as exc:
        raise damaged(path, f"it cannot be read ({exc.strerror or exc})") from exc
    if len(content) > _LARGEST_MANIFEST_BYTES:
        raise damaged(path, f"it is longer than {_LARGEST_MANIFEST_BYTES} bytes")
    return content


def damaged(path: Path, because: str) -> DamagedRecording:
    """The error for one file of a bag that is not as it was written."""
    return DamagedRecording(
        f"{path} is not as it was written: {because}.",
        "A reading counts only if it is shown to be unchanged.",
        "Fetch the recording from a copy whose manifest fits its files.",
    )
