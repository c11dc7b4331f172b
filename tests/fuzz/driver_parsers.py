"""What instruments answer: parsers with sound samples."""

from __future__ import annotations

import struct
from collections.abc import Callable
from functools import cache, partial
from typing import Any

from tests.fuzz.fuzzing import Parser, finite, first_that
from tests.fuzz.mutations import Form
from twonode.drivers.block import read_block
from twonode.drivers.descriptor import read_described
from twonode.drivers.errors import ReplyTimeout
from twonode.drivers.keyvalue import parse_listed, parse_pairs
from twonode.drivers.profile_format import (
    ByteOrder,
    CurveFields,
    InstrumentKind,
    MemoryList,
    OriginUnit,
    ScopeProfile,
    TenField,
    VdivCodes,
)
from twonode.drivers.profiles import choose_profile, matching_profiles, shipped_profiles
from twonode.drivers.scpi_text import (
    parse_error_entry,
    parse_identity,
    parse_integer,
    parse_number,
    parse_number_or_infinity,
)
from twonode.drivers.transfer import RecordReader
from twonode.drivers.waveform import (
    channel_trace,
    curve_scaling,
    decode_codes,
    listed_scaling,
    ten_field_scaling,
    vdiv_scaling,
)

_SCOPES = tuple(each for each in shipped_profiles().values() if isinstance(each, ScopeProfile))


def _number(text: str) -> float:
    parse_number_or_infinity(text, what="the level")
    return parse_number(text, what="the level")


def _whole(text: str) -> int:
    return parse_integer(text, what="the state")


def _identity(text: str) -> object:
    parse_identity(text)
    matching_profiles(text)
    return first_that(partial(choose_profile, text, kind, allow_unverified=True) for kind in InstrumentKind)


def _feeder(data: bytes) -> Callable[[int], bytes]:
    """Bytes of a link that falls silent at their end."""
    place = 0

    def read_exactly(count: int) -> bytes:
        nonlocal place
        if place + count > len(data):
            raise ReplyTimeout("Nothing more comes.", "The link is silent.", "Try again.")
        place += count
        return data[place - count : place]

    return read_exactly


