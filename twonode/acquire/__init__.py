"""Measuring: requests, plans, ranges, waiting, points, sweeps, and estimates from what was filed."""

from twonode.acquire.errors import (
    AcquireError,
    ChannelsSwapped,
    LevelMismatch,
    NoSignal,
    ProbesApart,
    SafetyRefusal,
    SweepFailed,
    UnfitRequest,
)
from twonode.acquire.events import Event, Note, PointDone, SweepClosed, SweepStarted
from twonode.acquire.nullrequest import NullRequest, check_null_request
from twonode.acquire.nullrun import run_null
from twonode.acquire.nulls import age_words, newest_null, null_for_sweep, null_used
from twonode.acquire.reestimate import Reestimate, estimate_recordings, reestimate, sweep_of
from twonode.acquire.request import PlanKind, SweepRequest, advised_resistor, check_request
from twonode.acquire.sweep import run_sweep

__all__ = [
    "AcquireError",
    "ChannelsSwapped",
    "Event",
    "LevelMismatch",
    "NoSignal",
    "Note",
    "NullRequest",
    "PlanKind",
    "PointDone",
    "ProbesApart",
    "Reestimate",
    "SafetyRefusal",
    "SweepClosed",
    "SweepFailed",
    "SweepRequest",
    "SweepStarted",
    "UnfitRequest",
    "advised_resistor",
    "age_words",
    "check_null_request",
    "check_request",
    "estimate_recordings",
    "newest_null",
    "null_for_sweep",
    "null_used",
    "reestimate",
    "run_null",
    "run_sweep",
    "sweep_of",
]
