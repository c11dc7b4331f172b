"""Voltage charts: the correction by hand, the finding by JCGM 106, and a file that is never believed blindly."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from twonode.analysis.findings import FindingState
from twonode.analysis.leakage_readings import Meter
from twonode.analysis.voltage_chart import (
    ChartError,
    VoltageChart,
    chart_to_document,
    load_chart,
    parse_chart,
    shipped_chart,
)
from twonode.analysis.voltage_expected import Doubt, Line, judge_reading
from twonode.analysis.voltage_report import chart_document, chart_finding, chart_lines, chart_rows

HEAD = 'title = "Wrenfield 46"\nline = "117V"\ntolerance = "10%"\n[book_meter]\nohms_per_volt = "1k"\n'
ANODE = '[[node]]\nname = "driver anode"\nvolts = "95V"\nrange = "250V"\nsource_resistance = "60k 20%"\n'
METER = Meter(resistance_ohm=10e6, tolerance=0.01)


def chart_of(*nodes: str, head: str = HEAD) -> VoltageChart:
    return parse_chart(head + "".join(nodes))


def verdict_of(chart, volts, *, digit_v=0.1, line=123.0, meter=METER, node=0):
    reading = meter.reading(volts, digit_v=digit_v)
    return judge_reading(chart, chart.nodes[node], reading, meter=meter, line=Line(volts=line))


def test_the_worked_figure_of_a_chart_by_hand():
    # Worked by hand: 1 k/V on 250 V loads 250 k; 95 (1 + 60/250) = 117.8; times 123/117 = 123.841;
    # over (1 + 0.06/10) = 123.10. A reading of 121 is 121/123.10 - 1 = -1.71 %.
    verdict = verdict_of(chart_of(ANODE), 121.0)
    by_hand = 95 * (1 + 60e3 / 250e3) * (123 / 117) / (1 + 60e3 / 10e6)
    assert by_hand == pytest.approx(123.10, abs=0.005)
    assert verdict.expected_v == pytest.approx(by_hand, rel=1e-12)
    assert round(100 * verdict.deviation, 1) == -1.7
    assert verdict.finding.state is FindingState.WITHIN_TOLERANCE
    assert verdict.finding.probability > 0.99
    assert verdict.unloaded_v == pytest.approx(121 * 1.006)


def test_the_same_meter_at_the_same_line_expects_what_the_book_says():
    meter = Meter(resistance_ohm=250e3, tolerance=0.01)
    assert verdict_of(chart_of(ANODE), 95.0, line=117.0, meter=meter).expected_v == pytest.approx(95.0)


def test_a_poor_meter_today_is_expected_to_read_low():
    # 20 k/V on 50 V is 1 M; 95 V read by a meter of 11 M behind 1 M: true 95 * 12/11 = 103.64; half of it is 51.8 V.
    node = '[[node]]\nname = "grid"\nvolts = "95V"\nsource_resistance = "1M 5%"\n'
    head = 'title = "t"\nline = "117V"\ntolerance = "20%"\n[book_meter]\nresistance = "11M"\n'
    verdict = verdict_of(chart_of(node, head=head), 51.8, line=117.0, meter=Meter(resistance_ohm=1e6))
    assert verdict.expected_v == pytest.approx(95 * 12 / 11 / 2)
    assert abs(verdict.deviation) < 0.001


def test_without_the_range_a_band_stands_for_the_expectation():
    # Ranges that hold 95 V: 250 V (250 k) and 500 V (500 k), so 95 * 1.24 down to 95 * 1.12 at the same line.
    node = '[[node]]\nname = "anode"\nvolts = "95V"\nsource_resistance = "60k"\n'
    head = HEAD + 'ranges = ["10V", "50V", "250V", "500V"]\n'
    verdict = verdict_of(chart_of(node, head=head), 110.0, line=117.0)
    low, high = verdict.band_v
    assert low == pytest.approx(95 * 1.12 / 1.006)
    assert high == pytest.approx(95 * 1.24 / 1.006)
    assert verdict.expected_v == pytest.approx((low + high) / 2)
    assert any("range" in text for text in verdict.left_out)


def test_a_band_states_only_what_holds_for_every_range():
    node = '[[node]]\nname = "anode"\nvolts = "48V"\nsource_resistance = "60k 1%"\n'
    head = HEAD + 'ranges = ["50V", "500V"]\n'  # 105.6 V or 53.8 V unloaded
    chart = chart_of(node, head=head)
    for volts, state in (
        (53.0, "undecided"),
        (105.0, "undecided"),
        (20.0, "off value"),
        (150.0, "off value"),
    ):
        verdict = verdict_of(chart, volts, line=117.0)
        assert verdict.finding.state.value == state, volts
    undecided = verdict_of(chart, 53.0, line=117.0)
    assert undecided.shares[0][0] is Doubt.RANGE
    assert "range" in undecided.finding.action


def test_the_uncertainty_is_that_of_a_simulation_by_chance():
    # Outside reference: JCGM 101:2008, propagation by Monte Carlo, against the first-order figure.
    verdict = verdict_of(chart_of(ANODE), 121.0)
    rng = np.random.default_rng(3)
    size = 200_000
    box = lambda half: rng.uniform(-half, half, size)  # noqa: E731
    source = 60e3 * np.exp(rng.normal(0, 0.2 / math.sqrt(3), size))
    ratio = (123 / 117) * np.exp(box(0.01)) * np.exp(box(0.2) * math.log(123 / 117))
    expected = 95 * (1 + source / 250e3) * ratio / (1 + source / (10e6 * np.exp(box(0.01))))
    read = 121 * (1 + box(0.005)) + box(0.3) + box(0.05)
    assert verdict.standard_uncertainty_v == pytest.approx(np.std(read - expected), rel=0.03)


def test_the_probability_is_the_conformance_probability():
    # JCGM 106:2012, 7.3: a Gaussian inside limits; worked here with the error function.
    verdict = verdict_of(chart_of(ANODE), 134.0)
    low, high = 123.1024 * 0.9, 123.1024 * 1.1
    sigma = verdict.standard_uncertainty_v
    inside = 0.5 * (
        math.erf((high - 134) / sigma / math.sqrt(2)) - math.erf((low - 134) / sigma / math.sqrt(2))
    )
    assert verdict.finding.probabilities[FindingState.WITHIN_TOLERANCE] == pytest.approx(inside, abs=1e-4)
    assert verdict.finding.state is FindingState.UNDECIDED
    assert verdict.shares[0][0] is Doubt.SOURCE
    assert "source_resistance" in verdict.finding.action
    assert sum(share for _, share in verdict.shares) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("volts", "words"),
    [
        (1231.0, "ten times"),
        (12.3, "a tenth"),
        (-123.0, "wrong way round"),
        (60.0, "follow the current"),
    ],
)
def test_an_off_value_says_what_to_look_at_first(volts, words):
    verdict = verdict_of(chart_of(ANODE), volts)
    assert verdict.finding.state is FindingState.OFF_VALUE
    assert words in verdict.finding.action


def test_a_grid_that_should_be_at_nothing_sends_to_what_drives_it():
    node = '[[node]]\nname = "grid"\nvolts = "0V"\ntolerance = "0.3V"\nsource_resistance = "470k"\n'
    verdict = verdict_of(chart_of(node), 0.62, digit_v=0.01)
    assert verdict.finding.state is FindingState.OFF_VALUE
    assert "leak of the capacitor" in verdict.finding.action
    assert "grid current" in verdict.finding.action


def test_an_undecided_node_is_shown_with_the_share_that_lies_inside():
    # 123.10 V expected, 110.79 V the limit below: as likely inside as not.
    verdict = verdict_of(chart_of(ANODE), 110.8)
    assert verdict.finding.state is FindingState.UNDECIDED
    (row,) = chart_rows([verdict], [])
    inside = verdict.finding.probabilities[FindingState.WITHIN_TOLERANCE]
    assert row[-1] == f"undecided (inside: {100 * inside:.0f} %)"
    assert 0.3 < inside < 0.7


def test_a_line_that_nobody_read_makes_the_finding_weaker_and_is_asked_for():
    read, unread = (
        verdict_of(chart_of(ANODE), 121.0, line=117.0),
        verdict_of(chart_of(ANODE), 121.0, line=None),
    )
    assert unread.expected_v == read.expected_v
    assert unread.standard_uncertainty_v > 2 * read.standard_uncertainty_v
    assert unread.finding.state is FindingState.UNDECIDED
    assert "--line" in unread.finding.action
    assert any("line" in text for text in unread.left_out)


def test_a_node_that_does_not_follow_the_line_is_left_alone_by_it():
    node = ANODE.replace("95V", "85V").replace("60k", "1k") + "follows_line = false\n"
    verdict = verdict_of(chart_of(node), 85.0)
    assert verdict.expected_v == pytest.approx(85 * 1.004 / 1.0001)


def test_without_the_nodes_resistance_loading_is_not_corrected_and_that_is_said():
    node = '[[node]]\nname = "anode"\nvolts = "95V"\n'
    verdict = verdict_of(chart_of(node), 99.9)
    assert verdict.expected_v == pytest.approx(95 * 123 / 117)
    assert verdict.unloaded_v is None
    assert verdict.finding.not_tested == ("loading of the node by the meters",)
    assert any("resistance" in text for text in verdict.left_out)


def test_zero_volts_are_judged_in_volts():
    node = '[[node]]\nname = "grid"\nvolts = "0V"\ntolerance = "0.3V"\nsource_resistance = "470k"\n'
    sound, bad = (verdict_of(chart_of(node), volts, digit_v=0.01) for volts in (0.02, 0.42))
    assert (sound.finding.state, bad.finding.state) == (FindingState.WITHIN_TOLERANCE, FindingState.OFF_VALUE)
    assert (sound.deviation, sound.deviation_v) == (None, pytest.approx(0.02))
    assert sound.band_v is None


def test_negative_volts_have_their_limits_the_right_way_round():
    node = '[[node]]\nname = "bias"\nvolts = "-7V"\n'
    chart = chart_of(node)
    verdict = verdict_of(chart, -7.1, line=117.0, digit_v=0.01)
    assert verdict.limits_v == pytest.approx((-7.7, -6.3))
    assert verdict.finding.state is FindingState.WITHIN_TOLERANCE


def test_the_set_is_off_as_soon_as_one_node_is_and_within_only_for_what_was_read():
    chart = shipped_chart("wrenfield-46")
    line = Line(volts=123.0)

    def judged(*readings):
        return [
            judge_reading(chart, chart.node(name), METER.reading(volts, digit_v=0.1), meter=METER, line=line)
            for name, volts in readings
        ]

    sound = judged(("driver anode", 121.0), ("output cathode", 7.6))
    assert chart_finding(sound, ["HT rail"]).state is FindingState.WITHIN_TOLERANCE
    assert "HT rail: not read" in chart_finding(sound, ["HT rail"]).not_tested
    off = judged(("driver anode", 121.0), ("HT rail", 150.0))
    assert chart_finding(off).state is FindingState.OFF_VALUE
    assert "HT rail" in chart_finding(off).because
    lines = chart_lines(chart, off, not_read=["output grid"], meter=METER, line=line, simulated=False)
    assert lines[0].startswith("OFF VALUE: HT rail")
    assert any("driver anode" in each and "-1.7 %" in each and "123 V" in each for each in lines)
    document = chart_document(
        chart, off, not_read=["output grid"], meter=METER, line=line, simulated=True, recording=None
    )
    assert document["finding"]["state"] == "off value"
    assert document["nodes"][0]["expected"]["value"] == pytest.approx(123.10, abs=0.005)


def test_the_shipped_chart_is_sound_and_goes_into_json():
    chart = shipped_chart("wrenfield-46")
    assert chart.node("Driver  ANODE").book_v == 95.0
    assert chart_to_document(chart)["nodes"][1]["name"] == "driver anode"


BAD = [
    ("", "no nodes"),
    (ANODE, "title is missing"),
    ('title = "t"\n', "no nodes"),
    ('title = "t"\nnode = 3\n', "no nodes"),
    (HEAD, "no nodes"),
    (HEAD + '[[node]]\nname = "a"\n', "volts is missing"),
    (HEAD + '[[node]]\nname = "a"\nvolts = 95\n', "volts is 95"),
    (HEAD + '[[node]]\nname = "a"\nvolts = "95mA"\n', "'mA' is no unit of voltage"),
    (HEAD + '[[node]]\nname = "a"\nvolts = "1e9V"\n', "no voltage of a receiver"),
    (HEAD + '[[node]]\nname = "a"\nvolts = "0V"\n', "0 V and the tolerance is a percentage"),
    (HEAD + '[[node]]\nname = "a"\nvolts = "9V"\ntolerence = "5%"\n', "did you mean 'tolerance'"),
    (HEAD + '[[node]]\nname = "a"\nvolts = "9V"\ntolerance = "5"\n', "could be a percentage or volts"),
    (HEAD + '[[node]]\nname = "a"\nvolts = "9V"\ntolerance = "-1V"\n', "tolerance"),
    (HEAD + '[[node]]\nname = "a"\nvolts = "9V"\nrange = "5V"\n', "does not fit on the book meter's range"),
    (HEAD + '[[node]]\nname = "a"\nvolts = "9V"\nsource_resistance = "0"\n', "source_resistance"),
    (HEAD + '[[node]]\nname = "a"\nvolts = "9V"\nsource_resistance = "5V"\n', "source_resistance"),
    (HEAD + '[[node]]\nname = "a"\nvolts = "9V"\nfollows_line = "no"\n', "follows_line"),
    (HEAD + 2 * '[[node]]\nname = "a"\nvolts = "9V"\n', "stands twice"),
    (HEAD.replace("1k", "0") + ANODE, "ohms_per_volt"),
    (HEAD + 'resistance = "11M"\n' + ANODE, "not both"),
    (HEAD + "ranges = []\n" + ANODE, "ranges"),
    (HEAD + 'ranges = ["0V"]\n' + ANODE, "ranges"),
    (HEAD.replace("117V", "0V") + ANODE, "line"),
    (HEAD.replace('tolerance = "10%"\n', "") + ANODE, "has no tolerance"),
    ("title = ", "not TOML"),
]


@pytest.mark.parametrize(("text", "words"), BAD)
def test_a_chart_that_cannot_be_used_is_refused_by_file_and_key(text, words):
    with pytest.raises(ChartError, match=r"chart\.toml") as caught:
        parse_chart(text, where="chart.toml")
    assert words in caught.value.what
    assert caught.value.do


def test_a_line_that_is_of_another_mains_is_refused():
    with pytest.raises(ChartError, match=r"12\.3 V"):
        verdict_of(chart_of(ANODE), 121.0, line=12.3)
    for volts in (0.0, -117.0, math.nan, math.inf):
        with pytest.raises(ChartError, match="line"):
            Line(volts=volts)


def test_a_node_that_is_not_there_is_answered_with_the_nearest():
    with pytest.raises(ChartError, match="did you mean 'driver anode'"):
        chart_of(ANODE).node("drver anode")


@pytest.mark.parametrize("content", [b"\xff\xfe\x00t", b"#" * 1_000_001])
def test_a_file_that_is_no_chart_is_refused_by_name(tmp_path, content):
    path = tmp_path / "chart.toml"
    path.write_bytes(content)
    with pytest.raises(ChartError, match=r"chart\.toml"):
        load_chart(path)
    with pytest.raises(ChartError, match=r"missing\.toml"):
        load_chart(tmp_path / "missing.toml")


keys = st.sampled_from(
    [
        *(
            "title",
            "line",
            "reference",
            "condition",
            "tolerance",
            "book_meter",
            "node",
            "name",
            "volts",
            "range",
        ),
        *("ranges", "ohms_per_volt", "resistance", "source_resistance", "follows_line", "reading", "rubbish"),
    ]
)
texts = st.sampled_from(
    [
        "95V",
        "0V",
        "-7V",
        "10%",
        "0.3V",
        "1k",
        "60k 20%",
        "117V",
        "",
        " ",
        "9e300V",
        "nan",
        "1e-320V",
        "±5%",
        "-5/+9%",
    ]
) | st.text(max_size=8)
scalars = texts | st.booleans() | st.integers() | st.floats() | st.lists(texts, max_size=3)
sections = st.dictionaries(keys, scalars, max_size=7)


def toml_of(value):
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, list):
        return "[" + ", ".join(toml_of(each) for each in value) + "]"
    if isinstance(value, str):
        # A control character makes it no TOML, which is one of the cases.
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return repr(value)


def section_of(table):
    return "".join(f"{key} = {toml_of(value)}\n" for key, value in table.items())


@settings(max_examples=300, deadline=None)
@given(
    sections,
    st.none() | sections,
    st.lists(sections, max_size=3),
    st.booleans(),
    st.floats(-1e4, 1e4),
    st.none() | st.floats(60, 260),
)
def test_a_random_chart_is_used_or_refused_and_nothing_else(top, meter, nodes, mend, volts, line):
    if mend:
        top = {"title": "t", "line": "117V", "tolerance": "10%"} | {
            k: v for k, v in top.items() if k == "tolerance"
        }
        nodes = [{"name": f"n{place}", "volts": "95V"} | node for place, node in enumerate(nodes or [{}])]
    text = section_of(top)
    if meter is not None:
        text += "[book_meter]\n" + section_of(meter)
    text += "".join("[[node]]\n" + section_of(node) for node in nodes)
    try:
        chart = parse_chart(text)
        verdicts = [
            judge_reading(chart, node, METER.reading(volts), meter=METER, line=Line(volts=line))
            for node in chart.nodes
        ]
    except ChartError:
        return
    for verdict in verdicts:
        assert 0 <= verdict.finding.probability <= 1
        assert math.isfinite(verdict.expected_v)
        assert verdict.standard_uncertainty_v > 0
    assert chart_lines(chart, verdicts, not_read=[], meter=METER, line=Line(volts=line), simulated=False)


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=200))
def test_any_text_is_a_chart_or_our_own_error(text):
    try:
        parse_chart(text)
    except ChartError:
        return
