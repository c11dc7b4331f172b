"""A voltmeter by itself, for DC checks on a live set: generator and scope are not even looked for.

Owns connecting to it and leaving it. What the volts mean belongs to the rooms above.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from twonode.drivers.clock import Clock, SystemClock
from twonode.drivers.link import Backend
from twonode.drivers.opening import go_on_as, open_as
from twonode.drivers.profile_format import InstrumentKind, Profile, VoltmeterProfile
from twonode.drivers.profiles import choose_profile, shipped_profiles
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
    kind = InstrumentKind.VOLTMETER
    link = open_as(resource, profile, visa=visa, profiles=known, kind=kind)
    try:
        identity = link.identity
        found = choose_profile(
            identity,
            kind,
            profile,
            profiles=known,
            allow_unverified=allow_unverified,
        )
        assert isinstance(found, VoltmeterProfile)
        go_on_as(link, found)
        log.info("voltmeter at %s: %s, profile %s", link.resource, identity, found.name)
        voltmeter = Voltmeter(link, identity=identity, profile=found, clock=clock or SystemClock())
        voltmeter.prepare()
        yield voltmeter
    finally:
        link.close()
