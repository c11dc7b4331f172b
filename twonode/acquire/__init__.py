"""Measuring: requests, plans, ranges, waiting, points, sweeps, and estimates from what was filed."""

from twonode.acquire.cautions import DC_CAUTIONS, SWEEP_CAUTIONS
from twonode.acquire.errors import (
    AcquireError,
    ChannelsSwapped,
    LevelMismatch,
    NoSignal,
    SafetyRefusal,
    SweepFailed,
    UnfitRequest,
)
from twonode.acquire.events import Event, Note, PointDone, SweepClosed, SweepStarted
from twonode.acquire.reestimate import estimate_recordings, sweep_of
from twonode.acquire.request import SweepRequest, advised_resistor, check_request
from twonode.acquire.sweep import run_sweep

__all__ = [
    "DC_CAUTIONS",
    "SWEEP_CAUTIONS",
    "AcquireError",
    "ChannelsSwapped",
    "Event",
    "LevelMismatch",
    "NoSignal",
    "Note",
    "PointDone",
    "SafetyRefusal",
    "SweepClosed",
    "SweepFailed",
    "SweepRequest",
    "SweepStarted",
    "UnfitRequest",
    "advised_resistor",
    "check_request",
    "estimate_recordings",
    "run_sweep",
    "sweep_of",
]
