"""Command profiles: validation that names the key, and the way from *IDN? to a profile."""

import ast
import re
from pathlib import Path

import pytest

import twonode
from twonode.drivers.errors import ProfileError, UnknownInstrument, WrongInstrument
from twonode.drivers.profile_format import AmplitudeMeaning, InstrumentKind, StepLadder
from twonode.drivers.profiles import (
    choose_profile,
    kind_of,
    load_profiles,
    matching_profiles,
    parse_profile,
    shipped_profiles,
)

ROOT = Path(twonode.__file__).parent
FOLDER = ROOT / "drivers" / "profiles"
GENERATOR = (FOLDER / "generator-scpi.toml").read_text(encoding="utf-8")
SCOPE = (FOLDER / "scope-ten-field.toml").read_text(encoding="utf-8")


def test_every_shipped_profile_is_valid_named_after_its_file_and_not_called_tested():
    assert {f"{name}.toml" for name in shipped_profiles()} == {f.name for f in FOLDER.glob("*.toml")}
    for profile in shipped_profiles().values():
        assert profile.hardware_status == "untested on hardware"


@pytest.mark.parametrize(
    ("identity", "kind", "name"),
    [
        # The first two as reported by users: pyvisa issue 161 and pyvisa-py issue 71.
        ("RIGOL TECHNOLOGIES,DG1022 ,DG1000000002,,00.03.00.09", InstrumentKind.GENERATOR, "generator-scpi"),
        ("TEKTRONIX,TBS 1202B-EDU,C01,CF:91.1CT FV:v4.0", InstrumentKind.SCOPE, "scope-curve"),
        ("RIGOL TECHNOLOGIES,DS1104Z,DS1ZA1,00.04.04", InstrumentKind.SCOPE, "scope-ten-field"),
        ("TWONODE,SIM-GENERATOR,7,0.1.0", InstrumentKind.GENERATOR, "generator-scpi"),
        ("TWONODE,SIM-SCOPE-TEN-FIELD,7,0.1.0", InstrumentKind.SCOPE, "scope-ten-field"),
        ("TWONODE,SIM-SCOPE-CURVE,7,0.1.0", InstrumentKind.SCOPE, "scope-curve"),
        ("TWONODE,SIM-VOLTMETER,7,0.1.0", InstrumentKind.VOLTMETER, "voltmeter-scpi"),
    ],
)
def test_an_identity_leads_to_its_profile(identity, kind, name):
    assert choose_profile(identity, kind).name == name


def test_the_oldest_scopes_of_a_maker_do_not_match_the_newer_family():
    assert matching_profiles("Rigol Technologies,DS1052E,DS1ED,00.02.06") == ()


def test_an_unknown_identity_lists_the_profiles_and_says_how_to_choose():
    with pytest.raises(UnknownInstrument) as caught:
        choose_profile("NOBODY,X1,0,0", InstrumentKind.SCOPE)
    assert "scope-curve, scope-ten-field" in str(caught.value)
    assert "--profile" in caught.value.do
    assert "generator-scpi" not in str(caught.value)
    assert choose_profile("NOBODY,X1,0,0", InstrumentKind.SCOPE, "scope-curve").name == "scope-curve"


@pytest.mark.parametrize("name", [None, "generator-scpi"])
def test_a_scope_at_the_generators_address_is_called_swapped(name):
    with pytest.raises(WrongInstrument, match="swapped"):
        choose_profile("TWONODE,SIM-SCOPE-CURVE,1,1", InstrumentKind.GENERATOR, name)


def test_a_profile_name_that_is_misspelt_or_of_another_kind_is_refused():
    with pytest.raises(ProfileError, match="Did you mean 'scope-curve'"):
        choose_profile("X,Y", InstrumentKind.SCOPE, "scope-curv")
    with pytest.raises(ProfileError, match="is for a generator"):
        choose_profile("X,Y", InstrumentKind.SCOPE, "generator-scpi")


