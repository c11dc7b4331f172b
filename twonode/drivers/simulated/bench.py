"""The simulated bench as a whole: one world, three instruments, and the way to reach them.

Owns putting them together. `SimulatedBench` serves them on loopback sockets, `direct_links` hands them over
without.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import TracebackType

from twonode.drivers.clock import Clock, ScaledClock, SystemClock, VirtualClock
from twonode.drivers.simulated.direct import DirectLink
from twonode.drivers.simulated.generator import AmplitudeGenerator, SimulatedGenerator
from twonode.drivers.simulated.generator_key_value import KeyValueGenerator
from twonode.drivers.simulated.generator_serial import (
    ColonRegisterGenerator,
    LetterPairGenerator,
    WriteReadGenerator,
)
from twonode.drivers.simulated.instrument import SimulatedInstrument
from twonode.drivers.simulated.scope_curve import CurveScope
from twonode.drivers.simulated.scope_curve_newer import NewerCurveScope
from twonode.drivers.simulated.scope_memory_list import MemoryListScope
from twonode.drivers.simulated.scope_signed_codes import SignedCodesScope
from twonode.drivers.simulated.scope_ten_field import Screen600Scope, TenFieldScope
from twonode.drivers.simulated.scope_volt_origin import VoltOriginScope
from twonode.drivers.simulated.scope_wavedesc import WavedescScope
from twonode.drivers.simulated.server import InstrumentServer
from twonode.drivers.simulated.settings import GeneratorFamily, ScopeFamily, SimulatedSettings
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
    clock : what the bench lives by; whoever waits for it must wait by this clock. A virtual one can be given.
    world : for tests only.
    """

    def __init__(self, settings: SimulatedSettings, *, clock: Clock | None = None) -> None:
        self.settings = settings
        if clock is None:
            clock = SystemClock() if settings.speed == 1 else ScaledClock(settings.speed)
        self.clock: Clock = clock
        self._servers: dict[str, InstrumentServer] = {}

    def __enter__(self) -> SimulatedBench:
        self.world = _world(self.settings, self.clock)
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
    world = _world(settings, clock)
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


def _world(settings: SimulatedSettings, clock: Clock) -> World:
    if not settings.misbehave:
        return World(settings, clock)
    from twonode.drivers.simulated.mischief import MisbehavingWorld

    return MisbehavingWorld(settings, clock)


def _instruments(world: World) -> dict[str, SimulatedInstrument]:
    found: dict[str, SimulatedInstrument] = {
        "generator": _generator(world),
        "scope": _scope(world),
        "voltmeter": SimulatedVoltmeter(world),
    }
    if not world.settings.misbehave:
        return found
    from twonode.drivers.simulated.mischief import MisbehavingWorld

    return world.misbehaving(found) if isinstance(world, MisbehavingWorld) else found


def _generator(world: World) -> SimulatedInstrument:
    match world.settings.generator_family:
        case GeneratorFamily.SCPI:
            return SimulatedGenerator(world)
        case GeneratorFamily.SCPI_AMPLITUDE:
            return AmplitudeGenerator(world)
        case GeneratorFamily.KEY_VALUE:
            return KeyValueGenerator(world)
        case GeneratorFamily.WRITE_READ:
            return WriteReadGenerator(world)
        case GeneratorFamily.LETTER_PAIRS:
            return LetterPairGenerator(world)
        case GeneratorFamily.COLON_REGISTERS:
            return ColonRegisterGenerator(world)


def _scope(world: World) -> SimulatedInstrument:
    match world.settings.scope_family:
        case ScopeFamily.TEN_FIELD:
            return TenFieldScope(world)
        case ScopeFamily.VOLT_ORIGIN:
            return VoltOriginScope(world)
        case ScopeFamily.SCREEN_600:
            return Screen600Scope(world)
        case ScopeFamily.CURVE:
            return CurveScope(world)
        case ScopeFamily.CURVE_NEWER:
            return NewerCurveScope(world)
        case ScopeFamily.SIGNED_CODES:
            return SignedCodesScope(world)
        case ScopeFamily.WAVEDESC:
            return WavedescScope(world)
        case ScopeFamily.MEMORY_LIST:
            return MemoryListScope(world)
