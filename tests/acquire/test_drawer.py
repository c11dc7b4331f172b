"""A drawer session on the simulated bench: order, what is filed, what is said of an empty or shorted fixture."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from drawer_runs import NOTHING, WIRE, drawer_run, loose
from nulled import unsynced  # noqa: F401

from twonode.acquire import SafetyRefusal, SweepFailed, UnfitRequest
from twonode.acquire.drawer import stored_document
from twonode.acquire.drawer_events import FixtureChecked, KnownChecked, PutIn, WireFixture
from twonode.acquire.drawer_table import BatchTable, DrawerRow, RowState
from twonode.acquire.events import PointDone
from twonode.analysis.fixture_open import FixtureNotOpen
from twonode.analysis.hookup import HookUp
from twonode.analysis.loose_part import LooseState
from twonode.analysis.loose_report import ROW_COLUMNS
from twonode.analysis.quantities import Tolerance
from twonode.analysis.ratio import Refusal, read_point
from twonode.recordings import Ended, RecordingKind, read_recording, read_results
from twonode.recordings.drawer_tags import DrawerStep
from twonode.recordings.errors import ArchiveNotWritable, DamagedRecording
from twonode.recordings.notes import read_notes

ONE_PERCENT = Tolerance(minus=0.01, plus=0.01)
BAG = (
    loose(2.2e-9, loss=0.016),
    NOTHING,
    WIRE,
    loose(1.02e-6, loss=0.005),
    loose(15e-12),
    loose(9.9e-6, loss=0.006),
)


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """A session over the whole bag, the rows of its table, and the bench."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("os.fsync", lambda descriptor: None)
        archive = tmp_path_factory.mktemp("drawer")
        known = (1e-9, ONE_PERCENT)
        with drawer_run(archive, BAG, known=known, tags={"place": "tin box"}, operator="A. N.") as run:
            run.prepare()
            run.follow(run.session.check_known())
            for number in range(1, len(BAG) + 1):
                run.measure(number)
            yield run


@pytest.fixture
def null(done):
    """That session's null run, for sessions on the bench of the same seed."""
    return Path(done.session.documents["null"])


def row(run, number: int) -> DrawerRow:
    return next(each for each in run.table.kept if each.number == number)


@pytest.mark.parametrize("number", [1, 4, 5, 6])
def test_value_and_loss_are_found_and_the_nearest_preferred_value(done, number):
    part, found = BAG[number - 1], row(done, number)
    # Within 1 %, below 100 pF within 3 % or 1 pF; tan delta within 0.0006 or 10 % (stated targets).
    assert found.loose.value.value == pytest.approx(part.farad, rel=0.01)
    assert found.loose.nearest.farad == pytest.approx(part.farad, rel=0.04)
    loss = found.loose.at(1e3).tan_delta
    assert (loss.at_most if loss.value is None else loss.value) == pytest.approx(
        part.loss, rel=0.1, abs=1.5e-3
    )
    assert f"{found.cells['nearest_farad']:.3g}" in {"2.2e-09", "1e-06", "1.5e-11", "1e-05"}
    assert "voltage unknown: not for line or B+" in found.label


def test_at_most_eight_points_are_taken_of_a_part(done):
    for each in done.table.rows:
        assert sum(len(read_recording(folder).points) for folder in each.recordings) <= 8


def test_an_empty_fixture_and_a_short_are_recognised_and_said(done):
    empty, short = row(done, 2), row(done, 3)
    assert empty.loose.state is LooseState.OPEN
    assert "none is clipped in" in empty.loose.because
    assert short.loose.state is LooseState.SHORTED
    assert "shorted" in short.loose.because
    for each in (empty, short):
        assert each.cells["nearest_farad"] is None
        assert "do not use" in each.label


def test_a_look_that_was_enough_carries_the_result_itself(done):
    for number in (2, 3):
        last = row(done, number).recordings[-1]
        assert read_recording(last).header.tags["step"] == DrawerStep.FIRST_LOOK.value
        assert read_results(last)


