"""What a killed run left: finding it, and closing it with every point or DC reading that was reported.

Owns judging an unfinished folder. Continuing a run is left to whoever measures.
"""

from __future__ import annotations

import os
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import msgspec

from twonode.recordings.bag import damaged
from twonode.recordings.csvtable import read_table, whole_lines
from twonode.recordings.dc import READINGS, DcRecording, assemble_dc
from twonode.recordings.dcmodel import DcRow, decode_dc_header, encode_dc_header
from twonode.recordings.disk import FileLock, is_held, write_whole
from twonode.recordings.errors import NotARecording, RecordingError, RecordingInUse, not_changed
from twonode.recordings.model import Ended, PointRow, RecordingKind, decode_header, encode_header
from twonode.recordings.naming import UNFINISHED, lock_path
from twonode.recordings.points import row_type
from twonode.recordings.tracefile import array_name, check_members, decode_point
from twonode.recordings.writer import assemble

__all__ = ["Unfinished", "close_unfinished", "find_unfinished"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Unfinished:
    """A folder that was never closed.

    points : points or DC readings that were reported. in_use : a program is writing it right now.
    """

    folder: Path
    points: int
    in_use: bool


def find_unfinished(archive: str | os.PathLike[str]) -> tuple[Unfinished, ...]:
    """The unfinished folders of an archive, sorted by name; empty where there is no archive yet."""
    place = Path(archive)
    if not place.is_dir():
        return ()
    folders = sorted(each for each in place.iterdir() if each.is_dir() and each.name.endswith(UNFINISHED))
    return tuple(
        Unfinished(folder=folder, points=_count(folder), in_use=is_held(lock_path(folder)))
        for folder in folders
    )


def _count(folder: Path) -> int:
    table = READINGS if _holds_dc(folder) else "points.csv"
    try:
        content = (folder / "data" / table).read_bytes()
    except OSError:
        return 0
    return max(0, whole_lines(content).count(b"\n") - 1)


def _holds_dc(folder: Path) -> bool:
    return (folder / "data" / READINGS).is_file()


def close_unfinished(path: str | os.PathLike[str]) -> Path | None:
    """Close what a killed run left; ``ended`` becomes "recovered" unless the run had said how it ended.

    A last row that was cut off, and codes whose row was never written, are dropped: neither was reported.

    Returns the closed folder, or None where nothing had been reported and the folder is removed.

    Raises RecordingInUse, NotARecording, DamagedRecording, ArchiveNotWritable.
    """
    folder = Path(path)
    _must_be_unfinished(folder)
    try:
        lock = FileLock(lock_path(folder))
    except BlockingIOError as exc:
        raise RecordingInUse(
            f"{folder} is being written by another program.",
            "Closing it now would cut that run short.",
            "Wait until the run is over, or stop it first.",
        ) from exc
    except OSError as exc:
        raise _not_closed(folder, exc) from exc
    try:
        # Another program may have closed it between our look and our lock.
        try:
            _must_be_unfinished(folder)
        except NotARecording:
            lock.remove()
            raise
        closed = _close_dc(folder) if _holds_dc(folder) else _close_sweep(folder)
        if closed is None:
            shutil.rmtree(folder)
        lock.remove()
    except OSError as exc:
        raise _not_closed(folder, exc) from exc
    finally:
        lock.release()
    return closed


def _not_closed(folder: Path, exc: OSError) -> RecordingError:
    return not_changed(
        f"{folder} was not closed", exc, kept="What had been reported is kept in it, as before."
    )


def _must_be_unfinished(folder: Path) -> None:
    if not folder.name.endswith(UNFINISHED) or not folder.is_dir():
        raise NotARecording(
            f"{folder} is no unfinished recording.",
            f"Only a folder that ends in {UNFINISHED} can be closed.",
            "Name the unfinished folder.",
        )


def _close_sweep(folder: Path) -> Path | None:
    """Bring a sweep in order and close it; None where nothing was ever reported."""
    if _count(folder) == 0:
        return None
    table = folder / "data" / "points.csv"
    path = folder / "data" / "recording.json"
    header = decode_header(path.read_bytes(), where=str(path))
    rows, kept = _reported(table, row_type(header.kind))
    if header.kind is not RecordingKind.POINTS:
        _check_codes(folder, rows)
    if kept is not None:
        write_whole(table, kept)
    if header.ended is None:
        header = msgspec.structs.replace(header, ended=Ended.RECOVERED)
        write_whole(path, encode_header(header))
    return assemble(folder, header, range(1, len(rows) + 1))


def _close_dc(folder: Path) -> Path | None:
    """Bring DC readings in order and close them; None where nothing was ever reported."""
    table = folder / "data" / READINGS
    rows, kept = _reported(table, DcRow)
    if not rows:
        return None
    path = folder / "data" / "recording.json"
    header = decode_dc_header(path.read_bytes(), where=str(path))
    DcRecording(folder=folder, header=header, readings=rows).check()
    if kept is not None:
        write_whole(table, kept)
    if header.ended is None:
        header = msgspec.structs.replace(header, ended=Ended.RECOVERED)
        write_whole(path, encode_dc_header(header))
    return assemble_dc(folder, header)


Row = TypeVar("Row", bound=msgspec.Struct)


def _reported(table: Path, kind: type[Row]) -> tuple[tuple[Row, ...], bytes | None]:
    """The whole rows of a table, and its content without a last row that was cut off, where one was."""
    content = table.read_bytes() if table.exists() else b""
    kept = whole_lines(content)
    rows = read_table(kept, kind, where=str(table)) if kept else ()
    return rows, None if kept == content else kept


def _check_codes(folder: Path, rows: tuple[PointRow, ...]) -> None:
    if not (folder / "points").is_dir():
        check_members(folder / "data" / "traces.npz", {row.point: row.codes_per_channel for row in rows})
        return
    for row in rows:
        source = folder / "points" / f"{array_name(row.point)}.npy"
        if not source.is_file():
            raise damaged(source, "the codes of a reported point are missing")
        decode_point(source.read_bytes(), where=str(source))
