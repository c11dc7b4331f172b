"""The language of the simulated instruments against IEEE 488.2 and SCPI-1999 (references page, section 8)."""

from __future__ import annotations

import string

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated_stages import series

from twonode.drivers.simulated import (
    DirectBench,
    GeneratorFamily,
    ScopeFamily,
    SimulatedSettings,
    direct_links,
)
from twonode.drivers.simulated.scpi import ScpiInstrument
from twonode.drivers.simulated.scpi_values import ScpiError, parse_number


@pytest.fixture
def bench() -> DirectBench:
    bench = direct_links(SimulatedSettings(stage=series()))
    for link in (bench.generator, bench.scope, bench.voltmeter):
        link.write("*CLS")
    return bench


def error(bench: DirectBench) -> int:
    return int(bench.generator.query("SYST:ERR?").split(",")[0])


@pytest.mark.parametrize(
    "header",
    [
        "FREQ",
        "FREQUENCY",
        "frequency",
        "FrEq",
        ":FREQ",
        "SOUR:FREQ",
        "SOURCE1:FREQUENCY:CW",
        ":sour1:freq:cw",
        "SOURCE:FREQ:CW",
    ],
)
def test_short_and_long_forms_optional_nodes_and_any_case_mean_the_same(
    bench: DirectBench, header: str
) -> None:
    # SCPI-1999: only the short or the whole form is legal, in any case; nodes in brackets may be left out.
    bench.generator.write(f"{header} 123")
    assert error(bench) == 0
    assert float(bench.generator.query(f"{header}?")) == 123.0


@pytest.mark.parametrize(
    "header", ["FREQU", "FRE", "FREQUENCYS", "SOURC:FREQ", "VOLT:FREQ", "*IDM", "FREQ:FIXED"]
)
def test_anything_between_the_two_forms_is_an_undefined_header(bench: DirectBench, header: str) -> None:
    bench.generator.write(f"{header} 123")
    assert error(bench) == -113
    assert float(bench.generator.query("FREQ?")) == 1000.0


@pytest.mark.parametrize(
    ("message", "code"),
    [
        ("FREQ", -109),
        ("FREQ ,", -109),
        ("FREQ 1,2", -108),
        ("*CLS 1", -108),
        ("FREQ abc", -104),
        ("FREQ 5 V", -131),
        ("FREQ 5 QHZ", -131),
        ("FREQ 26E6", -222),
        ("FREQ -5", -222),
        ("VOLT 11", -222),
        ("FUNC TRIANGULAR", -224),
        ("FREQ? 5", -224),
        ("OUTP2 ON", -114),
        ("SOUR2:FREQ 5", -114),
        ("ABCDEFGHIJKLM 5", -112),
        ('FUNC "SIN', -151),
        (";;:!", -102),
        ("SYST:ERR", -113),
        ("*CLS?", -113),
    ],
)
def test_each_mistake_gets_the_number_libscpi_lists_for_it(
    bench: DirectBench, message: str, code: int
) -> None:
    bench.generator.write(message)
    found = [error(bench) for _ in range(3)]
    assert code in found
    assert found[-1] == 0


def test_a_refused_value_leaves_the_setting_as_it_was(bench: DirectBench) -> None:
    bench.generator.write("VOLT 2")
    bench.generator.write("VOLT 10.5")
    assert error(bench) == -222
    assert float(bench.generator.query("VOLT?")) == 2.0


def test_a_compound_carries_its_path_and_a_leading_colon_drops_it(bench: DirectBench) -> None:
    # SCPI-1999 volume 1, 6.2.4: a header after a semicolon continues from its predecessor's parent.
    bench.generator.write("SOUR1:VOLT:UNIT VPP;OFFS 0.25;:SOUR1:FREQ 50")
    assert error(bench) == 0
    assert float(bench.generator.query("VOLT:OFFS?")) == 0.25
    bench.generator.write("VOLT 1;OFFS 0.1")
    assert error(bench) == -113  # the parent of VOLT is the root


def test_a_common_command_leaves_the_path_alone(bench: DirectBench) -> None:
    reply = bench.generator.query("SOUR1:VOLT:UNIT?;*ESE?;OFFS?")
    assert reply.split(";")[:2] == ["VPP", "0"]
    assert float(reply.split(";")[2]) == 0.0


def test_queries_of_one_message_answer_in_one_line_separated_by_semicolons(bench: DirectBench) -> None:
    reply = bench.generator.query("FREQ?;:VOLT:UNIT?;:OUTP?")
    assert [float(reply.split(";")[0]), *reply.split(";")[1:]] == [1000.0, "VPP", "0"]


