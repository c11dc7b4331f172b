"""Where the files of ``twonode sheet`` go: checked before anything is worked out, and nothing replaced unasked.

Owns names and suffixes.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from twonode.analysis.sheet import Paper, RecordingSheet, TableSheet

__all__ = ["SUFFIXES", "check_target", "not_inside_a_recording", "write_sheets"]

SUFFIXES = (".pdf", ".png", ".html")


def check_target(target: Path | None, *, several: bool) -> None:
    """Refuse a place that no sheet can go to. Raises UsageError, ArchiveNotWritable."""
    # Unlike Path.is_dir, this one answers where a name is too long to be one.
    if target is None or os.path.isdir(target):
        not_inside_a_recording(Path.cwd() if target is None else target)
        return
    if target.suffix.lower() not in SUFFIXES:
        raise click.UsageError(f"--to {target}: a sheet ends in {', '.join(SUFFIXES[:-1])} or {SUFFIXES[-1]}")
    if several and target.suffix.lower() != ".pdf":
        raise click.UsageError(
            f"--to {target}: only a PDF holds several sheets; name a folder for a PDF each"
        )
    if not target.parent.is_dir():
        from twonode.recordings.errors import ArchiveNotWritable

        raise ArchiveNotWritable(
            f"There is no folder {target.parent} to write {target.name} into.",
            "The sheet was not made.",
            "Make the folder, or name another one with --to.",
        )
    not_inside_a_recording(target.parent)


def not_inside_a_recording(folder: Path) -> None:
    """A file of ours among a recording's own would make it a damaged one."""
    from twonode.recordings.bag import DECLARATION
    from twonode.recordings.errors import ArchiveNotWritable

    whole = folder.resolve()
    for place in (whole, *whole.parents):
        if (place / DECLARATION).is_file():
            raise ArchiveNotWritable(
                f"{folder} lies inside the recording {place.name}.",
                "A file added there would make the recording differ from its manifests.",
                "Name another place with --to.",
            )


def write_sheets(
    made: Sequence[tuple[str, RecordingSheet | TableSheet]], target: Path | None, paper: Paper
) -> tuple[list[Path], int]:
    """Write sheets, each with the name it has by default; returns the files and the number of pages.

    Raises ArchiveNotWritable.
    """
    from twonode.analysis.sheet.output import draw_pages, pages_pdf

    if target is not None and not os.path.isdir(target):
        suffix = target.suffix.lower()
        sheets = [sheet for _, sheet in made]
        if suffix == ".pdf":
            pages = draw_pages(sheets, paper)
            content = pages_pdf(pages, title=sheets[0].title, made=max(each.made for each in sheets))
            return [_replaced(target, content)], len(pages)
        if suffix == ".html":
            from twonode.recordings.sheet_html import sheet_html

            return [_replaced(target, sheet_html(sheets[0], paper))], 1
        return _pictures(target, sheets[0], paper)
    folder = Path() if target is None else target
    written, count = [], 0
    for name, sheet in made:
        pages = draw_pages([sheet], paper)
        written.append(_new(folder, name, pages_pdf(pages, title=sheet.title, made=sheet.made)))
        count += len(pages)
    return written, count


def _pictures(target: Path, sheet: RecordingSheet | TableSheet, paper: Paper) -> tuple[list[Path], int]:
    """One PNG a page: NAME.png, NAME_2.png ..."""
    from twonode.analysis.sheet import sheet_png

    pictures = sheet_png(sheet, paper)
    written = []
    for number, content in enumerate(pictures, start=1):
        path = target if number == 1 else target.with_name(f"{target.stem}_{number}{target.suffix}")
        written.append(_replaced(path, content))
    return written, len(pictures)


def _replaced(path: Path, content: bytes) -> Path:
    from twonode.recordings.disk import write_whole

    try:
        write_whole(path, content)
    except OSError as exc:
        raise _unwritable(path, exc) from exc
    return path


def _new(folder: Path, name: str, content: bytes) -> Path:
    """The first of NAME.pdf, NAME_2.pdf ... that is not taken."""
    from twonode.recordings.disk import place_new
    from twonode.recordings.naming import candidate_names

    for candidate in candidate_names(name):
        path = folder / f"{candidate}.pdf"
        try:
            place_new(path, content)
        except FileExistsError:
            continue
        except OSError as exc:
            raise _unwritable(path, exc) from exc
        return path
    raise _unwritable(folder / f"{name}.pdf", FileExistsError("every name is taken"))


def _unwritable(path: Path, exc: OSError) -> Exception:
    from twonode.recordings.errors import ArchiveNotWritable

    return ArchiveNotWritable(
        f"{path} cannot be written ({exc.strerror or exc}).",
        "The sheet was not made; the recording is as it was.",
        "Name another place with --to.",
    )
