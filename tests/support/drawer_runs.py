"""A drawer session on the in-process simulated bench, on a clock that only moves when somebody waits."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from twonode.acquire import drawer_events as events
from twonode.acquire.drawer import DrawerRequest, DrawerSession
from twonode.acquire.drawer_table import BatchTable
from twonode.analysis.fixture import fixture_stage
from twonode.analysis.hookup import HookUp
from twonode.analysis.loose_report import ROW_COLUMNS
from twonode.drivers.bench import Bench
from twonode.drivers.simulated import DirectBench, SimulatedSettings, direct_links
from twonode.drivers.simulated.bag import BagPart, Held, SimulatedFixture

__all__ = ["NOTHING", "WIRE", "DrawerRun", "drawer_run", "loose"]


def loose(farad: float, **more) -> BagPart:
    """A capacitor of this true value, F."""
    return BagPart(**({"family": "mica", "farad": farad, "printed_farad": farad, "loss": 5e-4} | more))


NOTHING = loose(1e-9, held=Held.NOTHING)
WIRE = loose(1e-9, held=Held.WIRE)


@dataclass
class DrawerRun:
    """A session with everything around it; `seen` are its events in order."""

    session: DrawerSession
    links: DirectBench
    fixture: SimulatedFixture
    archive: Path
    seen: list = field(default_factory=list)

    def follow(self, run: Iterator) -> list:
        """Carry a step out, the hand included; the events it yielded."""
        found = []
        try:
            for event in run:
                found.append(event)
                self.by_hand(event)
        finally:
            run.close()
            self.seen += found
        return found

    def by_hand(self, event: object) -> None:
        match event:
            case events.ProbesTogether():
                self.fixture.probes_together()
            case events.WireFixture():
                self.fixture.wire(event.stage)
            case events.TakeOut():
                self.fixture.take_out()
            case events.PutInKnown():
                self.fixture.hold_known(event.farad, event.tolerance.minus, event.tolerance.plus)
            case events.PutIn():
                self.fixture.hold(event.number)

    def prepare(self) -> None:
        self.follow(self.session.compare_channels())
        self.follow(self.session.look_at_empty_fixture())

    def measure(self, number: int) -> events.PartDone:
        done = self.follow(self.session.measure(number))[-1]
        assert isinstance(done, events.PartDone)
        return done

    @property
    def table(self) -> BatchTable:
        return self.session.table


@contextmanager
def drawer_run(
    archive: Path, bag: Sequence[BagPart], *, settings: dict | None = None, **asked
) -> Iterator[DrawerRun]:
    """A session that nothing was done in yet."""
    fields = {"batch": "tin", "simulated": True, "seed": 5} | asked
    empty = fixture_stage(HookUp.SERIES, part=None, resistor_ohm=1e6)
    links = direct_links(SimulatedSettings(**({"stage": empty, "seed": fields["seed"]} | (settings or {}))))
    with Bench.from_links(generator=links.generator, scope=links.scope, clock=links.clock) as bench:
        table = BatchTable.opened(archive / "drawer-tin.csv", ROW_COLUMNS)
        session = DrawerSession(bench, DrawerRequest(**fields), archive=archive, table=table)
        yield DrawerRun(
            session=session,
            links=links,
            fixture=SimulatedFixture(links.world, bag),
            archive=archive,
        )
