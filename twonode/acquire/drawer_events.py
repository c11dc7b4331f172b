"""What a drawer session says while it runs: what the hand at the fixture is to do, and what was found.

Owns these events. A session goes on when its next event is asked for: by then the hand has done its work. Sweeps
inside it yield the events of `events` as everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from twonode.acquire.events import Event
from twonode.analysis.quantities import Tolerance
from twonode.analysis.stage import Stage

if TYPE_CHECKING:
    from twonode.acquire.drawer_table import DrawerRow
    from twonode.analysis.fixture import FixtureAdvice
    from twonode.analysis.fixture_open import OpenFixture
    from twonode.analysis.known_part import KnownPartCheck

__all__ = [
    "DrawerEvent",
    "FixtureChecked",
    "HandWork",
    "KnownChecked",
    "PartDone",
    "ProbesTogether",
    "PutIn",
    "PutInKnown",
    "StepBegins",
    "TakeOut",
    "WireFixture",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbesTogether:
    """Hand: both probes on the generator's lead, for the null run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WireFixture:
    """Hand: resistor and clips as the advice says.

    stage : the fixture so wired, with a part in it or without. change : it is not so already.
    again : another resistor or hook-up is in the fixture now.
    """

    advice: FixtureAdvice
    stage: Stage
    change: bool
    again: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TakeOut:
    """Hand: nothing between the part's clips."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PutInKnown:
    """Hand: the known part, F."""

    farad: float
    tolerance: Tolerance


@dataclass(frozen=True, slots=True, kw_only=True)
class PutIn:
    """Hand: part `number`; again : it has been measured before."""

    number: int
    again: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StepBegins:
    """A sweep is about to begin; what : in a few words."""

    what: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FixtureChecked:
    """The open fixture is known."""

    fixture: OpenFixture
    recording: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownChecked:
    """The known part was measured."""

    check: KnownPartCheck
    recording: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class PartDone:
    """A part is measured, saved and in the table; replaced : the row that it takes the place of."""

    row: DrawerRow
    replaced: DrawerRow | None


HandWork = ProbesTogether | WireFixture | TakeOut | PutInKnown | PutIn
DrawerEvent = Event | HandWork | StepBegins | FixtureChecked | KnownChecked | PartDone
