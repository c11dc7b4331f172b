"""``twonode dc``: typed readings, a voltmeter on the bus, charts; everything filed, nothing read is lost."""

import subprocess
import time
from pathlib import Path

import pytest
from console_runs import PROGRAM, STAGE, environment, json_of, run

from twonode.analysis.stage import shipped_stage
from twonode.cautions import DC_CAUTIONS
from twonode.console import confirm
from twonode.console.dc_confirm import ask_for_tip
from twonode.drivers import link
from twonode.drivers.simulated import (
    LOOSE_END,
    Fault,
    FaultKind,
    MeterTip,
    SimulatedBench,
    SimulatedSettings,
)
from twonode.recordings import (
    DcState,
    Ended,
    RecordingKind,
    close_unfinished,
    find_unfinished,
    read_any,
    read_dc_recording,
    read_results,
)

CHART = Path(__file__).parents[2] / "twonode" / "analysis" / "charts" / "wrenfield-46.toml"
LEAKY = ("--drive", "105V", "--far", "0.62V", "--grid-leak", "470k 1%", "--meter", "10M 1%")
FAST = ("--speed", "50")
NOWHERE = "TCPIP0::127.0.0.1::1::SOCKET"


@pytest.fixture(scope="module")
def served():
    """A simulated set and voltmeter at an address, as `twonode simulate` serves them."""
    stage = shipped_stage("wrenfield-46-driver-output")
    settings = SimulatedSettings(
        stage=stage, seed=4, faults={"C7": Fault(kind=FaultKind.LEAKY, amount=80e6)}, speed=50
    )
    with SimulatedBench(settings) as bench:
        yield bench


def only_recording(archive):
    (folder,) = (each for each in archive.iterdir() if each.is_dir())
    return folder


def test_an_accuracy_that_is_none_names_its_own_option(tmp_path):
    result = run("dc", *LEAKY, "--meter-accuracy", "banana", "--archive", tmp_path)
    assert result.exit_code == 2
    assert result.stderr.splitlines()[0] == "--meter-accuracy: 'banana' is no accuracy of a meter."


def test_typed_readings_give_the_leak_and_are_filed_with_their_result(tmp_path):
    tags = ("--tag", "set=wrenfield-46", "--tag", "operator=EM", "--part", "C7", "--line", "121V")
    result = run("dc", *LEAKY, "--bias", "-7V", *tags, "--archive", tmp_path, "--json")
    assert result.exit_code == 0, result.stderr
    document = json_of(result)
    # Worked by hand: 470 k beside 10 M is 448.9 k; 0.62 V across it 1.381 uA; (105 - 0.62) V over that 75.6 M; without
    # the meter the grid is at 0.62 (1 + 467.1 k / 10 M) = 0.649 V.
    assert document["leakage_resistance"]["value"] == pytest.approx(75.6e6, rel=0.01)
    assert document["leakage_current"]["value"] == pytest.approx(1.381e-6, rel=0.01)
    assert document["far_voltage_without_meter"]["value"] == pytest.approx(0.649, rel=0.002)
    for name, unit in (
        ("leakage_resistance", "ohm"),
        ("leakage_current", "A"),
        ("far_voltage_without_meter", "V"),
    ):
        found = document[name]
        assert found["unit"] == unit
        assert found["interval95"][0] < found["value"] < found["interval95"][1]
        assert 0 < found["standard_uncertainty"] < 0.2 * found["value"]
    assert document["finding"]["state"] == "leaky"
    assert document["finding"]["not_tested"]
    assert document["format"] == 1
    assert document["conditions"]["line_volts"] == 121.0
    assert "far end lifted" in document["cannot_tell"]

    recording = read_dc_recording(document["recording"])
    assert recording.folder.parent == tmp_path
    assert (recording.header.part, recording.header.role, recording.header.operator) == (
        "C7",
        "coupling",
        "EM",
    )
    assert recording.header.asked["bias_v"] == -7.0
    assert recording.header.ended is Ended.FINISHED
    assert [(row.node, row.volts, row.typed) for row in recording.readings] == [
        ("drive node", 105.0, "105V"),
        ("far node", 0.62, "0.62V"),
    ]
    (stored,) = read_results(recording.folder)
    assert stored.path.name == "dc-C7.json"
    assert stored.document["finding"] == document["finding"]
    assert stored.document["recording"] == recording.name


