"""The simulated scope of family S5: a list of keys, then a block of 16-bit codes (facts page, C2)."""

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
    ":TRIG:EDGE:SOUR CHAN1;:TRIG:EDGE:LEVel 0;:TRIG:SWEep NORM",
)


def bench_of(*more: str) -> DirectBench:
    bench = scope_bench(ScopeFamily.MEMORY_LIST, (*PREPARE, *more))
    assert bench.scope.query("SYST:ERR?") == '0,"No error"'
    bench.scope.write(":SINGle")
    wait_until(bench, lambda: bench.scope.query(":TRIG:STATus?") == "STOP")
    return bench


def memory_of(bench: DirectBench, channel: int) -> tuple[dict[str, str], NDArray[np.float64]]:
    """Keys, and V = raw/25 * vertical scale [R66], high byte first [R67]."""
    reply = bench.scope._instrument.execute(f":ACQuire{channel}:MEMory?")
    listed, block = reply[: reply.index(b"#")], reply[reply.index(b"#") :]
    pairs = (item.split(",") for item in listed.decode("ascii").split(";") if "," in item)
    keys = {key: value for key, value in pairs}
    digits = int(block[1:2])
    length = int(block[2 : 2 + digits])
    assert block[2 + digits + length :] == b"\n"
    raw = np.frombuffer(block[2 + digits : 2 + digits + length], dtype=">i2").astype(float)
    return keys, raw / 25 * float(keys["Vertical Scale"])


@pytest.mark.parametrize("offset", [":CHAN1:OFFSet 0", ":CHAN1:OFFSet 0.5"])
def test_volts_by_the_documented_rule_are_the_volts_at_the_node(offset: str) -> None:
    bench = bench_of(offset)
    (keys, first), (_, second) = memory_of(bench, 1), memory_of(bench, 2)
    drive, far = drive_and_far(np.array([first, second]), float(keys["Sampling Period"]))
    assert abs(drive) == pytest.approx(1.0, rel=1e-3)
    assert np.mean(first) == pytest.approx(0.0, abs=0.01)
    assert far / drive == pytest.approx(true_far_over_drive(bench), rel=1e-3)
    assert first.size == int(keys["Memory Size"]) == 10000


def test_the_record_length_can_be_chosen() -> None:
    bench = bench_of(":ACQuire:RECOrdlength 1000")
    assert memory_of(bench, 1)[1].size == 1000


def test_a_channel_that_is_off_is_refused() -> None:
    bench = bench_of(":CHAN2:DISPlay OFF")
    with pytest.raises(ReplyTimeout):
        bench.scope.query_block(":ACQuire2:MEMory?", prefix_max=1000, timeout_s=0.1)
    assert bench.scope.query("SYST:ERR?").startswith("-221")


def test_it_says_who_it_is() -> None:
    assert bench_of().scope.query("*IDN?").startswith("TWONODE,SIM-S5,")
