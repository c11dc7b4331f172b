"""Writing recordings of readings that others took, the files they came from kept inside.

Owns where those files lie in a recording: data/source.csv, or data/source_0001.csv and so on where there are several.
They are payload like everything in data/, so the manifest lists them.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from pathlib import Path

from twonode.recordings.disk import sha256_of, sync_file
from twonode.recordings.errors import UnfitImport
from twonode.recordings.life import FolderWriter
from twonode.recordings.model import Header, RecordingKind, TableRow
from twonode.recordings.points import columns_line, encode_row
from twonode.recordings.writer import RecordingWriter, assemble

__all__ = ["IMPORTED_NOTE", "ImportedSweepWriter", "ImportedTableWriter", "SourceFile", "source_names"]

IMPORTED_NOTE = "Imported, not measured by this program."
"""The first note of such a recording, for whoever reads recording.json alone."""


class SourceFile:
    """A file that readings were taken from. sha256 : of what was read, which is what is kept."""

    __slots__ = ("path", "sha256")

    def __init__(self, path: Path, sha256: str) -> None:
        self.path = path
        self.sha256 = sha256


def source_names(count: int) -> tuple[str, ...]:
    """Names in the recording of so many source files."""
    if count == 1:
        return ("data/source.csv",)
    return tuple(f"data/source_{number:04d}.csv" for number in range(1, count + 1))


def _keep(folder: Path, sources: Sequence[SourceFile]) -> None:
    """Copy the files into a recording's folder. Raises OSError, UnfitImport where one has changed meanwhile."""
    for source, name in zip(sources, source_names(len(sources)), strict=True):
        target = folder / name
        with source.path.open("rb") as given, target.open("wb") as kept:
            shutil.copyfileobj(given, kept)
            sync_file(kept)
        if sha256_of(target) != source.sha256:
            raise UnfitImport(
                f"{source.path} changed while it was being read.",
                "What is kept must be what the readings were taken from.",
                "Import it again once nothing writes to it.",
            )


class ImportedSweepWriter(RecordingWriter):
    """Writes imported traces as the ordinary sweep they are; use it like `RecordingWriter`."""

    def __init__(
        self, archive: str | os.PathLike[str], header: Header, sources: Sequence[SourceFile]
    ) -> None:
        super().__init__(archive, header)
        self._sources = sources

    def _make_places(self) -> None:
        super()._make_places()
        _keep(self._folder, self._sources)


class ImportedTableWriter(FolderWriter[Header]):
    """Writes an imported table of points; use it in a ``with`` block, see `FolderWriter`."""

    def __init__(
        self, archive: str | os.PathLike[str], header: Header, sources: Sequence[SourceFile]
    ) -> None:
        super().__init__(
            archive,
            header,
            table="points.csv",
            columns=columns_line(RecordingKind.POINTS),
            about=header.part,
        )
        self._sources = sources

    def add_row(self, row: TableRow) -> None:
        """Store one row; on return it is on the medium. Raises ArchiveNotWritable, UnfitRecord."""
        self._append(encode_row(row))

    def _make_places(self) -> None:
        _keep(self._folder, self._sources)

    def _seal(self) -> Path:
        return assemble(self._folder, self._header, range(0))
