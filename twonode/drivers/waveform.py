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
from twonode.drivers.keyvalue import parse_listed
from twonode.drivers.profile_format import ByteOrder, MemoryList, OriginUnit, WaveformTransfer
from twonode.drivers.scpi_text import parse_number

__all__ = [
    "Scaling",
    "channel_trace",
    "curve_scaling",
    "decode_codes",
    "listed_scaling",
    "ten_field_scaling",
    "vdiv_scaling",
]

# Volts per code follow from V/div by whole-number arithmetic in the instrument; only its rounding is allowed.
_CODES_PER_DIV_TOLERANCE = 0.02
_MOST_POINTS = 64_000_000
# Points a code must have to be called often there: by chance such a gap does not come about.
_OFTEN = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Scaling:
    """How to read a record: V = code * volts_per_code + volts_at_code_zero.

    codes_per_div : where the instrument states its grid itself, else None.
    """

    points: int
    sample_interval_s: float
    volts_per_code: float
    volts_at_code_zero: float
    codes_per_div: float | None = None

    def __post_init__(self) -> None:
        if not 1 <= self.points <= _MOST_POINTS:
            raise _implausible(f"it announces {self.points} points")
        if not 0 < self.sample_interval_s < 1e3:
            raise _implausible(f"its sample interval is {self.sample_interval_s:g} s")
        if not 0 < self.volts_per_code < 1e6:
            raise _implausible(f"its volts per code are {self.volts_per_code:g}")
        if not math.isfinite(self.volts_at_code_zero):
            raise _implausible(f"its zero is at {self.volts_at_code_zero:g} V")
        if self.codes_per_div is not None and not 1 <= self.codes_per_div <= 16384:
            raise _implausible(f"its divisions have {self.codes_per_div:g} codes")


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


def vdiv_scaling(
    *, points: int, volts_per_div: str, offset: str, sample_rate: str, codes_per_div: float
) -> Scaling:
    """Scaling from the settings: V = code * volts_per_div / codes_per_div - offset.

    points : of the block that came. Raises ReplyError for a reply that is no number, or a rate of 0.
    """
    rate_hz = parse_number(sample_rate, what="the sample rate")
    if not rate_hz > 0:
        raise _implausible(f"its sample rate is {rate_hz:g}")
    return Scaling(
        points=points,
        sample_interval_s=1 / rate_hz,
        volts_per_code=parse_number(volts_per_div, what="the volts per division") / codes_per_div,
        volts_at_code_zero=-parse_number(offset, what="the offset"),
    )


def listed_scaling(head: bytes, rule: MemoryList, *, codes_per_div: float) -> Scaling:
    """Scaling from the list ``key,value;`` ahead of a block: V = code * volts_per_div / codes_per_div.

    Raises ReplyError where one of the keys is missing or no number stands there.
    """
    text = head.decode("ascii", errors="replace")
    listed = parse_listed(text, what="the record")

    def number(keys: tuple[str, ...]) -> float:
        key = next((each for each in keys if each.upper() in listed.values), keys[0])
        what = f"the record's {key!r}"
        return parse_number(listed.get(key, what=what, reply=text), what=what)

    points = number(rule.points)
    if not 1 <= points <= _MOST_POINTS or points != round(points):
        raise _implausible(f"it announces {points:g} points")
    return Scaling(
        points=round(points),
        sample_interval_s=number(rule.sample_interval),
        volts_per_code=number(rule.volts_per_div) / codes_per_div,
        volts_at_code_zero=0.0,
    )


def decode_codes(
    payload: bytes,
    *,
    signed: bool,
    code_bytes: int = 1,
    byte_order: ByteOrder = ByteOrder.MOST_FIRST,
    negative_wrap: int | None = None,
) -> NDArray[np.int16]:
    """The codes of a block, int16 of shape (len(payload) // code_bytes,).

    negative_wrap : what is subtracted from a signed byte above 127; None is two's complement.

    Raises
    ------
    ReplyError : the last code is not whole; or ``negative_wrap`` is given and the codes say that it is the other.
    """
    if len(payload) % code_bytes:
        raise _implausible(f"{len(payload)} bytes are no whole number of codes of {code_bytes} bytes")
    order = ">" if byte_order is ByteOrder.MOST_FIRST else "<"
    wide = np.frombuffer(payload, dtype=f"{order}{'i' if signed else 'u'}{code_bytes}").astype(np.int16)
    if negative_wrap is not None:
        _check_wrap(wide, negative_wrap)
        wide[wide < 0] += 256 - negative_wrap
    return wide


def _check_wrap(codes: NDArray[np.int16], negative_wrap: int) -> None:
    """Raise ReplyError where the codes contradict the wrap.

    codes : read as two's complement. Counted down from 255, minus one arrives as 254 and the byte 255 never does: a
    record that is often just above and just below zero and never at that byte is counted so.
    """
    minus_two, minus_one, zero = (int(np.count_nonzero(codes == code)) for code in (-2, -1, 0))
    if minus_one == 0 and min(minus_two, zero) >= _OFTEN:
        counted = 255
    elif minus_one >= _OFTEN:
        counted = 256
    else:
        return
    if counted != negative_wrap:
        raise ReplyError(
            f"The scope counts negative codes from {counted}, and the profile says {negative_wrap}.",
            "Every negative value would be wrong by one step of the converter.",
            f"Copy the profile into your own profiles folder with `negative_wrap = {counted}`.",
        )


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
    ReplyError : volts per code and V/div do not belong together, as after a change by hand; or points without
        data.
    """
    if transfer.hole_code is not None and bool(np.any(codes == transfer.hole_code)):
        holes = int(np.count_nonzero(codes == transfer.hole_code))
        raise _implausible(f"{holes} of its {len(codes)} points hold no data")
    nominal = transfer.codes_per_div if scaling.codes_per_div is None else scaling.codes_per_div
    assert nominal is not None
    codes_per_div = volts_per_div / scaling.volts_per_code
    if not abs(codes_per_div / nominal - 1) <= _CODES_PER_DIV_TOLERANCE:
        raise _implausible(
            f"{scaling.volts_per_code:g} V per code do not belong to {volts_per_div:g} V/div "
            f"({nominal:g} codes a division)"
        )
    visible = math.ceil(nominal * divisions_y / 2) + 1
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
