"""The simulated bench: generator and scope in the dialects of many makers, and a voltmeter, clipped to a stage."""

from twonode.drivers.simulated.bench import DirectBench, SimulatedBench, direct_links
from twonode.drivers.simulated.direct import DirectLink
from twonode.drivers.simulated.settings import (
    Fault,
    FaultKind,
    GeneratorFamily,
    ScopeFamily,
    SimulatedSettings,
    Variant,
)
from twonode.drivers.simulated.voltmeter import LOOSE_END, MeterTip

__all__ = [
    "LOOSE_END",
    "DirectBench",
    "DirectLink",
    "Fault",
    "FaultKind",
    "GeneratorFamily",
    "MeterTip",
    "ScopeFamily",
    "SimulatedBench",
    "SimulatedSettings",
    "Variant",
    "direct_links",
]
