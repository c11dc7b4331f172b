"""New instruments are tried with a known sine before anybody believes them, and the report says what came back."""

import signal
import subprocess
import sys

import pytest
from console_runs import PROGRAM, environment, json_of, run

from twonode.acquire.trial import passed, try_bench
from twonode.analysis.hookup import series_stage
from twonode.console.benchfile import BENCH_VARIABLE
from twonode.drivers.bench import Bench
from twonode.drivers.profiles import parse_profile, shipped_profiles
from twonode.drivers.simulated import (
    GeneratorFamily,
    ScopeFamily,
    SimulatedBench,
    SimulatedSettings,
    direct_links,
)

STAGE = series_stage(
    part="C1", value_farad=22e-9, tolerance=None, resistor_ohm=100e3, resistor_tolerance=None
)


def _settings(**more):
    """Both probes on the generator's output, as the trial asks for them."""
    return SimulatedSettings(**({"stage": STAGE, "seed": 3, "probe_nodes": ("drive", "drive")} | more))


def _tried(changed=None, **more):
    """All steps in process; ``changed`` : text of the scope's profile to text instead."""
    links = direct_links(_settings(**({"probe_factor": (1, 1)} | more)))
    profiles = dict(shipped_profiles())
    if changed is not None:
        from importlib import resources

        name = "scope-ten-field"
        text = (resources.files("twonode.drivers") / "profiles" / f"{name}.toml").read_text(encoding="utf-8")
        for old, new in changed.items():
            assert old in text
            text = text.replace(old, new)
        profiles[name] = parse_profile(text)
    with Bench.from_links(
        generator=links.generator, scope=links.scope, clock=links.clock, profiles=profiles
    ) as bench:
        steps = list(try_bench(bench))
    return steps, links


def _failed(steps):
    return {step.name for step in steps if not step.ok}


def test_an_honest_pair_passes_every_step_and_is_left_switched_off():
    steps, links = _tried()
    assert passed(steps), _failed(steps)
    names = {step.name for step in steps}
    assert {"amplitude on channel 1", "frequency", "polarity and phase", "overdriven channel"} <= names
    assert not links.world.output_on


def test_a_probe_at_10_to_1_is_found_by_its_factor_of_ten():
    steps, _ = _tried(probe_factor=(10, 10))
    assert {"amplitude on channel 1", "amplitude on channel 2"} <= _failed(steps)


def test_one_probe_at_10_to_1_is_found_on_its_channel():
    failed = _failed(_tried(probe_factor=(1, 10))[0])
    assert {"amplitude on channel 2", "channels alike"} <= failed
    assert "amplitude on channel 1" not in failed


def test_a_profile_that_looks_for_the_screen_in_the_wrong_place_is_found():
    steps, _ = _tried({"centre_code = 127": "centre_code = 60"})
    assert not passed(steps)


def test_a_scope_without_the_right_divisions_is_found():
    steps, _ = _tried({"codes_per_div = 25.0": "codes_per_div = 32.0"})
    assert not passed(steps)


@pytest.fixture(autouse=True)
def no_bench(tmp_path, monkeypatch):
    """Whoever runs these tests may have a bench; it is left alone."""
    monkeypatch.setenv(BENCH_VARIABLE, str(tmp_path / "bench.toml"))


@pytest.fixture
def served(request):
    family = getattr(request, "param", ScopeFamily.TEN_FIELD)
    with SimulatedBench(_settings(probe_factor=(1, 1), speed=8.0, scope_family=family)) as bench:
        yield bench


@pytest.mark.parametrize("served", [ScopeFamily.TEN_FIELD, ScopeFamily.CURVE], indirect=True)
def test_the_pair_is_tried_over_the_network_and_a_report_is_written(served, tmp_path):
    report = tmp_path / "trial.md"
    result = run(
        *("instruments", "--try", served.generator_resource, served.scope_resource),
        *("--visa", "python", "--yes", "--report", report),
    )
    assert result.exit_code == 0, result.stdout + result.stderr
    assert "Every step passed." in result.stdout
    text = report.read_text(encoding="utf-8")
    assert f"`TWONODE,SIM-{served.settings.scope_family.value.upper()}," in text
    assert "| polarity and phase | yes |" in text
    assert "untested on hardware" in text
    assert "127.0.0.1" not in text
    assert not served.world.output_on


