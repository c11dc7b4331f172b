"""The simulated scope of family S1b: origin in volts, special codes, word order, its polls (facts page, C1 and C2)."""

from __future__ import annotations

import numpy as np
import pytest
from dialects import drive_and_far, scope_bench, true_far_over_drive, wait_until
from numpy.typing import NDArray

from twonode.drivers.errors import ReplyTimeout
from twonode.drivers.simulated import DirectBench, ScopeFamily

PREPARE = (
    *(f":CHAN{n}:DISPlay ON;:CHAN{n}:COUPling DC;:CHAN{n}:PROBe 10;:CHAN{n}:SCALe 0.5" for n in (1, 2)),
    ":TIMebase:SCALe 1E-3",
    ":TRIG:EDGE:SOUR CHAN1;:TRIG:EDGE:LEVel 0;:TRIG:EDGE:SLOPe POS",
)


def bench_of(**changes: object) -> DirectBench:
    bench = scope_bench(ScopeFamily.VOLT_ORIGIN, PREPARE, **changes)
    assert bench.scope.query("SYST:ERR?") == '0,"No error"'
    return bench


def take(bench: DirectBench) -> None:
    bench.scope.write(":SINGle")
    wait_until(bench, lambda: int(bench.scope.query(":OPERegister:CONDition?")) & 8 == 0)


def read(bench: DirectBench, channel: int, kind: str = "u1") -> tuple[NDArray[np.float64], list[float]]:
    """V = (c - YREF) * YINC + YOR [R48], YOR in volts; the preamble's ten fields."""
    scope = bench.scope
    for line in (f":WAV:SOUR CHAN{channel}", ":WAV:POINts:MODE RAW", ":WAV:POINts 50000"):
        scope.write(line)
    fields = [float(text) for text in scope.query(":WAV:PRE?").split(",")]
    codes = np.frombuffer(scope.query_block(":WAV:DATA?"), dtype=kind).astype(float)
    assert codes.size == fields[2]
    return (codes - fields[9]) * fields[7] + fields[8], fields


def test_volts_by_the_documented_rule_are_the_volts_at_the_node() -> None:
    bench = bench_of()
    bench.scope.write(":WAV:FORM BYTE")
    bench.scope.write(":WAV:UNSigned 1")
    take(bench)
    (first, fields), (second, _) = read(bench, 1), read(bench, 2)
    drive, far = drive_and_far(np.array([first, second]), fields[4])
    assert abs(drive) == pytest.approx(1.0, rel=1e-3)
    assert far / drive == pytest.approx(true_far_over_drive(bench), rel=1e-3)
    assert fields[4] == pytest.approx(1 / float(bench.scope.query(":ACQ:SRATe?")))
    # t = (i - XREF) * XINC + XOR [R48]: the edge is at 0 s, in the middle.
    time_s = (np.arange(first.size) - fields[6]) * fields[4] + fields[5]
    rising = first[np.abs(time_s) < 1e-4]
    assert rising[0] < 0 < rising[-1]


def test_the_offset_is_the_voltage_at_the_centre_and_the_origin_says_so() -> None:
    bench = bench_of()
    bench.scope.write(":CHAN1:OFFSet 0.5")
    assert float(bench.scope.query(":CHAN1:OFFSet?")) == 0.5
    take(bench)
    volts, fields = read(bench, 1)
    assert fields[8] == 0.5
    assert np.mean(volts) == pytest.approx(0.0, abs=0.01)
    codes = np.frombuffer(bench.scope.query_block(":WAV:DATA?"), dtype="u1")
    # Half a volt at the centre: zero volts lie a division (25 codes) below code 128.
    assert np.mean(codes) == pytest.approx(128 - 25, abs=0.5)


@pytest.mark.parametrize(("offset", "code"), [(3.0, 1), (-3.0, 255)])
def test_clipped_samples_carry_the_special_codes(offset: float, code: int) -> None:
    # 0 hole, 1 clipped low, 255 (0xFFFF) clipped high [R52].
    bench = bench_of()
    bench.scope.write(f":CHAN1:OFFSet {offset}")
    take(bench)
    read(bench, 1)
    codes = np.frombuffer(bench.scope.query_block(":WAV:DATA?"), dtype="u1")
    assert np.mean(codes == code) > 0.5
    bench.scope.write(":WAV:FORM WORD")
    words = np.frombuffer(bench.scope.query_block(":WAV:DATA?"), dtype=">u2")
    assert set(words[codes == code].tolist()) == {1 if code == 1 else 0xFFFF}
    assert 0 not in codes


