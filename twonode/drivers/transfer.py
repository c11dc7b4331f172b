"""The transfer of one channel of a stopped record: commands, blocks and the rule that scales their codes.

Owns the order in which each rule has description and codes, long records in several reads, and the look at the
channel's display when nothing comes. What the rules say is in `waveform` and `descriptor`.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from twonode.drivers.descriptor import read_described
from twonode.drivers.errors import BenchError, ReplyError, ReplyTimeout, SettingNotTaken
from twonode.drivers.link import Link
from twonode.drivers.profile_format import (
    CurveFields,
    MemoryList,
    ScopeProfile,
    TenField,
    VdivCodes,
    Wavedesc,
)
from twonode.drivers.waveform import (
    Scaling,
    curve_scaling,
    decode_codes,
    listed_scaling,
    ten_field_scaling,
    vdiv_scaling,
)

__all__ = ["RecordReader"]


class RecordReader:
    """Fetches records as a profile says.

    write : sends one command.
    """

    def __init__(self, link: Link, profile: ScopeProfile, write: Callable[[str], None]) -> None:
        self._link = link
        self._profile = profile
        self._transfer = profile.waveform
        self._write = write

    def read(self, channel: int) -> tuple[Scaling, NDArray[np.int16]]:
        """Scaling and codes of one channel of the complete record.

        Raises
        ------
        ReplyError : what came is no record, or contradicts its own description.
        SettingNotTaken : nothing came, and the channel is not displayed.
        ReplyTimeout, CommandRefused, LinkError.
        """
        try:
            for text in self._transfer.select:
                self._write(text.format(channel=channel))
            return self._record(channel)
        except (ReplyTimeout, ReplyError) as exc:
            self._check_shown(channel, exc)
            raise

    def _record(self, channel: int) -> tuple[Scaling, NDArray[np.int16]]:
        """Scaling and codes of one channel, in the order its rule has them."""
        transfer = self._transfer
        ask = self._link.query
        head = bytearray()
        match transfer.scaling:
            case TenField() as rule:
                scaling = ten_field_scaling(ask(rule.ask), rule.origin)
                return scaling, self._counted_codes(scaling.points, channel)
            case CurveFields() as rule:
                scaling = curve_scaling(
                    points=ask(rule.points),
                    sample_interval=ask(rule.sample_interval),
                    volts_per_code=ask(rule.volts_per_code),
                    code_offset=ask(rule.code_offset),
                    zero_volts=ask(rule.zero_volts),
                )
                return scaling, self._counted_codes(scaling.points, channel)
            case VdivCodes() as rule:
                assert transfer.codes_per_div is not None
                codes = self._decoded(self._block(channel, head=head))
                scaling = vdiv_scaling(
                    points=len(codes),
                    volts_per_div=ask(rule.volts_per_div.format(channel=channel)),
                    offset=ask(rule.offset.format(channel=channel)),
                    sample_rate=ask(rule.sample_rate.format(channel=channel)),
                    codes_per_div=transfer.codes_per_div,
                )
            case Wavedesc():
                described = read_described(
                    self._block(channel, head=head),
                    byte_order=transfer.byte_order,
                    code_bytes=transfer.code_bytes,
                    divisions_y=self._profile.divisions_y,
                )
                scaling, codes = described.scaling, self._decoded(described.codes)
            case MemoryList() as rule:
                assert transfer.codes_per_div is not None
                codes = self._decoded(self._block(channel, head=head))
                scaling = listed_scaling(bytes(head), rule, codes_per_div=transfer.codes_per_div)
        if scaling.points != len(codes):
            raise ReplyError(
                f"The record of channel {channel} has {len(codes)} points.",
                f"Its own description announces {scaling.points}.",
                "Repeat the measurement; if it stays, the command profile does not suit this scope.",
            )
        return scaling, codes

    def _counted_codes(self, points: int, channel: int) -> NDArray[np.int16]:
        """Codes of a record whose length is known, in as many reads as the instrument needs."""
        transfer = self._transfer
        most = transfer.max_points_per_read
        assert most is not None
        pieces = []
        for first in range(1, points + 1, most):
            last = min(first + most - 1, points)
            for text in transfer.span:
                self._write(text.format(first=first, last=last))
            expected = (last - first + 1) * transfer.code_bytes
            pieces.append(self._decoded(self._block(channel, expected_bytes=expected)))
        return pieces[0] if len(pieces) == 1 else np.concatenate(pieces)

    def _block(
        self, channel: int, *, expected_bytes: int | None = None, head: bytearray | None = None
    ) -> bytes:
        transfer = self._transfer
        return self._link.query_block(
            transfer.read.format(channel=channel),
            expected_bytes=expected_bytes,
            trailing=transfer.block_trailing.encode("ascii"),
            prefix_max=transfer.block_prefix_max,
            head=head,
        )

    def _decoded(self, payload: bytes) -> NDArray[np.int16]:
        transfer = self._transfer
        return decode_codes(
            payload,
            signed=transfer.signed,
            code_bytes=transfer.code_bytes,
            byte_order=transfer.byte_order,
            negative_wrap=transfer.negative_wrap,
        )

    def _check_shown(self, channel: int, cause: Exception) -> None:
        """Raise SettingNotTaken if the data did not come because the channel is not displayed."""
        shown = self._transfer.shown
        if shown is None:
            return
        try:
            reply = self._link.query(shown.ask.format(channel=channel))
        except BenchError:
            return
        if reply.split()[-1:] and reply.split()[-1].upper() not in {a.upper() for a in shown.answers}:
            raise SettingNotTaken(
                f"Channel {channel} is not displayed: asked, the scope answers {reply!r}.",
                "A channel that is not displayed sends no record.",
                "Leave the scope's keys alone while measuring, and repeat.",
            ) from cause