def test_a_small_part_after_a_large_one_is_not_taken_for_a_short(done):
    # The first look at part 5 was made with the resistor that part 4 had left in.
    wired = [each for each in done.seen if isinstance(each, WireFixture)]
    looks = [each.advice.resistor_ohm for each in wired if each.stage.title.startswith("part 5")]
    assert looks[0] == 100.0
    assert looks[-1] > 1e4
    assert row(done, 5).loose.state is LooseState.MEASURED


def refused_once(done, monkeypatch, reason: Refusal) -> list:
    """Part 4 up to its second look, the first one refused for this reason; what was to be wired, in order."""
    wired = []

    def refused(*arguments, **named):
        reading = read_point(*arguments, **named)
        return replace(reading, refusals=((reason, "as if"),)) if len(wired) == 1 else reading

    monkeypatch.setattr("twonode.acquire.point.read_point", refused)
    monkeypatch.setattr("twonode.acquire.drawer.read_point", refused)
    running = done.session.measure(4)
    try:
        for event in running:
            done.by_hand(event)
            if isinstance(event, WireFixture):
                wired.append(event.advice)
            if len(wired) == 2:
                break
    finally:
        running.close()
    return wired


def test_a_first_look_that_never_settles_leads_to_the_smallest_resistor(done, monkeypatch):
    # 10 uF beside 1 Mohm have a time constant of 10 s: a look that waits for 0.1 s sees the far node move.
    rows = done.table.rows
    second = refused_once(done, monkeypatch, Refusal.UNSETTLED)[1]
    assert second.scout
    assert second.resistor_ohm == 100.0
    assert done.table.rows == rows


def test_a_first_look_that_is_refused_for_anything_else_says_nothing_of_the_part(done, monkeypatch):
    rows = done.table.rows
    with pytest.raises(SweepFailed, match="Nothing can be said of part 4: as if"):
        refused_once(done, monkeypatch, Refusal.HARMONICS)
    assert done.table.rows == rows


def test_hum_at_the_clips_is_not_taken_for_a_large_part(tmp_path, null):
    """A volt of hum runs out of the range, and the ratio with it: nothing that a smaller resistor would mend."""
    with drawer_run(tmp_path, [loose(69e-9)], null=null) as run:
        run.prepare()
        world = run.links.world
        world.clip(replace(world.settings, hum_scale=1000.0))
        with pytest.raises(SweepFailed, match="end of its range") as caught:
            run.measure(1)
    assert "settle" not in str(caught.value)
    assert run.table.rows == ()


def test_every_part_is_an_ordinary_recording_with_its_result(done):
    for number in (1, 4, 5):
        found = row(done, number)
        for folder in found.recordings:
            recording = read_recording(folder)
            header = recording.header
            assert header.kind is RecordingKind.SWEEP
            assert header.hookup in (HookUp.SERIES, HookUp.SHUNT)
            assert header.ended is Ended.FINISHED
            assert header.operator == "A. N."
            expected = {"place": "tin box", "drawer": "tin", "number": str(number)}
            assert {key: header.tags[key] for key in expected} == expected
            assert header.null.recording == done.session.documents["null"].rsplit("/", 1)[-1]
        steps = [DrawerStep(read_recording(folder).header.tags["step"]) for folder in found.recordings]
        assert steps[-1] is DrawerStep.PART
        assert set(steps[:-1]) == {DrawerStep.FIRST_LOOK}
        # By-work carries no result; that is how a list tells it from a look that was enough.
        assert [bool(read_results(folder)) for folder in found.recordings] == [
            step is DrawerStep.PART for step in steps
        ]
        (stored,) = read_results(found.recording)
        assert stored.path.name == f"part-{number}.json"
        assert stored.document["program"].startswith("twonode")
        assert stored.document["recordings"] == [folder.name for folder in found.recordings]
        assert stored.document["capacitance"]["value"] == found.loose.value.value


