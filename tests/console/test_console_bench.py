"""The bench is said once: asked for, remembered, shown, tried, and believed only where it is sound."""

import os
import stat

import pytest
from console_runs import FAST, json_of, run
from hypothesis import given
from hypothesis import strategies as st

from twonode.analysis.hookup import series_stage
from twonode.analysis.quantities import Tolerance
from twonode.analysis.stage import shipped_stage
from twonode.console.benchfile import (
    BENCH_VARIABLE,
    BenchFile,
    BenchFileError,
    Remembered,
    read_bench,
    write_bench,
)
from twonode.drivers.profiles import shipped_profiles
from twonode.drivers.simulated import GeneratorFamily, SimulatedBench, SimulatedSettings
from twonode.recordings import read_recording


def series_stage_of_c7():
    return series_stage(
        part="C7",
        value_farad=22e-9,
        tolerance=Tolerance(minus=0.01, plus=0.01),
        resistor_ohm=100e3,
        resistor_tolerance=Tolerance(minus=0.001, plus=0.001),
    )


@pytest.fixture
def file(tmp_path, monkeypatch):
    path = tmp_path / "settings" / "bench.toml"
    monkeypatch.setenv(BENCH_VARIABLE, str(path))
    return path


def test_one_thing_after_the_other_is_remembered_and_forgotten(file):
    result = run(
        *(
            "bench",
            "--set",
            "generator=TCPIP0::192.168.1.20::5025::SOCKET",
            "--set",
            "scope=USB0::1::2::X::INSTR",
        ),
        *("--set", "scope-profile=scope-curve", "--set", "probes=10,1", "--set", "line=60 Hz"),
        *("--set", "resistors=100k 0.1%, 1M  0.1%", "--set", "visa=python", "--set", "allow-unverified=yes"),
    )
    assert result.exit_code == 0, result.stderr
    assert "channel 2 1:1 (far node)" in result.stdout
    assert read_bench() == BenchFile(
        generator=Remembered(address="TCPIP0::192.168.1.20::5025::SOCKET"),
        scope=Remembered(address="USB0::1::2::X::INSTR", profile="scope-curve"),
        visa="python",
        probes=(10, 1),
        resistors=("100k 0.1%", "1M 0.1%"),
        line_hz=60,
        allow_unverified=True,
    )
    assert read_bench().tolerance_of(100e3) == Tolerance(minus=0.001, plus=0.001)
    assert read_bench().tolerance_of(101e3) is None
    document = json_of(run("bench", "--set", "scope=none", "--set", "probes=none", "--json"))
    assert document["bench"].get("scope") is None
    assert read_bench().probes == (10, 10)
    assert run("bench", "--forget").exit_code == 0
    assert not file.exists()
    assert read_bench() is None


def test_forgetting_stands_alone(file):
    run("bench", "--set", "line=60")
    result = run("bench", "--forget", "--show")
    assert result.exit_code == 2
    assert "--forget stands alone" in result.stderr
    assert read_bench() == BenchFile(line_hz=60)


def test_a_resistor_that_is_none_is_named_once(file):
    assert run("bench", "--set", "resistors=100k").stderr.startswith("resistors: '100k' has no tolerance")


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ("probes=10,5", "such as 10,10"),
        ("resistors=100k", "tolerance"),
        ("resistors=0.1% 100k", "write a value and a tolerance"),
        ("line=400", "50, 60"),
        ("visa=other", "system, python"),
        ("scope-profile=x", "address first"),
        ("colour=red", "there is no such thing"),
        ("line", "write a key and a value"),
    ],
)
def test_an_answer_that_is_none_changes_nothing(file, setting, words):
    run("bench", "--set", "line=60")
    result = run("bench", "--set", setting)
    assert result.exit_code == 2
    assert words.lower() in result.stderr.lower()
    assert read_bench() == BenchFile(line_hz=60)


def test_a_file_that_was_spoilt_by_hand_is_named_with_the_key(file):
    run("bench", "--set", "line=60")
    text = file.read_text()
    for spoilt, words in (
        (text + "\ncolour = 3\n", "colour"),
        (text.replace("line_hz = 60", "line_hz = 55"), "line_hz"),
        (text.replace("format = 1", "format = 2"), "format"),
        ('resistors = ["x"]\n', "resistors"),
        ("=", "no TOML"),
    ):
        file.write_text(spoilt)
        result = run("bench", "--show")
        assert result.exit_code == 2
        assert str(file) in result.stderr
        assert words in result.stderr


