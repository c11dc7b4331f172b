"""What the drivers room raises on purpose.

Owns the error tree; a class stands for what the caller would do differently.
"""

from __future__ import annotations

from twonode.errors import TwonodeError

__all__ = [
    "BenchError",
    "CommandRefused",
    "LinkError",
    "NoTrigger",
    "OutputUnknown",
    "ProfileError",
    "ReplyError",
    "ReplyTimeout",
    "SettingNotTaken",
    "SettingRefused",
    "UnknownInstrument",
    "UnverifiedProfile",
    "WrongInstrument",
]


class BenchError(TwonodeError):
    """Base of everything ``drivers`` raises on purpose.

    BenchError
    ├── LinkError            cable, bus or address; worth another try
    │   └── ReplyTimeout     it was asked and did not answer in time
    ├── ReplyError           it answered, and the answer makes no sense
    ├── CommandRefused       the instrument queued an error of its own
    ├── SettingNotTaken      no error was queued, yet the read-back is another value
    ├── SettingRefused       asked for what the instrument cannot do; nothing was sent
    ├── NoTrigger            the scope waited and nothing crossed the trigger level
    ├── UnknownInstrument    no profile fits the reply to *IDN?
    ├── WrongInstrument      a profile fits, and it is one of another kind: addresses swapped
    ├── ProfileError         a command profile cannot be read or does not exist
    │   └── UnverifiedProfile  it was written from memory and nobody asked for such a one
    └── OutputUnknown        the generator could not be told to switch its output off
    """


class LinkError(BenchError):
    """The cable, the bus or the address failed; another try may work."""


class ReplyTimeout(LinkError):
    """The instrument was asked and did not answer before the deadline."""


class ReplyError(BenchError):
    """The instrument answered, and the answer makes no sense."""


class CommandRefused(BenchError):
    """The instrument put an entry into its error queue."""


class SettingNotTaken(BenchError):
    """The instrument accepted a setting without error and reads back another value."""


class SettingRefused(BenchError):
    """A setting outside what the instrument can do; it was not sent."""


class NoTrigger(BenchError):
    """The scope found no trigger before the deadline."""


class UnknownInstrument(BenchError):
    """No command profile fits what the instrument answers to ``*IDN?``."""


class WrongInstrument(BenchError):
    """The instrument is known and is one of another kind than was wanted at this address."""


class ProfileError(BenchError):
    """A command profile that cannot be read, is not valid or does not exist."""


class UnverifiedProfile(ProfileError):
    """The profile that fits was written from memory; it is used only where the person asks for it."""


class OutputUnknown(BenchError):
    """The generator could not be told to switch its output off: its state is unknown."""
