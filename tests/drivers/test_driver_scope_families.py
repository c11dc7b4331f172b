"""What single scope families ask of the driver, on scripted links: blocks, ends, bits, words and silent channels."""

import msgspec
import numpy as np
import pytest
from scripted_link import ScriptedLink

from twonode.drivers.clock import VirtualClock
from twonode.drivers.errors import NoTrigger, ReplyError, ReplyTimeout, SettingNotTaken
from twonode.drivers.profile_format import Done
from twonode.drivers.profiles import shipped_profiles
from twonode.drivers.scope import Scope


def late(*args):
    raise ReplyTimeout("It did not answer.", "No reply.", "Try again.")


def scope_on(link, name, **changed):
    profile = msgspec.structs.replace(shipped_profiles()[name], **changed)
    scope = Scope(link, identity="X", profile=profile, clock=VirtualClock())
    scope.prepare((10.0, 10.0))
    return scope


@pytest.fixture
def vdiv_link():
    """Codes 0, 25 and -25 at 0.5 V/div and offset 0, as the facts page prints the reply: header, block, two LF."""
    link = ScriptedLink()
    link.settings.update({"C1:VDIV": "5.00E-01V", "C2:VDIV": "0.5"})
    link.replies.update({"SAST?": "Stop", "SARA?": "1.00GSa/s"})
    for channel in (1, 2):
        link.replies[f"C{channel}:WF? DAT2"] = (
            b"C%d:WF ALL,#9000000003" % channel + bytes([0, 25, 231]) + b"\n\n"
        )
    return link


def test_a_prefix_and_two_line_feeds_belong_to_the_block(vdiv_link):
    capture = scope_on(vdiv_link, "scope-vdiv-codes").capture(timeout_s=1.0)
    volts = capture.channel_1.codes * capture.channel_1.volts_per_code + capture.channel_1.volts_at_code_zero
    assert volts == pytest.approx([0.0, 0.5, -0.5])
    assert capture.sample_interval_s == 1e-9


def test_numbers_go_out_with_the_familys_own_endings(vdiv_link):
    vdiv_link.replies["TDIV?"] = "5.00E-04"
    scope = scope_on(vdiv_link, "scope-vdiv-codes")
    vdiv_link.replies["SARA?"] = "1E6"
    setting = scope.set_time(5e-4, 7000)
    assert "TDIV 500US" in vdiv_link.sent
    assert "MSIZ 7K" in vdiv_link.sent
    # The memory is a limit: at this rate 14 divisions hold 7000 points, and at a lower one fewer.
    assert setting.points == 7000
    vdiv_link.replies["SARA?"] = "1E5"
    assert scope.set_time(5e-4, 7000).points == 700


def test_a_single_line_feed_where_two_belong_is_noticed(vdiv_link):
    vdiv_link.replies["C1:WF? DAT2"] = b"C1:WF ALL,#9000000003\x00\x19\xe7\n?"
    with pytest.raises(ReplyError, match="cannot be read"):
        scope_on(vdiv_link, "scope-vdiv-codes").capture(timeout_s=1.0)


@pytest.mark.parametrize(
    ("done", "running", "complete"),
    [
        (Done(ask="STATE?", mask=8, clear=True), "12", "4"),
        (Done(ask="STATE?", mask=1), "8192", "8193"),
        (Done(ask="STATE?", answers=("stop",)), "Armed", "Stop"),
    ],
)
def test_the_end_of_a_record_is_a_word_or_a_bit_that_comes_or_goes(vdiv_link, done, running, complete):
    answers = iter([running, running, complete])
    vdiv_link.replies["STATE?"] = lambda: next(answers, complete)
    scope = scope_on(vdiv_link, "scope-vdiv-codes", done=done)
    scope.capture(timeout_s=5.0)
    assert vdiv_link.sent.count("STATE?") == 3
    vdiv_link.replies["STATE?"] = running
    with pytest.raises(NoTrigger):
        scope.capture(timeout_s=0.5)


def test_an_old_record_is_forgotten_before_a_new_one_is_armed(vdiv_link):
    vdiv_link.replies["INR?"] = "1"
    scope = scope_on(vdiv_link, "scope-vdiv-codes", done=Done(ask="INR?", mask=1, forget="INR?"))
    scope.arm()
    assert vdiv_link.sent.index("INR?") < vdiv_link.sent.index("ARM")


