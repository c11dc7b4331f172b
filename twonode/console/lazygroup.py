"""Groups of commands that are listed without being imported.

Owns finding a command by its name and naming the nearest one for a slip of the finger.
"""

from __future__ import annotations

import difflib
import importlib
from collections.abc import Mapping
from typing import ClassVar

import click

__all__ = ["LazyGroup"]


class LazyGroup(click.Group):
    """A group whose commands are imported when they are run, not when they are listed.

    table : command name to module, attribute and one-line summary.
    """

    table: ClassVar[Mapping[str, tuple[str, str, str]]] = {}

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The names, in the order of the table."""
        return list(self.table)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command itself, imported now."""
        if cmd_name not in self.table:
            return None
        module, attribute, _ = self.table[cmd_name]
        found: click.Command = getattr(importlib.import_module(module), attribute)
        return found

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The list of commands on the help page."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, summary) for name, (_, _, summary) in self.table.items()])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The command that the first word names. Raises UsageError with the nearest name."""
        name = args[0]
        if name not in self.table and not name.startswith("-"):
            raise click.UsageError(f"There is no command {name!r}{self._nearest(name)}", ctx)
        return super().resolve_command(ctx, args)

    def _nearest(self, name: str) -> str:
        near = difflib.get_close_matches(name, self.table, n=1)
        return f"; did you mean {near[0]!r}?" if near else f"; there are {', '.join(self.table)}."
