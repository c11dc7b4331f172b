"""The simulated generator: what hardware would do to a driver that forgets something (facts page, A and B)."""

from __future__ import annotations

import numpy as np
import pytest
from simulated_stages import series, start_generator

from twonode.drivers.simulated import DirectBench, SimulatedSettings, direct_links


@pytest.fixture
def bench() -> DirectBench:
    return direct_links(SimulatedSettings(stage=series(), seed=3, imperfection=0.0, hum_scale=0.0))


def drive_peak_v(bench: DirectBench) -> float:
    bench.clock.sleep_s(0.5)
    start_s = bench.world.now_s() - 0.01
    window = bench.world.window(start_s, start_s + 0.01)
    return float(np.abs(bench.world.sample(0, window, start_s=start_s, step_s=1e-6, count=10000)).max())


def test_changing_the_load_setting_doubles_what_is_shown_and_nothing_else(bench: DirectBench) -> None:
    # Documented: 10 V peak to peak into 50 ohm is shown as 20 when the load becomes infinite [R7, R8].
    generator = bench.generator
    generator.write("VOLT 10")
    generator.write("OUTP ON")
    before = drive_peak_v(bench)
    generator.write("OUTP:LOAD INF")
    assert float(generator.query("VOLT?")) == 20.0
    assert float(generator.query("OUTP:LOAD?")) == 9.9e37
    assert drive_peak_v(bench) == before == pytest.approx(10.0, rel=0.01)
    generator.write("OUTP:LOAD 50")
    assert float(generator.query("VOLT?")) == 10.0


def test_a_driver_that_forgets_the_load_gets_twice_the_voltage(bench: DirectBench) -> None:
    bench.generator.write("VOLT 2;:OUTP ON")
    assert drive_peak_v(bench) == pytest.approx(2.0, rel=0.01)


def test_the_output_comes_up_off_and_off_is_silence_behind_its_resistance(bench: DirectBench) -> None:
    assert bench.generator.query("OUTP?") == "0"
    assert drive_peak_v(bench) == 0.0
    start_generator(bench, 1000, 2.0)
    assert bench.generator.query("OUTP?") == "1"
    assert drive_peak_v(bench) == pytest.approx(1.0, rel=0.01)
    bench.generator.write("OUTP OFF")
    assert drive_peak_v(bench) < 1e-6


def test_reset_switches_the_output_off_and_puts_the_load_back(bench: DirectBench) -> None:
    start_generator(bench, 1000, 2.0)
    bench.generator.write("*RST")
    assert bench.generator.query("OUTP?;:OUTP:LOAD?") == "0;+5.0000000000000E+01"
    assert drive_peak_v(bench) < 1e-6


def test_dbm_needs_a_load_and_units_fall_back_without_one(bench: DirectBench) -> None:
    # Documented: dBm is not accepted at high impedance, units fall back to V peak to peak [R7, R9].
    bench.generator.write("VOLT:UNIT DBM")
    bench.generator.write("VOLT 0")
    assert float(bench.generator.query("VOLT?")) == pytest.approx(0.0, abs=1e-3)
    bench.generator.write("OUTP:LOAD INF")
    assert bench.generator.query("VOLT:UNIT?") == "VPP"
    # 0 dBm into 50 ohm is 0.6325 V peak to peak, twice that open.
    assert float(bench.generator.query("VOLT?")) == pytest.approx(2 * 0.6325, rel=1e-3)
    bench.generator.write("VOLT:UNIT DBM")
    assert bench.generator.query("SYST:ERR?").startswith("-221")


def test_amplitude_and_offset_share_the_output_range(bench: DirectBench) -> None:
    # Limit [R9]: |offset| + Vpp/2 <= Vmax, 5 V into 50 ohm.
    bench.generator.write("VOLT 8;:VOLT:OFFS 1")
    assert bench.generator.query("SYST:ERR?").startswith("0")
    bench.generator.write("VOLT:OFFS 1.1")
    assert bench.generator.query("SYST:ERR?").startswith("-222")
    assert float(bench.generator.query("VOLT:OFFS?")) == 1.0
    bench.generator.write("VOLT 8.1")
    assert bench.generator.query("SYST:ERR?").startswith("-222")
    assert float(bench.generator.query("VOLT? MAX")) == pytest.approx(8.0)


def test_frequency_and_amplitude_are_rounded_to_what_the_generator_can_do(bench: DirectBench) -> None:
    bench.generator.write("FREQ 1000.00000049;:VOLT 1.23456")
    assert float(bench.generator.query("FREQ?")) == 1000.0
    assert float(bench.generator.query("VOLT?")) == 1.235


def test_apply_sets_everything_and_switches_on(bench: DirectBench) -> None:
    bench.generator.write("APPL:SIN 5 KHZ, 3.0 VPP, -1.0 V")
    assert bench.generator.query("SYST:ERR?").startswith("0")
    assert [float(v) for v in bench.generator.query("FREQ?;:VOLT?;:VOLT:OFFS?;:OUTP?").split(";")] == [
        5000.0,
        3.0,
        -1.0,
        1.0,
    ]


def test_an_amplitude_change_drops_out_and_takes_its_time(bench: DirectBench) -> None:
    start_generator(bench, 1000, 2.0)
    bench.clock.sleep_s(0.5)
    bench.generator.write("VOLT 2.4")
    start_s = bench.world.now_s()
    bench.clock.sleep_s(0.5)
    window = bench.world.window(start_s, start_s + 0.2)
    volts = bench.world.sample(0, window, start_s=start_s, step_s=1e-5, count=10000)
    # The probe capacitances hold the node for a nanosecond, hence not the first sample.
    assert np.abs(volts[1:20]).max() < 0.1
    assert np.abs(volts[5000:]).max() == pytest.approx(1.2, rel=2e-3)
