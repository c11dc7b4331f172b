"""Headers of SCPI commands: from a pattern in the manuals' notation to every legal spelling.

Owns `Command` and the table an instrument looks headers up in. Short and long forms, optional nodes and numeric
suffixes are spelled out once, so that a look-up is one step.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from twonode.drivers.simulated.scpi_values import Call, spellings

__all__ = ["Command", "Handler", "Reply", "command_table"]

_PATTERN_NODE = re.compile(r"\[:?([*\w]+[#@]?)\]:?|:?([*\w]+[#@]?)")

Reply = str | bytes | None
Handler = Callable[[Any, Call], Reply]


@dataclass(frozen=True, slots=True)
class Command:
    """One entry of an instrument's command table.

    pattern : like "[SOURce#]:VOLTage[:LEVel]"; # is a numeric suffix, @ one that must be there.
    do, ask : handlers of the command and of the query; None where there is none.
    takes, asks : fewest and most parameters of the command, and of the query.
    highest : largest numeric suffix.
    """

    pattern: str
    do: Handler | None = None
    ask: Handler | None = None
    takes: tuple[int, int] = (1, 1)
    asks: tuple[int, int] = (0, 0)
    highest: int = 1

    @property
    def long_form(self) -> str:
        """The whole header in upper case, with the suffix mark."""
        return ":".join(name for _, name in _nodes(self.pattern)).upper().replace("@", "#")


def _nodes(pattern: str) -> Iterator[tuple[bool, str]]:
    """Nodes of a pattern: may it be left out, and its name."""
    for matched in _PATTERN_NODE.finditer(pattern):
        yield matched[1] is not None, matched[1] or matched[2]


def command_table(commands: Iterable[Command]) -> dict[str, Command]:
    """All legal headers, upper case, digits written as #, each with its command."""
    table = {}
    for command in commands:
        choices = []
        for optional, name in _nodes(command.pattern):
            forms: set[str] = set()
            for form in spellings(name):
                forms |= {form, form.rstrip("#")} if "#" in form else {form.replace("@", "#")}
            choices.append([*sorted(forms), *([""] if optional else [])])
        for chosen in itertools.product(*choices):
            table[":".join(node for node in chosen if node)] = command
    return table
