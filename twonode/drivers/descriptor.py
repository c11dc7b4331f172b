"""The binary descriptor that some scopes send ahead of the codes, in the same block.

Owns its layout: a scaling and the place of the codes out, or our error. The layout is public and the same in several
makers' guides; positions count from the word ``WAVEDESC``.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

from twonode.drivers.errors import ReplyError
from twonode.drivers.profile_format import ByteOrder
from twonode.drivers.waveform import Scaling

__all__ = ["DescribedRecord", "read_described"]

_MARK = b"WAVEDESC"
_SHORTEST_BYTES = 188  # up to the end of the horizontal offset, the last field read
_LONGEST_BYTES = 1 << 16


@dataclass(frozen=True, slots=True, kw_only=True)
class DescribedRecord:
    """What a block says: the scaling, and the bytes of its valid codes."""

    scaling: Scaling
    codes: bytes


def read_described(
    payload: bytes, *, byte_order: ByteOrder, code_bytes: int, divisions_y: int
) -> DescribedRecord:
    """Read descriptor and codes: V = gain * code - offset.

    Parameters
    ----------
    payload : the whole block.
    byte_order : of the numbers in the descriptor. code_bytes : bytes of one code.
    divisions_y : of the screen, to turn the grid's ends into codes per division.

    Raises
    ------
    ReplyError : no descriptor, a length or a place outside the block, or numbers that cannot be right, as with the
        other byte order.

    Source: the descriptor's table in the programming guides behind the profiles.
    """
    start = payload.find(_MARK, 0, 64)
    if start < 0 or len(payload) - start < _SHORTEST_BYTES:
        raise _undescribed("it does not begin with a whole descriptor")
    order = ">" if byte_order is ByteOrder.MOST_FIRST else "<"

    def whole(place: int) -> int:
        return int(struct.unpack_from(f"{order}i", payload, start + place)[0])

    def real(place: int) -> float:
        return float(struct.unpack_from(f"{order}f", payload, start + place)[0])

    lengths = [whole(place) for place in (36, 40, 48, 52)]
    if not _SHORTEST_BYTES <= lengths[0] <= _LONGEST_BYTES or min(lengths) < 0:
        raise _undescribed(
            f"its descriptor is said to be {lengths[0]} bytes long; the byte order may be another"
        )
    data_bytes, points, first, last = whole(60), whole(116), whole(124), whole(128)
    begin = start + sum(lengths)
    if points < 1 or data_bytes != points * code_bytes or begin + data_bytes > len(payload):
        raise _undescribed(
            f"it announces {points} points in {data_bytes} bytes of {code_bytes} each, and {len(payload) - begin} "
            "bytes follow"
        )
    if not 0 <= first <= last < points:
        raise _undescribed(f"its valid points are said to be {first} to {last} of {points}")
    sparsing = whole(136)
    if sparsing not in (0, 1):
        raise _undescribed(f"it holds only every {sparsing}th point")
    grid = real(164) - real(168)
    if not grid > 0:
        raise _undescribed(f"its grid is {grid:g} codes high")
    scaling = Scaling(
        points=last - first + 1,
        sample_interval_s=real(176),
        volts_per_code=real(156),
        volts_at_code_zero=-real(160),
        codes_per_div=grid / divisions_y,
    )
    return DescribedRecord(
        scaling=scaling,
        codes=payload[begin + first * code_bytes : begin + (last + 1) * code_bytes],
    )


def _undescribed(why: str) -> ReplyError:
    return ReplyError(
        "The scope's description of its record cannot be right.",
        f"That is: {why}.",
        "Repeat the measurement; if it stays, the command profile does not suit this scope.",
    )