def test_the_screen_leads_with_the_finding_and_ends_with_where_it_is_filed(tmp_path):
    result = run("dc", *LEAKY, "--part", "C7", "--archive", tmp_path)
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert lines[0].startswith("C7: LEAKY")
    assert lines[-1] == f"Recording: {only_recording(tmp_path)}"
    for words in (" MΩ", "read to 10 mV", "Next:", "Cannot tell", "without the meter", "as they were typed"):
        assert words in result.stdout
    for caution in DC_CAUTIONS:
        assert caution in result.stderr
        assert caution not in result.stdout


def test_a_second_reading_shares_the_current_between_leak_and_valve():
    # Worked by hand: 0.62 V is 1.381 uA, 0.40 V left without the capacitor 0.891 uA (65 %); the rest is 213 M.
    result = run("dc", *LEAKY, "--far-lifted", "0.40V", "--no-save", "--json")
    document = json_of(result)
    assert document["leakage_resistance"]["value"] == pytest.approx(213e6, rel=0.02)
    assert document["grid_current"]["value"] == pytest.approx(0.891e-6, rel=0.01)
    assert document["leak_share"]["value"] == pytest.approx(0.355, abs=0.01)
    assert document["cannot_tell"] is None
    assert document["recording"] is None
    out = json_of(run("dc", *LEAKY, "--far-valve-out", "0.22V", "--no-save", "--json"))
    assert out["leakage_resistance"]["value"] == pytest.approx(213e6, rel=0.05)


def test_a_lifted_end_passes_and_check_says_so_by_the_exit_status():
    # Worked by hand: 10 M (105 - 0.35) / 0.35 = 2.99 G.
    lifted = ("dc", "--drive", "105V", "--lifted", "0.350V", "--grid-leak", "470k", "--no-save", "--check")
    result = run(*lifted, "--json")
    assert result.exit_code == 0
    document = json_of(result)
    assert document["leakage_resistance"]["value"] == pytest.approx(2.99e9, rel=0.01)
    assert document["finding"]["state"] == "within tolerance"
    assert run("dc", *LEAKY, "--no-save", "--check").exit_code == 1


def test_a_bias_typed_without_its_sign_is_said_to_be_taken_as_negative():
    arguments = ("dc", "--drive", "118V", "--far", "0.42V", "--grid-leak", "470k 10%", "--no-save")
    turned, written = (run(*arguments, "--bias", bias) for bias in ("7V", "-7V"))
    assert "The bias was given as 7.00 V and taken as -7.00 V" in turned.stdout
    assert "taken as" not in written.stdout
    document = json_of(run(*arguments, "--bias", "7V", "--json"))
    assert document["bias_v"] == document["conditions"]["bias_v"] == -7.0
    assert any("taken as -7.00 V" in note for note in document["notes"])


def test_the_avc_that_a_leak_takes_is_stated_with_its_uncertainty(tmp_path):
    # Trade notes section 11, 8: 12 M behind 2 M take 14 %. 20 V, 10 M meter: 20 x (12||10)/(2 + 12||10) = 14.63 V.
    below = 12 * 10 / 22
    assert 20 * below / (2 + below) == pytest.approx(14.63, abs=0.005)
    arguments = ("--role", "AVC filter", "--drive", "20.00V", "--far", "14.63V", "--grid-leak", "2M 1%")
    document = json_of(run("dc", *arguments, "--no-save", "--json"))
    low, high = document["avc_lost"]["interval95"]
    assert low < 2 / 14 < high
    assert high - low < 0.02
    assert document["finding"]["state"] == "leaky"
    shown = run("dc", *arguments, "--no-save").stdout
    assert "takes 14 % of the AVC" in shown
    assert "AVC lost to the leak: 14." in shown


