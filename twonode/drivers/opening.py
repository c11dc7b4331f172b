"""A link opened as a profile chosen by hand says, and gone on with as the profile that was found says.

Owns what of a profile's line has to be known before anything can be asked. Choosing the profile belongs to `profiles`.
"""

from __future__ import annotations

from collections.abc import Mapping

from twonode.drivers.link import Backend, Terminators, VisaLink, open_link
from twonode.drivers.profile_format import InstrumentKind, Line, Profile
from twonode.drivers.profiles import identification_for, shipped_profiles

__all__ = ["go_on_as", "open_as"]


def open_as(
    resource: str,
    profile: str | None,
    *,
    visa: Backend | None = None,
    profiles: Mapping[str, Profile] | None = None,
    kind: InstrumentKind | None = None,
    timeout_s: float | None = None,
) -> VisaLink:
    """Connect to an instrument; the link's ``identity`` is what it answers to being asked who it is.

    Parameters
    ----------
    profile : chosen by hand; says how its lines end, how fast its port is and how it is asked. None is *IDN?.
    visa : see `open_link`. profiles : all there are; None is those shipped. kind : for messages.
    timeout_s : deadline of one exchange, s; None is the profile's own.

    Raises LinkError or ReplyTimeout, as `open_link`.
    """
    known = shipped_profiles() if profiles is None else profiles
    named = known.get(profile or "")
    line = Line() if named is None else named.line
    return open_link(
        resource,
        terminators=Terminators(write=line.write_end, read=line.read_end),
        timeout_s=line.timeout_s if timeout_s is None else timeout_s,
        backend=visa,
        pause_s=line.inter_command_delay_ms / 1000,
        identify=identification_for(profile, known),
        kind=None if kind is None else kind.value,
        baud_rate=line.baud_rate,
    )


def go_on_as(link: VisaLink, profile: Profile, *, timeout_s: float | None = None) -> None:
    """From now on the link keeps to the line of the profile that was found; timeout_s : instead of its own."""
    line = profile.line
    link.adopt(
        terminators=Terminators(write=line.write_end, read=line.read_end),
        timeout_s=line.timeout_s if timeout_s is None else timeout_s,
        pause_s=line.inter_command_delay_ms / 1000,
    )
