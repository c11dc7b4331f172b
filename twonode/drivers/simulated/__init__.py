"""The simulated bench: generator, scope and voltmeter as SCPI instruments, clipped to a stage."""

from twonode.drivers.simulated.bench import DirectBench, SimulatedBench, direct_links
from twonode.drivers.simulated.direct import DirectLink
from twonode.drivers.simulated.settings import Fault, FaultKind, ScopeFamily, SimulatedSettings
from twonode.drivers.simulated.voltmeter import LOOSE_END, MeterTip

__all__ = [
    "LOOSE_END",
    "DirectBench",
    "DirectLink",
    "Fault",
    "FaultKind",
    "MeterTip",
    "ScopeFamily",
    "SimulatedBench",
    "SimulatedSettings",
    "direct_links",
]