def test_a_bypass_typed_in_alone_is_read_on_its_own_node_and_fed_through_its_resistor(tmp_path):
    # 12 V behind 2 M, 12 M leak: 10 V on the line with a 10 M meter there, 5 V behind the lifted part.
    result = run(
        *("dc", "--role", "AVC", "--drive", "10.00V", "--lifted", "5.00V", "--grid-leak", "2M 1%"),
        *("--archive", tmp_path, "--json"),
    )
    document = json_of(result)
    assert document["leakage_resistance"]["value"] == pytest.approx(12e6, rel=0.005)
    assert [(r["node"], r["state"]) for r in document["readings"]] == [
        ("far node", DcState.LIFTED.value),
        ("the capacitor, loose end", DcState.LOOSE_END.value),
    ]


def test_where_no_leak_is_excluded_a_bound_and_the_reason_stand_for_it():
    result = run("dc", "--drive", "105V", "--far", "0.000V", "--grid-leak", "470k 10%", "--no-save", "--json")
    found = json_of(result)["leakage_resistance"]
    assert found["value"] is None
    assert found["reason"]
    assert found["at_least"] > 1e9
    coarse = json_of(
        run("dc", "--drive", "105V", "--far", "0V", "--grid-leak", "470k", "--no-save", "--json")
    )
    # A whole volt as last digit can hide a leak that a millivolt cannot.
    assert coarse["leakage_resistance"]["at_least"] < 0.05 * found["at_least"]


def test_a_formed_electrolytic_is_held_against_its_rating(tmp_path):
    # Worked by hand: 0.04 * 40 + 0.3 = 1.9 mA for 40 uF at 450 V (JAN-C-62, quoted).
    formed = ("dc", "--rated", "450V", "--value", "40u", "--drive", "450V", "--formed", "5min", "--json")
    document = json_of(run(*formed, "--current", "0.60mA", "--part", "C11", "--archive", tmp_path))
    assert document["allowed_current"]["value"] == pytest.approx(1.9e-3)
    assert document["finding"]["state"] == "within tolerance"
    assert read_dc_recording(document["recording"]).header.asked["forming"]["forming_s"] == 300.0
    across = json_of(run(*formed, "--across", "6.00V", "--feed", "10k 1%", "--no-save"))
    assert across["leakage_current"]["value"] == pytest.approx(0.6e-3 * 1.001, rel=1e-3)
    leaky = json_of(run(*formed, "--current", "4.5mA", "--no-save"))
    assert leaky["finding"]["state"] == "leaky"
    early = json_of(run(*formed[:-3], "--formed", "30s", "--json", "--current", "4.5mA", "--no-save"))
    assert early["finding"]["state"] == "undecided"


def test_your_own_limits_decide(tmp_path):
    strict = tmp_path / "limits.toml"
    shipped = (CHART.parents[1] / "limits" / "leakage.toml").read_text(encoding="utf-8")
    strict.write_text(shipped.replace('sound_below = "50mV"', 'sound_below = "1mV"'), encoding="utf-8")
    sound = ("dc", "--drive", "105V", "--lifted", "0.350V", "--grid-leak", "470k", "--no-save", "--json")
    assert json_of(run(*sound))["finding"]["state"] == "within tolerance"
    own = json_of(run(*sound, "--limits", strict))
    assert own["finding"]["state"] == "undecided"
    assert str(strict) in own["limits"]["file"]


def test_the_stage_file_says_role_nodes_and_resistors(tmp_path):
    readings = ("--drive", "203V", "--far", "1.03V", "--no-save", "--json")
    document = json_of(run("dc", "--stage", STAGE, *readings))
    assert (document["part"], document["role"]) == ("C7", "coupling")
    assert [row["node"] for row in document["readings"]] == ["driver anode", "output grid"]
    # R12's 20 % are all of the leak's doubt: sigma 11.5 %.
    found = document["leakage_resistance"]
    assert found["standard_uncertainty"] / found["value"] == pytest.approx(0.115, abs=0.02)
    other = run("dc", "--stage", STAGE, *readings, "--part", "R12")
    assert other.exit_code == 2
    assert "R12 is a resistor" in json_of(other)["error"]["what"]


