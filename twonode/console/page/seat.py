"""The one seat at the bench: which tab may act, while the others look on.

Owns who has it and when it is free again. A tab is known by its own name, which outlives a reload; it has gone when
none of its connections has been there for a while. Knows no browser: whoever does reports arrivals and departures.
"""

from __future__ import annotations

import time
from collections.abc import Callable

from twonode.errors import TwonodeError

__all__ = ["NotYourBench", "Seat"]

GRACE_S = 5.0
"""How long a tab may be away, for a reload or the way to the next view, and keep the seat."""
BUSY_GRACE_S = 8.0
"""The same while something runs on the bench; then it is stopped."""


class NotYourBench(TwonodeError):
    """Another tab has the bench."""


class Seat:
    """Who may act on the bench.

    clock : seconds, for tests. busy : whether something runs on the bench.
    """

    def __init__(
        self, *, clock: Callable[[], float] = time.monotonic, busy: Callable[[], bool] = lambda: False
    ) -> None:
        self._clock = clock
        self._busy = busy
        self._there: dict[str, int] = {}
        self._away_since: float | None = None
        self.holder: str | None = None
        self.on_change: list[Callable[[], None]] = []

    def arrive(self, tab: str) -> None:
        """A connection of a tab is there; a free seat is taken by it."""
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

    @property
    def away_s(self) -> float:
        """How long the holder has been away, s."""
        return 0.0 if self._away_since is None else self._clock() - self._away_since

    def look(self) -> str | None:
        """Free the seat of a tab that has gone; its name, if it was just freed. Call it a few times a second."""
        if self.holder is None or self.away_s <= (BUSY_GRACE_S if self._busy() else GRACE_S):
            return None
        gone, self.holder, self._away_since = self.holder, None, None
        self._changed()
        return gone

    def _changed(self) -> None:
        for callback in tuple(self.on_change):
            callback()