@pytest.mark.parametrize(
    ("text", "old", "new", "says"),
    [
        (GENERATOR, "vpp_max = 20.0", "vpp_max = 20.0\nvpp_mux = 1", "vpp_mux"),
        (GENERATOR, "vpp_max = 20.0\n", "", "vpp_max"),
        (GENERATOR, "vpp_max = 20.0", 'vpp_max = "20"', "vpp_max"),
        (GENERATOR, "prepare_vpp = 0.1", "prepare_vpp = 100.0", "prepare_vpp"),
        (GENERATOR, ":SOUR1:FREQ {value}", ":SOUR1:FREQ {hertz}", "frequency"),
        (GENERATOR, ":SOUR1:FREQ {value}", ":SOUR1:FREQ", "frequency"),
        (GENERATOR, 'amplitude_means = "open"', 'amplitude_means = "50ohm"', "amplitude_means"),
        (GENERATOR, 'amplitude_means = "open"', 'amplitude_means = "closed"', "amplitude_means"),
        (GENERATOR, "'DG\\d.*'", "'DG(.*'", "identity"),
        (GENERATOR, 'kind = "generator"', 'kind = "oven"', "kind"),
        (GENERATOR, "format = 1", "format = 2", "format"),
        (SCOPE, "centre_code = 127", "centre_code = 300", "waveform"),
        (SCOPE, 'origin = "codes"', 'origin = "yards"', "waveform.scaling.origin"),
        (SCOPE, "choices = [6000, ", "choices = [600000, ", "depth"),
        (SCOPE, 'answers = ["STOP"]', "", "done"),
        (SCOPE, "divisions_x = 12", "divisions_x = 12 13", "no TOML"),
    ],
)
def test_a_mistake_in_a_profile_is_refused_naming_file_and_key(text, old, new, says):
    assert old in text
    with pytest.raises(ProfileError) as caught:
        parse_profile(text.replace(old, new, 1), where="mine.toml")
    assert "mine.toml" in caught.value.what
    assert says in caught.value.what


def test_a_users_profile_replaces_a_shipped_one_of_the_same_name(tmp_path):
    (tmp_path / "mine.toml").write_text(
        GENERATOR.replace("vpp_max = 20.0", "vpp_max = 10.0"), encoding="utf-8"
    )
    found = load_profiles(tmp_path)
    assert found["generator-scpi"].vpp_max == 10.0
    assert shipped_profiles()["generator-scpi"].vpp_max == 20.0
    assert set(found) == set(shipped_profiles())
    assert load_profiles(tmp_path / "absent") == shipped_profiles()
    (tmp_path / "twice.toml").write_text(GENERATOR, encoding="utf-8")
    with pytest.raises(ProfileError, match=r"twice.toml.*second"):
        load_profiles(tmp_path)


def test_ladders_hold_the_steps_a_front_panel_has():
    assert StepLadder(lowest=0.002, highest=0.1).values() == (0.002, 0.005, 0.01, 0.02, 0.05, 0.1)
    assert StepLadder(lowest=1.0, highest=10.0, mantissas=(1.0, 2.5, 5.0)).values() == (1.0, 2.5, 5.0, 10.0)


def test_a_figure_that_means_a_50_ohm_load_is_half_the_open_circuit():
    # Voltage divider of two equal resistances.
    assert AmplitudeMeaning.INTO_50_OHM.open_circuit_factor == 2.0


def test_makers_are_named_in_profiles_only():
    makers = {m.maker for p in shipped_profiles().values() for m in p.identity} - {"TWONODE"}
    assert len(makers) >= 3
    for path in ROOT.rglob("*.py"):
        strings = {
            n.value
            for n in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(n, ast.Constant)
        }
        text = " ".join(s for s in strings if isinstance(s, str)).upper()
        assert not [m for m in makers if re.search(rf"\b{m}\b", text)], path


def test_each_kind_has_a_profile():
    assert {kind_of(p) for p in shipped_profiles().values()} == set(InstrumentKind)
