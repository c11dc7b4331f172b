"""What a view is built with: the archive, the person's words, the seat, the bench and what runs on it.

Owns these as one object a visit. Nothing of it is worked out here.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, MutableMapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

from nicegui import ui
from nicegui.client import Client

from twonode.console.page.job import JobRunner
from twonode.console.page.seat import Seat
from twonode.console.page.settings import PageSettings, read_settings, write_settings
from twonode.console.page.words import Words

if TYPE_CHECKING:
    from twonode.analysis.stage import Stage
    from twonode.drivers.bench import Bench

__all__ = ["BenchChoice", "House", "PageContext", "SeatVisit"]

P = ParamSpec("P")
T = TypeVar("T")


class BenchChoice:
    """The bench that the command named.

    options : the command's options, as `console.benches` takes them.
    """

    def __init__(self, options: MutableMapping[str, Any]) -> None:
        self.options = options

    @property
    def simulated(self) -> bool:
        """Whether it is the simulated one."""
        return bool(self.options["simulated"])

    @property
    def named(self) -> bool:
        """Whether there is a bench to measure on at all."""
        return self.simulated or bool(self.options["generator"] and self.options["scope"])

    def check(self) -> None:
        """Raises UsageError where nothing says which instruments to use; a bench that is named stays what it is."""
        if self.named:
            return
        from twonode.console.benches import check_bench_options

        check_bench_options(self.options)

    def open(self, stage: Stage, one_node: bool = False) -> AbstractContextManager[Bench]:
        """The bench, to be entered; stage : what a simulated one is clipped to."""
        from twonode.console.benches import bench_of

        return bench_of(self.options, stage, one_node=one_node)

    def words(self) -> str:
        """Which bench, for the head of the page."""
        if self.simulated:
            return f"Simulated bench, seed {self.options['seed']}: no real part is measured"
        if not self.named:
            return "No bench is named"
        return f"Generator {self.options['generator']}, scope {self.options['scope']}"


@dataclass(slots=True, kw_only=True)
class House:
    """What all visits share."""

    archive: Path
    bench: BenchChoice
    seat: Seat
    jobs: JobRunner
    settings: PageSettings = field(default_factory=read_settings)

    def set(self, settings: PageSettings) -> None:
        """Other settings from now on."""
        self.settings = settings
        write_settings(settings)


@dataclass(frozen=True, slots=True)
class SeatVisit:
    """The seat as one visit sees it."""

    seat: Seat
    client: Client

    @property
    def mine(self) -> bool:
        """Whether this tab may act on the bench."""
        return self.seat.mine(self.client.tab_id)

    def require(self) -> None:
        """Raises NotYourBench where this tab only looks on."""
        self.seat.require(self.client.tab_id)

    def on_change(self, callback: Callable[[], None]) -> None:
        """Hear when somebody else has it; forgotten when the visit ends."""
        self.seat.on_change.append(callback)
        self.client.on_delete(lambda: _drop(self.seat.on_change, callback))


@dataclass(frozen=True, slots=True, kw_only=True)
class PageContext:
    """One visit of one view. query : of its address."""

    house: House
    client: Client
    query: Mapping[str, str]
    words: Words
    seat: SeatVisit

    @property
    def archive(self) -> Path:
        """The folder of recordings."""
        return self.house.archive

    @property
    def settings(self) -> PageSettings:
        """As the person set them."""
        return self.house.settings

    @property
    def bench(self) -> BenchChoice:
        """The bench that the command named."""
        return self.house.bench

    @property
    def jobs(self) -> JobRunner:
        """What runs on it."""
        return self.house.jobs

    def listen(self, callback: Callable[[object], None]) -> None:
        """Hear every event of jobs, inside this visit's content, until the visit ends."""

        def inside(event: object) -> None:
            if self.client.is_deleted:
                return
            with self.client:
                callback(event)

        self.client.on_delete(self.jobs.listen(inside))

    async def in_thread(self, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        """Something slow, without holding up the page. Raises what it raises."""
        return await asyncio.to_thread(function, *args, **kwargs)

    def download(self, content: bytes, name: str) -> None:
        """Hand a file to the browser."""
        ui.download(content, name)

    def sound(self, kind: str) -> None:
        """A short sound, unless they are off; kind : "done" or "trouble"."""
        if self.settings.sound:
            self.client.run_javascript(f"twonodePage.sound({kind!r})")


def _drop(callbacks: list[Callable[[], None]], callback: Callable[[], None]) -> None:
    if callback in callbacks:
        callbacks.remove(callback)
