"""Every sweep of an archive worked out again by today's program, in parallel.

Owns the order, the progress and what is printed. A recording that cannot be read is named and does not stop the rest.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twonode.console.exits import Exit

if TYPE_CHECKING:
    from twonode.analysis.redone import Redone, Said

__all__ = ["estimate_all"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Answer:
    """Of one recording: what came out, or why nothing did.

    not_kept : why the new result could not be put beside it. damaged : its files are not as they were written.
    """

    name: str
    found: Redone | None = None
    not_kept: str | None = None
    trouble: str | None = None
    damaged: bool = False


def estimate_all(
    archive: Path, *, save: bool, picture: bool, as_json: bool, processes: int | None = None
) -> int:
    """Estimate every sweep of the archive again, and list what changed by more than its uncertainty.

    processes : at once; None is one for each processor.

    Returns the exit code: damaged where a recording was. Raises NotARecording where there is no sweep.
    """
    folders, of_batches = _sweeps(archive)
    if not folders:
        from twonode.recordings.errors import NotARecording

        raise NotARecording(
            f"There is no sweep in {archive}" + (", only parts of drawer batches." if of_batches else "."),
            "Nothing can be worked out again.",
            "Name the folder of the archive with --archive.",
        )
    answers = list(_answers(folders, save=save, picture=picture, processes=processes))
    if as_json:
        print(json.dumps(_document(archive, answers, of_batches=of_batches, save=save)))
    else:
        _print(answers, of_batches=of_batches, save=save)
    return Exit.DAMAGED if any(a.damaged for a in answers) else Exit.DONE


def _sweeps(archive: Path) -> tuple[tuple[Path, ...], int]:
    """The folders to work on, and how many belong to a batch of loose parts.

    Those are left alone: the drawer takes the fixture out of several sweeps together, and one of them by itself would
    say less than what is filed.
    """
    from twonode.recordings import read_any_header
    from twonode.recordings.bag import DECLARATION
    from twonode.recordings.drawer_tags import BATCH_TAG
    from twonode.recordings.errors import RecordingError
    from twonode.recordings.naming import UNFINISHED

    found: list[Path] = []
    of_batches = 0
    for folder in sorted(archive.iterdir()) if archive.is_dir() else ():
        if folder.name.startswith(".") or folder.name.endswith(UNFINISHED):
            continue
        if not (folder / DECLARATION).is_file():
            continue
        try:
            header = read_any_header(folder)
        except RecordingError:
            # Working on it says what is wrong with it.
            found.append(folder)
            continue
        if header.kind.tells_of_a_part:
            if BATCH_TAG in header.tags:
                of_batches += 1
            else:
                found.append(folder)
    return tuple(found), of_batches


def _answers(
    folders: tuple[Path, ...], *, save: bool, picture: bool, processes: int | None
) -> Iterator[_Answer]:
    from rich.console import Console
    from rich.progress import Progress

    from twonode.recordings.verify import one_thread_each

    workers = min(processes or os.cpu_count() or 1, len(folders))
    jobs = [(folder, save, picture) for folder in folders]
    with Progress(console=Console(stderr=True), transient=True, disable=not sys.stderr.isatty()) as progress:
        task = progress.add_task(f"{len(folders)} recordings", total=len(folders))
        if workers == 1:
            for job in jobs:
                yield _one(job)
                progress.advance(task)
            return
        # Not forked: the display has a thread of its own, and a fork copies what it holds locked.
        with one_thread_each(), ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            for answer in pool.map(_one, jobs):
                yield answer
                progress.advance(task)


def _one(job: tuple[Path, bool, bool]) -> _Answer:
    from twonode.acquire import reestimate
    from twonode.analysis.redone import redone
    from twonode.console.filing import circumstances_of, keep
    from twonode.errors import TwonodeError
    from twonode.recordings.errors import ArchiveNotWritable, DamagedRecording

    folder, save, picture = job
    try:
        found = reestimate([folder])
        said = redone(folder.name, _last_said(folder, found.estimate.part), found.estimate)
    except TwonodeError as exc:
        return _Answer(name=folder.name, trouble=exc.what, damaged=isinstance(exc, DamagedRecording))
    if save:
        try:
            circumstances = circumstances_of(found.recordings, found.nulls)
            keep(found.estimate, circumstances, found.recordings, picture=picture)
        except (ArchiveNotWritable, OSError) as exc:
            return _Answer(name=folder.name, found=said, not_kept=str(exc).splitlines()[0])
    return _Answer(name=folder.name, found=said)


def _last_said(folder: Path, part: str) -> Said | None:
    """What the newest stored estimate of this part alone says; a joint one stands on other data."""
    from twonode.analysis.redone import said_in
    from twonode.recordings import read_results

    documents = [
        (result.path.stat().st_mtime_ns, result.path.name, result.document)
        for result in read_results(folder)
        if result.path.name.startswith("estimate")
        and result.document.get("part") == part
        and len(result.document.get("recordings") or ()) == 1
    ]
    return said_in(max(documents, key=lambda each: each[:2])[2]) if documents else None


def _document(archive: Path, answers: list[_Answer], *, of_batches: int, save: bool) -> dict[str, Any]:
    def said(each: Said | None) -> dict[str, Any] | None:
        if each is None:
            return None
        return {
            "value": each.value_farad,
            "standard_uncertainty": each.uncertainty_farad,
            "unit": "F",
            "finding": each.finding,
            "program": each.program,
        }

    return {
        "format": 1,
        "archive": str(archive),
        "of_drawer_batches": of_batches,
        "recordings": [
            {
                "recording": a.name,
                "part": a.found and a.found.part,
                "before": a.found and said(a.found.before),
                "after": a.found and said(a.found.after),
                "changed": None if a.found is None else a.found.changed,
                "kept": save and a.found is not None and a.not_kept is None,
                "trouble": a.trouble,
            }
            for a in answers
        ],
    }


def _print(answers: list[_Answer], *, of_batches: int, save: bool) -> None:
    done = [a.found for a in answers if a.found is not None]
    changed = [found for found in done if found.changed]
    new = sum(found.before is None for found in done)
    click.secho(
        f"{len(done)} of {len(answers)} worked out again: {len(changed)} changed by more than their uncertainty"
        + (f", {new} had no result before" if new else ""),
        bold=True,
    )
    for found in changed:
        click.echo(f"  {found.recording}: {found.part}")
        click.echo(f"    before: {found.before}" + (f" ({found.before.program})" if found.before else ""))
        click.echo(f"    now:    {found.after}")
    for answer in answers:
        if answer.trouble is not None:
            click.echo(f"  {answer.name}: {answer.trouble}", err=True)
    lost = [a.not_kept for a in answers if a.not_kept is not None]
    if lost:
        click.echo(f"  New results that could not be kept: {len(lost)}. {lost[0]}", err=True)
    if of_batches:
        click.echo(
            f"  Left alone: {of_batches} of drawer batches, where each part was worked out of several sweeps together."
        )
    if save and any(a.found is not None and a.not_kept is None for a in answers):
        sys.stdout.flush()
        click.echo("The new results lie beside the old ones; nothing was overwritten.")
