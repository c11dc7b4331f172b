"""The one seat at the bench: which tab may act, while the others look on.

Owns who has it and when it is free again. A tab is known by its own name, which outlives a reload. It has gone when
its connection is lost and no page is on its way to a browser: a page that is loaded again is asked for before the old
one lets go of its connection, which a browser that was killed, or a tab that was closed, never does. Knows no browser:
whoever does reports pages, arrivals and departures.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from twonode.errors import TwonodeError

__all__ = ["GONE_S", "LOADING_S", "NotYourBench", "Seat"]

GONE_S = 1.0
"""How long a tab whose connection is lost keeps the seat when no page is on its way."""
LOADING_S = 6.0
"""How long a page may take from being asked for to its connection, on a slow computer."""


class NotYourBench(TwonodeError):
    """Another tab has the bench."""


class Seat:
    """Who may act on the bench.

    clock : seconds, for tests.
    """

    def __init__(self, *, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._there: dict[str, int] = {}
        self._loading: dict[object, float] = {}
        self._away_since: float | None = None
        self.holder: str | None = None
        self.on_change: list[Callable[[], None]] = []

    def expect(self, visit: object) -> None:
        """A page was asked for, and will connect under this name of its visit."""
        now = self._clock()
        # One that never connects was a look at the address without a browser.
        self._loading = {each: at for each, at in self._loading.items() if now - at <= LOADING_S}
        self._loading[visit] = now

    def arrive(self, tab: str, visit: object = None) -> None:
        """A connection of a tab is there; a free seat is taken by it."""
        self._loading.pop(visit, None)
        self._there[tab] = self._there.get(tab, 0) + 1
        if self.holder is None:
            self.holder = tab
            self._changed()
        elif self.holder == tab:
            self._away_since = None

    def depart(self, tab: str) -> None:
        """A connection of a tab has gone."""
        left = self._there.get(tab, 0) - 1
        if left > 0:
            self._there[tab] = left
            return
        self._there.pop(tab, None)
        if tab == self.holder:
            self._away_since = self._clock()

    def take(self, tab: str) -> bool:
        """Take a free seat; whether this tab has it now."""
        if self.holder is None:
            self.holder = tab
            self._changed()
        return self.holder == tab

    def mine(self, tab: str | None) -> bool:
        """Whether this tab has the seat."""
        return tab is not None and tab == self.holder

    def require(self, tab: str | None) -> None:
        """Raises NotYourBench for a tab that only looks on."""
        if self.mine(tab):
            return
        if self.holder is None:
            raise NotYourBench(
                "This tab only looks on; nobody has the bench.",
                "One tab at a time acts on the bench, so that two people cannot cross each other.",
                "Press “Use the bench here” at the top of the page.",
            )
        raise NotYourBench(
            "Another tab has the bench; this one looks on.",
            "One tab at a time acts on the bench, so that two people cannot cross each other.",
            "Go on in that tab, or close it and press “Use the bench here” when this page offers it.",
        )

    def look(self) -> str | None:
        """Free the seat of a tab that has gone; its name, if it was just freed. Call it a few times a second."""
        if self.holder is None or self._away_since is None:
            return None
        now = self._clock()
        if now - self._away_since <= GONE_S or any(now - at <= LOADING_S for at in self._loading.values()):
            return None
        gone, self.holder, self._away_since = self.holder, None, None
        self._changed()
        return gone

    def _changed(self) -> None:
        for callback in tuple(self.on_change):
            callback()
