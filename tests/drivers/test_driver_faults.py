"""Sweeps over sockets on a bench that misbehaves: nothing hangs, nothing is lost, nothing stays on, nothing lies.

A small part of the benchmark ``fault_matrix``, which takes every fault at every moment.
"""

import pytest
from fault_runs import TIMEOUT_S, run_with_faults

from twonode.drivers.errors import LinkError, ReplyError, ReplyTimeout
from twonode.drivers.simulated import ScopeFamily, SimulatedSettings, direct_links
from twonode.drivers.simulated.misbehave import Kind, Misbehaviour, When, parse_misbehaviour


def misbehaving(*texts, family=ScopeFamily.TEN_FIELD):
    faults = [parse_misbehaviour(text) for text in texts]
    faults = [
        Misbehaviour(
            kind=f.kind,
            when=f.when,
            point=f.point,
            instrument=f.instrument,
            times=f.times,
            seconds=2 * TIMEOUT_S,
        )
        for f in faults
    ]
    return run_with_faults(*faults, family=family)


@pytest.mark.parametrize(
    ("fault", "reason"),
    [
        ("late-reply@2", "did not answer"),
        ("truncated-block@3", "did not answer"),
        ("wrong-length@3", "data block cannot be read"),
        ("reset@1", "closed the connection"),
        ("closed-after-block@5", "closed the connection"),
        ("power-cycle@3", "closed the connection"),
        ("generator:power-cycle@3", "closed the connection"),
        ("sentinels@2", "9.91E+37"),
        ("preamble-order@2", "cannot be right"),
        ("error-queue@3", "refused"),
        ("frequency-not-taken@2", "frequency"),
        ("ac-coupling@3", "DC-coupled"),
        ("burst@3", "spike"),
    ],
)
def test_a_passing_fault_costs_a_repeat_and_nothing_else(fault, reason):
    outcome = misbehaving(fault)
    assert outcome.faults == []
    assert outcome.error is None
    assert (outcome.reported, outcome.kept, outcome.refused) == (5, 5, 0)
    assert any(reason in note for note in outcome.notes), outcome.notes
    assert outcome.off_sigmas < 4


@pytest.mark.parametrize("fault", ["byte-by-byte@1,always", "slow-replies@2", "stuck-trigger@3"])
def test_what_is_only_slow_is_waited_for(fault):
    outcome = misbehaving(fault, family=ScopeFamily.CURVE)
    assert outcome.faults == []
    assert outcome.error is None
    assert outcome.notes == []
    assert (outcome.reported, outcome.refused) == (5, 0)


@pytest.mark.parametrize(
    ("fault", "error"),
    [
        ("no-reply@3,always", "ReplyTimeout"),
        ("garbage@connect", None),
        ("wrong-identity@3", "LinkError"),
        ("output-stays-off@connect", "SettingNotTaken"),
        ("output-dead@connect", "NoSignal"),
        ("dead-channel@2", "NoSignal"),
        ("probe-at-1x@2", "ChannelsSwapped"),
        ("error-queue@2,always", "CommandRefused"),
    ],
)
def test_a_lasting_fault_ends_the_sweep_in_words_with_its_points_kept(fault, error):
    outcome = misbehaving(fault)
    assert outcome.faults == []
    assert (outcome.error or "").partition(":")[0] == (error or "")
    assert outcome.kept == outcome.reported
    assert not outcome.output_on


def test_a_generator_that_is_silent_at_the_end_is_said_to_be_in_an_unknown_state():
    outcome = misbehaving("generator:no-reply@closing,always")
    assert outcome.faults == []
    assert outcome.error.startswith("OutputUnknown")
    assert outcome.unknown
    assert outcome.finished
    assert outcome.kept == 5


def test_a_probe_at_the_wrong_switch_is_warned_of_where_it_cannot_be_refused():
    outcome = misbehaving("probe-at-10x@connect")
    assert outcome.faults == []
    assert outcome.off_sigmas > 4
    assert outcome.warned


def test_without_reading_the_switches_back_ac_coupling_spoils_the_value(monkeypatch):
    # What the readings back are for, and that the judge of these tests can tell a wrong number.
    monkeypatch.setattr("twonode.drivers.scope.Scope.confirm_channels", lambda *_: None)
    outcome = misbehaving("ac-coupling@2")
    assert outcome.error is None
    assert outcome.off_sigmas > 4


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("hum", Misbehaviour(kind=Kind.HUM)),
        ("no-reply@connect", Misbehaviour(kind=Kind.NO_REPLY, when=When.CONNECT)),
        (
            "generator:reset@7,always",
            Misbehaviour(kind=Kind.RESET, point=7, instrument="generator", times=None),
        ),
    ],
)
def test_a_misbehaviour_is_read_from_a_text(text, expected):
    assert parse_misbehaviour(text) == expected


@pytest.mark.parametrize(
    "text", ["", "hums", "hum@", "hum@0", "hum@later", "meter:hum", "hum@2,often", "hum@-1", "hum@99999"]
)
def test_a_text_that_is_no_misbehaviour_is_refused(text):
    with pytest.raises(ValueError, match=r"."):
        parse_misbehaviour(text)


@pytest.mark.parametrize(
    ("kind", "error"),
    [
        (Kind.NO_REPLY, ReplyTimeout),
        (Kind.LATE_REPLY, ReplyTimeout),
        (Kind.CLOSED_BEFORE_BLOCK, LinkError),
        (Kind.RESET, LinkError),
        (Kind.GARBAGE, ReplyError),
        (Kind.SLOW_REPLIES, None),
    ],
)
def test_the_bench_without_sockets_misbehaves_in_the_same_words(kind, error):
    from fault_runs import fault_request

    fault = Misbehaviour(kind=kind, when=When.CONNECT, instrument="generator")
    links = direct_links(SimulatedSettings(stage=fault_request().stage, misbehave=(fault,)))
    assert links.generator.query("*IDN?").startswith("TWONODE")
    if error is None:
        assert links.generator.query("FREQ?")
        return
    with pytest.raises(error):
        links.generator.query("FREQ?")
    assert links.generator.query("FREQ?")
