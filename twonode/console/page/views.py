"""Which views there are, without importing them.

Owns the table. A view's module is imported when somebody first goes there.
"""

from __future__ import annotations

import importlib
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from twonode.console.page.context import PageContext

__all__ = ["VIEWS", "View"]

_HERE = "twonode.console.page"


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """One address of the page.

    title : its heading. short : its word in the navigation; None keeps it out.
    """

    path: str
    title: str
    module: str
    short: str | None = None
    attribute: str = "build"

    def builder(self) -> Callable[[PageContext], Awaitable[None] | None]:
        """What fills the view, imported now. Raises ImportError."""
        found: Callable[[PageContext], Awaitable[None] | None] = getattr(
            importlib.import_module(f"{_HERE}.{self.module}"), self.attribute
        )
        return found


VIEWS: tuple[View, ...] = (
    View(path="/", title="What do you want to know?", module="choose", short="Start"),
    View(path="/look", title="Look something up", module="choose", attribute="build_look"),
    View(path="/stage", title="Judge a suspect in its stage", module="hookup_view"),
    View(path="/loose", title="The value of a loose part", module="loose_view"),
    View(path="/continue", title="Go on with an interrupted sweep", module="continue_view"),
    View(path="/null", title="The null run", module="null_view"),
    View(path="/sweep", title="The sweep", module="sweep_view", short="Sweep"),
    View(path="/finding", title="The finding", module="finding_view"),
    View(path="/drawer", title="Unmarked parts from the drawer", module="drawer_view"),
    View(path="/dc", title="DC check", module="dc_view"),
    View(path="/archive", title="The archive", module="archive_view", short="Archive"),
    View(path="/explain", title="Where each frequency goes", module="explain_view", short="Explain"),
    View(path="/marking", title="Read a part's marking", module="marking_view", short="Marking"),
    View(path="/replace", title="What may go in instead", module="replace_view", short="Replace"),
    View(path="/settings", title="How this page speaks and looks", module="settings_view", short="Settings"),
)
