"""A DC check: readings in their order, each on disk before the next, and never a generator or a scope."""

import pytest

from twonode.acquire.dccheck import (
    Answer,
    DcSession,
    DcStep,
    ReadingTaken,
    dc_session,
    filed_meter,
    run_dc_check,
)
from twonode.acquire.dcsteps import second_reading
from twonode.acquire.events import Note
from twonode.analysis.errors import QuantityError
from twonode.analysis.leakage_readings import LeakageError, Meter
from twonode.analysis.stage import shipped_stage
from twonode.analysis.typed_reading import (
    accuracy_of,
    display_steps,
    last_digit_v,
    meter_of,
    parse_node_reading,
)
from twonode.drivers.clock import VirtualClock
from twonode.drivers.errors import LinkError, ReplyError, WrongInstrument
from twonode.drivers.lonemeter import open_voltmeter
from twonode.drivers.simulated import MeterTip, SimulatedBench, SimulatedSettings
from twonode.recordings import (
    DcConditions,
    DcHeader,
    DcState,
    Ended,
    find_unfinished,
    read_dc_recording,
)

METER = Meter()
STAGE = shipped_stage("wrenfield-46-driver-output")
NODES = ("driver anode", "output grid")


class Scripted:
    """A voltmeter that answers from a list; an exception in it is raised."""

    def __init__(self, *answers):
        self.answers = list(answers)

    def read_dc_v(self):
        answer = self.answers.pop(0)
        if isinstance(answer, Exception):
            raise answer
        return answer


def header(**changes):
    from datetime import UTC, datetime

    values = {
        "title": STAGE.title,
        "created_utc": datetime.now(UTC),
        "program_version": "0.1.0",
        "part": "C7",
        "meter": filed_meter(METER),
        "conditions": DcConditions(),
    }
    return DcHeader(**(values | changes))


def checked(meter, steps, place=lambda _: Answer.READ):
    """Session and events of a check without a recording."""
    session = DcSession(meter=METER, writer=None, clock=VirtualClock())
    return session, list(run_dc_check(session, meter, steps, place=place))


def test_each_reading_is_on_disk_before_the_next_tip_is_asked_for(tmp_path):
    steps = [DcStep(node=node) for node in NODES]
    seen = []

    def place(wanted):
        (left,) = find_unfinished(tmp_path)
        seen.append((wanted.step.node, wanted.index, wanted.total, left.points))
        return Answer.READ

    with dc_session(header(), archive=tmp_path, meter=METER, clock=VirtualClock()) as session:
        for event in run_dc_check(session, Scripted(105.0, 105.0, 0.62, 0.62), steps, place=place):
            assert isinstance(event, ReadingTaken)
    assert seen == [("driver anode", 1, 2, 0), ("output grid", 2, 2, 1)]
    recording = read_dc_recording(session.folder)
    assert recording.header.ended is Ended.FINISHED
    assert [(row.node, row.volts, row.state) for row in recording.readings] == [
        ("driver anode", 105.0, "in place"),
        ("output grid", 0.62, "in place"),
    ]
    # 0.5 % and 3 counts of the 4 V range's 1 mV, and half of that step.
    assert recording.readings[1].half_width_v == pytest.approx(0.005 * 0.62 + 0.003 + 0.0005)


def test_a_reading_is_taken_once_it_stands_still():
    session, (taken,) = checked(Scripted(0.10, 0.50, 0.61, 0.62, 0.621, 9.0), [DcStep(node="output grid")])
    assert taken.row.volts == 0.621
    assert taken.row.note is None
    assert session.latest("output grid").volts == 0.621


def test_one_that_never_stands_still_is_kept_with_a_note():
    _, (taken, note) = checked(Scripted(*(0.1 * k for k in range(1, 40))), [DcStep(node="output grid")])
    assert "still moving" in taken.row.note
    assert isinstance(note, Note)
    assert "still moving" in note.text


def test_a_node_may_be_skipped_read_again_or_be_the_last():
    answers = iter([Answer.READ, Answer.SKIP, Answer.READ, Answer.AGAIN, Answer.READ, Answer.FINISH])
    meter = Scripted(1.0, 1.0, 3.0, 3.0, 3.5, 3.5)
    session, events = checked(
        meter, [DcStep(node=name) for name in ("a", "b", "c", "d")], place=lambda _: next(answers)
    )
    assert [event.row.node for event in events] == ["a", "c", "c"]
    assert session.latest("c").volts == 3.5
    assert session.latest("b") is None


def test_an_overload_is_said_and_the_node_is_asked_for_again():
    places = []
    answers = iter([Answer.READ, Answer.SKIP, Answer.READ])

    def place(wanted):
        places.append(wanted.step.node)
        return next(answers)

    overload = ReplyError("The voltmeter's DC volts: '9.9E37'.", "That stands for infinity.", "Look at it.")
    _, (note, taken) = checked(Scripted(overload, 5.0, 5.0), [DcStep(node="a"), DcStep(node="b")], place)
    assert "Nothing was stored" in note.text
    assert taken.row.node == "b"
    assert places == ["a", "a", "b"]