def test_words_come_high_byte_first_unless_told_otherwise() -> None:
    bench = bench_of()
    bench.scope.write(":WAV:FORM WORD")
    take(bench)
    (high, fields), _ = read(bench, 1, ">u2"), read(bench, 2, ">u2")
    assert fields[0] == 1
    bench.scope.write(":WAV:BYTeorder LSBF")
    low, _ = read(bench, 1, "<u2")
    assert np.array_equal(high, low)
    assert np.max(high) == pytest.approx(1.0, abs=0.05)


def test_the_block_header_has_eight_digits_and_the_format_codes_are_the_documented_ones() -> None:
    bench = bench_of()
    take(bench)
    bench.scope.write(":WAV:SOUR CHAN1;:WAV:POINts:MODE RAW;:WAV:POINts 1000")
    reply = bench.scope._instrument.execute(":WAV:DATA?")
    assert reply.startswith(b"#800001000")
    assert len(reply) == 10 + 1000 + 1
    bench.scope.write(":WAV:FORM ASCii")
    assert int(bench.scope.query(":WAV:PRE?").split(",")[0]) == 4


def test_a_shorter_transfer_spans_the_record_with_a_longer_interval() -> None:
    bench = bench_of()
    take(bench)
    bench.scope.write(":WAV:SOUR CHAN1;:WAV:POINts:MODE RAW;:WAV:POINts 5000")
    fields = [float(text) for text in bench.scope.query(":WAV:PRE?").split(",")]
    assert fields[2] == float(bench.scope.query(":WAV:POINts?")) == 5000
    assert fields[2] * fields[4] == pytest.approx(10e-3)


def test_single_goes_to_the_normal_sweep_and_digitize_does_not() -> None:
    bench = bench_of()
    bench.generator.write("OUTP OFF")
    bench.clock.sleep_s(1.0)
    bench.scope.write(":TRIG:SWEep AUTO;:DIGitize CHAN1,CHAN2")
    assert int(bench.scope.query(":OPERegister:CONDition?")) == 0
    assert bench.scope.query(":TRIG:SWEep?") == "AUTO"
    bench.scope.write(":SINGle")
    assert bench.scope.query(":TRIG:SWEep?") == "NORM"
    bench.clock.sleep_s(2.0)
    assert int(bench.scope.query(":OPERegister:CONDition?")) == 8
    assert int(bench.scope.query(":TER?")) == 0


def test_digitize_without_a_trigger_blocks_until_the_client_gives_up() -> None:
    bench = bench_of()
    bench.generator.write("OUTP OFF")
    bench.clock.sleep_s(1.0)
    bench.scope.write(":TRIG:SWEep NORM")
    before_s = bench.clock.now_s()
    with pytest.raises(ReplyTimeout):
        bench.scope.query(":DIGitize CHAN1;*OPC?", timeout_s=2.0)
    assert bench.clock.now_s() - before_s >= 2.0


def test_the_trigger_event_reads_one_once() -> None:
    bench = bench_of()
    bench.scope.query(":TER?")
    take(bench)
    assert [int(bench.scope.query(":TER?")) for _ in range(2)] == [1, 0]


def test_what_it_refuses_stands_in_the_error_queue() -> None:
    bench = bench_of()
    bench.scope.write(":RUN;:WAV:SOUR CHAN1;:WAV:POINts:MODE RAW")
    with pytest.raises(ReplyTimeout):
        bench.scope.query_block(":WAV:DATA?", timeout_s=0.1)
    assert bench.scope.query("SYST:ERR?").startswith("-221")
    bench.scope.write(":CHAN2:DISP OFF;:WAV:SOUR CHAN2")
    assert bench.scope.query("SYST:ERR?").startswith("-221")
    bench.scope.write(":WAV:STAR 1")
    assert bench.scope.query("SYST:ERR?").startswith("-113")


def test_averages_and_memory_are_asked_for_by_their_own_names() -> None:
    bench = bench_of()
    bench.scope.write(":ACQ:TYPE AVER;:ACQ:COUNt 16")
    assert bench.scope.query("SYST:ERR?") == '0,"No error"'
    assert int(bench.scope.query(":ACQ:COUNt?")) == 16
    assert int(bench.scope.query(":ACQ:POINts?")) == 50000
    take(bench)
    assert read(bench, 1)[1][1] == 2  # type 2: average [R51]


def test_it_says_who_it_is() -> None:
    assert bench_of().scope.query("*IDN?").startswith("TWONODE,SIM-S1B,")
