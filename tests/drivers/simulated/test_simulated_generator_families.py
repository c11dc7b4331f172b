"""The simulated generators G1b, G2, G3, G4 and G5: command lines and replies as on the facts page (B)."""

from __future__ import annotations

import socket

import pytest
from dialects import dialect_bench, dialect_settings, drive_peak_v

from twonode.drivers.errors import ReplyTimeout
from twonode.drivers.simulated import DirectBench, GeneratorFamily, SimulatedBench, Variant


def bench_of(family: GeneratorFamily, *lines: str, **changes: object) -> DirectBench:
    bench = dialect_bench(generator_family=family, **changes)
    for line in lines:
        bench.generator.write(line)
    return bench


def silent(bench: DirectBench, text: str) -> bool:
    try:
        bench.generator.query(text, timeout_s=0.1)
    except ReplyTimeout:
        return True
    return False


# G1b.

G1B = ("SOUR1:FUNC SIN", "OUTP1:LOAD INF", "SOURce1:AMPlitude 2", "SOURce1:DCOffset 0", "SOUR1:FREQ 1000")


def test_g1b_has_amplitude_and_offset_under_names_of_their_own() -> None:
    bench = bench_of(GeneratorFamily.SCPI_AMPLITUDE, *G1B, "OUTP1 ON")
    generator = bench.generator
    assert generator.query("SYST:ERR?") == '0,"No error"'
    assert float(generator.query("SOURce1:AMPlitude?")) == 2.0
    assert float(generator.query("SOUR1:FREQ?")) == 1000.0
    assert drive_peak_v(bench) == pytest.approx(1.0, rel=1e-3)
    generator.write("SOUR1:VOLT 2")
    assert generator.query("SYST:ERR?").startswith("-113")
    assert generator.query("*IDN?") == "TWONODE,SIM-G1B,SIMULATED,1.0"


def test_g1b_shows_twice_the_amplitude_for_an_open_output_as_g1_does() -> None:
    bench = bench_of(GeneratorFamily.SCPI_AMPLITUDE, "SOURce1:AMPlitude 2", "OUTP1:LOAD INF")
    assert float(bench.generator.query("SOURce1:AMPlitude?")) == 4.0


# G2.

G2 = ("C1:OUTP LOAD,HZ", "C1:BSWV WVTP,SINE", "C1:BSWV FRQ,1000", "C1:BSWV AMP,2", "C1:BSWV OFST,0")


def test_g2_replies_as_printed() -> None:
    bench = bench_of(GeneratorFamily.KEY_VALUE, *G2, "C1:OUTP ON")
    assert (
        bench.generator.query("C1:BSWV?")
        == "C1:BSWV WVTP,SINE,FRQ,1000HZ,PERI,0.001S,AMP,2V,OFST,0V,HLEV,1V,LLEV,-1V,PHSE,0"
    )
    assert bench.generator.query("C1:OUTP?") == "C1:OUTP ON,LOAD,HZ,PLRT,NOR"
    assert drive_peak_v(bench) == pytest.approx(1.0, rel=1e-3)
    bench.generator.write("C1:OUTP OFF")
    assert bench.generator.query("C1:OUTP?").startswith("C1:OUTP OFF,")
    assert drive_peak_v(bench) < 1e-6


def test_g2_takes_several_pairs_at_once_and_newer_ones_tell_more() -> None:
    bench = bench_of(
        GeneratorFamily.KEY_VALUE,
        "C1:BSWV WVTP,SINE,FRQ,123.456,AMP,0.5,OFST,0",
        variants=frozenset({Variant.EXTRA_KEYS}),
    )
    reply = bench.generator.query("C1:BSWV?")
    assert "FRQ,123.456HZ" in reply
    assert reply.endswith("MAX_OUTPUT_AMP,20V")


def test_g2_comes_up_for_50_ohm_and_the_load_changes_only_what_is_shown() -> None:
    bench = bench_of(GeneratorFamily.KEY_VALUE, "C1:BSWV AMP,2", "C1:OUTP ON")
    assert drive_peak_v(bench) == pytest.approx(2.0, rel=1e-3)
    bench.generator.write("C1:OUTP LOAD,HZ")
    assert "AMP,4V" in bench.generator.query("C1:BSWV?")
    assert drive_peak_v(bench) == pytest.approx(2.0, rel=1e-3)


def test_g2_has_no_error_queue_and_leaves_what_it_cannot_do() -> None:
    bench = bench_of(GeneratorFamily.KEY_VALUE, *G2)
    assert silent(bench, "SYST:ERR?")
    bench.generator.write("C1:BSWV FRQ,1E12")
    bench.generator.write("C1:BSWV AMP,400")
    bench.generator.write("C1:BSWV NONSENSE,1")
    assert "FRQ,1000HZ" in bench.generator.query("C1:BSWV?")
    assert "AMP,2V" in bench.generator.query("C1:BSWV?")
    assert bench.generator.query("*STB?") == "0"  # bit 2 would be an error that waits
    assert bench.generator.query("*IDN?") == "TWONODE,SIM-G2,SIMULATED,1.0"


# G3.

G3 = ("WMW00", "WMF00001000000000", "WMA2.00", "WMO0.00")


