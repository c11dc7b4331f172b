"""Work that a keystroke asks for: only the newest is done, and only what is still wanted is shown.

Owns waiting for a pause in the typing and dropping answers that were overtaken.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

from nicegui import background_tasks

from twonode.console.page.context import PageContext

__all__ = ["Soon"]

PAUSE_S = 0.15
"""After the last keystroke."""
_FIRST_S = 1.0


class Soon:
    """One thing that is done again and again.

    work : called with a function that says whether its answer is still wanted.
    """

    def __init__(self, context: PageContext, work: Callable[[Callable[[], bool]], Awaitable[None]]) -> None:
        self._context = context
        self._work = work
        self._asked = 0

    def ask(self, *_: object, pause_s: float = PAUSE_S) -> None:
        """Do it after a pause, unless it is asked for again meanwhile."""
        self._asked += 1
        background_tasks.create(self._do(self._asked, pause_s))

    async def first(self) -> None:
        """Do it now; what takes long comes after the page is there."""
        self._asked += 1
        task = background_tasks.create(self._do(self._asked, 0.0))
        await asyncio.wait({task}, timeout=_FIRST_S)

    async def _do(self, asked: int, pause_s: float) -> None:
        def wanted() -> bool:
            return asked == self._asked and not self._context.client.is_deleted

        if pause_s:
            await asyncio.sleep(pause_s)
        if wanted():
            await self._work(wanted)
