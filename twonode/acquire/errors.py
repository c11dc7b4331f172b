"""What the acquire room raises on purpose.

Owns the tree; a subclass says what a caller would do differently.
"""

from __future__ import annotations

from twonode.errors import TwonodeError

__all__ = [
    "AcquireError",
    "ChannelsSwapped",
    "DialledOff",
    "FixtureDoubtful",
    "LevelMismatch",
    "NoSignal",
    "ProbesApart",
    "SafetyRefusal",
    "SweepFailed",
    "UnfitRequest",
]


class AcquireError(TwonodeError):
    """Base of everything ``acquire`` raises on purpose.

    AcquireError
    ├── UnfitRequest     the request cannot be carried out as it stands; no instrument was touched for it
    ├── SafetyRefusal    voltages that must not be there; the output is off
    ├── NoSignal         nothing arrives at a channel
    ├── ChannelsSwapped  channel 2 carries more than channel 1
    ├── ProbesApart      the probes of a null run are on two nodes
    ├── FixtureDoubtful  the known part reads as something else
    ├── DialledOff       a generator dialled by hand stands somewhere else
    ├── LevelMismatch    channel 1 does not carry what the generator was set to
    └── SweepFailed      too few points could be used
    """


class UnfitRequest(AcquireError):
    """The request cannot be carried out as it stands."""


class SafetyRefusal(AcquireError):
    """Voltages on a node that must not be there during a sweep."""


class NoSignal(AcquireError):
    """Nothing arrives at a channel."""


class ChannelsSwapped(AcquireError):
    """Channel 2 carries more than channel 1."""


class ProbesApart(AcquireError):
    """The probes of a null run are still on two nodes."""


class FixtureDoubtful(AcquireError):
    """A known part reads as something else in the fixture."""


class LevelMismatch(AcquireError):
    """Channel 1 does not carry what the generator was set to."""


class SweepFailed(AcquireError):
    """Too few points could be used."""


class DialledOff(AcquireError):
    """A generator that is dialled by hand stands far from what was asked."""