def test_g3_answers_every_write_with_a_line_feed_and_reads_back() -> None:
    bench = bench_of(GeneratorFamily.WRITE_READ)
    instrument = bench.generator._instrument
    for line in (*G3, "WMN1"):
        assert instrument.execute(line) == b"\n"
    assert [bench.generator.query(ask) for ask in ("RMW", "RMF", "RMA", "RMO", "RMN")] == [
        "00",
        "00001000000000",
        "20000",  # 1e-4 V
        "0",
        "1",
    ]
    # No load setting: the amplitude is that of the open output.
    assert drive_peak_v(bench) == pytest.approx(1.0, rel=1e-3)
    bench.generator.query("WMN0")
    assert drive_peak_v(bench) < 1e-6


def test_g3_knows_no_idn_and_takes_nothing_it_cannot_do() -> None:
    bench = bench_of(GeneratorFamily.WRITE_READ, *G3)
    assert bench.generator.query("UMO") == "SIM-G3"
    assert silent(bench, "*IDN?")
    for line in ("WMF99999999999999", "WMA400", "WMAx", "WMF1000"):
        assert bench.generator.query(line) == ""
    assert bench.generator.query("RMF") == "00001000000000"
    assert bench.generator.query("RMA") == "20000"


# G4.

G4 = ("bw0", "bf000100000", "ba2.0", "bo0.0")


def test_g4_takes_small_letters_without_a_word_and_tells_its_frequency() -> None:
    bench = bench_of(GeneratorFamily.LETTER_PAIRS)
    instrument = bench.generator._instrument
    for line in G4:
        assert instrument.execute(line) == b""
    assert bench.generator.query("cf") == "000100000"  # 0.01 Hz
    assert drive_peak_v(bench) == pytest.approx(1.0, rel=1e-3)
    bench.generator.write("ba0.0")
    assert drive_peak_v(bench) < 1e-6


def test_g4_is_on_from_the_start() -> None:
    bench = bench_of(GeneratorFamily.LETTER_PAIRS)
    assert drive_peak_v(bench) > 0.1
    assert bench.generator.query("a") == "SIM-G4"


@pytest.mark.parametrize(
    ("line", "left_at"),
    [
        ("BF000200000", "000100000"),  # capitals are bad characters
        ("bf000200000.0000", "000100000"),  # more than 15 characters
        ("bf000200000.000", "000200000"),
        ("bfx00200000", "000100000"),
        ("bf000200000x", "000200000"),  # what stood before the bad character counts [R22]
        ("*IDN?", "000100000"),
    ],
)
def test_g4_passes_over_what_it_does_not_understand(line: str, left_at: str) -> None:
    bench = bench_of(GeneratorFamily.LETTER_PAIRS, *G4)
    assert silent(bench, line)
    assert bench.generator.query("cf") == left_at


# G5.

G5 = (":w21=0.", ":w23=100000,0.", ":w25=2000.", ":w27=1000.")


def test_g5_answers_every_write_and_reads_its_registers_back() -> None:
    bench = bench_of(GeneratorFamily.COLON_REGISTERS)
    instrument = bench.generator._instrument
    for line in (*G5, ":w20=1,0."):
        assert instrument.execute(line) == b":ok\r\n"
    assert [bench.generator.query(f":r{register}=0.") for register in (20, 21, 23, 25, 27)] == [
        ":r20=1,0.",
        ":r21=0.",
        ":r23=100000,0.",
        ":r25=2000.",
        ":r27=1000.",
    ]
    # No load setting: the amplitude is that of the open output.
    assert drive_peak_v(bench) == pytest.approx(1.0, rel=1e-3)
    bench.generator.query(":w20=0,0.")
    assert drive_peak_v(bench) < 1e-6


@pytest.mark.parametrize(
    "line", ["*IDN?", ":w23=100000.", ":w99=1.", "w21=0.", ":w21=0", ":w25=x.", ":w20=2,0."]
)
def test_g5_passes_over_what_it_does_not_understand(line: str) -> None:
    bench = bench_of(GeneratorFamily.COLON_REGISTERS)
    assert silent(bench, line)
    assert bench.generator.query(":r23=0.") == ":r23=100000,0."


def test_serial_families_keep_their_lines_on_a_socket() -> None:
    for family, sent, answered in (
        (GeneratorFamily.WRITE_READ, b"WMF00001000000000\nRMF\nUMO\n", b"\n00001000000000\nSIM-G3\n"),
        (GeneratorFamily.LETTER_PAIRS, b"bf000100000\ncf\na\n", b"000100000\nSIM-G4\n"),
        (
            GeneratorFamily.COLON_REGISTERS,
            b":w23=100000,0.\r\n:r23=0.\r\n:r00=0.\r\n",
            b":ok\r\n:r23=100000,0.\r\n:r00=SIM-G5.\r\n",
        ),
    ):
        with SimulatedBench(dialect_settings(generator_family=family)) as bench:
            port = int(bench.generator_resource.split("::")[2])
            with socket.create_connection(("127.0.0.1", port), timeout=5.0) as link:
                link.sendall(sent)
                assert link.makefile("rb").read(len(answered)) == answered