def test_a_part_that_may_be_polarised_gets_a_third_of_a_volt_at_most(done):
    for number, limit in ((1, 2.0), (4, 0.6)):
        *looks, main = [read_recording(f).header.conditions.level_vpp for f in row(done, number).recordings]
        assert all(level <= 0.6 for level in looks)
        assert main <= limit


def test_with_polarised_parts_none_gets_more(tmp_path, null):
    with drawer_run(tmp_path, [loose(2.2e-9)], polarised=True, null=null) as run:
        run.prepare()
        found = run.measure(1).row
    levels = [read_recording(folder).header.conditions.level_vpp for folder in found.recordings]
    assert max(levels) <= 0.6
    assert found.loose.value.value == pytest.approx(2.2e-9, rel=0.01)


def test_open_fixture_and_known_part_are_filed_and_subtracted(done):
    checked = next(each for each in done.seen if isinstance(each, FixtureChecked))
    truth = done.links.world.truth.value
    assert checked.fixture.across.value == pytest.approx(truth["stray across"], rel=0.05)
    known = next(each for each in done.seen if isinstance(each, KnownChecked))
    assert known.check.agrees
    for event, name in ((checked, "open-fixture"), (known, "known-part")):
        assert [stored.path.stem.replace("_", "-") for stored in read_results(event.recording)] == [name]
        assert read_recording(event.recording).header.tags["step"] == name.replace("-", " ")


def test_the_table_holds_every_part_with_units_in_its_columns(done):
    with done.table.path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [(each["part"], each["state"]) for each in rows] == [
        (str(n), "kept") for n in range(1, len(BAG) + 1)
    ]
    assert float(rows[0]["c_1khz_farad"]) == pytest.approx(2.2e-9, rel=0.01)
    assert float(rows[3]["c_120hz_farad"]) == pytest.approx(1.02e-6, rel=0.01)
    assert {each["simulated"] for each in rows} == {"1"}
    for name in rows[0]:
        if name.startswith(("c_", "esr", "parallel", "nearest", "measured")) and "why_not" not in name:
            assert name.endswith(("_farad", "_ohm", "_hz", "_utc", "_series")), name
    assert all((done.archive / each["recording"]).is_dir() for each in rows)


def test_bins_are_in_the_order_of_their_values(done):
    bins = done.table.bins()
    assert [each.numbers for each in bins[:4]] == [(5,), (1,), (4,), (6,)]
    assert {each.name: each.numbers for each in bins[4:]} == {"open": (2,), "shorted": (3,)}


def test_undo_and_repeat_withdraw_rows_and_never_recordings(tmp_path, null):
    with drawer_run(tmp_path, [loose(470e-12), loose(3.3e-9)], operator="A. N.", null=null) as run:
        run.prepare()
        first = run.measure(1).row
        second = run.measure(2).row
        again = run.measure(2)
        assert again.replaced.recording == second.recording
        taken_back = run.session.undo()
        assert taken_back.recording == again.row.recording
        assert run.table.next_number == 2
        assert [each.number for each in run.table.kept] == [1]
        assert run.session.undo().recording == first.recording
        assert run.session.undo() is None
        assert run.table.next_number == 1
    states = [(each.number, each.state, each.because) for each in run.table.rows]
    assert states == [
        (1, RowState.WITHDRAWN, "taken back"),
        (2, RowState.WITHDRAWN, "measured again"),
        (2, RowState.WITHDRAWN, "taken back"),
    ]
    for folder, reason in ((first.recording, "taken back"), (second.recording, "measured again")):
        read_recording(folder)
        (note,) = read_notes(folder)
        assert reason in note.text
        assert note.operator == "A. N."
    assert [put.again for put in run.seen if isinstance(put, PutIn)] == [False, False, True]


