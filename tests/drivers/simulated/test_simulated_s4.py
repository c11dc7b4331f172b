"""The simulated scope of family S4: the WAVEDESC block at the offsets of the facts page (C2)."""

from __future__ import annotations

import struct

import numpy as np
import pytest
from dialects import drive_and_far, scope_bench, true_far_over_drive, wait_until
from numpy.typing import NDArray

from twonode.drivers.simulated import DirectBench, ScopeFamily

PREPARE = (
    "CHDR OFF",
    *(f"C{n}:TRA ON;C{n}:CPL D1M;C{n}:ATTN 10;C{n}:VDIV 0.5;C{n}:OFST 0V" for n in (1, 2)),
    "TDIV 1MS",
    "MSIZ 14K",
    "TRSE EDGE,SR,C1,HT,OFF",
    "C1:TRLV 0",
)


def bench_of(*more: str) -> DirectBench:
    bench = scope_bench(ScopeFamily.WAVEDESC, (*PREPARE, *more))
    bench.scope.write("TRMD SINGLE")
    bench.scope.write("ARM")
    wait_until(bench, lambda: bench.scope.query("SAST?") == "Stop")
    return bench


def block_of(bench: DirectBench, channel: int) -> bytes:
    return bench.scope.query_block(f"C{channel}:WF? ALL", prefix_max=16)


def trace_of(block: bytes, order: str, width: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """V = GAIN*c - OFFSET [R64], t = i*HORIZ_INTERVAL + HORIZ_OFFSET; data after the lengths at 36, 40, 48, 52."""
    assert block.startswith(b"WAVEDESC")
    start = sum(struct.unpack_from(f"{order}i", block, place)[0] for place in (36, 40, 48, 52))
    (length,) = struct.unpack_from(f"{order}i", block, 60)
    codes = np.frombuffer(block[start : start + length], dtype=f"{order}i{width}").astype(float)
    assert struct.unpack_from(f"{order}i", block, 116) == (codes.size,)
    assert len(block) == start + length
    gain, offset = struct.unpack_from(f"{order}ff", block, 156)
    (interval_s,) = struct.unpack_from(f"{order}f", block, 176)
    (first_s,) = struct.unpack_from(f"{order}d", block, 180)
    return gain * codes - offset, np.arange(codes.size) * interval_s + first_s


@pytest.mark.parametrize(
    ("lines", "order", "width"),
    [
        ((), ">", 1),  # the default is high byte first [R62]
        (("CORD LO", "CFMT DEF9,BYTE,BIN"), "<", 1),
        (("CORD LO", "CFMT DEF9,WORD,BIN"), "<", 2),
        (("CORD HI", "CFMT DEF9,WORD,BIN"), ">", 2),
    ],
)
def test_volts_and_times_by_the_descriptor_are_those_at_the_node(
    lines: tuple[str, ...], order: str, width: int
) -> None:
    bench = bench_of(*lines, "C1:OFST 0.5V")
    (first, time_s), (second, _) = (trace_of(block_of(bench, n), order, width) for n in (1, 2))
    drive, far = drive_and_far(np.array([first, second]), float(time_s[1] - time_s[0]))
    assert abs(drive) == pytest.approx(1.0, rel=1e-3)
    assert far / drive == pytest.approx(true_far_over_drive(bench), rel=1e-3)
    assert np.mean(first) == pytest.approx(0.0, abs=0.01)
    assert time_s[1] - time_s[0] == pytest.approx(1 / float(bench.scope.query("SARA?")), rel=1e-6)
    assert first[np.searchsorted(time_s, -1e-4)] < 0 < first[np.searchsorted(time_s, 1e-4)]


def test_the_block_is_announced_with_nine_digits_and_ends_with_one_line_feed() -> None:
    bench = bench_of()
    bench.scope.write("CHDR SHORT")
    reply = bench.scope._instrument.execute("C1:WF? ALL")
    assert reply.startswith(b"C1:WF ALL,#9000014346WAVEDESC")
    assert len(reply) == len(b"C1:WF ALL,#9000014346") + 14346 + 1


def test_codes_are_held_at_the_rails_a_division_beyond_the_screen() -> None:
    bench = bench_of("C1:VDIV 0.1")
    block = block_of(bench, 1)
    codes = np.frombuffer(block[346:], dtype="i1")
    assert (codes.min(), codes.max()) == (-128, 127)
    highest, lowest = struct.unpack_from(">ff", block, 164)
    assert (highest, lowest) == (100, -100)
    assert struct.unpack_from(">h", block, 172) == (8,)


def test_descriptor_tells_the_part_of_the_record_that_was_asked_for() -> None:
    bench = bench_of("WFSU SP,4,NP,1000,FP,2000")
    block = block_of(bench, 1)
    assert struct.unpack_from(">iiiii", block, 116)[0] == 1000
    assert struct.unpack_from(">i", block, 132) == (2000,)
    assert struct.unpack_from(">i", block, 136) == (4,)
    _, time_s = trace_of(block, ">", 1)
    rate_hz = float(bench.scope.query("SARA?"))
    assert time_s[0] == pytest.approx(-5e-3 + 2000 / rate_hz)
    assert time_s[1] - time_s[0] == pytest.approx(4 / rate_hz, rel=1e-6)


def test_it_says_who_it_is_with_a_header_until_told_not_to() -> None:
    bench = bench_of()
    assert bench.scope.query("*IDN?").startswith("TWONODE,SIM-S4,")
    bench.scope.write("*RST")
    assert bench.scope.query("*IDN?").startswith("*IDN TWONODE,SIM-S4,")