def test_with_nobody_to_ask_the_options_are_named(file):
    result = run("bench")
    assert result.exit_code == 2
    assert "--set" in result.stderr
    assert run("bench", "--show").stdout.startswith("No bench is remembered")


def test_trying_says_which_instrument_answers_and_which_does_not(file):
    with SimulatedBench(SimulatedSettings(stage=shipped_stage("wrenfield-46-driver-output"))) as bench:
        run(
            *(
                "bench",
                "--set",
                f"generator={bench.generator_resource}",
                "--set",
                f"scope={bench.scope_resource}",
            ),
            *("--set", "visa=python"),
        )
        good = run("bench", "--try")
        assert good.exit_code == 0, good.stdout
        assert good.stdout.count("answers: TWONODE,SIM-") == 2
        assert good.stdout.count("untested on hardware") == 2
        run("bench", "--set", f"scope={bench.generator_resource}")
        swapped = run("bench", "--try")
    assert swapped.exit_code == 3
    assert "TROUBLE" in swapped.stdout
    nobody = json_of(run("bench", "--try", "--json"))
    assert [each["ok"] for each in nobody["tried"].values()] == [False, False]


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="rights do not bind the superuser")
def test_a_folder_without_rights_is_said(file):
    file.parent.mkdir()
    file.parent.chmod(stat.S_IRUSR | stat.S_IXUSR)
    assert run("bench", "--set", "line=60").exit_code == 2


