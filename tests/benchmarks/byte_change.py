"""Any single byte changed in any file of a recording is found: every place of every file of a published example.

On disk, each place takes one value drawn from a seed, and `verify_recording` compares checksums. In the files around
the data, which no checksum of another file guards as a whole, each place also takes all 255 other values. Beside it
the bagit library's own validation over the same tag files, with the value of the first pass.
"""

from __future__ import annotations

import logging
import random
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import bagit

from tests.benchmarks.table import Row
from twonode.recordings import add_result, schema
from twonode.recordings.verify import Depth, VerifiedState, verify_recording

EXAMPLE = Path(schema.__file__).parent / "examples" / "format-1-sweep"
SEED = 46


def _files(folder: Path) -> dict[str, bytes]:
    paths = (path for path in sorted(folder.rglob("*")) if path.is_file())
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in paths}


def _changes(folder: Path, name: str, content: bytes, values: list[list[int]]) -> Iterator[None]:
    """The file with one byte changed after the other; as it was afterwards."""
    path = folder / name
    with path.open("r+b", buffering=0) as file:
        for place, others in enumerate(values):
            for value in others:
                file.seek(place)
                file.write(bytes([content[place] ^ value]))
                yield
            file.seek(place)
            file.write(content[place : place + 1])


def _is_found(folder: Path) -> bool:
    return verify_recording(folder, depth=Depth.CHECKSUMS).state is VerifiedState.DAMAGED


def _bagit_finds(folder: Path) -> bool:
    try:
        bagit.Bag(str(folder)).validate()
    except (bagit.BagError, OSError, ValueError, LookupError):
        return True
    return False


def run(*, quick: bool = False) -> list[Row]:
    """Rows for the two passes and the library."""
    logging.getLogger("bagit").setLevel(logging.CRITICAL)
    chance = random.Random(SEED)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / EXAMPLE.name
        shutil.copytree(EXAMPLE, folder)
        add_result(folder, "estimate_C7", {"capacitance": {"value": 2.2e-8, "unit": "F"}})
        assert not _is_found(folder)
        files = _files(folder)
        step = 16 if quick else 1
        tried = found = 0
        for name, content in files.items():
            once = [[chance.randrange(1, 256)] if at % step == 0 else [] for at in range(len(content))]
            for _ in _changes(folder, name, content, once):
                tried, found = tried + 1, found + _is_found(folder)
        tags = {name: content for name, content in files.items() if not name.startswith("data/")}
        tried_all = found_all = missed = asked = 0
        for name, content in tags.items():
            every = [
                list(range(1, 256)) if at % (step * 4) == 0 or not quick else [] for at in range(len(content))
            ]
            for _ in _changes(folder, name, content, every):
                tried_all, found_all = tried_all + 1, found_all + _is_found(folder)
            once = [[chance.randrange(1, 256)] if at % step == 0 else [] for at in range(len(content))]
            for _ in _changes(folder, name, content, once):
                asked, missed = asked + 1, missed + (not _bagit_finds(folder))
        assert _files(folder) == files
        assert not _is_found(folder)
    return [
        Row(
            figure=f"one byte changed, every {'16th ' if quick else ''}place of all {len(files)} files: found",
            target="all",
            measured=f"{found} of {tried}",
            met=found == tried,
        ),
        Row(
            figure=f"all 255 other values in the {len(tags)} files around the data: found",
            target="all",
            measured=f"{found_all} of {tried_all}",
            met=found_all == tried_all,
        ),
        Row(
            figure="the bagit library over these files, one value a place: not found",
            target="-",
            measured=f"{missed} of {asked}",
            met=None,
        ),
    ]
