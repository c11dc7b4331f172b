"""A look at both nodes before the output goes on, and whenever a trace leaves its range.

Owns the order (coarsest range first, then finer ones until 5 V can be told) and the refusal. It looks for DC and for
line frequency: either may mean that the set is not unplugged or not discharged.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from twonode.acquire.errors import SafetyRefusal
from twonode.acquire.request import SAFE_NODE_VOLTS
from twonode.analysis.quantities import format_quantity
from twonode.analysis.sinefit import fit_sines
from twonode.drivers.bench import Bench
from twonode.drivers.capture import ChannelTrace
from twonode.drivers.scope import TriggerMode

__all__ = ["Clipped", "NodeVolts", "look_at_nodes", "refuse_unsafe"]

LOOK_CYCLES = 2.5
DECISIVE_VOLTS_PER_DIV = 2.5
"""A range on which 5 V is two divisions: coarse enough for 10 V, fine enough to tell 5 V from an offset error."""


class _Nodes(Protocol):
    @property
    def drive(self) -> str: ...

    @property
    def far(self) -> str: ...


class Clipped(Protocol):
    """What the look must know of how the bench is clipped on: a sweep's request says it, and so does a null run's."""

    @property
    def stage(self) -> _Nodes:
        """Names of the nodes of channel 1 and channel 2."""
        ...

    @property
    def probe_factors(self) -> tuple[float, float]:
        """Division of channel 1's and channel 2's probe."""
        ...

    @property
    def line_hz(self) -> float:
        """Mains frequency, Hz."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeVolts:
    """DC and peak line-frequency volts at one node."""

    dc_v: float
    line_v: float


def look_at_nodes(bench: Bench, request: Clipped) -> tuple[NodeVolts, NodeVolts]:
    """DC and line content of drive and far node, whatever the generator does.

    Raises
    ------
    SafetyRefusal : 5 V or more of either; the output is off by then.
    BenchError : an instrument failed.
    """
    scope = bench.scope
    steps = [scope.volts_per_div_choices(factor) for factor in request.probe_factors]
    wanted_s = LOOK_CYCLES / request.line_hz
    time_steps = [s for s in scope.seconds_per_div_choices if s * scope.divisions_x >= wanted_s]
    scope.set_time(time_steps[0], None)
    ranges = [choices[-1] for choices in steps]
    while True:
        for channel, volts in enumerate(ranges, start=1):
            scope.set_volts_per_div(channel, volts)
        capture = scope.capture(timeout_s=10.0 * wanted_s + 5.0, trigger=TriggerMode.FREE)
        traces = (capture.channel_1, capture.channel_2)
        found = [_read(trace, capture.sample_interval_s, request.line_hz) for trace in traces]
        finer = [
            _next_finer(choices, current, trace)
            for choices, current, trace in zip(steps, ranges, traces, strict=True)
        ]
        if finer == ranges:
            break
        ranges = finer
    refuse_unsafe(bench, request, (found[0], found[1]))
    return found[0], found[1]


def refuse_unsafe(bench: Bench, request: Clipped, nodes: tuple[NodeVolts, NodeVolts]) -> None:
    """Switch the output off and raise SafetyRefusal if a node carries 5 V or more of DC or line frequency."""
    for node, volts in zip((request.stage.drive, request.stage.far), nodes, strict=True):
        for size, kind in ((abs(volts.dc_v), "DC"), (volts.line_v, f"{request.line_hz:g} Hz")):
            if size < SAFE_NODE_VOLTS:
                continue
            bench.generator.output(False)
            raise SafetyRefusal(
                f"Node {node!r} carries {format_quantity(size, 'V', 2)} of {kind}; the generator's output is off.",
                "Something is still charged or connected to the mains: a sweep would endanger you and the bench.",
                "Pull the plug, discharge the filter capacitors, check both nodes with a meter, then start again.",
            )


def _read(trace: ChannelTrace, sample_interval_s: float, line_hz: float) -> NodeVolts:
    volts = _volts(trace)
    if trace.codes.size * sample_interval_s * line_hz < 1.0:
        return NodeVolts(dc_v=float(volts.mean()), line_v=0.0)
    fits = fit_sines(volts[None, :], sample_interval_s, line_hz)
    return NodeVolts(dc_v=float(fits.offset[0]), line_v=float(abs(fits.phasor[0])))


def _volts(trace: ChannelTrace) -> NDArray[np.float64]:
    return trace.codes.astype(np.float64) * trace.volts_per_code + trace.volts_at_code_zero


def _next_finer(choices: tuple[float, ...], current: float, trace: ChannelTrace) -> float:
    """A finer range that still holds what was seen; the same once 5 V can be told, or where none is finer."""
    if current <= DECISIVE_VOLTS_PER_DIV:
        return current
    volts = _volts(trace)
    # An offset error of a tenth of a division must not hide behind the range.
    seen = float(np.abs(volts).max()) + 0.1 * current
    fitting = [c for c in choices if c < current and seen <= 3.5 * c]
    if not fitting:
        return current
    decisive = [c for c in fitting if c >= DECISIVE_VOLTS_PER_DIV / 2.5]
    return min(decisive) if decisive else max(fitting)