REFUSED = [
    (("--drive", "1V", "--far", "5V", "--grid-leak", "470k"), "more than the drive node"),
    (("--drive", "100V", "--far", "-0.50V", "--grid-leak", "470k"), "negative leak"),
    (("--drive", "100V", "--far", "0.10V"), "resistor at the far node is missing"),
    (("--drive", "100V", "--far", "0.10V", "--grid-leak", "0"), "--grid-leak: A resistor of 0 ohm"),
    (("--drive", "100V", "--far", "0.10V", "--grid-leak", "470n"), "no unit of resistance"),
    (("--drive", "100mA", "--far", "0.10V", "--grid-leak", "470k"), "--drive: '100mA' is no voltage"),
    (("--drive", "100V", "--far", "0.10 ohm", "--grid-leak", "470k"), "--far: '0.10 ohm' is no voltage"),
    (("--drive", "100V", "--far", "0.10V", "--grid-leak", "470k", "--role", "line"), "at the mains"),
    (("--drive", "100V", "--far", "0.10V", "--grid-leak", "470k", "--role", "copling"), "no role"),
    (("--drive", "0V", "--far", "0V", "--grid-leak", "470k"), "limits"),
    (("--drive", "100V", "--far", "0.1V", "--grid-leak", "470k", "--meter", "0"), "--meter"),
    (("--drive", "100V", "--far", "0.1V", "--grid-leak", "470k", "--meter-accuracy", "good"), "accuracy"),
    (("--drive", "100V", "--far", "0.1V", "--grid-leak", "470k", "--line", "-3V"), "no mains"),
    (
        ("--drive", "100V", "--far", "0.1V", "--grid-leak", "470k", "--grid-current", "5mV"),
        "no unit of current",
    ),
    (
        ("--drive", "100V", "--far", "0.1V", "--grid-leak", "470k", "--grid-current", "lots"),
        "--grid-current: 'lots'",
    ),
    (("--drive", "100V", "--far", "OL", "--grid-leak", "470k"), "--far: 'OL' is no reading: the meter was"),
    (
        ("--drive", "100V", "--far", "0.1V", "--grid-leak", "470k", "--meter", "20k/V"),
        "--meter: '20k/V' are ohms per volt",
    ),
    (
        ("--role", "AVC", "--drive", "10V", "--far", "7V", "--grid-leak", "2M", "--bias", "-3V"),
        "says nothing of an AVC filter",
    ),
    (("--drive", "100V", "--far", "0.1V", "--grid-leak", "470k", "--limits", "no.toml"), "no.toml"),
    (("--drive", "100V", "--far", "0.1V", "--grid-leak", "470k", "--rated", "450V"), "--value"),
    (("--drive", "100V", "--grid-leak", "470k", "--bias", "7"), "No reading tells"),
    (
        ("--drive", "450V", "--rated", "450V", "--value", "40u", "--formed", "soon", "--current", "1mA"),
        "--formed",
    ),
    (
        ("--drive", "450V", "--rated", "450V", "--value", "40u", "--formed", "5min", "--current", "1mV"),
        "--current",
    ),
    (("--drive", "450V", "--rated", "450V", "--value", "40u", "--formed", "5min"), "--current"),
    (
        ("--drive", "600V", "--rated", "450V", "--value", "40u", "--formed", "5min", "--current", "1mA"),
        "600 V",
    ),
    (
        ("--drive", "450V", "--rated", "450V", "--value", "40u", "--formed", "5min", "--across", "1V"),
        "series resistor is missing",
    ),
    (("--far", "0.1V", "--grid-leak", "470k"), "--drive is missing"),
    (("--simulated", "--drive", "100V"), "is typed"),
    (("--simulated", "--voltmeter", NOWHERE), "exclude each other"),
    (("--drive", "100V", "--also", "lifted"), "--also needs a voltmeter"),
    (("--drive", "100V", "--far", "1V", "--grid-leak", "470k", "--fault", "C7=open"), "needs --simulated"),
    (("--simulated", "--part", "C6"), "needs a second reading"),
    (("--simulated", "--part", "C6", "--also", "lifted", "--also", "far-lifted"), "alone"),
    (
        ("--role", "screen", "--drive", "90V", "--far", "80V", "--lifted", "1V", "--feed", "100k"),
        "leave --far out",
    ),
    (("--drive", "100V", "--far", "1V", "--read", "a=1V"), "--read needs --chart"),
    (("--chart", CHART, "--drive", "100V"), "exclude each other"),
    (("--chart", CHART, "--simulated", "--read", "HT rail=1V"), "typed readings"),
    (("--chart", "no.toml"), "no.toml"),
    (("--chart", CHART), "No readings"),
    (("--chart", CHART, "--read", "driver anode"), "--read: 'anode' is no voltage"),
    (("--chart", CHART, "--read", "driver anode=12mA"), "no unit of voltage"),
    (("--chart", CHART, "--read", "drivr anode=121V"), "did you mean 'driver anode'"),
    (("--chart", CHART, "--read", "HT rail=1V", "--read", "ht rail=2V"), "given twice"),
    (("--chart", CHART, "--read", "HT rail=210V", "--line", "12.3V"), "12.3 V"),
]


