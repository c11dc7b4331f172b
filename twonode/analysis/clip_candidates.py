"""Where generator and channels could be clipped instead, with a known resistor in the lead or without.

Owns these ways with the words a repairer would use. What each would show is worked out in `clips` and
`next_measurement`.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import log10

import numpy as np

from twonode.analysis.channel import PROBE_10, probe_parts
from twonode.analysis.companion import schematic_value
from twonode.analysis.errors import StageError
from twonode.analysis.feeding import GENERATOR_SIDE, clipped, fed_through, signal_nodes
from twonode.analysis.measurement_action import Candidate, MeasurementKind, telling_sweep
from twonode.analysis.network import Network
from twonode.analysis.quantities import Tolerance, format_quantity
from twonode.analysis.stage import Part, PartKind, Stage

__all__ = ["FEED_TOLERANCE", "clip_candidates", "feed_ohm"]

FEED_TOLERANCE = Tolerance(minus=0.01, plus=0.01)
"""An ordinary metal film resistor."""
USUAL_FEED_OHM = 10e3
FEEDS_OHM = (100.0, 1e3, 10e3, 100e3)


def clip_candidates(stage: Stage, suspects: Sequence[str]) -> list[Candidate]:
    """Sweeps with generator and channels elsewhere, through a known resistor or not.

    stage : as it is now; the present way of clipping is not among them.
    """
    found: list[Candidate] = []
    nodes = signal_nodes(stage)

    def add(kind: MeasurementKind, words: str, build: Stage | None, *options: str) -> None:
        action = None if build is None else telling_sweep(build, suspects)
        if action is not None:
            found.append(Candidate(kind=kind, words=words, action=action, options=options))

    for far in nodes:
        if far not in (stage.far, stage.drive):
            words = f"clip channel 2 to {far!r} and sweep again"
            add(MeasurementKind.CHANNEL_2, words, _moved(stage, stage.drive, far), "--far", far)
    for drive in nodes:
        moved = drive != stage.drive
        fars = [n for n in nodes if n != drive]
        for far in fars if moved else ():
            words = f"clip generator and channel 1 to {drive!r}, channel 2 to {far!r}, and sweep again"
            add(MeasurementKind.CHANNEL_1, words, _moved(stage, drive, far), "--drive", drive, "--far", far)
        ohm = _feed(stage, drive)
        for far in (drive, *fars):
            known = format_quantity(ohm, "ohm", 3 if ohm < 1e3 else 2)
            there = "that node" if far == drive else repr(far)
            words = (
                f"clip channel 1 to the generator's side of a {known} resistor that feeds {drive!r}, "
                f"channel 2 to {there}, and sweep again"
            )
            options = ["--through", f"{schematic_value(ohm, PartKind.RESISTOR)} 1%", "--far", far]
            if moved:
                options += ["--drive", drive]
            add(MeasurementKind.THROUGH, words, _fed(stage, drive, far, ohm), *options)
    return found


def _moved(stage: Stage, drive: str, far: str) -> Stage | None:
    """The stage with its channels moved; None where that is no circuit."""
    try:
        return clipped(stage, drive=drive, far=far)
    except StageError:
        return None


def _fed(stage: Stage, drive: str, far: str, ohm: float) -> Stage | None:
    """The stage fed through a resistor; None where that is no circuit."""
    try:
        return fed_through(stage, ohm, FEED_TOLERANCE, drive=drive, far=far)
    except StageError:
        return None


def feed_ohm(stage: Stage, node: str) -> float:
    """Of the usual decades the one nearest the node's own impedance around 1 kHz, ohm."""
    probe = Part(name="feed", kind=PartKind.RESISTOR, between=(GENERATOR_SIDE, node), value=USUAL_FEED_OHM)
    network = Network([*stage.parts, *probe_parts(PROBE_10, node, "far probe"), probe], forced=GENERATOR_SIDE)
    ratio = complex(network.ratio(np.array([1e3]), node)[0])
    ohm = abs(USUAL_FEED_OHM * ratio / (1.0 - ratio))
    return min(FEEDS_OHM, key=lambda r: abs(log10(r / max(ohm, 1.0))))


def _feed(stage: Stage, node: str) -> float:
    """10 kohm is at hand; a smaller one is looked for where the node's impedance is far below it."""
    return min(USUAL_FEED_OHM, feed_ohm(stage, node))
