"""The simulated scope of family S3: reply header, units, signed codes, two line feeds (facts page, C1 and C2)."""

from __future__ import annotations

import socket

import numpy as np
import pytest
from dialects import (
    dialect_bench,
    dialect_settings,
    drive_and_far,
    scope_bench,
    true_far_over_drive,
    wait_until,
)
from numpy.typing import NDArray

from twonode.drivers.errors import ReplyTimeout
from twonode.drivers.simulated import DirectBench, ScopeFamily, SimulatedBench, Variant

PREPARE = (
    "CHDR OFF",
    *(f"C{n}:TRA ON;C{n}:CPL D1M;C{n}:ATTN 10;C{n}:VDIV 0.5;C{n}:OFST 0V" for n in (1, 2)),
    "TDIV 500US",
    "MSIZ 14K",
    "TRSE EDGE,SR,C1,HT,OFF",
    "C1:TRLV 0",
    "C1:TRSL POS",
    "WFSU SP,1,NP,0,FP,0",
)


def bench_of(*more: str, **changes: object) -> DirectBench:
    return scope_bench(ScopeFamily.SIGNED_CODES, (*PREPARE, *more), **changes)


def take(bench: DirectBench) -> None:
    bench.scope.write("TRMD SINGLE")
    bench.scope.write("ARM")
    wait_until(bench, lambda: int(bench.scope.query("INR?")) & 1 == 1)
    assert bench.scope.query("SAST?") == "Stop"


def codes_of(bench: DirectBench, channel: int) -> NDArray[np.uint8]:
    block = bench.scope.query_block(f"C{channel}:WF? DAT2", trailing=b"\n\n", prefix_max=16)
    return np.frombuffer(block, dtype=np.uint8)


def volts_of(bench: DirectBench, channel: int, wrap: int = 256) -> NDArray[np.float64]:
    """V = c*VDIV/25 - OFST [R60]; codes above 127 are negative."""
    codes = codes_of(bench, channel).astype(float)
    codes[codes > 127] -= wrap
    per_div, offset = (float(bench.scope.query(f"C{channel}:{name}?")) for name in ("VDIV", "OFST"))
    return codes * per_div / 25 - offset


def test_volts_and_times_by_the_documented_rule_are_those_at_the_node() -> None:
    bench = bench_of()
    take(bench)
    volts = np.array([volts_of(bench, 1), volts_of(bench, 2)])
    rate_hz = float(bench.scope.query("SARA?"))
    # Grid of 14 divisions [R27].
    assert volts.shape == (2, round(14 * 500e-6 * rate_hz)) == (2, 14000)
    drive, far = drive_and_far(volts, 1 / rate_hz)
    assert abs(drive) == pytest.approx(1.0, rel=1e-3)
    assert far / drive == pytest.approx(true_far_over_drive(bench), rel=1e-3)
    # t = TRDL - TDIV*grid/2 + i/SARA: the rising edge is at 0 s.
    time_s = float(bench.scope.query("TRDL?")) - 500e-6 * 14 / 2 + np.arange(14000) / rate_hz
    assert volts[0][np.searchsorted(time_s, -1e-4)] < 0 < volts[0][np.searchsorted(time_s, 1e-4)]


def test_the_offset_has_the_sign_of_s1a() -> None:
    # Trace volts = screen volts - offset [R36, R27].
    bench = bench_of("C1:OFST -0.5V")
    take(bench)
    codes = codes_of(bench, 1).view(np.int8)
    assert np.mean(codes) == pytest.approx(-25, abs=0.5)
    assert np.mean(volts_of(bench, 1)) == pytest.approx(0.0, abs=0.01)


def test_negative_codes_wrap_at_256_or_as_the_document_says_at_255() -> None:
    for changes, right, wrong in (({}, 256, 255), ({"variants": frozenset({Variant.WRAP_255})}, 255, 256)):
        bench = bench_of(**changes)
        take(bench)
        volts = {wrap: volts_of(bench, 1, wrap) for wrap in (right, wrong)}
        assert np.mean(volts[right]) == pytest.approx(0.0, abs=2e-3)
        # One step of the converter, 0.02 V, on the negative half.
        assert abs(np.mean(volts[wrong])) == pytest.approx(0.01, abs=2e-3)


def test_the_block_has_a_prefix_nine_digits_and_two_line_feeds() -> None:
    bench = bench_of("CHDR SHORT")
    take_with_header = bench.scope._instrument
    bench.scope.write("TRMD SINGLE")
    wait_until(bench, lambda: bench.scope.query("SAST?") == "SAST Stop")
    reply = take_with_header.execute("C1:WF? DAT2")
    assert reply.startswith(b"C1:WF ALL,#9000014000")
    assert reply.endswith(b"\n\n")
    assert len(reply) == len(b"C1:WF ALL,#9000014000") + 14000 + 2
    bench.scope.write("CHDR OFF")
    assert take_with_header.execute("C1:WF? DAT2").startswith(b"ALL,#9000014000")