def test_after_a_command_error_the_rest_of_the_message_is_lost_after_an_execution_error_it_is_not(
    bench: DirectBench,
) -> None:
    bench.generator.write("FREQ 100;NONSENSE 1;:VOLT 3")
    assert float(bench.generator.query("VOLT?")) == 0.1
    bench.generator.write("FREQ 99E9;:VOLT 3")
    assert float(bench.generator.query("VOLT?")) == 3.0


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("5 KHZ", "Hz", 5e3),
        ("5KHz", "Hz", 5e3),
        ("1 MHZ", "Hz", 1e6),
        ("2 MOHM", "ohm", 2e6),
        ("500 mV", "V", 0.5),
        ("1 MAV", "V", 1e6),
        ("3 US", "s", 3e-6),
        (".5", "V", 0.5),
        ("5.", "V", 5.0),
        ("-1.5e-3", "V", -1.5e-3),
        ("+2E+1 HZ", "Hz", 20.0),
    ],
)
def test_suffix_multipliers_are_those_of_libscpi_with_mega_for_hertz_and_ohms(
    text: str, unit: str, value: float
) -> None:
    assert parse_number(text, unit) == pytest.approx(value, rel=1e-12)


def test_a_suffix_where_none_fits_is_refused() -> None:
    with pytest.raises(ScpiError) as refused:
        parse_number("16 V", "")
    assert refused.value.code == -138


def test_errors_come_out_first_in_first_out_with_their_text(bench: DirectBench) -> None:
    bench.generator.write("NONSENSE")
    bench.generator.write("FREQ 1E12")
    assert bench.generator.query("SYST:ERR?").startswith('-113,"Undefined header')
    assert bench.generator.query("SYSTem:ERRor:NEXT?").startswith('-222,"Data out of range')
    assert bench.generator.query("SYST:ERR?") == '0,"No error"'


def test_a_full_queue_ends_in_queue_overflow_and_cls_empties_it(bench: DirectBench) -> None:
    for _ in range(50):
        bench.generator.write("NONSENSE")
    count = int(bench.generator.query("SYST:ERR:COUN?"))
    codes = [error(bench) for _ in range(count)]
    assert codes[-1] == -350
    assert set(codes[:-1]) == {-113}
    assert error(bench) == 0
    bench.generator.write("NONSENSE")
    bench.generator.write("*CLS")
    assert error(bench) == 0


def test_the_event_status_register_has_its_bits_by_class_and_reading_clears_it() -> None:
    generator = direct_links(SimulatedSettings(stage=series())).generator
    assert generator.query("*ESR?") == "128"  # power on
    generator.write("NONSENSE")
    generator.write("FREQ 1E12")
    generator.write("*OPC")
    assert generator.query("*ESR?") == str(32 + 16 + 1)
    assert generator.query("*ESR?") == "0"


def test_the_status_byte_shows_error_queue_event_summary_and_service_request(bench: DirectBench) -> None:
    assert bench.generator.query("*STB?") == "0"
    bench.generator.write("*ESE 32;*SRE 4")
    bench.generator.write("NONSENSE")
    assert bench.generator.query("*STB?") == str(4 + 32 + 64)
    bench.generator.write("*CLS")
    assert bench.generator.query("*STB?") == "0"
    assert bench.generator.query("*ESE?;*SRE?") == "32;4"


def test_opc_answers_one_and_the_version_is_1999(bench: DirectBench) -> None:
    assert bench.generator.query("*OPC?") == "1"
    assert bench.generator.query("SYST:VERS?") == "1999.0"


_WORDS = st.sampled_from(
    [
        "FREQ",
        "VOLT",
        "OUTP1",
        ":CHAN1:SCAL",
        "CH2:SCA",
        "WAV:DATA?",
        "CURV?",
        "C1:VDIV",
        "C1:WF?",
        "TRMD",
        "TRSE",
        "EDGE,SR,C1",
        "C1:BSWV",
        "WVTP,SINE,FRQ",
        "WAV:POIN",
        "ACQ1:MEM?",
        "RMF",
        "WMA",
        "bf000",
        "WMF00001000000000",
        "*OPC?",
        "SYST:ERR?",
        "MAX",
        "1e9",
        "-3",
        "0x1",
        ";",
        ",",
        ":",
        "?",
        '"',
        "'",
        "#",
    ]
)


@settings(max_examples=300, deadline=None)
@given(
    st.lists(st.one_of(_WORDS, st.text(string.printable, max_size=6)), max_size=8).map(" ".join),
    st.sampled_from(list(ScopeFamily)),
    st.sampled_from(list(GeneratorFamily)),
)
def test_no_text_upsets_an_instrument(text: str, scope: ScopeFamily, generator: GeneratorFamily) -> None:
    bench = direct_links(SimulatedSettings(stage=series(), scope_family=scope, generator_family=generator))
    for link in (bench.generator, bench.scope, bench.voltmeter):
        instrument = link._instrument
        reply = instrument.execute(text)
        assert reply == b"" or reply.endswith(b"\n")
        if isinstance(instrument, ScpiInstrument):
            instrument.execute("*CLS")
            assert instrument.execute("*ESR?").split()[-1].isdigit()