def test_a_meter_that_fails_leaves_what_was_read_closed_and_says_where(tmp_path):
    steps = [DcStep(node=node) for node in NODES]
    gone = LinkError("It cannot be reached.", "No answer.", "Check the cable.")
    with (
        pytest.raises(LinkError) as caught,
        dc_session(header(), archive=tmp_path, meter=METER, clock=VirtualClock()) as session,
    ):
        list(run_dc_check(session, Scripted(105.0, 105.0, gone), steps, place=lambda _: Answer.READ))
    recording = read_dc_recording(session.folder)
    assert recording.header.ended is Ended.INTERRUPTED
    assert [row.volts for row in recording.readings] == [105.0]
    assert any(str(session.folder) in note for note in caught.value.__notes__)


def test_states_are_kept_apart_and_the_last_reading_counts():
    session = DcSession(meter=METER, writer=None, clock=VirtualClock())
    for state, text in (
        (DcState.IN_PLACE, "0.62V"),
        (DcState.LIFTED, "0.40V"),
        (DcState.IN_PLACE, "0.630V"),
    ):
        session.typed(DcStep(node="grid", state=state), text)
    assert session.latest("grid").volts == 0.63
    assert session.latest("grid", DcState.LIFTED).volts == 0.4
    assert session.latest("grid", DcState.NEXT_VALVE_OUT) is None
    assert [taken.row.step_v for taken in session.taken] == pytest.approx([0.01, 0.01, 0.001])
    with pytest.raises(QuantityError):
        session.typed(DcStep(node="grid"), "0.4 mA")
    assert len(session.taken) == 3


@pytest.mark.parametrize(
    ("text", "volts"),
    [
        ("0.42V", 0.01),
        ("118V", 1.0),
        ("420mV", 1e-3),
        ("1V5", 0.1),
        ("1.2e2V", 10.0),
        ("-0.30 V", 0.01),
        (".05", 0.01),
        ("1.5kV", 100.0),
        ("0", 1.0),
    ],
)
def test_the_last_digit_typed_says_how_finely_it_was_read(text, volts):
    assert last_digit_v(text) == pytest.approx(volts)


def test_a_meter_is_read_as_its_data_sheet_writes_it():
    assert accuracy_of("0.5% + 3") == accuracy_of("0.5 % of reading and 3 digits") == (0.005, 3.0)
    # A 4000-count meter: 0.1 mV to 0.4 V, 1 mV to 4 V.
    assert display_steps(4000)[:2] == ((pytest.approx(0.4), 1e-4), (pytest.approx(4.0), 1e-3))
    meter = meter_of("11M ± 0.22M", accuracy="0.8% 2 counts", display=2000)
    assert (meter.resistance_ohm, meter.relative, meter.counts) == (11e6, 0.008, 2.0)
    assert meter.tolerance == pytest.approx(0.02)
    assert meter_of("10M", accuracy="1%", display=4000).tolerance == 0.01
    for text, accuracy in (
        ("0", "0.5%"),
        ("10V", "0.5%"),
        ("10M", "half"),
        ("10M", "120%"),
        ("10M", "1.2.3%"),
    ):
        with pytest.raises((QuantityError, LeakageError)):
            meter_of(text, accuracy=accuracy, display=4000)


def test_a_node_and_its_volts_are_told_apart():
    assert parse_node_reading("driver anode = 121V") == ("driver anode", "121V")
    assert parse_node_reading("output cathode 7.2V") == ("output cathode", "7.2V")
    for text in ("", "121V", "anode=", "anode=12mA", "=3V", "anode=1e9V"):
        with pytest.raises(QuantityError):
            parse_node_reading(text)


def test_every_second_reading_begins_with_the_power_off():
    for name in ("far-lifted", "far-valve-out", "lifted"):
        step = second_reading(name, part="C7", far_node="output grid")
        assert any("discharge" in line for line in step.advice)
    assert "Parallel heaters only" in second_reading("far-valve-out", part="C7", far_node="g").advice[0]


def test_a_voltmeter_alone_is_opened_and_nothing_else_is_touched():
    with SimulatedBench(SimulatedSettings(stage=STAGE, seed=3, true={"C7": 22e-9})) as served:
        with open_voltmeter(served.voltmeter_resource, visa="python", clock=VirtualClock()) as voltmeter:
            # HT 210 V behind 220 k within its limits, the meter's 10 M beside it.
            served.hold_tip(MeterTip(node="driver anode"))
            assert voltmeter.read_dc_v() == pytest.approx(210 * 10 / 10.22, rel=0.02)
        for resource in (served.scope_resource, served.generator_resource):
            with pytest.raises(WrongInstrument), open_voltmeter(resource, visa="python"):
                pass
