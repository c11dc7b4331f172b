"""The simulated bench as a whole: one world, three instruments, and the way to reach them.

Owns putting them together. `SimulatedBench` serves them on loopback sockets, `direct_links` hands them over
without.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import TracebackType

from twonode.drivers.clock import Clock, ScaledClock, SystemClock, VirtualClock
from twonode.drivers.simulated.direct import DirectLink
from twonode.drivers.simulated.generator import SimulatedGenerator
from twonode.drivers.simulated.scope_curve import CurveScope
from twonode.drivers.simulated.scope_ten_field import TenFieldScope
from twonode.drivers.simulated.scpi import ScpiInstrument
from twonode.drivers.simulated.server import InstrumentServer
from twonode.drivers.simulated.settings import ScopeFamily, SimulatedSettings
from twonode.drivers.simulated.voltmeter import MeterTip, SimulatedVoltmeter
from twonode.drivers.simulated.world import World

__all__ = ["DirectBench", "SimulatedBench", "direct_links"]

# How often a waiting instrument looks whether its client is still there, real seconds.
_NAP_S = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectBench:
    """Links to the three instruments of one world, and the clock it lives by.

    meter : the instrument behind the voltmeter's link, whose tip can be moved. world : for tests only.
    """

    generator: DirectLink
    scope: DirectLink
    voltmeter: DirectLink
    clock: VirtualClock
    meter: SimulatedVoltmeter
    world: World


class SimulatedBench:
    """The three instruments on loopback sockets, from entering the context to leaving it.

    generator_resource, scope_resource, voltmeter_resource : VISA resource strings.
    clock : what the bench lives by; whoever waits for it must wait by this clock.
    world : for tests only.
    """

    def __init__(self, settings: SimulatedSettings) -> None:
        self.settings = settings
        self.clock: Clock = SystemClock() if settings.speed == 1 else ScaledClock(settings.speed)
        self._servers: dict[str, InstrumentServer] = {}

    def __enter__(self) -> SimulatedBench:
        self.world = World(self.settings, self.clock)
        for name, instrument in _instruments(self.world).items():
            if isinstance(instrument, SimulatedVoltmeter):
                self._voltmeter = instrument
            instrument.nap_s = _NAP_S * self.settings.speed
            self._servers[name] = InstrumentServer(instrument, name=name)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        for server in self._servers.values():
            server.close()
        self._servers.clear()

    def hold_tip(self, tip: MeterTip) -> None:
        """Take the voltmeter's tip to a node, as the person at the bench does between two readings.

        Raises ValueError for a node or part that is not in the stage.
        """
        self._voltmeter.hold(tip)

    @property
    def generator_resource(self) -> str:
        """Address of the generator."""
        return self._servers["generator"].resource

    @property
    def scope_resource(self) -> str:
        """Address of the scope."""
        return self._servers["scope"].resource

    @property
    def voltmeter_resource(self) -> str:
        """Address of the voltmeter."""
        return self._servers["voltmeter"].resource


def direct_links(settings: SimulatedSettings) -> DirectBench:
    """A bench in this thread on a clock that moves only when somebody waits."""
    clock = VirtualClock()
    world = World(settings, clock)
    instruments = _instruments(world)
    links = {name: DirectLink(each, f"simulated {name}") for name, each in instruments.items()}
    meter = instruments["voltmeter"]
    assert isinstance(meter, SimulatedVoltmeter)
    return DirectBench(
        generator=links["generator"],
        scope=links["scope"],
        voltmeter=links["voltmeter"],
        clock=clock,
        meter=meter,
        world=world,
    )


def _instruments(world: World) -> dict[str, ScpiInstrument]:
    return {
        "generator": SimulatedGenerator(world),
        "scope": _scope(world),
        "voltmeter": SimulatedVoltmeter(world),
    }


def _scope(world: World) -> ScpiInstrument:
    match world.settings.scope_family:
        case ScopeFamily.TEN_FIELD:
            return TenFieldScope(world)
        case ScopeFamily.CURVE:
            return CurveScope(world)