def test_whoever_stops_in_the_middle_keeps_every_finished_part(tmp_path, null):
    with drawer_run(tmp_path, [loose(470e-12), loose(3.3e-9)], null=null) as run:
        run.prepare()
        first = run.measure(1).row
        before = run.table.path.read_bytes()
        running = run.session.measure(2)
        for event in running:
            run.by_hand(event)
            if isinstance(event, PointDone):
                assert run.links.world.output_on
                break
        running.close()
        assert not run.links.world.output_on
        assert run.table.path.read_bytes() == before
        read_recording(first.recording)
    cut = [each for each in tmp_path.iterdir() if each.name.endswith("part-2")]
    assert [read_recording(each).header.ended for each in cut] == [Ended.INTERRUPTED]
    # The same batch goes on where it was left.
    with drawer_run(tmp_path, []) as run:
        assert run.table.next_number == 2
        assert [each.number for each in run.table.kept] == [1]
        assert stored_document(run.table.kept[0]) == stored_document(first)


def test_a_part_left_in_the_empty_fixture_is_refused_and_looking_again_goes_well(tmp_path, null):
    with drawer_run(tmp_path, [loose(100e-12), WIRE], null=null) as run:
        run.follow(run.session.compare_channels())
        put_in = run.fixture.take_out
        run.fixture.take_out = lambda: None
        wire = run.fixture.wire
        for number in (1, 2):
            # The hand leaves something between the clips.
            run.fixture.hold(number)
            run.fixture.wire = lambda stage: wire(_with_part(stage))
            with pytest.raises(FixtureNotOpen):
                run.follow(run.session.look_at_empty_fixture())
            assert not run.links.world.output_on
        run.fixture.take_out, run.fixture.wire = put_in, wire
        run.follow(run.session.look_at_empty_fixture())
        assert run.session.prepared


def _with_part(stage):
    from twonode.analysis.fixture import fixture_stage

    return fixture_stage(HookUp.SERIES, part="left in", resistor_ohm=1e6)


def test_a_known_part_that_is_something_else_is_said(done, monkeypatch):
    monkeypatch.setattr(done.fixture, "hold_known", lambda *limits: done.fixture.hold(1))
    checked = done.follow(done.session.check_known())[-1]
    assert not checked.check.agrees
    assert "1.00 nF" in checked.check.because


def test_a_part_out_of_reach_says_which_resistor_would_reach_it(tmp_path, null):
    with drawer_run(tmp_path, [loose(10e-6, loss=0.05)], resistors_ohm=(1e6,), null=null) as run:
        run.prepare()
        found = run.measure(1).row
    assert found.loose.state is LooseState.OUT_OF_REACH
    assert "100 Ω would reach" in found.loose.because


def test_a_charged_part_is_refused_and_nothing_is_lost(done, monkeypatch):
    world, hold = done.links.world, done.fixture.hold

    def hold_charged(number):
        hold(number)
        world.clip(replace(world.settings, residual_dc_v={"far": 40.0}))

    monkeypatch.setattr(done.fixture, "hold", hold_charged)
    before = done.table.rows
    with pytest.raises(SafetyRefusal, match="40"):
        done.follow(done.session.measure(5))
    assert not world.output_on
    assert done.table.rows == before
    world.clip(replace(world.settings, residual_dc_v={}))


def test_a_null_run_of_another_bench_is_refused(tmp_path, null):
    with drawer_run(tmp_path, [], null=null, seed=6) as run, pytest.raises(UnfitRequest, match="SEED-5"):
        run.follow(run.session.compare_channels())


def test_resistors_that_no_advice_is_made_for_are_refused(tmp_path):
    for wrong in ((4.7e3,), ()):
        with pytest.raises(UnfitRequest, match="not used"), drawer_run(tmp_path, [], resistors_ohm=wrong):
            pass


# The table by itself.


def made_row(number: int, **more) -> DrawerRow:
    fields = {
        "number": number,
        "measured_utc": datetime(2031, 4, 9, 18, 20, number, tzinfo=UTC),
        "simulated": number == 2,
        "recordings": (more.pop("place") / f"2031-04-09T18-20-0{number}Z_part-{number}",),
        "cells": {"nearest_farad": 1e-9 * number, "found": "one, with\na comma"},
        "document": None,
        "bin": "1 nF",
        "label": "1 nF; voltage unknown: not for line or B+",
    }
    return DrawerRow(**(fields | more))


