"""Both simulated scopes: scaling, rounding, refusals and traps (facts page, C1 and C2, families S1a and S2)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from simulated_stages import (
    capture_ten_field,
    fit_phasors,
    prepare_ten_field,
    read_ten_field,
    series,
    start_generator,
)

from twonode.drivers.errors import ReplyTimeout
from twonode.drivers.simulated import DirectBench, ScopeFamily, SimulatedSettings, direct_links


def ideal(**changes: object) -> SimulatedSettings:
    fields: dict[str, object] = {
        "stage": series(),
        "seed": 3,
        "imperfection": 0.0,
        "hum_scale": 0.0,
        "noise_lsb": 0.3,
        **changes,
    }
    return SimulatedSettings(**fields)  # type: ignore[arg-type]


def ten_field(**changes: object) -> DirectBench:
    bench = direct_links(ideal(**changes))
    prepare_ten_field(bench, volts_per_div=0.5, seconds_per_div=1e-3)
    start_generator(bench, 1000.0, 2.0)
    bench.clock.sleep_s(0.5)
    return bench


def curve(**changes: object) -> DirectBench:
    bench = direct_links(ideal(scope_family=ScopeFamily.CURVE, **changes))
    scope = bench.scope
    scope.write("HEAD OFF")
    for channel in (1, 2):
        scope.write(f"SEL:CH{channel} ON;:CH{channel}:COUP DC;BAN OFF;PRO 10;SCA 0.5;POS 0")
    scope.write("HOR:MAI:SCA 1E-3;:TRIG:MAI:EDGE:SOU CH1;:TRIG:MAI:LEV 0;MOD NORM")
    scope.write("DAT:ENC RIB;WID 1;STAR 1;STOP 2500")
    assert scope.query("*ESR?") in ("0", "128")
    start_generator(bench, 1000.0, 2.0)
    bench.clock.sleep_s(0.5)
    return bench


def take_curve(bench: DirectBench) -> None:
    bench.scope.write("ACQ:STOPA SEQ;STATE ON")
    assert bench.scope.query("*OPC?") == "1"


def read_curve(bench: DirectBench, kind: str = "i1") -> NDArray[np.float64]:
    rows = []
    for channel in (1, 2):
        bench.scope.write(f"DAT:SOU CH{channel}")
        scale, offset, zero = (float(bench.scope.query(f"WFMP:{f}?")) for f in ("YMU", "YOF", "YZE"))
        codes = np.frombuffer(bench.scope.query_block("CURV?"), dtype=kind).astype(float)
        rows.append((codes - offset) * scale + zero)
    return np.array(rows)


# Ten-field family.


def test_ten_field_volts_by_the_facts_page_are_the_volts_at_the_node() -> None:
    bench = ten_field()
    volts, interval_s = capture_ten_field(bench)
    assert volts.shape == (2, 6000)
    drive, far = fit_phasors(volts, interval_s, 1000.0)
    assert abs(drive) == pytest.approx(1.0, rel=1e-3)
    assert abs(far / drive) == pytest.approx(1.0, rel=2e-2)
    fields = bench.scope.query(":WAV:PRE?").split(",")
    # YINC = V/div / 25 [R47]; RAW: XINC = 1/rate [R44]; depth = rate * s/div * 12 divisions [R38].
    assert float(fields[7]) == pytest.approx(0.5 / 25)
    rate_hz = float(bench.scope.query(":ACQ:SRAT?"))
    assert float(fields[4]) == pytest.approx(1 / rate_hz)
    assert rate_hz * 1e-3 * 12 == pytest.approx(6000)


def test_ten_field_offset_moves_the_trace_up_and_the_scaling_takes_it_out_again() -> None:
    # Trace volts = screen volts - offset; visible window -4*scale-offset to 4*scale-offset [R36].
    bench = ten_field()
    plain, _ = capture_ten_field(bench)
    bench.scope.write(":CHAN1:OFFS 0.5")
    moved, _ = capture_ten_field(bench)
    assert np.mean(moved[0]) == pytest.approx(np.mean(plain[0]), abs=0.01)
    bench.scope.write(":WAV:SOUR CHAN1")
    codes = np.frombuffer(bench.scope.query_block(":WAV:DATA?"), dtype=np.uint8)
    assert np.mean(codes) == pytest.approx(127 + 25, abs=0.5)


def test_ten_field_rails_lie_a_division_beyond_the_screen_and_hold() -> None:
    bench = ten_field()
    for channel in (1, 2):
        bench.scope.write(f":CHAN{channel}:SCAL 0.1")
    capture_ten_field(bench)
    bench.scope.write(":WAV:SOUR CHAN1")
    codes = np.frombuffer(bench.scope.query_block(":WAV:DATA?"), dtype=np.uint8)
    assert (codes.min(), codes.max()) == (0, 255)
    assert np.mean((codes == 0) | (codes == 255)) > 0.5


def test_ten_field_screen_is_1200_points_and_a_long_record_comes_in_pieces() -> None:
    bench = ten_field()
    bench.scope.write(":RUN;:ACQ:MDEP 600000")
    bench.clock.sleep_s(0.05)
    bench.scope.write(":SING")
    bench.clock.sleep_s(0.05)
    scope = bench.scope
    scope.write(":WAV:SOUR CHAN1;MODE RAW;STAR 1;STOP 600000")
    assert scope.query(":WAV:PRE?").split(",")[2] == "600000"
    with pytest.raises(ReplyTimeout):
        scope.query_block(":WAV:DATA?")  # more than 250000 bytes at once
    assert scope.query("SYST:ERR?").startswith("-222")
    scope.write(":WAV:STAR 250001;STOP 500000")
    assert len(scope.query_block(":WAV:DATA?", expected_bytes=250000)) == 250000
    scope.write(":WAV:MODE NORM;STAR 1;STOP 1200")
    assert float(scope.query(":WAV:PRE?").split(",")[4]) == pytest.approx(1e-3 / 100)
    screen = np.frombuffer(scope.query_block(":WAV:DATA?"), dtype=np.uint8)
    assert screen.size == 1200
    # 12 divisions of 1 ms hold 12 periods of 1 kHz.
    assert np.argmax(np.abs(np.fft.rfft(screen - screen.mean()))) == 12


def test_ten_field_refuses_raw_data_while_running_and_a_depth_while_stopped() -> None:
    bench = ten_field()
    bench.scope.write(":RUN;:WAV:MODE RAW")
    with pytest.raises(ReplyTimeout):
        bench.scope.query_block(":WAV:DATA?", timeout_s=0.5)
    assert bench.scope.query("SYST:ERR?").startswith("-221")
    bench.scope.write(":STOP;:ACQ:MDEP 60000")
    assert bench.scope.query("SYST:ERR?").startswith("-221")
    assert bench.scope.query(":ACQ:MDEP?") == "6000"


@pytest.mark.parametrize(
    ("send", "ask", "reads"),
    [
        (":CHAN1:SCAL 0.6", ":CHAN1:SCAL?", 0.5),
        (":CHAN1:SCAL 1.5", ":CHAN1:SCAL?", 2.0),
        (":CHAN1:SCAL 0.1", ":CHAN1:SCAL?", 0.1),
        (":TIM:SCAL 3E-3", ":TIM:SCAL?", 2e-3),
        (":TIM:MAIN:SCAL 4E-3", ":TIM:SCAL?", 5e-3),
        (":CHAN1:PROB 10", ":CHAN1:PROB?", 10.0),
        (":ACQ:AVER 50", ":ACQ:AVER?", 64.0),
    ],
)
def test_ten_field_settings_go_to_their_steps_and_read_back(send: str, ask: str, reads: float) -> None:
    bench = ten_field()
    bench.scope.write(send)
    assert float(bench.scope.query(ask)) == pytest.approx(reads)
    assert bench.scope.query("SYST:ERR?").startswith("0")


@pytest.mark.parametrize("send", [":CHAN1:SCAL 200", ":CHAN1:SCAL 0.001", ":TIM:SCAL 1E3", ":ACQ:AVER 5000"])
def test_ten_field_refuses_what_is_out_of_range_and_keeps_the_setting(send: str) -> None:
    bench = ten_field()
    ask = send.split()[0] + "?"
    before = bench.scope.query(ask)
    bench.scope.write(send)
    assert bench.scope.query("SYST:ERR?").startswith("-222")
    assert bench.scope.query(ask) == before


def test_the_probe_setting_scales_ranges_and_readings_but_not_the_signal() -> None:
    bench = ten_field()
    right, interval_s = capture_ten_field(bench)
    bench.scope.write(":CHAN2:PROB 1")
    assert float(bench.scope.query(":CHAN2:SCAL?")) == pytest.approx(0.05)
    wrong, _ = capture_ten_field(bench)
    ratio = [abs(np.divide(*fit_phasors(v, interval_s, 1000.0)[::-1])) for v in (right, wrong)]
    assert ratio[0] / ratio[1] == pytest.approx(10.0, rel=2e-3)


def test_coupling_left_on_ac_turns_the_phase_at_low_frequency() -> None:
    # A second high-pass with its corner near 1 Hz behind a 10:1 probe (facts page, E).
    bench = direct_links(ideal())
    prepare_ten_field(bench, volts_per_div=0.5, seconds_per_div=0.1)
    start_generator(bench, 5.0, 2.0)
    bench.scope.write(":CHAN2:COUP AC")
    bench.clock.sleep_s(1.0)
    coupled, interval_s = capture_ten_field(bench)
    bench.scope.write(":CHAN2:COUP DC")
    direct, _ = capture_ten_field(bench)
    far = fit_phasors(coupled, interval_s, 5.0)[1] / fit_phasors(coupled, interval_s, 5.0)[0]
    true = fit_phasors(direct, interval_s, 5.0)[1] / fit_phasors(direct, interval_s, 5.0)[0]
    assert far / true == pytest.approx(5j / (5j + 0.72), abs=0.02)


def test_the_scope_comes_up_with_everything_a_driver_must_set() -> None:
    scope = direct_links(ideal()).scope
    assert scope.query(":CHAN1:COUP?;BWL?;DISP?;:CHAN2:DISP?") == "AC;20M;1;0"
    assert float(scope.query(":CHAN1:PROB?")) == 1.0
    header = direct_links(ideal(scope_family=ScopeFamily.CURVE)).scope
    assert header.query("CH1:COUP?") == ":CH1:COUPLING AC"
    assert header.query("HOR:MAI:SCA?").startswith(":HORIZONTAL:MAIN:SCALE ")


def test_a_single_record_waits_for_its_trigger_and_can_be_forced() -> None:
    bench = ten_field()
    bench.scope.write(":TRIG:EDGE:LEV 2")
    assert bench.scope.query("SYST:ERR?").startswith("0")
    bench.scope.write(":SING")
    bench.clock.sleep_s(5.0)
    assert bench.scope.query(":TRIG:STAT?") == "WAIT"
    bench.scope.write(":TFOR")
    assert bench.scope.query(":TRIG:STAT?") == "TD"
    bench.clock.sleep_s(0.1)
    assert bench.scope.query(":TRIG:STAT?") == "STOP"
    assert read_ten_field(bench)[0].shape == (2, 6000)


def test_a_signal_smaller_than_the_hysteresis_fires_nothing_but_an_automatic_sweep_runs() -> None:
    bench = ten_field()
    bench.generator.write("OUTP OFF")
    bench.clock.sleep_s(0.5)
    bench.scope.write(":SING")
    bench.clock.sleep_s(1.0)
    assert bench.scope.query(":TRIG:STAT?") == "WAIT"
    bench.scope.write(":TRIG:SWE AUTO;:RUN")
    bench.clock.sleep_s(0.3)
    bench.scope.write(":STOP")
    assert np.abs(read_ten_field(bench)[0]).max() < 0.1


def test_a_record_takes_its_time_on_the_clock_and_starts_at_the_edge() -> None:
    bench = ten_field()
    bench.scope.write(":SING")
    assert bench.scope.query(":TRIG:STAT?") == "RUN"
    bench.clock.sleep_s(0.0075)
    assert bench.scope.query(":TRIG:STAT?") == "TD"
    bench.clock.sleep_s(0.004)
    assert bench.scope.query(":TRIG:STAT?") == "TD"
    bench.clock.sleep_s(0.002)
    assert bench.scope.query(":TRIG:STAT?") == "STOP"
    volts, _ = read_ten_field(bench)
    # The trigger lies in the middle: the drive rises through zero there.
    assert abs(volts[0, 3000]) < 0.05
    assert volts[0, 3100] > 0.5


def test_a_stop_without_a_complete_record_leaves_none() -> None:
    bench = ten_field()
    bench.scope.write(":SING;:STOP;:WAV:SOUR CHAN1;MODE RAW;STAR 1;STOP 6000")
    assert bench.scope.query_block(":WAV:DATA?") == b""
    assert bench.scope.query("SYST:ERR?").startswith("-230")


def test_averaging_takes_longer_and_lowers_the_noise() -> None:
    spread = {}
    for averages in (1, 16):
        bench = ten_field(noise_lsb=2.0)
        if averages > 1:
            bench.scope.write(f":ACQ:TYPE AVER;AVER {averages}")
        start_s = bench.clock.now_s()
        volts, interval_s = capture_ten_field(bench)
        assert bench.clock.now_s() - start_s > averages * 0.012
        time_s = np.arange(6000) * interval_s
        phasors = fit_phasors(volts, interval_s, 1000.0)
        fitted = (phasors[:, None] * np.exp(2j * np.pi * 1000 * time_s)).real
        spread[averages] = np.std(volts - fitted) / (0.5 / 25)
    assert spread[1] == pytest.approx(np.hypot(2.0, 12**-0.5), rel=0.05)
    # Sixteen records: a quarter of the noise, and the eight bits of the result.
    assert spread[16] == pytest.approx(np.hypot(np.hypot(2.0, 12**-0.5) / 4, 12**-0.5), rel=0.08)


def test_residual_volts_and_hum_show_on_both_channels() -> None:
    bench = direct_links(
        ideal(
            hum_scale=1.0,
            residual_dc_v={"drive": 7.0, "far": -12.0},
            line_rms_v={"far": 2.0},
            line_hz=60.0,
        )
    )
    prepare_ten_field(bench, volts_per_div=5, seconds_per_div=0.01)
    bench.scope.write(":TRIG:SWE AUTO;:RUN")
    bench.clock.sleep_s(0.5)
    bench.scope.write(":STOP")
    volts, interval_s = read_ten_field(bench)
    assert np.mean(volts, axis=1) == pytest.approx([7.0, -12.0], abs=0.4)
    assert abs(fit_phasors(volts, interval_s, 60.0)[1]) == pytest.approx(2.0 * 2**0.5, rel=0.02)


# Curve family.


def test_curve_volts_by_the_facts_page_are_the_volts_at_the_node() -> None:
    bench = curve()
    take_curve(bench)
    volts = read_curve(bench)
    assert volts.shape == (2, 2500)
    interval_s = float(bench.scope.query("WFMP:XIN?"))
    assert interval_s == pytest.approx(1e-3 * 10 / 2500)
    drive, far = fit_phasors(volts, interval_s, 1000.0)
    assert abs(drive) == pytest.approx(1.0, rel=1e-3)
    assert abs(far / drive) == pytest.approx(1.0, rel=2e-2)
    assert float(bench.scope.query("WFMP:YMU?")) == pytest.approx(0.5 / 25)


@pytest.mark.parametrize(
    ("encoding", "width", "kind"),
    [
        ("RIB", 1, "i1"),
        ("RPB", 1, "u1"),
        ("SRI", 1, "i1"),
        ("RIB", 2, ">i2"),
        ("SRI", 2, "<i2"),
        ("RPB", 2, ">u2"),
        ("SRP", 2, "<u2"),
    ],
)
def test_curve_encodings_all_give_the_same_volts(encoding: str, width: int, kind: str) -> None:
    # RI signed, RP 0 to 255 centred on 127, R* most and SR* least significant byte first [R58].
    bench = curve()
    bench.scope.write("CH1:POS 1.5")
    take_curve(bench)
    plain = read_curve(bench)
    bench.scope.write(f"DAT:ENC {encoding};WID {width}")
    np.testing.assert_allclose(read_curve(bench, kind), plain, atol=1e-9)
    assert np.mean(plain[0]) == pytest.approx(0.0, abs=0.01)


def test_curve_ascii_and_the_whole_preamble() -> None:
    bench = curve()
    take_curve(bench)
    bench.scope.write("DAT:SOU CH1;ENC ASCI")
    codes = [int(c) for c in bench.scope.query("CURV?").split(",")]
    assert len(codes) == 2500
    assert max(codes) == pytest.approx(50, abs=3)
    assert bench.scope.query("WFMP?").count(";") == 15


def test_curve_rails_lie_a_division_beyond_the_screen() -> None:
    bench = curve()
    bench.scope.write("CH1:SCA 0.1")
    take_curve(bench)
    bench.scope.write("DAT:SOU CH1")
    codes = np.frombuffer(bench.scope.query_block("CURV?"), dtype=np.int8)
    assert (codes.min(), codes.max()) == (-128, 127)


def test_curve_of_a_channel_not_shown_answers_nothing_and_leaves_an_event() -> None:
    # Documented [R41]: nothing comes, event 2244.
    bench = curve()
    take_curve(bench)
    bench.scope.write("SEL:CH2 OFF;:DAT:SOU CH2")
    with pytest.raises(ReplyTimeout):
        bench.scope.query_block("CURV?", timeout_s=1.0)
    assert bench.scope.query("EVM?").startswith("1,")
    assert int(bench.scope.query("*ESR?")) & 16
    assert bench.scope.query("EVM?").startswith("2244,")
    assert bench.scope.query("EVM?").startswith("0,")


def test_curve_has_no_scpi_error_queue_but_its_own_events() -> None:
    bench = curve()
    bench.scope.write("NONSENSE 1")
    bench.scope.write("CH1:SCA 500")
    with pytest.raises(ReplyTimeout):
        bench.scope.query("SYST:ERR?", timeout_s=0.1)
    assert int(bench.scope.query("*ESR?")) & (32 + 16) == 48
    events = bench.scope.query("ALLE?")
    assert [e.split(",")[0] for e in events.replace('",', "|").split("|")] == ["113", "222", "113"]


def test_curve_opc_waits_for_the_sequence_and_gives_up_without_a_trigger() -> None:
    bench = curve()
    start_s = bench.clock.now_s()
    take_curve(bench)
    assert 0.01 <= bench.clock.now_s() - start_s < 0.02
    bench.scope.write("TRIG:MAI:LEV 3;:ACQ:STATE ON")
    with pytest.raises(ReplyTimeout):
        bench.scope.query("*OPC?", timeout_s=2.0)
    assert bench.scope.query("TRIG:STATE?;:ACQ:STATE?") == "READY;1"
    bench.scope.write("TRIG:MAI:MOD AUTO")
    assert bench.scope.query("*OPC?") == "1"
    assert bench.scope.query("TRIG:STATE?;:BUSY?") == "SAVE;0"


@pytest.mark.parametrize(
    ("send", "ask", "reads"),
    [
        ("CH1:SCA 0.6", "CH1:SCA?", 0.5),
        ("HOR:MAI:SCA 2E-3", "HOR:MAI:SCA?", 2.5e-3),
        ("HOR:SCA 2.5E-4", "HOR:MAI:SCA?", 2.5e-4),
        ("CH2:PRO 10", "CH2:PRO?", 10.0),
        ("ACQ:NUMAV 20", "ACQ:NUMAV?", 16.0),
    ],
)
def test_curve_settings_go_to_their_steps_and_read_back(send: str, ask: str, reads: float) -> None:
    bench = curve()
    bench.scope.write(send)
    assert float(bench.scope.query(ask)) == pytest.approx(reads)
    assert bench.scope.query("*ESR?") == "0"


def test_a_transfer_takes_its_latency_on_the_clock() -> None:
    bench = curve(transfer_latency_s=0.06)
    take_curve(bench)
    start_s = bench.clock.now_s()
    read_curve(bench)
    assert bench.clock.now_s() - start_s == pytest.approx(0.12)
