"""A voltmeter by itself, for DC checks on a live set: generator and scope are not even looked for.

Owns connecting to it and leaving it. What the volts mean belongs to the rooms above.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from twonode.drivers.clock import Clock, SystemClock
from twonode.drivers.link import Backend, Terminators, open_link
from twonode.drivers.profile_format import InstrumentKind, Line, Profile, VoltmeterProfile
from twonode.drivers.profiles import choose_profile, identification_for, shipped_profiles
from twonode.drivers.scpi_text import bare_identity
from twonode.drivers.voltmeter import Voltmeter

__all__ = ["open_voltmeter"]

log = logging.getLogger("twonode.drivers")


@contextmanager
def open_voltmeter(
    resource: str,
    *,
    visa: Backend | None = None,
    profile: str | None = None,
    profiles: Mapping[str, Profile] | None = None,
    clock: Clock | None = None,
    allow_unverified: bool = False,
) -> Iterator[Voltmeter]:
    """Connect to a voltmeter and prepare it; the link is closed on leaving.

    profile : chosen by hand, where its identity is unknown. profiles : to choose from; None is those shipped.
    allow_unverified : use a profile that was written from memory.

    Raises LinkError, UnknownInstrument, WrongInstrument (a scope or generator answers there: it is asked who it is
    and nothing else), ProfileError, ReplyError, CommandRefused.
    """
    known = shipped_profiles() if profiles is None else profiles
    # A profile chosen by hand says how its lines end before anything can be asked.
    named = known.get(profile or "")
    line = Line() if named is None else named.line
    link = open_link(
        resource,
        terminators=Terminators(write=line.write_end, read=line.read_end),
        timeout_s=line.timeout_s,
        backend=visa,
        pause_s=line.inter_command_delay_ms / 1000,
        identify=identification_for(profile, known),
        kind=InstrumentKind.VOLTMETER.value,
        baud_rate=line.baud_rate,
    )
    try:
        identity = bare_identity(link.query(identification_for(profile, known)))
        found = choose_profile(
            identity,
            InstrumentKind.VOLTMETER,
            profile,
            profiles=known,
            allow_unverified=allow_unverified,
        )
        assert isinstance(found, VoltmeterProfile)
        link.adopt(
            terminators=Terminators(write=found.line.write_end, read=found.line.read_end),
            timeout_s=found.line.timeout_s,
            pause_s=found.line.inter_command_delay_ms / 1000,
        )
        log.info("voltmeter at %s: %s, profile %s", link.resource, identity, found.name)
        voltmeter = Voltmeter(link, identity=identity, profile=found, clock=clock or SystemClock())
        voltmeter.prepare()
        yield voltmeter
    finally:
        link.close()
