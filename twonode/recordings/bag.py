"""The BagIt side of a recording: manifests that any bag tool, or ``sha256sum -c``, can check.

Owns bagit.txt, bag-info.txt and the two manifests: their exact bytes, and comparing them with the files. Bag tools
pass over some bytes of these tag files (an order, a line end, a label nobody reads); here they must be what
`write_bag_files` writes. What the files mean is left to others.

Source: RFC 8493 (BagIt 1.0).
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from twonode.recordings.disk import sha256_and_size, sha256_of, write_whole
from twonode.recordings.errors import DamagedRecording, NotARecording

__all__ = [
    "BAG_INFO",
    "DECLARATION",
    "MANIFEST",
    "TAG_MANIFEST",
    "BagContent",
    "Difference",
    "check_bag",
    "damaged",
    "differences",
    "info_labels",
    "look_at_bag",
    "write_bag_files",
    "write_tag_manifest",
]

DECLARATION = "bagit.txt"
BAG_INFO = "bag-info.txt"
MANIFEST = "manifest-sha256.txt"
TAG_MANIFEST = "tagmanifest-sha256.txt"

_OWN = (DECLARATION, BAG_INFO, MANIFEST)
_DECLARED = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
_DECLARED_DIGEST = hashlib.sha256(_DECLARED).hexdigest()
_MANIFEST_LINE = re.compile(r"([0-9a-f]{64})  ([^\r\n]+)")
_INFO_LINE = re.compile(r"([A-Z][A-Za-z]*(?:-[A-Z][a-z]+)*): (\S+(?: \S+)*)")

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
    return [*_OWN, *results]


def _manifest(bag: Path, names: Iterable[str]) -> bytes:
    return _lines({name: sha256_of(bag / name) for name in names})


def _lines(digests: Mapping[str, str]) -> bytes:
    text = "".join([f"{digests[name]}  {name}\n" for name in sorted(digests)])
    return text.encode("utf-8", "surrogateescape")  # for a foreign name that is no Unicode


def _files_below(folder: Path, bag: Path) -> list[str]:
    """Names relative to the bag, with slashes, sorted."""
    found = (
        (Path(root) / name).relative_to(bag).as_posix()
        for root, _, names in os.walk(folder)
        for name in names
    )
    return sorted(found)


class _Unsound(Exception):
    """A manifest that cannot be gone by; says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One file of a bag that is not as it was written.

    name : relative to the bag, with slashes. unlisted : it is there, outside data/, and no manifest lists it.
    """

    name: str
    because: str
    unlisted: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class BagContent:
    """What lies in a bag.

    digests : SHA-256 of every plain file, in hexadecimal, by name; sizes : their bytes.
    odd : names that are no plain files and were not opened, with what they are.
    manifests : content of the two manifests, or why it cannot be had; read before the files, so that a result which
        is added meanwhile is never taken for one that is missing.
    """

    digests: dict[str, str]
    sizes: dict[str, int]
    odd: dict[str, str]
    manifests: dict[str, bytes | _Unsound]


def look_at_bag(bag: Path) -> BagContent:
    """Read every file of a bag, in pieces; no link is followed, and nothing but plain files is opened.

    Raises NotARecording where there is no bag.
    """
    if not (bag / DECLARATION).is_file() or not (bag / MANIFEST).is_file():
        raise NotARecording(
            f"{bag} is no recording: it has no {DECLARATION} with a {MANIFEST}.",
            "A recording is a folder in BagIt form.",
            "Name the recording's folder; a sweep that was killed ends in .unfinished.",
        )
    found = BagContent(digests={}, sizes={}, odd={}, manifests={})
    for manifest in (TAG_MANIFEST, MANIFEST):
        try:
            found.manifests[manifest] = _read(bag / manifest)
        except _Unsound as exc:
            found.manifests[manifest] = exc
    below = [(str(bag), "")]
    while below:
        folder, prefix = below.pop()
        try:
            with os.scandir(folder) as entries:
                for entry in entries:
                    name = prefix + entry.name
                    if entry.is_symlink():
                        found.odd[name] = "it is a link, which may lead outside the recording"
                    elif entry.is_dir(follow_symlinks=False):
                        below.append((entry.path, f"{name}/"))
                    elif entry.is_file(follow_symlinks=False):
                        _look_at(entry.path, name, found)
                    else:
                        found.odd[name] = "it is neither a plain file nor a folder"
        except OSError as exc:
            found.odd[prefix.rstrip("/") or "."] = f"it cannot be read ({exc.strerror or exc})"
    return found


def _look_at(path: str, name: str, found: BagContent) -> None:
    try:
        found.digests[name], found.sizes[name] = sha256_and_size(path)
    except FileNotFoundError:
        pass  # a temporary file of another program; a listed one will be missed
    except OSError as exc:
        found.odd[name] = f"it cannot be read ({exc.strerror or exc})"


def check_bag(bag: Path) -> None:
    """Compare every file of a bag with its manifests.

    Raises NotARecording where there is no bag, DamagedRecording naming the first file that differs, is
    missing or is in data/ without being listed. Nothing outside the bag is read, whatever a manifest says.
    A file beside data/ that is not listed is passed over: another program may be adding a result right now.
    """
    for each in differences(bag, look_at_bag(bag)):
        if not each.unlisted:
            raise damaged(bag / each.name, each.because)


def differences(bag: Path, content: BagContent) -> Iterator[Difference]:
    """Every file of a bag that is not as it was written, the most telling first.

    Compared are the files with the manifests, the manifests and the other tag files with the bytes that
    `write_bag_files` would write around those files.
    """
    payload = {name: digest for name, digest in content.digests.items() if name.startswith("data/")}
    tags = {
        name: digest
        for name, digest in content.digests.items()
        if name in _OWN or (name.startswith("results/") and not name.startswith("results/."))
    }
    known = payload.keys() | tags.keys() | {TAG_MANIFEST}
    for name, because in content.odd.items():
        yield Difference(name=name, because=because)
    spoilt = list(_against_manifest(MANIFEST, payload, content))
    yield from spoilt
    yield from _against_manifest(TAG_MANIFEST, tags, content)
    for name in sorted(content.digests.keys() - known):
        yield Difference(name=name, because="no manifest lists it", unlisted=True)
    if content.digests.get(DECLARATION) != _DECLARED_DIGEST:
        yield Difference(name=DECLARATION, because="it is not the BagIt 1.0 declaration")
    if BAG_INFO in content.digests:
        octets = sum(size for name, size in content.sizes.items() if name in payload)
        # Of other files the sum is another one; they are named above.
        odd_info = _odd_info(bag, None if spoilt else f"{octets}.{len(payload)}")
        if odd_info is not None:
            yield Difference(name=BAG_INFO, because=odd_info)


def _against_manifest(manifest: str, digests: Mapping[str, str], content: BagContent) -> Iterator[Difference]:
    """What differs between one manifest and the files it is about."""
    found = content.manifests[manifest]
    if found == _lines(digests):
        return
    try:
        if isinstance(found, _Unsound):
            raise found
        listed = _listed(found)
    except _Unsound as exc:
        yield Difference(name=manifest, because=str(exc))
        return
    told = False
    for name, digest in listed.items():
        because: str | None = None
        if manifest == MANIFEST and not name.startswith("data/"):
            yield Difference(name=manifest, because=f"it lists {name!r}, which is not below data/")
        elif name in content.odd or any(str(above) in content.odd for above in PurePosixPath(name).parents):
            pass  # said already
        elif name not in content.digests:
            because = "it is listed in the manifest and missing"
        elif content.digests[name] != digest:
            because = "its content differs from the manifest"
        if because is not None:
            yield Difference(name=name, because=because)
        told = told or because is not None
    for name in sorted(digests.keys() - listed.keys()):
        told = True
        result = name.startswith("results/")
        yield Difference(name=name, because=f"it is not listed in {manifest}", unlisted=result)
    for name in _OWN if manifest == TAG_MANIFEST else ():
        if name not in listed and name not in digests:
            yield Difference(name=name, because="it is missing")
    if not told and not any(name in content.odd for name in listed):
        yield Difference(name=manifest, because="its lines are not in the order this program writes")


def _listed(content: bytes) -> dict[str, str]:
    """Names and digests of a manifest. Raises _Unsound."""
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as exc:
        raise _Unsound("it is not UTF-8 text") from exc
    if not text.endswith("\n"):
        raise _Unsound("it does not end with a line feed")
    listed: dict[str, str] = {}
    for at, line in enumerate(text[:-1].split("\n"), start=1):
        match = _MANIFEST_LINE.fullmatch(line)
        if match is None:
            raise _Unsound(f"line {at} is not a SHA-256, two spaces and a name")
        digest, name = match.groups()
        parts = PurePosixPath(name).parts
        inside = not name.startswith("/") and ".." not in parts and "\\" not in name and ":" not in name
        if not inside or "/".join(parts) != name or name in listed:
            raise _Unsound(f"line {at} names {name!r}, which is no plain name inside the recording")
        listed[name] = digest
    return listed


def info_labels(content: bytes) -> dict[str, str] | None:
    """Labels and values of a bag-info.txt in their order; None where it is not as this program writes it."""
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError:
        return None
    labels: dict[str, str] = {}
    for line in text.split("\n")[:-1]:
        match = _INFO_LINE.fullmatch(line)
        if match is None or match[1] in labels or " ".join(match[2].split()) != match[2]:
            return None
        labels[match[1]] = match[2]
    return labels if text.endswith("\n") else None


def _odd_info(bag: Path, oxum: str | None) -> str | None:
    """What is wrong with bag-info.txt, as far as the files beside it tell."""
    try:
        labels = info_labels(_read(bag / BAG_INFO))
    except _Unsound as exc:
        return str(exc)
    if labels is None:
        return "it is not lines of a label, a colon, a space and a value"
    stated = labels.get("Payload-Oxum")
    if list(labels)[-1:] != ["Payload-Oxum"] or (oxum is not None and stated != oxum):
        return f"its last line is not the Payload-Oxum {oxum} of the files in data/"
    return None


def _read(path: Path) -> bytes:
    """A tag file's content. Raises _Unsound."""
    try:
        if path.is_symlink():
            raise _Unsound("it is a link, which may lead outside the recording")
        with path.open("rb") as file:
            # No more than is there: asking for much reserves it.
            content = file.read(min(_LARGEST_MANIFEST_BYTES, os.fstat(file.fileno()).st_size) + 1)
    except OSError as exc:
        raise _Unsound(f"it cannot be read ({exc.strerror or exc})") from exc
    if len(content) > _LARGEST_MANIFEST_BYTES:
        raise _Unsound(f"it is longer than {_LARGEST_MANIFEST_BYTES} bytes")
    return content


def damaged(path: Path, because: str) -> DamagedRecording:
    """The error for one file of a bag that is not as it was written."""
    return DamagedRecording(
        f"{path} is not as it was written: {because}.",
        "A reading counts only if it is shown to be unchanged.",
        "Fetch the recording from a copy whose manifest fits its files.",
    )
