"""Five circuits of 3 to 12 parts for checks of the network solver."""

from __future__ import annotations

from twonode.analysis.stage import GROUND, Part, PartKind, Stage, shipped_stage

__all__ = ["FIVE_STAGES"]


def _r(name, first, second, ohm):
    return Part(name=name, kind=PartKind.RESISTOR, between=(first, second), value=ohm)


def _c(name, first, second, farad, **more):
    return Part(name=name, kind=PartKind.CAPACITOR, between=(first, second), value=farad, **more)


def _l(name, first, second, henry):
    return Part(name=name, kind=PartKind.INDUCTOR, between=(first, second), value=henry)


def _stage(title, far, *parts):
    return Stage(title=title, drive="anode", far=far, parts=parts)


FIVE_STAGES = (
    _stage(
        "coupling",
        "grid",
        _c("C1", "anode", "grid", 22e-9, leak_ohm=80e6),
        _r("R1", "grid", GROUND, 470e3),
        _c("C2", "grid", GROUND, 15e-12),
    ),
    shipped_stage("wrenfield-46-driver-output"),
    _stage(
        "tone network",
        "output",
        _r("R1", "anode", "a", 100e3),
        _c("C1", "a", "output", 2.2e-9),
        _r("R2", "a", "b", 1e6),
        _r("R3", "b", "output", 10e3),
        _c("C2", "b", GROUND, 22e-9),
        _r("R4", "output", GROUND, 470e3),
        _c("C3", "output", GROUND, 120e-12, esr_ohm=47.0),
    ),
    _stage(
        "choke filter",
        "output",
        _r("R1", "anode", "a", 220.0),
        _c("C1", "a", GROUND, 16e-6, esr_ohm=2.2, leak_ohm=150e3),
        _l("L1", "a", "output", 8.0),
        _c("C2", "output", GROUND, 32e-6, esr_ohm=0.9),
        _r("R2", "output", GROUND, 12e3),
    ),
    _stage(
        "twin ladder",
        "e",
        _c("C1", "anode", "a", 47e-9, esr_ohm=120.0),
        _r("R1", "a", GROUND, 1e6),
        _r("R2", "a", "b", 47e3),
        _c("C2", "b", GROUND, 470e-12),
        _r("R3", "b", "c", 470e3),
        _c("C3", "c", GROUND, 100e-12, leak_ohm=5e6),
        _l("L1", "c", "d", 2.5e-3),
        _c("C4", "d", GROUND, 1e-9),
        _r("R4", "d", "e", 10e3),
        _c("C5", "e", GROUND, 12e-12),
        _r("R5", "e", GROUND, 10e6),
        _c("C6", "b", "e", 33e-12),
    ),
)