def test_a_folder_that_cannot_be_made_is_said(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("")
    monkeypatch.setenv(BENCH_VARIABLE, str(tmp_path / "file" / "bench.toml"))
    result = run("bench", "--set", "line=60")
    assert result.exit_code == 2
    assert BENCH_VARIABLE in result.stderr


@given(st.text(max_size=200) | st.binary(max_size=200))
def test_any_other_file_is_refused_or_read_and_nothing_else(tmp_path_factory, content):
    path = tmp_path_factory.getbasetemp() / "spoilt.toml"
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8", "surrogatepass"))
    try:
        found = read_bench(path)
    except BenchFileError:
        return
    assert isinstance(found, BenchFile)


@given(
    st.builds(
        BenchFile,
        generator=st.none() | st.builds(Remembered, address=st.text(min_size=1).filter(str.strip)),
        line_hz=st.sampled_from((50, 60)),
        probes=st.tuples(st.sampled_from((1, 10)), st.sampled_from((1, 10))),
        resistors=st.lists(st.sampled_from(("100k 0.1%", "4k7 5%")), unique=True).map(tuple),
    )
)
def test_what_is_written_is_read_back(tmp_path_factory, bench):
    path = tmp_path_factory.getbasetemp() / "bench.toml"
    write_bench(bench, path)
    assert read_bench(path) == bench


def test_every_command_uses_the_bench_and_what_is_written_wins(file, tmp_path):
    with SimulatedBench(SimulatedSettings(stage=series_stage_of_c7(), seed=4, speed=8.0)) as bench:
        run(
            *(
                "bench",
                "--set",
                f"generator={bench.generator_resource}",
                "--set",
                f"scope={bench.scope_resource}",
            ),
            *("--set", "visa=python", "--set", "resistors=100k 0.1%", "--set", "line=60"),
        )
        asked = ("sweep", "--hookup", "series", "--part", "C7", "--expect", "22n", "--resistor", "100k")
        done = json_of(run(*asked, "--points", "4", "--archive", tmp_path / "a", "--no-picture", "--json"))
        address = bench.generator_resource
    assert done["finding"]["state"] == "within tolerance"
    recording = read_recording(done["recording"])
    assert recording.header.instruments[0].resource == address
    assert recording.stage.part("R").tolerance == Tolerance(minus=0.001, plus=0.001)
    wins = run(*asked, "--scope", "TCPIP0::127.0.0.1::9::SOCKET", "--archive", tmp_path / "a")
    assert wins.exit_code == 3
    assert "127.0.0.1::9::" in wins.stderr or "generator" in wins.stderr


def test_a_simulated_bench_takes_nothing_from_the_bench_file(file, tmp_path):
    run("bench", "--set", "generator=TCPIP0::127.0.0.1::9::SOCKET", "--set", "probes=1,1")
    asked = (
        "sweep",
        "--hookup",
        "series",
        "--part",
        "C7",
        "--expect",
        "22n",
        "--resistor",
        "100k",
        "--simulated",
    )
    document = json_of(run(*asked, *FAST, "--points", "4", "--archive", tmp_path, "--no-picture", "--json"))
    assert read_recording(document["recording"]).header.drive_probe.factor == 10


def test_the_remembered_voltmeter_is_named_by_a_word(file):
    missing = run("dc", "--voltmeter", "bench", "--grid-leak", "470k")
    assert missing.exit_code == 2
    assert "no voltmeter is remembered" in missing.stderr
    run("bench", "--set", "voltmeter=TCPIP0::127.0.0.1::9::SOCKET", "--set", "visa=python")
    asked = ("dc", "--voltmeter", "bench", "--grid-leak", "470k", "--cautions-acknowledged")
    found = run(*asked, input="\n\n")
    assert found.exit_code == 3
    assert "TCPIP0::127.0.0.1::9::SOCKET" in found.stderr


@pytest.mark.parametrize("family", ["G2", "G3", "G5"])
def test_trying_a_bench_asks_each_instrument_the_way_its_profile_says(file, family):
    profile = next(p for p in shipped_profiles().values() if p.family == family)
    settings = SimulatedSettings(
        stage=shipped_stage("wrenfield-46-driver-output"), generator_family=GeneratorFamily(family)
    )
    with SimulatedBench(settings) as bench:
        run("bench", "--set", f"generator={bench.generator_resource}")
        run("bench", "--set", f"generator-profile={profile.name}")
        # From memory: said here, and not only when a sweep is to begin.
        refused = run("bench", "--try")
        assert refused.exit_code == 3
        assert "from memory" in refused.stdout
        allowed = run("bench", "--try", "--set", "allow-unverified=yes")
        assert allowed.exit_code == 0, allowed.stdout
        assert f"profile {profile.name}" in allowed.stdout


def test_a_generator_turned_by_hand_is_not_asked(file):
    result = run("bench", "--set", "generator=manual", "--try")
    assert result.exit_code == 0
    assert "turned by hand" in result.stdout


def test_a_file_that_is_not_sound_can_be_forgotten_as_its_error_says(file):
    file.parent.mkdir(parents=True)
    file.write_text("line_hz = 55\n", encoding="utf-8")
    refused = run("bench", "--show")
    assert refused.exit_code == 2
    assert "allowed are 50 and 60" in refused.stderr
    assert "twonode bench --forget" in refused.stderr
    assert run("bench", "--forget").exit_code == 0
    assert run("bench", "--show").exit_code == 0
    file.mkdir()
    folder = run("bench", "--forget")
    assert folder.exit_code == 2
    assert "cannot be taken away" in folder.stderr


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ("scope=manual", "only a generator can be turned by hand"),
        ("resistors=100k 0.1%, 100k 1%", "two have the value"),
        ("resistors=100k", "has no tolerance"),
        ("generator-profile=scope-curve", "no profile for a generator"),
        ("generator-profile=generator-scp", "generator-scpi"),
    ],
)
def test_what_could_not_be_used_later_is_not_remembered(file, setting, words):
    run("bench", "--set", "generator=TCPIP0::192.168.1.20::5025::SOCKET")
    before = read_bench()
    result = run("bench", "--set", setting)
    assert result.exit_code == 2
    assert words in result.stderr
    assert read_bench() == before


def test_a_decimal_comma_is_refused_for_what_it_is(file):
    # As everywhere in the program; split at it, the message would speak of things nobody typed.
    result = run("bench", "--set", "resistors=100k 0,1%,1M 0.1%")
    assert result.exit_code == 2
    assert "'0,1%' is no tolerance" in result.stderr


def test_an_address_that_looks_like_none_is_kept_and_pointed_out(file):
    # A VISA library may know instruments by names of one's own.
    result = run("bench", "--set", "scope=MyScope")
    assert result.exit_code == 0
    assert "not the form of a VISA address" in result.stdout