def test_what_the_bench_file_remembers_is_tried_where_no_address_is_given(served, tmp_path):
    run("bench", "--set", f"generator={served.generator_resource}", "--set", f"scope={served.scope_resource}")
    document = json_of(run("instruments", "--try", "--yes", "--report", tmp_path / "r.md", "--json"))
    assert document["passed"] is True
    assert len(document["instruments"]) == 2


def test_a_probe_left_at_10_to_1_is_in_the_report_with_what_to_look_at(tmp_path):
    report = tmp_path / "trial.md"
    with SimulatedBench(_settings(probe_factor=(1, 10), speed=8.0)) as bench:
        result = run(
            *("instruments", "--try", bench.generator_resource, bench.scope_resource),
            *("--yes", "--report", report),
        )
    assert result.exit_code == 3
    text = report.read_text(encoding="utf-8")
    assert "| amplitude on channel 2 | NO |" in text
    assert "- amplitude on channel 2: A factor of two" in text
    assert "All passed: no" in text


@pytest.mark.skipif(sys.platform == "win32", reason="the signal is sent the POSIX way here")
def test_the_check_can_be_rehearsed_by_typing_what_simulate_prints(tmp_path):
    families = ("--scope-family", "S2", "--generator-family", "G3")
    process = subprocess.Popen(
        [*PROGRAM, "simulate", "--clips", "trial", *families, "--speed", "8"],
        cwd=tmp_path,
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        hint = process.stderr.readline().strip()
        words = hint.partition("twonode ")[2].split()
        assert words[:2] == ["instruments", "--try"]
        assert "--allow-unverified" in words
        result = run(*words, "--report", tmp_path / "r.md", input="clipped\n")
        assert result.exit_code == 0, result.stdout + result.stderr
        assert "Every step passed." in result.stdout
    finally:
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=20)


@pytest.mark.parametrize("family", ["G3", "G4", "G5"])
def test_a_generator_that_does_not_know_idn_is_tried_alone_by_its_profile(family, tmp_path):
    with SimulatedBench(_settings(speed=8.0, generator_family=GeneratorFamily(family))) as bench:
        profile = next(p for p in shipped_profiles().values() if p.family == family)
        document = json_of(
            run(
                *("instruments", "--try", bench.generator_resource, "--profile", profile.name),
                *("--allow-unverified", "--report", tmp_path / "r.md", "--json"),
            )
        )
    assert document["passed"] is True
    # An amplitude that cannot be read back proves nothing, so it is no step.
    names = {each["name"] for each in document["steps"]}
    assert ("amplitude" in names) is (profile.amplitude.ask is not None)


def test_one_instrument_alone_is_set_and_read_back(served, tmp_path):
    for address, step in (
        (served.generator_resource, "amplitude"),
        (served.scope_resource, "channel 2 range"),
    ):
        document = json_of(
            run("instruments", "--try", address, "--visa", "python", "--report", tmp_path / "r.md", "--json")
        )
        assert document["passed"] is True
        assert step in {each["name"] for each in document["steps"]}


def test_without_the_probes_in_place_nothing_is_sent(served, tmp_path):
    result = run(
        *("instruments", "--try", served.generator_resource, served.scope_resource),
        *("--visa", "python", "--report", tmp_path / "r.md"),
        input="no\n",
    )
    assert result.exit_code == 2
    assert "Nothing was sent" in result.stderr
    assert not (tmp_path / "r.md").exists()


def test_what_goes_with_try_only_is_said():
    assert run("instruments", "--report", "x.md", "--no-discovery").exit_code == 2
    assert run("instruments", "--try").exit_code == 2
    assert run("instruments", "--try", "a", "b", "c", "--yes").exit_code == 2
    by_hand = run("instruments", "--try", "manual", "b", "--yes")
    assert by_hand.exit_code == 2
    assert "try the scope alone" in by_hand.stderr


def test_a_profile_that_does_not_exist_is_said_before_anything_is_sent(served):
    result = run("instruments", "--try", served.scope_resource, "--profile", "scope-curv")
    assert result.exit_code == 2
    assert "There is no profile named 'scope-curv'" in result.stderr
