"""The simulated scope of family S1c: 600 screen points and the oldest words (facts page, C1 and C2)."""

from __future__ import annotations

import numpy as np
import pytest
from dialects import drive_and_far, scope_bench, true_far_over_drive, wait_until

from twonode.drivers.simulated import DirectBench, ScopeFamily

PREPARE = (
    *(f":CHAN{n}:DISPlay ON;:CHAN{n}:COUPling DC;:CHAN{n}:PROBe 10;:CHAN{n}:SCALe 0.5" for n in (1, 2)),
    ":TIMebase:SCALe 1E-3",
    ":TRIG:EDGE:SOUR CHAN1;:TRIG:EDGE:LEVel 0;:TRIG:SWEep NORM",
)


def bench_of() -> DirectBench:
    bench = scope_bench(ScopeFamily.SCREEN_600, PREPARE)
    assert bench.scope.query("SYST:ERR?") == '0,"No error"'
    return bench


def test_the_screen_has_600_points_and_scales_as_s1a() -> None:
    bench = bench_of()
    bench.scope.write(":SINGle")
    wait_until(bench, lambda: bench.scope.query(":TRIG:STATus?") == "STOP")
    rows = []
    interval_s = 0.0
    for channel in (1, 2):
        bench.scope.write(f":WAV:SOUR CHAN{channel};:WAV:POINts:MODE NORM;:WAV:FORM BYTE")
        fields = [float(text) for text in bench.scope.query(":WAV:PRE?").split(",")]
        codes = np.frombuffer(bench.scope.query_block(":WAV:DATA?", expected_bytes=600), dtype="u1")
        # V = (c - YREF - YOR) * YINC [R45].
        rows.append((codes.astype(float) - fields[9] - fields[8]) * fields[7])
        interval_s = fields[4]
    assert interval_s * 600 == pytest.approx(12e-3)
    drive, far = drive_and_far(np.array(rows), interval_s)
    assert abs(drive) == pytest.approx(1.0, rel=5e-3)
    assert far / drive == pytest.approx(true_far_over_drive(bench), rel=5e-3)


def test_its_rate_is_asked_with_the_channel_and_the_newer_words_are_unknown() -> None:
    bench = bench_of()
    # :ACQ:SAMPlingrate? CHANnel1 [R55].
    assert float(bench.scope.query(":ACQ:SAMPlingrate? CHANnel1")) == pytest.approx(6000 / 12e-3)
    for newer in (":ACQ:SRATe?", ":WAV:MODE RAW"):
        bench.scope.write(newer)
        assert bench.scope.query("SYST:ERR?").startswith("-113")


def test_its_states_have_the_older_names() -> None:
    # T'D and SCAN instead of TD and AUTO [R30].
    bench = bench_of()
    bench.scope.write(":RUN")
    assert bench.scope.query(":TRIG:STATus?") == "T'D"
    bench.scope.write(":TRIG:SWEep AUTO;:TIM:SCAL 0.5")
    assert bench.scope.query(":TRIG:STATus?") == "SCAN"
