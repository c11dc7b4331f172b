"""How a command ends: the exit code of every error, and its words on the screen.

Owns the one table of exit codes and the two forms of an error, three lines of text or one JSON object. Imports no
room: an error that was raised has loaded its own module already, so the table names classes by their path.
"""

from __future__ import annotations

import json
import sys
import traceback
from enum import IntEnum

import click

from twonode.errors import TwonodeError

__all__ = ["EXIT_CODES", "Exit", "exit_code", "report_error", "report_interrupt", "report_usage"]


class Exit(IntEnum):
    """Exit status of the command line."""

    DONE = 0
    NOT_PASSED = 1  # with --check: the measurement was done and the part did not pass
    USAGE = 2
    INSTRUMENT = 3
    DAMAGED = 4
    MISTAKE = 70  # a mistake in this program (EX_SOFTWARE of sysexits.h)
    INTERRUPTED = 130


# The nearest class going up an error's family decides.
EXIT_CODES: dict[str, Exit] = {
    "twonode.errors.TwonodeError": Exit.USAGE,
    "twonode.analysis.errors.AnalysisError": Exit.USAGE,
    "twonode.acquire.errors.AcquireError": Exit.INSTRUMENT,
    "twonode.acquire.errors.UnfitRequest": Exit.USAGE,
    "twonode.drivers.errors.BenchError": Exit.INSTRUMENT,
    "twonode.drivers.errors.ProfileError": Exit.USAGE,
    "twonode.recordings.errors.RecordingError": Exit.USAGE,
    "twonode.recordings.errors.DamagedRecording": Exit.DAMAGED,
}


def exit_code(error: BaseException) -> Exit:
    """The exit code of an error, by its nearest class in the table."""
    if isinstance(error, KeyboardInterrupt):
        return Exit.INTERRUPTED
    for kind in type(error).__mro__:
        code = EXIT_CODES.get(f"{kind.__module__}.{kind.__qualname__}")
        if code is not None:
            return code
    return Exit.USAGE if isinstance(error, click.ClickException) else Exit.MISTAKE


def report_error(error: Exception, *, as_json: bool, debug: bool) -> Exit:
    """Print an error and what was noted on its way; returns the exit code.

    as_json : one object on standard output instead of three lines on standard error.
    debug : the traceback goes to standard error first.
    """
    code = exit_code(error)
    if debug:
        traceback.print_exception(error, file=sys.stderr)
    if isinstance(error, TwonodeError):
        _print(error.what, error.why, error.do, as_json=as_json)
    else:
        _print(
            f"Something went wrong inside twonode: {type(error).__name__}: {error}",
            "This is a mistake in the program, not in what you did; what was measured before it is kept.",
            "Run the command again with --debug and report what it prints.",
            as_json=as_json,
        )
    for note in getattr(error, "__notes__", ()):
        print(note, file=sys.stderr)
    return code


def report_usage(error: click.ClickException, *, as_json: bool, debug: bool) -> Exit:
    """Print what click found wrong with the command itself."""
    if debug:
        traceback.print_exception(error, file=sys.stderr)
    context = getattr(error, "ctx", None)
    path = context.command_path if context is not None else "twonode"
    what = error.format_message()
    _print(
        what if what.endswith((".", "?")) else f"{what}.",
        "Nothing was done.",
        f"`{path} --help` shows the options with an example.",
        as_json=as_json,
    )
    return Exit.USAGE


def report_interrupt(error: BaseException) -> Exit:
    """Say that the command was interrupted, and what was noted on the way out."""
    print(f"Interrupted{_reason(error)}.", file=sys.stderr)
    for note in getattr(error, "__notes__", ()):
        print(note, file=sys.stderr)
    return Exit.INTERRUPTED


def _reason(error: BaseException) -> str:
    reason = getattr(error, "reason", None)
    return f" ({reason})" if reason and reason != "SIGINT" else ""


def _print(what: str, why: str, do: str, *, as_json: bool) -> None:
    if as_json:
        error = {"what": what, "why": why, "do": do}
        print(json.dumps({"format": 1, "error": error}))
    else:
        print(f"{what}\n{why}\n{do}", file=sys.stderr)