def test_on_a_socket_the_second_line_feed_is_the_next_answer_for_who_leaves_it() -> None:
    settings = dialect_settings(scope_family=ScopeFamily.SIGNED_CODES, speed=20.0)
    with SimulatedBench(settings) as bench:
        port = int(bench.scope_resource.split("::")[2])
        with socket.create_connection(("127.0.0.1", port), timeout=5.0) as link:
            link.sendall(b"CHDR OFF\nTRMD AUTO\n")
            bench.clock.sleep_s(1.0)
            link.sendall(b"TRMD STOP\nC1:WF? DAT2\nSAST?\n")
            replies = link.makefile("rb")
            assert replies.read(15) == b"ALL,#9000014000"
            replies.read(14000)
            assert [replies.readline() for _ in range(3)] == [b"\n", b"\n", b"Stop\n"]


def test_it_powers_up_with_headers_and_units() -> None:
    scope = dialect_bench(scope_family=ScopeFamily.SIGNED_CODES).scope
    # `5.00E-01V`, `1.00GSa/s` [R27]; a header may precede *IDN? too.
    assert scope.query("*IDN?").startswith("*IDN TWONODE,SIM-S3,")
    scope.write("C1:VDIV 0.5")
    assert scope.query("C1:VDIV?") == "C1:VDIV 5.00E-01V"
    scope.write("TDIV 1US")
    assert scope.query("SARA?") == "SARA 1.00GSa/s"
    scope.write("CHDR OFF")
    assert scope.query("C1:VDIV?") == "5.00E-01"
    assert float(scope.query("SARA?")) == 1e9
    assert scope.query("*IDN?").startswith("TWONODE,SIM-S3,")


def test_there_is_no_error_queue_and_nonsense_is_passed_over_in_silence() -> None:
    bench = bench_of()
    for text in ("SYST:ERR?", "NONSENSE?", "C3:VDIV?"):
        with pytest.raises(ReplyTimeout):
            bench.scope.query(text, timeout_s=0.1)
    bench.scope.write("C1:VDIV 1E6;TDIV 1E6S")
    assert float(bench.scope.query("C1:VDIV?")) == 0.5
    assert bench.scope.query("*STB?") == "0"  # bit 2 would be an error that waits
    bench.scope.write("C2:TRA OFF")
    take(bench)
    with pytest.raises(ReplyTimeout):
        bench.scope.query_block("C2:WF? DAT2", timeout_s=0.1)


def test_the_new_record_bit_reads_one_once_and_states_follow_the_single() -> None:
    bench = bench_of()
    take(bench)
    assert bench.scope.query("INR?") == "0"
    bench.generator.write("OUTP OFF")
    bench.clock.sleep_s(1.0)
    bench.scope.write("ARM")
    assert bench.scope.query("SAST?") == "Armed"
    bench.clock.sleep_s(1.0)
    assert (bench.scope.query("SAST?"), bench.scope.query("INR?")) == ("Ready", "0")
    bench.scope.write("TRMD STOP")
    assert bench.scope.query("TRMD?") == "STOP"
    bench.scope.write("TRMD AUTO")
    bench.clock.sleep_s(1.0)
    assert (bench.scope.query("SAST?"), bench.scope.query("INR?")) == ("Auto", "1")


@pytest.mark.parametrize(
    ("send", "ask", "reads"),
    [
        ("C2:VDIV 0.3", "C2:VDIV?", 0.2),
        ("C2:VDIV 20MV", "C2:VDIV?", 0.02),
        ("TDIV 3MS", "TDIV?", 2e-3),
        ("TDIV 500US", "TDIV?", 5e-4),
    ],
)
def test_settings_are_rounded_to_the_nearest_step(send: str, ask: str, reads: float) -> None:
    bench = bench_of(send)
    assert float(bench.scope.query(ask)) == reads


def test_older_ones_have_time_base_steps_of_2_5() -> None:
    bench = bench_of("TDIV 2MS", variants=frozenset({Variant.STEPS_1_25_5}))
    assert float(bench.scope.query("TDIV?")) == 2.5e-3


def test_averaging_and_a_part_of_the_record() -> None:
    bench = bench_of("ACQW AVERAGE,16", "WFSU SP,2,NP,100,FP,5000")
    assert bench.scope.query("ACQW?") == "AVERAGE,16"
    take(bench)
    some = codes_of(bench, 1)
    bench.scope.write("WFSU SP,1,NP,0,FP,0")
    assert np.array_equal(some, codes_of(bench, 1)[5000:5200:2])


def test_a_record_that_ends_while_the_scope_is_asked_is_told_at_the_next_look() -> None:
    bench = bench_of()
    bench.scope.query("INR?")
    bench.scope.write("TRMD SINGLE")
    bench.scope.write("ARM")
    core = bench.scope._instrument.core  # type: ignore[attr-defined]
    look = core.ended_since

    def slow_look(moment_s: float) -> bool:
        found: bool = look(moment_s)
        bench.clock.sleep_s(1.0)
        return found

    core.ended_since = slow_look
    assert [bench.scope.query("INR?") for _ in range(3)] == ["0", "1", "0"]
