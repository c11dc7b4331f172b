"""``twonode archive verify``: that recordings are unchanged, shown file by file.

Owns its options, the progress and what is said of the verdicts.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from twonode.console.exits import Exit
from twonode.console.options import common_options, default_archive, existing_archive_option

if TYPE_CHECKING:
    from twonode.recordings.unfinished import Unfinished
    from twonode.recordings.verify import Verdict

__all__ = ["verdict_lines", "verify"]

_SHOW_AFTER_S = 2.0
_LONGEST_LINE = 400


@click.command(epilog="Exit status: 0 all are sound, 2 one cannot be read by this program, 4 one is damaged.")
@click.argument("recordings", nargs=-1, metavar="[RECORDING]...")
@click.option(
    "--checksums", is_flag=True, help="Only the bytes of every file, not what they say: several times faster."
)
@click.option("--processes", type=click.IntRange(1), help="Work in so many processes.  [default: one a core]")
@click.option("--quiet", is_flag=True, help="Say nothing of sound recordings; no progress.")
@click.option("--schema", is_flag=True, help="Print the JSON Schema of recording.json and end.")
@existing_archive_option
@common_options
def verify(
    recordings: tuple[str, ...],
    checksums: bool,
    processes: int | None,
    quiet: bool,
    schema: bool,
    archive: Path | None,
    as_json: bool,
    debug: bool,
) -> int:
    """Show that recordings are unchanged, and that what they say fits together; without a name, the whole archive.

    Every byte of every file is compared with the checksums that were written when the recording was closed; then
    recording.json with its schema, the times and ratios of points.csv, and each ratio with the raw codes it came from,
    from which it is worked out again. A file that differs, is missing or was put in is named. Nothing is changed.

    \b
    Examples:
      twonode archive verify
      twonode archive verify 2031-04-09T18-20
    Without this program, in the recording's folder:
      sha256sum -c manifest-sha256.txt tagmanifest-sha256.txt
    """
    del debug
    if schema:
        from twonode.recordings.schema import schema_text

        print(schema_text(), end="")
        return Exit.DONE
    from twonode.recordings import find_unfinished
    from twonode.recordings.lookup import named_folder
    from twonode.recordings.verify import Depth, recordings_in, verify_many

    place = archive or default_archive()
    folders = tuple(dict.fromkeys(named_folder(text, place) for text in recordings)) or recordings_in(place)
    unfinished = () if recordings else find_unfinished(place)
    started_s = time.monotonic()
    verdicts = []
    with _progress(len(folders), quiet=quiet or as_json) as advance:
        for verdict in verify_many(
            folders, depth=Depth.CHECKSUMS if checksums else Depth.EVERYTHING, processes=processes
        ):
            verdicts.append(verdict)
            advance()
    verdicts.sort(key=lambda each: str(each.folder))
    spent_s = time.monotonic() - started_s
    code = _exit_of(verdicts)
    if as_json:
        print(json.dumps(_document(verdicts, unfinished, code, checksums=checksums, spent_s=spent_s)))
        return code
    for line in verdict_lines(verdicts, unfinished, checksums=checksums, quiet=quiet):
        click.echo(line)
    return code


def _exit_of(verdicts: Sequence[Verdict]) -> Exit:
    from twonode.recordings.verify import VerifiedState

    states = {verdict.state for verdict in verdicts}
    if states & {VerifiedState.DAMAGED, VerifiedState.CUT_OFF}:
        return Exit.DAMAGED
    return Exit.DONE if states <= {VerifiedState.SOUND} else Exit.USAGE


def verdict_lines(
    verdicts: Sequence[Verdict], unfinished: Sequence[Unfinished], *, checksums: bool, quiet: bool
) -> Iterator[str]:
    """What is said of verdicts, file by file, and of what was never closed."""
    from twonode.console.archive_words import one_line
    from twonode.recordings.verify import VerifiedState

    for verdict in verdicts:
        if verdict.state is VerifiedState.SOUND:
            if len(verdicts) == 1 and not quiet:
                yield f"{verdict.name}: sound."
            continue
        yield f"{verdict.name}: {verdict.state.value.upper()}"
        for problem in verdict.problems:
            yield "  " + one_line(f"{_path(verdict, problem.name)}: {problem.because}.", _LONGEST_LINE)
        if verdict.advice:
            yield f"  {verdict.advice}"
    for left in unfinished:
        state = "is being written now" if left.in_use else "`twonode archive recover` closes it"
        yield f"{left.folder.name}: never closed, {left.points} points; {state}."
    if quiet and all(verdict.state is VerifiedState.SOUND for verdict in verdicts):
        return
    counts = [(state, sum(v.state is state for v in verdicts)) for state in VerifiedState]
    said = ", ".join(f"{count} {state.value}" for state, count in counts if count) or "none"
    octets = sum(verdict.octets for verdict in verdicts)
    yield (
        f"{len(verdicts)} recording{'' if len(verdicts) == 1 else 's'}, {octets / 1e6:.1f} MB: {said}. "
        + (
            "Only checksums were compared."
            if checksums
            else f"{sum(verdict.ratios for verdict in verdicts)} ratios worked out again from the raw codes."
        )
    )
    otherwise = sum(verdict.read_otherwise for verdict in verdicts)
    if otherwise:
        yield (
            f"{otherwise} of them come out otherwise: they were filed by another program's way of reading, which is no "
            "damage. Estimates go by today's."
        )


def _path(verdict: Verdict, name: str) -> Path:
    return verdict.folder if name == "." else verdict.folder / name


def _document(
    verdicts: Sequence[Verdict],
    unfinished: Sequence[Unfinished],
    code: Exit,
    *,
    checksums: bool,
    spent_s: float,
) -> dict[str, Any]:
    from twonode.recordings.verify import VerifiedState

    document: dict[str, Any] = {
        "format": 1,
        "depth": "checksums" if checksums else "everything",
        "recordings": [
            {
                "recording": _text(verdict.folder),
                "state": verdict.state.value,
                "kind": verdict.kind,
                "rows": verdict.rows,
                "ratios": verdict.ratios,
                "ratios_read_otherwise": verdict.read_otherwise,
                "bytes": verdict.octets,
                "problems": [
                    {"file": _text(each.name), "because": _text(each.because)} for each in verdict.problems
                ],
            }
            for verdict in verdicts
        ],
        "summary": {state.value: sum(v.state is state for v in verdicts) for state in VerifiedState},
        "unfinished": [
            {"folder": _text(each.folder), "rows": each.points, "in_use": each.in_use} for each in unfinished
        ],
        "seconds": spent_s,
    }
    wrong = [verdict for verdict in verdicts if verdict.state is not VerifiedState.SOUND]
    if code is not Exit.DONE:
        worst = next((v for v in wrong if v.state is VerifiedState.DAMAGED), wrong[0])
        first = worst.problems[0]
        document["error"] = {
            "what": _text(f"{_path(worst, first.name)}: {first.because}."),
            "why": "A reading counts only if it is shown to be unchanged.",
            "do": worst.advice or "Fetch the recording from a copy.",
        }
    return document


def _text(value: object) -> str:
    """As JSON can hold it, whatever bytes a foreign file's name is made of."""
    return str(value).encode("utf-8", "backslashreplace").decode("utf-8")


@contextmanager
def _progress(total: int, *, quiet: bool) -> Iterator[Any]:
    """What to call for each recording that is done; a bar on standard error where it takes over two seconds."""
    if quiet or not sys.stderr.isatty():
        yield lambda: None
        return
    from rich.console import Console
    from rich.progress import Progress

    started_s = time.monotonic()
    done = 0
    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(f"{total} recordings", total=total, visible=False)

        def advance() -> None:
            nonlocal done
            done += 1
            bar.update(task, completed=done, visible=time.monotonic() - started_s > _SHOW_AFTER_S)

        yield advance