@pytest.mark.parametrize(("arguments", "words"), REFUSED)
def test_what_cannot_be_is_refused_in_three_parts_and_not_filed(tmp_path, arguments, words):
    result = run("dc", *arguments, "--archive", tmp_path, "--json")
    assert result.exit_code == 2
    error = json_of(result)["error"]
    assert words in error["what"]
    assert error["why"]
    assert error["do"]
    assert list(tmp_path.iterdir()) == []


def test_the_cautions_stand_in_the_help():
    text = " ".join(run("dc", "--help").stdout.split())
    for words in (
        "never clip a scope or a generator",
        "isolation transformer",
        "one hand",
        "licensed practice",
    ):
        assert words in text


@pytest.fixture
def keyboard(monkeypatch, served):
    """Somebody at the keyboard, who moves the tip before answering."""

    def answering(wanted):
        node = LOOSE_END if wanted.step.state is DcState.LOOSE_END else wanted.step.node
        lifted = None if wanted.step.state is DcState.IN_PLACE else "C7"
        served.hold_tip(MeterTip(node=node, lifted=lifted))
        return ask_for_tip(wanted)

    monkeypatch.setattr(confirm, "interactive", lambda: True)
    monkeypatch.setattr("twonode.console.dc_readings.ask_for_tip", answering)


def from_voltmeter(served, archive, *more):
    return ("dc", "--stage", STAGE, "--voltmeter", served.voltmeter_resource, "--archive", archive, *more)


def test_a_voltmeter_is_read_node_by_node_and_nothing_else_is_opened(tmp_path, served, keyboard, monkeypatch):
    opened = []
    real = link.open_link

    def noting(resource, **options):
        opened.append(resource)
        return real(resource, **options)

    monkeypatch.setattr("twonode.drivers.opening.open_link", noting)
    result = run(*from_voltmeter(served, tmp_path, "--json", "--also", "far-lifted"), input="live\n\n\n\n")
    assert result.exit_code == 0, result.stderr
    assert opened == [served.voltmeter_resource]
    document = json_of(result)
    low, high = document["leakage_resistance"]["interval95"]
    assert 0.6 * 80e6 < low < 80e6 < high < 1.6 * 80e6
    assert document["finding"]["state"] == "leaky"
    assert document["conditions"]["simulated"]
    for words in ("discharge", "Lift the end of C7", "1/3 Tip on 'driver anode'", "3/3 Tip on 'output grid'"):
        assert words in result.stderr
    recording = read_any(document["recording"])
    assert recording.header.kind is RecordingKind.DC
    assert [(row.node, row.state) for row in recording.readings] == [
        ("driver anode", "in place"),
        ("output grid", "in place"),
        ("output grid", "lifted"),
    ]
    (instrument,) = recording.header.instruments
    assert instrument.identity.startswith("TWONODE,SIM-DMM")


def test_quitting_after_one_node_keeps_it_and_says_what_is_missing(tmp_path, served, keyboard):
    result = run(*from_voltmeter(served, tmp_path), input="live\n\nq\n")
    assert result.exit_code == 2
    folder = only_recording(tmp_path)
    assert f"The readings are kept: {folder}" in result.stderr
    assert [row.node for row in read_dc_recording(folder).readings] == ["driver anode"]


