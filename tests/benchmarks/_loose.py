"""Loose parts through the program's own drawer session on the in-process simulated bench.

Owns what the simulator is told of each part and the hand that puts it in; the session sees only the bench. Null run,
open fixture, first looks and measurement are those of `twonode drawer`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from twonode.acquire.drawer import DrawerRequest, DrawerSession
from twonode.acquire.drawer_events import (
    DrawerEvent,
    PartDone,
    ProbesTogether,
    PutIn,
    PutInKnown,
    TakeOut,
    WireFixture,
)
from twonode.acquire.drawer_table import BatchTable
from twonode.analysis.fixture import FIXTURE_RESISTORS_OHM, fixture_stage
from twonode.analysis.hookup import HookUp
from twonode.analysis.loose_part import LoosePart
from twonode.analysis.loose_report import ROW_COLUMNS
from twonode.drivers.bench import Bench
from twonode.drivers.simulated import SimulatedSettings, direct_links
from twonode.drivers.simulated.bag import BagPart, SimulatedFixture

__all__ = ["LooseBench", "loose_bench"]


class LooseBench:
    """One simulated bench with its fixture and its bag: a seed is a scope, its probes, strays, resistors and noise."""

    def __init__(self, session: DrawerSession, fixture: SimulatedFixture) -> None:
        self._session = session
        self._fixture = fixture
        self._follow(session.compare_channels())
        self._follow(session.look_at_empty_fixture())

    def measure(self, number: int) -> LoosePart:
        """Part `number` of the bag, from 1."""
        done = self._follow(self._session.measure(number))
        assert isinstance(done, PartDone)
        assert done.row.loose is not None
        return done.row.loose

    def _follow(self, events: Iterator[DrawerEvent]) -> DrawerEvent:
        last: DrawerEvent | None = None
        for event in events:
            last = event
            match event:
                case ProbesTogether():
                    self._fixture.probes_together()
                case WireFixture():
                    self._fixture.wire(event.stage)
                case TakeOut():
                    self._fixture.take_out()
                case PutInKnown():
                    self._fixture.hold_known(event.farad, event.tolerance.minus, event.tolerance.plus)
                case PutIn():
                    self._fixture.hold(event.number)
        assert last is not None
        return last


@contextmanager
def loose_bench(seed: int, parts: Sequence[BagPart], archive: Path) -> Iterator[LooseBench]:
    """A bench that has compared its channels and looked at its empty fixture."""
    stage = fixture_stage(HookUp.SERIES, part=None, resistor_ohm=FIXTURE_RESISTORS_OHM[-1])
    links = direct_links(SimulatedSettings(stage=stage, seed=seed))
    with Bench.from_links(generator=links.generator, scope=links.scope, clock=links.clock) as bench:
        session = DrawerSession(
            bench,
            DrawerRequest(batch=f"bench {seed}", simulated=True, seed=seed),
            archive=archive,
            table=BatchTable(archive / "batch.csv", ROW_COLUMNS),
        )
        yield LooseBench(session, SimulatedFixture(links.world, parts))
