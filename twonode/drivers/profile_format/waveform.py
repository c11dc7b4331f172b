"""The form of what fetches a record from a scope, and of the rule that turns its codes into volts.

Owns the list of rules; working them out belongs to `drivers.waveform` and `drivers.descriptor`.
"""

from __future__ import annotations

from enum import Enum
from typing import Literal

from twonode.drivers.profile_format.common import CHANNEL, PLAIN, Question, check_template
from twonode.drivers.profile_format.strict import Strict

__all__ = [
    "ByteOrder",
    "CurveFields",
    "MemoryList",
    "OriginUnit",
    "TenField",
    "VdivCodes",
    "Wavedesc",
    "WaveformTransfer",
]


class OriginUnit(Enum):
    """What the ten-field preamble's vertical origin counts in: the families' most dangerous difference."""

    CODES = "codes"
    VOLTS = "volts"


class ByteOrder(Enum):
    """Which byte of a number comes first."""

    MOST_FIRST = "msb-first"
    LEAST_FIRST = "lsb-first"


class TenField(Strict, frozen=True, kw_only=True, tag_field="rule", tag="ten-field"):
    """Scaling from one line of ten numbers.

    origin "codes": V = (code - reference - origin) * increment;
    origin "volts": V = (code - reference) * increment + origin.
    """

    ask: str
    origin: OriginUnit

    def __post_init__(self) -> None:
        check_template("ask", self.ask, PLAIN)


class CurveFields(Strict, frozen=True, kw_only=True, tag_field="rule", tag="curve-fields"):
    """Scaling from single questions: V = (code - offset) * volts_per_code + zero_volts."""

    volts_per_code: str
    code_offset: str
    zero_volts: str
    sample_interval: str
    points: str

    def __post_init__(self) -> None:
        for key in self.__struct_fields__:
            check_template(key, getattr(self, key), PLAIN)


class VdivCodes(Strict, frozen=True, kw_only=True, tag_field="rule", tag="vdiv-codes"):
    """Scaling from the settings: V = code * volts_per_div / codes_per_div - offset.

    The questions for the three; the record's length is that of its block.
    """

    volts_per_div: str
    offset: str
    sample_rate: str

    def __post_init__(self) -> None:
        for key in self.__struct_fields__:
            check_template(key, getattr(self, key), CHANNEL)


class Wavedesc(Strict, frozen=True, kw_only=True, tag_field="rule", tag="wavedesc"):
    """Scaling from a binary descriptor ahead of the codes in the same block: V = gain * code - offset.

    Its numbers and the codes have the byte order of the transfer.
    """


class MemoryList(Strict, frozen=True, kw_only=True, tag_field="rule", tag="memory-list"):
    """Scaling from a list ``key,value;`` in front of the block: V = code * volts_per_div / codes_per_div.

    The keys that volts per division, seconds per point and the number of points may stand under; the first that is
    there is used.
    """

    volts_per_div: tuple[str, ...]
    sample_interval: tuple[str, ...]
    points: tuple[str, ...]

    def __post_init__(self) -> None:
        for key in self.__struct_fields__:
            if not getattr(self, key):
                raise ValueError(f"{key}: name at least one key")


class WaveformTransfer(Strict, frozen=True, kw_only=True):
    """How a stopped record is fetched and what its codes mean.

    before : sent once a record; select : once a channel; span : before each read, with 1-based inclusive
    ``{first}`` and ``{last}``; max_points_per_read goes with the rules that know the length before the block comes.
    shown : whether a channel is displayed; asked when its data does not come, since some families then keep silent.
    code_bytes, byte_order, signed : one code. negative_wrap : what is subtracted from a signed byte above 127,
    where that is in doubt: 256 is two's complement, 255 is what one guide prints. They differ by one code, and a
    record that contradicts the figure given here is refused. Absent: two's complement.
    hole_code : stands for a point without data. lowest_rail, highest_rail : ends of the converter; clip_margin :
    codes this near a rail count as clipped. centre_code : code at the centre of the screen.
    codes_per_div : checked against each scaling that arrives; absent only where the descriptor states the grid.
    block_trailing, block_prefix_max : see `block.read_block`.
    """

    before: tuple[str, ...] = ()
    select: tuple[str, ...] = ()
    span: tuple[str, ...] = ()
    read: str
    scaling: TenField | CurveFields | VdivCodes | Wavedesc | MemoryList
    max_points_per_read: int | None = None
    shown: Question | None = None
    code_bytes: Literal[1, 2] = 1
    byte_order: ByteOrder = ByteOrder.MOST_FIRST
    signed: bool
    negative_wrap: Literal[255, 256] | None = None
    hole_code: int | None = None
    lowest_rail: int
    highest_rail: int
    clip_margin: int = 1
    centre_code: int
    codes_per_div: float | None = None
    block_trailing: Literal["", "\n", "\r\n", "\n\n"] = "\n"
    block_prefix_max: int = 0

    def __post_init__(self) -> None:
        for text in self.before:
            check_template("before", text, PLAIN)
        for text in self.select:
            check_template("select", text, CHANNEL)
        for text in self.span:
            check_template("span", text, frozenset({"first", "last"}))
        check_template("read", self.read, CHANNEL)
        self._check_length()
        self._check_codes()

    def _check_length(self) -> None:
        counted = isinstance(self.scaling, (TenField, CurveFields))
        if counted != (self.max_points_per_read is not None):
            raise ValueError(
                "max_points_per_read: needed where the preamble states the points, and only there"
            )
        if self.max_points_per_read is not None and self.max_points_per_read < 1:
            raise ValueError(f"max_points_per_read: need >= 1, got {self.max_points_per_read}")
        if self.span and not counted:
            raise ValueError("span: this rule learns the length from the block itself")
        if not 0 <= self.block_prefix_max <= 4096:
            raise ValueError(f"block_prefix_max: need 0 to 4096, got {self.block_prefix_max}")
        if isinstance(self.scaling, MemoryList) and self.block_prefix_max == 0:
            raise ValueError("block_prefix_max: the list in front of the block needs room")

    def _check_codes(self) -> None:
        if self.code_bytes == 2 and not self.signed:
            raise ValueError("signed: codes of two bytes are signed")
        half = 1 << (8 * self.code_bytes - 1)
        low, high = (-half, half - 1) if self.signed else (0, 2 * half - 1)
        if not low <= self.lowest_rail < self.centre_code < self.highest_rail <= high:
            raise ValueError(f"lowest_rail: need {low} <= lowest_rail < centre_code < highest_rail <= {high}")
        if self.negative_wrap is not None and not (self.signed and self.code_bytes == 1):
            raise ValueError("negative_wrap: goes with signed codes of one byte")
        if self.hole_code is not None and not low <= self.hole_code <= high:
            raise ValueError(f"hole_code: need {low} to {high}, got {self.hole_code}")
        if (self.codes_per_div is None) != isinstance(self.scaling, Wavedesc):
            raise ValueError(
                "codes_per_div: needed with every rule but 'wavedesc', which states the grid itself"
            )
        if self.codes_per_div is not None and not 1 <= self.codes_per_div <= 64 * 256 ** (
            self.code_bytes - 1
        ):
            raise ValueError(f"codes_per_div: need 1 to 64 a byte, got {self.codes_per_div}")
