"""The form of a voltmeter's profile."""

from __future__ import annotations

from twonode.drivers.profile_format.common import PLAIN, BaseProfile, Step, check_template

__all__ = ["VoltmeterProfile"]


class VoltmeterProfile(BaseProfile, frozen=True, kw_only=True, tag_field="kind", tag="voltmeter"):
    """A meter for DC volts. read_dc : the question that measures and answers in V."""

    prepare: tuple[Step, ...]
    read_dc: str
    read_timeout_s: float = 10.0

    def __post_init__(self) -> None:
        BaseProfile.__post_init__(self)
        check_template("read_dc", self.read_dc, PLAIN)
        self.check_channels("prepare")
        if not 0 < self.read_timeout_s <= 120:
            raise ValueError(f"read_timeout_s: need 0 to 120 s, got {self.read_timeout_s}")
