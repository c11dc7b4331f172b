"""What the codes of a record mean: preambles in, a scaling out, and its plausibility.

Owns the scaling rules of the families and the limits at which a code counts as clipped. Sends nothing.

Sources: the programming guides behind the profiles; every rule is tested against an example printed in one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from twonode.drivers.block import shortened
from twonode.drivers.capture import ChannelTrace
from twonode.drivers.errors import ReplyError
from twonode.drivers.profile_format import OriginUnit, WaveformTransfer
from twonode.drivers.scpi_text import parse_number

__all__ = ["Scaling", "channel_trace", "curve_scaling", "decode_codes", "ten_field_scaling"]

# Volts per code follow from V/div by whole-number arithmetic in the instrument; only its rounding is allowed.
_CODES_PER_DIV_TOLERANCE = 0.02
_MOST_POINTS = 64_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Scaling:
    """How to read a record: V = code * volts_per_code + volts_at_code_zero."""

    points: int
    sample_interval_s: float
    volts_per_code: float
    volts_at_code_zero: float

    def __post_init__(self) -> None:
        if not 1 <= self.points <= _MOST_POINTS:
            raise _implausible(f"it announces {self.points} points")
        if not 0 < self.sample_interval_s < 1e3:
            raise _implausible(f"its sample interval is {self.sample_interval_s:g} s")
        if not 0 < self.volts_per_code < 1e6:
            raise _implausible(f"its volts per code are {self.volts_per_code:g}")
        if not math.isfinite(self.volts_at_code_zero):
            raise _implausible(f"its zero is at {self.volts_at_code_zero:g} V")


def ten_field_scaling(preamble: str, origin: OriginUnit) -> Scaling:
    """Scaling from one line: format, type, points, count, XINC, XOR, XREF, YINC, YOR, YREF.

    Raises ReplyError for anything but ten finite numbers that are plausible as these.
    """
    fields = preamble.strip().split(",")
    if len(fields) != 10:
        raise _implausible(f"it has {len(fields)} fields instead of ten: {shortened(preamble)}")
    names = ("format", "type", "points", "count", "XINC", "XOR", "XREF", "YINC", "YOR", "YREF")
    values = [parse_number(f, what=f"the preamble's {n}") for n, f in zip(names, fields, strict=True)]
    kind, _, points, count, interval, _, _, increment, vertical_origin, reference = values
    if kind != 0:
        raise _implausible(f"its format is {kind:g} where 0 (one byte a point) was asked for")
    if not 1 <= points <= _MOST_POINTS or points != round(points):
        raise _implausible(f"it announces {points:g} points")
    if count < 0 or count != round(count):
        raise _implausible(f"its count of averages is {count:g}")
    match origin:
        case OriginUnit.CODES:
            at_zero = -(reference + vertical_origin) * increment
        case OriginUnit.VOLTS:
            at_zero = -reference * increment + vertical_origin
    return Scaling(
        points=round(points),
        sample_interval_s=interval,
        volts_per_code=increment,
        volts_at_code_zero=at_zero,
    )


def curve_scaling(
    *,
    points: str,
    sample_interval: str,
    volts_per_code: str,
    code_offset: str,
    zero_volts: str,
) -> Scaling:
    """Scaling from five single replies: V = (code - code_offset) * volts_per_code + zero_volts.

    Raises ReplyError for a reply that is no number, and for volts per code of 0 (the scale is unknown).
    """
    increment = parse_number(volts_per_code, what="the volts per code")
    if increment == 0:
        raise _implausible("its volts per code are 0, which says that the scale is unknown")
    offset = parse_number(code_offset, what="the code offset")
    zero = parse_number(zero_volts, what="the zero volts")
    count = parse_number(points, what="the number of points")
    if not 1 <= count <= _MOST_POINTS or count != round(count):
        raise _implausible(f"it announces {count:g} points")
    return Scaling(
        points=round(count),
        sample_interval_s=parse_number(sample_interval, what="the sample interval"),
        volts_per_code=increment,
        volts_at_code_zero=zero - offset * increment,
    )


def decode_codes(payload: bytes, *, signed: bool) -> NDArray[np.int16]:
    """One code a byte, signed or not, as int16 of shape (len(payload),)."""
    return np.frombuffer(payload, dtype=np.int8 if signed else np.uint8).astype(np.int16)


def channel_trace(
    codes: NDArray[np.int16],
    scaling: Scaling,
    *,
    volts_per_div: float,
    transfer: WaveformTransfer,
    divisions_y: int,
) -> ChannelTrace:
    """A trace with its clip limits.

    A code counts as clipped within ``clip_margin`` of the converter's ends, and beyond the visible screen: there
    the input amplifier may already limit.

    Raises
    ------
    ReplyError : volts per code and V/div do not belong together, as after a change by hand.
    """
    codes_per_div = volts_per_div / scaling.volts_per_code
    if not abs(codes_per_div / transfer.codes_per_div - 1) <= _CODES_PER_DIV_TOLERANCE:
        raise _implausible(
            f"{scaling.volts_per_code:g} V per code do not belong to {volts_per_div:g} V/div "
            f"({transfer.codes_per_div:g} codes a division)"
        )
    visible = math.ceil(transfer.codes_per_div * divisions_y / 2) + 1
    return ChannelTrace(
        codes=codes,
        volts_per_code=scaling.volts_per_code,
        volts_at_code_zero=scaling.volts_at_code_zero,
        lowest_code=max(transfer.lowest_rail + transfer.clip_margin, transfer.centre_code - visible),
        highest_code=min(transfer.highest_rail - transfer.clip_margin, transfer.centre_code + visible),
        volts_per_div=volts_per_div,
    )


def _implausible(why: str) -> ReplyError:
    return ReplyError(
        "The scope's description of its record cannot be right.",
        f"That is: {why}.",
        "Leave the scope's keys alone while measuring and repeat; if it stays, the profile does not suit it.",
    )
