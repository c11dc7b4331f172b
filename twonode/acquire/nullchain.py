"""Which ranges a null run compares, and at what level.

Owns the chain from channel 1's range to every other range a sweep may use. Two ranges are compared directly only
where one signal fills both usefully, which takes steps of 2.5 at most; the rest hangs together through the steps
between. Pure arithmetic; how sure the far end of the chain is comes out of the joint model by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from twonode.acquire.ranges import choose_range

__all__ = ["LARGEST_STEP", "RangePair", "chain_of_ranges", "first_ranges"]

LARGEST_STEP = 2.5
"""Ratio of two ranges that one record may hold (design)."""
FILLED_DIV = 6.2
"""Peak-to-peak divisions on the finer range: leaves room for gain, level and offset errors of some per cent."""
FULLEST_DIV = 7.0
LEAST_FILL_DIV = 1.0
"""On the range above the first one the level cannot be raised; there a smaller trace has to do."""
_SLACK = 1 + 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class RangePair:
    """Both channels' ranges for one record of the same node, V/div at the tips; node_vpp : V peak-to-peak there."""

    drive_volts_per_div: float
    far_volts_per_div: float
    node_vpp: float


def first_ranges(node_vpp: float, drive_steps: Sequence[float], far_steps: Sequence[float]) -> RangePair:
    """Both channels on the range that a sweep would take for channel 1.

    drive_steps, far_steps : ranges at the tips, ascending. A channel 2 that lacks it takes its own nearest.
    """
    drive = choose_range(node_vpp, drive_steps)
    far = drive if drive in far_steps else choose_range(node_vpp, far_steps)
    return RangePair(drive_volts_per_div=drive, far_volts_per_div=far, node_vpp=node_vpp)


def chain_of_ranges(
    first: RangePair, drive_steps: Sequence[float], far_steps: Sequence[float], *, lowest_vpp: float
) -> tuple[RangePair, ...]:
    """The pairs to compare, beginning next to the first one.

    One step coarser (a trace that leaves its range goes there), then all finer ones in turn. Each new range is
    compared with a range that is tied to the first already.

    Parameters
    ----------
    lowest_vpp : smallest level of the generator at the node; the chain ends where it would leave the screen.
    """
    pairs: list[RangePair] = []
    drive, far = first.drive_volts_per_div, first.far_volts_per_div
    wider = [step for step in sorted({*drive_steps, *far_steps}) if step > max(drive, far) * _SLACK]
    if wider and first.node_vpp >= LEAST_FILL_DIV * wider[0]:
        pairs += _tied(wider[0], drive, far, drive_steps, far_steps, first.node_vpp)
    finer = [step for step in sorted({*drive_steps, *far_steps}, reverse=True) if step * _SLACK < drive]
    for step in finer:
        if lowest_vpp > FULLEST_DIV * step:
            break
        vpp = min(first.node_vpp, max(FILLED_DIV * step, lowest_vpp))
        found = _tied(step, drive, far, drive_steps, far_steps, vpp)
        if not found:
            break
        pairs += found
        drive, far = found[-1].drive_volts_per_div, found[-1].far_volts_per_div
    return tuple(pairs)


def _tied(
    step: float,
    drive: float,
    far: float,
    drive_steps: Sequence[float],
    far_steps: Sequence[float],
    vpp: float,
) -> list[RangePair]:
    """Pairs that tie both channels' range `step` to the ranges tied last; empty where the step is too large."""
    found: list[RangePair] = []
    if step in far_steps and _one_record_holds(step, drive):
        far = step
        found.append(RangePair(drive_volts_per_div=drive, far_volts_per_div=far, node_vpp=vpp))
    if step in drive_steps and _one_record_holds(step, far):
        found.append(RangePair(drive_volts_per_div=step, far_volts_per_div=far, node_vpp=vpp))
    return found


def _one_record_holds(first: float, second: float) -> bool:
    return max(first / second, second / first) <= LARGEST_STEP * _SLACK