def test_a_question_that_blocks_is_given_until_the_deadline(vdiv_link):
    given = []

    class Patient(ScriptedLink):
        def query(self, text, *, timeout_s=None):
            if text == "*OPC?":
                given.append(timeout_s)
                clock.sleep_s(timeout_s)
                late()
            return super().query(text, timeout_s=timeout_s)

    clock = VirtualClock()
    link = Patient(vdiv_link.replies)
    link.settings = vdiv_link.settings
    profile = msgspec.structs.replace(
        shipped_profiles()["scope-vdiv-codes"],
        single=("DIG",),
        done=Done(ask="*OPC?", answers=("1",), blocking=True),
    )
    scope = Scope(link, identity="X", profile=profile, clock=clock)
    scope.prepare((10.0, 10.0))
    with pytest.raises(NoTrigger):
        scope.capture(timeout_s=3.0)
    assert given == [pytest.approx(3.0)]


def test_what_is_asked_once_a_record_looks_complete_waits_for_nothing_else(vdiv_link):
    # S2's guide: *OPC? and not STATE? says that a single is over; without a trigger it would never answer.
    answers = iter(["Armed", "Stop"])
    vdiv_link.replies.update({"SAST?": lambda: next(answers, "Armed"), "*OPC?": "1"})
    done = Done(ask="SAST?", answers=("Stop",), then="*OPC?")
    scope = scope_on(vdiv_link, "scope-vdiv-codes", done=done)
    scope.capture(timeout_s=5.0)
    assert vdiv_link.sent.index("*OPC?") > max(i for i, text in enumerate(vdiv_link.sent) if text == "SAST?")
    with pytest.raises(NoTrigger):
        scope.capture(timeout_s=0.5)
    assert vdiv_link.sent.count("*OPC?") == 1


@pytest.mark.parametrize("silent", [True, False])
def test_a_channel_that_is_not_displayed_is_named(vdiv_link, silent):
    scope = scope_on(vdiv_link, "scope-vdiv-codes")
    vdiv_link.replies["C2:WF? DAT2"] = late if silent else b"C2:WF NONE".ljust(50)
    vdiv_link.replies["C2:TRA?"] = "OFF"
    with pytest.raises(SettingNotTaken, match="Channel 2 is not displayed"):
        scope.capture(timeout_s=1.0)
    # Displayed, so it is something else, and that is said as it is.
    vdiv_link.replies["C2:TRA?"] = "ON"
    with pytest.raises(ReplyTimeout if silent else ReplyError):
        scope.capture(timeout_s=1.0)


def test_a_probe_factor_may_be_written_as_a_gain():
    link = ScriptedLink({"EVM?": "0", "*ESR?": "0"})
    link.settings.update({"CH1:SCA": "0.5", "CH2:SCA": "0.5"})
    scope_on(link, "scope-curve-newer")
    assert "CH1:PRO:GAIN 0.1" in link.sent
    link.replies["CH2:PRO:GAIN?"] = "1.0E0"
    with pytest.raises(SettingNotTaken, match="probe factor 10"):
        scope_on(link, "scope-curve-newer")


def memory_reply(codes, announced, interval="1.0E-06"):
    head = f"Format,2.0;Memory Length,{announced};Vertical Scale,5.0E-01;Sampling Period,{interval};Waveform Data;\n"
    payload = np.array(codes, ">i2").tobytes()
    return head.encode() + b"#%d%d" % (len(str(len(payload))), len(payload)) + payload + b"\n"


@pytest.fixture
def memory_link():
    link = ScriptedLink({":TRIG:STAT?": "STOP"})
    link.settings.update({":CHAN1:SCAL": "0.5", ":CHAN2:SCAL": "0.5"})
    for channel in (1, 2):
        link.replies[f":ACQ{channel}:MEM?"] = memory_reply([0, 25, -25, 300], 4)
    return link


def test_words_behind_a_list_are_scaled_by_it(memory_link):
    trace = scope_on(memory_link, "scope-memory-list").capture(timeout_s=1.0).channel_2
    assert trace.codes.tolist() == [0, 25, -25, 300]
    assert trace.volts_per_code == pytest.approx(0.02)
    assert trace.codes.max() >= trace.highest_code


@pytest.mark.parametrize(
    ("reply", "says"),
    [
        (memory_reply([0, 1, 2], 4), "announces 4"),
        (memory_reply([0, 1, 2, 3], 4, interval="2.0E-06"), "time base"),
        (memory_reply([0, 1, 2, 3], 4).replace(b"5.0E-01", b"1.0E+00"), "V/div"),
        (memory_reply([0, 1, 2, 3], 4).replace(b"Vertical Scale", b"Scale"), "Vertical Scale"),
    ],
)
def test_a_record_that_contradicts_its_list_is_refused(memory_link, reply, says):
    memory_link.replies[":ACQ2:MEM?"] = reply
    with pytest.raises(ReplyError) as caught:
        scope_on(memory_link, "scope-memory-list").capture(timeout_s=1.0)
    assert says in str(caught.value)


def test_a_scope_without_averages_takes_single_records(memory_link):
    scope = scope_on(memory_link, "scope-memory-list", averaging=None)
    assert scope.averages_choices == (1,)
    assert scope.set_averages(16) == 1
