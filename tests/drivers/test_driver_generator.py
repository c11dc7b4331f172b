"""The generator: a safe order of commands, open-circuit volts, and nothing believed that is not read back."""

import msgspec
import pytest
from scripted_link import ScriptedLink

from twonode.drivers.clock import VirtualClock
from twonode.drivers.errors import CommandRefused, LinkError, ReplyError, SettingNotTaken, SettingRefused
from twonode.drivers.generator import Generator
from twonode.drivers.profile_format import AmplitudeMeaning
from twonode.drivers.profiles import shipped_profiles

PROFILE = shipped_profiles()["generator-scpi"]


def generator_on(link, profile=PROFILE, clock=None):
    return Generator(link, identity="X", profile=profile, clock=clock or VirtualClock())


@pytest.fixture
def link():
    return ScriptedLink()


def test_preparing_follows_the_safe_order(link):
    generator_on(link).prepare()
    commands = [t for t in link.sent if not t.endswith("?") and not t.startswith("*")]
    # Facts page, section A: OFF, LOAD, UNIT VPP, sine, offset 0, low amplitude; never ON.
    assert commands == [
        ":OUTP1 OFF",
        ":OUTP1:LOAD INF",
        ":SOUR1:VOLT:UNIT VPP",
        ":SOUR1:FUNC SIN",
        ":SOUR1:VOLT:OFFS 0",
        ":SOUR1:VOLT 0.1",
    ]
    assert link.sent[0] == ":OUTP1 OFF"


def test_old_errors_do_not_count_and_new_ones_do(link):
    link.errors = ['-410,"Query INTERRUPTED"']
    generator = generator_on(link)
    generator.prepare()
    link.refuses[":SOUR1:FREQ 1000"] = '-222,"Data out of range"'
    link.replies[":SOUR1:FREQ?"] = "1000"
    with pytest.raises(CommandRefused, match="-222 Data out of range"):
        generator.set_frequency(1000.0)


def test_settings_return_what_is_read_back(link):
    generator = generator_on(link)
    link.replies[":SOUR1:FREQ?"] = "1.0000005E+03"
    link.replies[":SOUR1:VOLT?"] = "2.001 VPP"
    assert generator.set_frequency(1000.0) == 1000.0005
    assert generator.set_level(2.0) == 2.001


def test_a_figure_meaning_50_ohm_is_halved_on_the_way_out_and_doubled_on_the_way_back(link):
    profile = msgspec.structs.replace(
        PROFILE,
        prepare=PROFILE.prepare[1:],
        load_can_be_set=False,
        amplitude_means=AmplitudeMeaning.INTO_50_OHM,
    )
    assert generator_on(link, profile).set_level(2.0) == 2.0
    assert ":SOUR1:VOLT 1" in link.sent


def test_a_load_that_stays_at_50_ohm_is_noticed(link):
    link.replies[":OUTP1:LOAD?"] = "5.0E+1"
    with pytest.raises(SettingNotTaken, match="load high impedance"):
        generator_on(link).prepare()
    assert not any(t.startswith(":SOUR1:VOLT ") for t in link.sent)


@pytest.mark.parametrize(
    ("question", "reply", "act"),
    [
        (":SOUR1:FREQ?", "500", lambda g: g.set_frequency(1000.0)),
        (":SOUR1:VOLT?", "4", lambda g: g.set_level(2.0)),
        (":OUTP1?", "0", lambda g: g.output(True)),
        (":OUTP1?", "1", lambda g: g.output(False)),
        (":OUTP1?", "1", lambda g: g.make_safe()),
    ],
)
def test_a_setting_that_is_not_taken_is_noticed(link, question, reply, act):
    link.replies[question] = reply
    with pytest.raises(SettingNotTaken):
        act(generator_on(link))


@pytest.mark.parametrize(
    "act",
    [
        lambda g: g.set_frequency(21e6),
        lambda g: g.set_frequency(0.0),
        lambda g: g.set_frequency(float("nan")),
        lambda g: g.set_level(20.5),
        lambda g: g.set_level(0.001),
    ],
)
def test_what_the_generator_cannot_do_is_not_sent(link, act):
    with pytest.raises(SettingRefused, match="It reaches"):
        act(generator_on(link))
    assert link.sent == []


@pytest.mark.parametrize("reply", ["9.91E37", "", "1000,2000", "Hz"])
def test_a_read_back_that_is_no_number_is_an_error(link, reply):
    link.replies[":SOUR1:FREQ?"] = reply
    with pytest.raises(ReplyError):
        generator_on(link).set_frequency(1000.0)


def test_an_error_queue_that_never_empties_is_left_after_32_entries(link):
    link.replies[":SYST:ERR?"] = '-100,"Command error"'
    with pytest.raises(CommandRefused):
        generator_on(link).set_frequency(1000.0)
    assert link.sent.count(":SYST:ERR?") == 32


def test_output_and_level_wait_for_their_relays_by_the_benchs_clock(link):
    clock = VirtualClock()
    generator = generator_on(link, clock=clock)
    generator.output(True)
    assert clock.now_s() == pytest.approx(0.2)
    generator.set_level(1.0)
    assert clock.now_s() == pytest.approx(0.3)
    generator.set_level(1.0)
    assert clock.now_s() == pytest.approx(0.3)


def test_a_dead_link_is_a_link_error(link):
    link.dead = True
    with pytest.raises(LinkError):
        generator_on(link).make_safe()
