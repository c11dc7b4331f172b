"""The voltmeter: one DC reading.

Owns the question and the plausibility of the answer; what the volts mean belongs to the rooms above.
"""

from __future__ import annotations

from twonode.drivers.clock import Clock
from twonode.drivers.instrument import Instrument
from twonode.drivers.link import Link
from twonode.drivers.profile_format import VoltmeterProfile
from twonode.drivers.scpi_text import parse_number

__all__ = ["Voltmeter"]


class Voltmeter(Instrument):
    """A DC voltmeter on a link. Nothing is sent by making one."""

    def __init__(self, link: Link, *, identity: str, profile: VoltmeterProfile, clock: Clock) -> None:
        super().__init__(link, name="voltmeter", identity=identity, profile=profile, clock=clock)
        self.profile = profile

    def prepare(self) -> None:
        """The profile's basic settings; many meters need none."""
        self.forget_errors()
        for step in self.profile.prepare:
            self._do(step)
        self.check_errors("the basic settings")

    def read_dc_v(self) -> float:
        """Measure DC volts once.

        Raises
        ------
        ReplyError : no number, or the value that stands for an overload.
        CommandRefused, LinkError.
        """
        reply = self._link.query(self.profile.read_dc, timeout_s=self.profile.read_timeout_s)
        self.check_errors("a DC voltage reading")
        return parse_number(reply, what="the voltmeter's DC volts")
