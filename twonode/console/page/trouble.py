"""An error as the page shows it: in the words of the command line, with what was noted on its way.

Owns the translation; the words are those of `exits`.
"""

from __future__ import annotations

from dataclasses import dataclass

import click

from twonode.errors import TwonodeError

__all__ = ["Trouble", "trouble_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trouble:
    """What happened, why it matters, what to do; notes : where points are kept, and the like."""

    what: str
    why: str = ""
    do: str = ""
    notes: tuple[str, ...] = ()


def trouble_of(error: BaseException) -> Trouble:
    """What to say of an error."""
    notes = tuple(getattr(error, "__notes__", ()))
    if isinstance(error, TwonodeError):
        return Trouble(what=error.what, why=error.why, do=error.do, notes=notes)
    if isinstance(error, click.ClickException):
        what = error.format_message()
        return Trouble(what=what if what.endswith((".", "?", "!")) else f"{what}.", notes=notes)
    if isinstance(error, KeyboardInterrupt):
        reason = getattr(error, "reason", None)
        return Trouble(what=f"Stopped{f' ({reason})' if reason else ''}.", notes=notes)
    return Trouble(
        what=f"Something went wrong inside twonode: {type(error).__name__}: {error}",
        why="This is a mistake in the program, not in what you did; what was measured before it is kept.",
        do="Run `twonode page --debug` and report what it prints.",
        notes=notes,
    )