def _block(data: bytes) -> bytes:
    """Read with what families differ in; the first byte tells which."""
    which, data = (data[0] if data else 0), data[1:]
    trailing = (b"\n", b"", b"\n\n", b"\r\n")[which % 4]
    expected = (None, 5)[which // 4 % 2]
    head = bytearray()
    payload = read_block(
        _feeder(data),
        expected_bytes=expected,
        trailing=trailing,
        prefix_max=(0, 64)[which // 8 % 2],
        head=head,
    )
    if payload not in data or not data.startswith(head):
        raise AssertionError("not what came")
    return payload


def _pairs(text: str) -> object:
    pairs = parse_pairs(text, what="the output")
    return first_that(partial(pairs.get, key, what="it", reply=text) for key in ("FRQ", ""))


@cache
def _memory_rule() -> MemoryList:
    return next(s.waveform.scaling for s in _SCOPES if isinstance(s.waveform.scaling, MemoryList))


def _listed(data: bytes) -> object:
    parse_listed(data.decode("latin-1"), what="the record")
    return listed_scaling(data, _memory_rule(), codes_per_div=25.0)


def _preamble(text: str) -> object:
    return ten_field_scaling(text, tuple(OriginUnit)[len(text) % 2])


def _lines(text: str, count: int) -> list[str]:
    return (text.split("\n") + [""] * count)[:count]


def _curve(text: str) -> object:
    names = ("points", "sample_interval", "volts_per_code", "code_offset", "zero_volts")
    return curve_scaling(**dict(zip(names, _lines(text, 5), strict=True)))


def _vdiv(text: str) -> object:
    volts, offset, rate = _lines(text, 3)
    return vdiv_scaling(points=1000, volts_per_div=volts, offset=offset, sample_rate=rate, codes_per_div=25.0)


def _descriptor(order: str, codes: bytes = bytes([156, 255, 0, 1, 100])) -> bytes:
    """346 bytes with a user text and codes behind; places from the facts page (section C2, S4)."""
    places: dict[int, tuple[str, float]] = {
        36: ("i", 346),
        40: ("i", 16),
        60: ("i", len(codes)),
        116: ("i", 5),
        128: ("i", 4),
    }
    places |= {
        136: ("i", 1),
        156: ("f", 0.02),
        160: ("f", 0.25),
        164: ("f", 100.0),
        168: ("f", -100.0),
        176: ("f", 2e-6),
    }
    written = bytearray(b"WAVEDESC".ljust(346, b"\0"))
    for place, (kind, value) in places.items():
        struct.pack_into(order + kind, written, place, value)
    return bytes(written) + b"u" * 16 + codes


def _described(data: bytes) -> object:
    """Byte order and bytes of a code are told by the first byte."""
    which = data[0] if data else 0
    order, code_bytes = tuple(ByteOrder)[which % 2], 1 + which // 2 % 2
    read = read_described(data[1:], byte_order=order, code_bytes=code_bytes, divisions_y=8)
    decode_codes(read.codes, signed=True, code_bytes=code_bytes, byte_order=order)
    return read.scaling


def _codes(data: bytes) -> bool:
    for scope in _SCOPES:
        transfer = scope.waveform
        codes = decode_codes(
            data[: len(data) - len(data) % 2],
            signed=transfer.signed,
            code_bytes=transfer.code_bytes,
            byte_order=transfer.byte_order,
            negative_wrap=transfer.negative_wrap,
        )
        low, high = int(codes.min(initial=0)), int(codes.max(initial=0))
        if not -(1 << 15) <= low <= high < 1 << 15:
            return False
    return True


class _AnsweringLink:
    """A link on which a stopped scope answers whatever bytes come next, whatever it is asked."""

    resource = "FUZZED::1"

    def __init__(self, data: bytes) -> None:
        self._data = data

    def write(self, text: str) -> None:
        """Nothing hears it."""

    def query(self, text: str, *, timeout_s: float | None = None) -> str:
        line, end, self._data = self._data.partition(b"\n")
        if not end:
            raise ReplyTimeout("Nothing more comes.", "The link is silent.", "Try again.")
        return line.decode("latin-1")

    def query_block(self, text: str, *, timeout_s: float | None = None, **how: Any) -> bytes:
        taken = 0
        read = _feeder(self._data)

        def read_exactly(count: int) -> bytes:
            nonlocal taken
            piece = read(count)
            taken += count
            return piece

        payload = read_block(read_exactly, **how)
        self._data = self._data[taken:]
        return payload


def _records(data: bytes) -> bool:
    """A whole transfer on every family; the first byte tells which."""
    scope = _SCOPES[(data[0] if data else 0) % len(_SCOPES)]
    link = _AnsweringLink(data[1:])
    scaling, codes = RecordReader(link, scope, link.write).read(1)
    trace = channel_trace(
        codes,
        scaling,
        volts_per_div=scaling.volts_per_code * (scope.waveform.codes_per_div or 25.0),
        transfer=scope.waveform,
        divisions_y=scope.divisions_y,
    )
    return len(trace.codes) == scaling.points and finite(scaling)


def _record_samples() -> tuple[bytes, ...]:
    codes = bytes(range(100, 110))
    ten = b"0,2,10,1,1.0E-6,0,0,4.0E-2,0,127\n#210" + codes + b"\n"
    curve = b"10\n1.0E-6\n4.0E-3\n0.0E0\n0.0E0\n#210" + codes + b"\n"
    vdiv = b"ALL,#210" + codes + b"\n\n5.00E-01V\n0.0E0V\n1.00E+06Sa/s\n"
    listed = (
        b"Memory Length,5;Vertical Scale,5.0E-01;Sampling Period,1.0E-06;Waveform Data;\n#210" + codes + b"\n"
    )
    samples = []
    for which, scope in enumerate(_SCOPES):
        transfer = scope.waveform
        own = {TenField: ten, CurveFields: curve, VdivCodes: vdiv, MemoryList: listed}.get(
            type(transfer.scaling)
        )
        if own is None:
            order = ">" if transfer.byte_order is ByteOrder.MOST_FIRST else "<"
            block = _descriptor(order, codes[:5] * transfer.code_bytes)
            own = b"#9%09d" % len(block) + block + transfer.block_trailing.encode()
        samples.append(bytes([which]) + own)
    return tuple(samples)


_IDENTITIES = (
    "TWONODE,SIM-G1,SIMULATED,1.0",
    "*IDN TWONODE,SIM-S1A,SIMULATED,1.0",
    "twonode , sim-g2-7",
    "TWONODE,SIM-G1B,X1,00.04.04,5",
)
_NUMBERS = (
    "+1.00000E+03",
    "CH1:SCALE 5.0E-1",
    "1.0000kHz",
    "4",
    "2.00V",
    "1.00GSa/s",
    ":TIM:SCAL 1e-3",
    "-0.5 mV",
    "50%",
)

PARSERS: tuple[Parser, ...] = (
    Parser(name="numbers in replies", form=Form.TEXT, samples=_NUMBERS, read=_number, sound=finite),
    Parser(
        name="whole numbers in replies",
        form=Form.TEXT,
        samples=("4", "+4", "4.0E0", ":AVER 16", "-3"),
        read=_whole,
    ),
    Parser(name="identities", form=Form.TEXT, samples=_IDENTITIES, read=_identity),
    Parser(
        name="error queue entries",
        form=Form.TEXT,
        samples=(
            '0,"No error"',
            '-113,"Undefined header"',
            '+0,"No error"',
            ":SYST:ERR -222,'Data out of range;x'",
            "0",
        ),
        read=parse_error_entry,
    ),
    Parser(
        name="blocks",
        form=Form.BINARY,
        samples=(
            b"\x04#15hello\n",
            b"\x0eC1:WF ALL,#9000000005hello\n\n",
            b"\x03#212hello, world\r\n",
            b"\x01#10",
        ),
        read=_block,
    ),
    Parser(
        name="lists of keys and values",
        form=Form.TEXT,
        samples=(
            "C1:BSWV WVTP,SINE,FRQ,1000HZ,AMP,2V",
            "C1:OUTP ON,LOAD,HZ,PLRT,NOR,FRQ,1",
            "ON,FRQ,7",
            "FRQ,1000HZ",
        ),
        read=_pairs,
    ),
    Parser(
        name="lists ahead of memories",
        form=Form.WORDS,
        samples=(
            b"Format,2.0E;Memory Length,10000;Vertical Scale,2.000e-01;Sampling Period,1.0e-07;Waveform Data;\n",
        ),
        read=_listed,
        sound=finite,
    ),
    Parser(
        name="ten-field preambles",
        form=Form.TEXT,
        samples=(
            "0,2,1200,1,1.000000e-06,-6.000000e-04,0,4.000000e-02,0,127",
            "+0,+0,+600,+1,+2.0E-6,0,0,+4E-2,-5,+100\n",
        ),
        read=_preamble,
        sound=finite,
    ),
    Parser(
        name="curve scalings",
        form=Form.TEXT,
        samples=(
            "2500\n1.0E-6\n4.0E-3\n-12.0E0\n0.0E0",
            "WFMPRE:NR_PT 2500\n:XINCR 4.0E-7\nYMULT 2E-2\nYOFF 3\nYZERO 0.5",
        ),
        read=_curve,
        sound=finite,
    ),
    Parser(
        name="scalings from settings",
        form=Form.TEXT,
        samples=("5.00E-01V\n0.00E+00V\n1.00MSa/s", "C1:VDIV 2.00E+00V\nC1:OFST -1.0V\nSARA 5.00E+05Sa/s"),
        read=_vdiv,
        sound=finite,
    ),
    Parser(
        name="binary descriptors",
        form=Form.BINARY,
        samples=(
            b"\x01" + _descriptor("<"),
            b"\0" + _descriptor(">"),
            b"\x01C1:WF ALL,#9" + _descriptor("<"),
        ),
        read=_described,
        sound=finite,
    ),
    Parser(
        name="codes",
        form=Form.BINARY,
        samples=(bytes(range(256)), bytes([100, 120, 140, 160] * 30), b""),
        read=_codes,
        sound=bool,
    ),
    Parser(
        name="records of every family", form=Form.BINARY, samples=_record_samples(), read=_records, sound=bool
    ),
)