@pytest.mark.parametrize("typed", ["", "yes", "LIV"])
def test_without_the_typed_word_the_voltmeter_is_not_touched(tmp_path, monkeypatch, typed):
    monkeypatch.setattr(confirm, "interactive", lambda: True)
    result = run(
        "dc", "--voltmeter", NOWHERE, "--grid-leak", "470k", "--archive", tmp_path, input=f"{typed}\n"
    )
    assert result.exit_code == 3
    assert "were not acknowledged" in result.stderr
    assert DC_CAUTIONS[0] in result.stderr


def test_where_nobody_can_be_asked_the_flag_is_needed_and_each_tip_still_is(tmp_path, served):
    refused = run(*from_voltmeter(served, tmp_path))
    assert refused.exit_code == 3
    assert "--cautions-acknowledged" in refused.stderr
    result = run(*from_voltmeter(served, tmp_path, "--cautions-acknowledged"), input="\n")
    assert result.exit_code == 2
    assert "Nobody says that the tip is on 'output grid'" in result.stderr
    recording = read_dc_recording(only_recording(tmp_path))
    assert (len(recording.readings), recording.header.ended) == (1, Ended.INTERRUPTED)


def test_a_scope_at_the_voltmeters_address_is_left_alone(tmp_path, served):
    arguments = ("--voltmeter", served.scope_resource, "--grid-leak", "470k", "--cautions-acknowledged")
    result = run("dc", *arguments, "--archive", tmp_path, "--json")
    assert result.exit_code == 3
    assert "scope" in json_of(result)["error"]["what"]
    assert list(tmp_path.iterdir()) == []


def test_the_whole_job_runs_without_hardware(tmp_path):
    simulated = ("dc", "--simulated", *FAST, "--seed", "3", "--archive", tmp_path)
    result = run(*simulated, "--fault", "C7=leaky:80M", "--also", "lifted", "--true", "R12=500k", "--json")
    assert result.exit_code == 0, result.stderr
    document = json_of(result)
    low, high = document["leakage_resistance"]["interval95"]
    assert 0.9 * 80e6 < low < 80e6 < high < 1.1 * 80e6
    assert document["conditions"] | {"simulated": True, "live": False} == document["conditions"]
    assert len(document["readings"]) == 3
    assert read_dc_recording(document["recording"]).header.conditions.seed == 3
    sound = run(*simulated, "--also", "lifted", "--check")
    assert sound.exit_code == 0, sound.stderr
    assert "SIMULATED BENCH" in sound.stdout


def test_a_bypass_is_read_alone_with_its_grounded_end_lifted(tmp_path):
    arguments = ("dc", "--simulated", *FAST, "--part", "C6", "--fault", "C6=leaky:20M", "--no-save", "--json")
    document = json_of(run(*arguments, "--also", "lifted"))
    assert document["role"] == "anode bypass"
    assert [row["state"] for row in document["readings"]] == ["lifted", "loose end"]
    low, high = document["leakage_resistance"]["interval95"]
    assert 18e6 < low < 20e6 < high < 22e6


def test_a_chart_is_corrected_listed_and_filed(tmp_path):
    readings = ("--read", "driver anode=121V", "--read", "output grid=0.02V", "--line", "123V")
    arguments = ("dc", "--chart", CHART, *readings, "--archive", tmp_path)
    result = run(*arguments, "--json")
    assert result.exit_code == 0, result.stderr
    document = json_of(result)
    anode, grid = document["nodes"]
    # Worked by hand: 95 (1 + 60/250) (123/117) / 1.006 = 123.1; 121 is 1.7 % below.
    assert anode["expected"]["value"] == pytest.approx(123.1, abs=0.05)
    assert anode["deviation"] == pytest.approx(-0.017, abs=0.0005)
    assert anode["finding"]["state"] == grid["finding"]["state"] == "within tolerance"
    assert "HT rail" in document["not_read"]
    recording = read_dc_recording(document["recording"])
    assert recording.header.part is None
    assert recording.header.asked["chart"]["title"] == document["chart"]
    assert [row.node for row in recording.readings] == ["driver anode", "output grid"]
    (stored,) = read_results(recording.folder)
    assert stored.path.name == "dc-chart.json"

    shown = run(*arguments)
    assert shown.stdout.splitlines()[0].startswith("WITHIN TOLERANCE")
    (row,) = [line for line in shown.stdout.splitlines() if line.strip().startswith("driver anode")]
    for words in ("121 V", "123 V", "-1.7 %", "within tolerance"):
        assert words in row
    # Nodes that nobody read are no pass.
    assert run(*arguments, "--check", "--no-save").exit_code == 1


