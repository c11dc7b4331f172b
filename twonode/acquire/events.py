"""What a running sweep tells whoever looks on.

Owns the events; who draws them is not this room's business.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from twonode.analysis.ratio import RatioPoint

__all__ = ["Event", "Note", "PointDone", "SweepClosed", "SweepStarted"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepStarted:
    """The instruments are ready and the output goes on.

    total : points, as far as is known. expected_s : how long the sweep should take, s.
    generator, scope : their replies to *IDN?.
    """

    total: int
    expected_s: float
    generator: str
    scope: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something the person should see while it goes on."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PointDone:
    """A point is finished and on disk.

    ratio : far / drive; None where none could be worked out.
    reason : why it is not used. left_s : expected time to the end, s.
    point : the same with its uncertainty, where there is a ratio and a sweep.
    """

    index: int
    total: int
    frequency_hz: float
    ratio: complex | None
    used: bool
    reason: str | None
    left_s: float
    point: RatioPoint | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepClosed:
    """The recording is closed; used and refused count its points."""

    recording: Path
    used: int
    refused: int


Event = SweepStarted | Note | PointDone | SweepClosed