COLUMNS = ("nearest_farad", "found")


def test_a_table_is_read_back_as_it_was_written(tmp_path):
    table = BatchTable.opened(tmp_path / "t.csv", COLUMNS)
    assert table.rows == ()
    assert not table.path.exists()
    for number in (1, 2, 3):
        table.add(made_row(number, place=tmp_path))
    table.withdraw_last("taken back")
    again = BatchTable.opened(table.path, COLUMNS)
    assert [(r.number, r.state, r.because) for r in again.rows] == [
        (r.number, r.state, r.because) for r in table.rows
    ]
    assert [r.measured_utc for r in again.rows] == [r.measured_utc for r in table.rows]
    assert [r.recording.resolve() for r in again.rows] == [r.recording.resolve() for r in table.rows]
    assert [r.simulated for r in again.rows] == [False, True, False]
    assert float(again.rows[1].cells["nearest_farad"]) == 2e-9
    assert again.next_number == 3
    before = table.path.read_bytes()
    again.add(made_row(3, place=tmp_path))
    # The rows before are the same bytes again.
    assert again.path.read_bytes().startswith(before)


def test_simulated_and_real_parts_never_stand_in_one_table(tmp_path):
    table = BatchTable.opened(tmp_path / "t.csv", COLUMNS)
    table.refuse_mixture(simulated=True)
    table.add(made_row(1, place=tmp_path))
    table.refuse_mixture(simulated=False)
    with pytest.raises(UnfitRequest, match=r"t\.csv is of real parts; simulated ones"):
        table.refuse_mixture(simulated=True)
    # What was taken back is in nobody's way.
    table.withdraw_last("taken back")
    table.refuse_mixture(simulated=True)


def test_a_batch_of_real_parts_does_not_go_on_with_simulated_ones(tmp_path):
    BatchTable.opened(tmp_path / "drawer-tin.csv", ROW_COLUMNS).add(
        replace(made_row(1, place=tmp_path), cells={})
    )
    with pytest.raises(UnfitRequest, match="of real parts"), drawer_run(tmp_path, []):
        pass


@pytest.mark.parametrize("key", ["drawer", "step", "number"])
def test_the_tags_of_a_batch_are_its_own(tmp_path, key):
    with pytest.raises(UnfitRequest, match=f"'{key}'"), drawer_run(tmp_path, [], tags={key: "x"}):
        pass


def test_a_table_that_cannot_be_written_stays_as_it_was(tmp_path, monkeypatch):
    table = BatchTable.opened(tmp_path / "t.csv", COLUMNS)
    table.add(made_row(1, place=tmp_path))
    before = table.path.read_bytes()

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", full)
    with pytest.raises(ArchiveNotWritable):
        table.add(made_row(2, place=tmp_path))
    assert table.path.read_bytes() == before
    assert [each.number for each in table.rows] == [1]
    assert [each.name for each in tmp_path.iterdir()] == ["t.csv"]


@pytest.mark.parametrize(
    "content",
    [
        b"part,state\n1,kept\n",
        b"\xff\xfe\n1\n",
        b"part,state,because,measured_utc,simulated,nearest_farad,found,bin,label,recording\nx,kept,,,,,,,,\n",
        b"part,state,because,measured_utc,simulated,nearest_farad,found,bin,label,recording\n1,lost,,2031-04-09T18:20:01Z,1,,,,,\n",
        b"part,state,because,measured_utc,simulated,nearest_farad,found,bin,label,recording\n1,kept\n",
    ],
)
def test_a_file_that_is_no_table_of_a_batch_is_refused_and_left_alone(tmp_path, content):
    path = tmp_path / "t.csv"
    path.write_bytes(content)
    with pytest.raises(DamagedRecording, match="no table of a batch"):
        BatchTable.opened(path, COLUMNS)
    assert path.read_bytes() == content