def test_a_charts_own_readings_are_used_and_the_command_line_comes_first(tmp_path):
    chart = tmp_path / "chart.toml"
    chart.write_text(
        'title = "Wrenfield 46"\nline = "117V"\ntolerance = "10%"\n'
        '[[node]]\nname = "HT rail"\nvolts = "210V"\nreading = "221V"\nsource_resistance = "1k"\n'
        '[[node]]\nname = "output cathode"\nvolts = "7.2V"\nreading = "9.9V"\nsource_resistance = "240"\n'
    )
    arguments = ("dc", "--chart", chart, "--line", "123V", "--no-save", "--check", "--json")
    document = json_of(run(*arguments))
    assert [node["finding"]["state"] for node in document["nodes"]] == ["within tolerance", "off value"]
    assert document["finding"]["state"] == "off value"
    result = run(*arguments, "--read", "output cathode=7.6V")
    assert [node["volts"] for node in json_of(result)["nodes"]] == [221.0, 7.6]
    assert result.exit_code == 0
    chart.write_text(chart.read_text().replace("221V", "221mA"))
    broken = run(*arguments)
    assert broken.exit_code == 2
    assert "HT rail" in json_of(broken)["error"]["what"]


def test_at_a_keyboard_missing_nodes_are_asked_for_and_a_slip_is_asked_again(tmp_path, monkeypatch):
    monkeypatch.setattr(confirm, "interactive", lambda: True)
    typed = "\n".join(["221V", "121", "rubbish", "r", "120V", "s", "205V", "q"]) + "\n"
    result = run("dc", "--chart", CHART, "--line", "123V", "--archive", tmp_path, "--json", input=typed)
    assert result.exit_code == 0, result.stderr
    assert "'rubbish' is no voltage" in result.stderr
    document = json_of(result)
    assert {node["node"]: node["volts"] for node in document["nodes"]} == {
        "HT rail": 221.0,
        "driver anode": 120.0,
        "output screen": 205.0,
    }
    rows = read_dc_recording(document["recording"]).readings
    assert [row.volts for row in rows] == [221.0, 121.0, 120.0, 205.0]


def test_a_chart_is_read_from_the_simulated_voltmeter(tmp_path):
    result = run("dc", "--chart", CHART, "--simulated", *FAST, "--archive", tmp_path, "--json")
    document = json_of(result)
    assert {node["node"] for node in document["nodes"]} == {"driver anode", "output grid"}
    assert document["conditions"]["simulated"]


def test_a_check_that_is_killed_keeps_every_reading_that_was_said(tmp_path, served):
    served.hold_tip(MeterTip(node="driver anode"))
    arguments = ("--chart", CHART, "--voltmeter", served.voltmeter_resource, "--cautions-acknowledged")
    process = subprocess.Popen(
        [*PROGRAM, "dc", *map(str, arguments), "--archive", str(tmp_path)],
        env=environment(),
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    )
    assert process.stdin is not None
    try:
        for count in (1, 2):
            process.stdin.write("\n")
            process.stdin.flush()
            until = time.monotonic() + 30
            while not any(left.points >= count for left in find_unfinished(tmp_path)):
                assert process.poll() is None, process.stderr.read()
                assert time.monotonic() < until
                time.sleep(0.02)
        (left,) = find_unfinished(tmp_path)
        assert left.in_use
    finally:
        process.kill()
        process.communicate()
    (left,) = find_unfinished(tmp_path)
    recording = read_dc_recording(close_unfinished(left.folder))
    assert recording.header.ended is Ended.RECOVERED
    assert [row.node for row in recording.readings] == ["HT rail", "driver anode"]
