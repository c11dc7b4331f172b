"""A DC check from a voltmeter as the page runs it: every reading waits for a click, and is filed before the next."""

import pytest

from twonode.acquire.dccheck import Answer
from twonode.analysis.stage import shipped_stage
from twonode.analysis.voltage_chart import shipped_chart
from twonode.console.dc import dc
from twonode.console.dc_chart import check_chart
from twonode.console.dc_leak import check_leak
from twonode.console.page.dc_meter_work import MeterProgress, MeterSaid, meter_work
from twonode.console.page.job import JobRunner, JobState, OutputState
from twonode.console.page.optionform import parsed_options
from twonode.console.simulation import simulated_settings
from twonode.drivers.simulated import SimulatedBench
from twonode.recordings import read_dc_recording
from twonode.recordings.model import Ended

LABELS = {"--grid-leak": "Grid leak", "--voltmeter": "Voltmeter"}


def _check(options):
    return check_leak(options, beforehand=lambda: None)


def _options(archive, given, *flags):
    options = parsed_options(dc, given, flags)
    options.update(archive=archive, as_json=True, cautions_acknowledged=True)
    return options


def _no_bench(stage, one_node):
    raise AssertionError("a DC check opens neither generator nor scope")


def _run(options, answers, check=_check):
    """The check, its questions answered one after the other; where the tip was to go. Stops when answers run out."""
    runner = JobRunner(_no_bench)
    asked, answered = [], set()

    def heard(event):
        progress = runner.current.progress
        if not isinstance(event, MeterSaid) or progress.wanted is None or progress.key in answered:
            return
        answered.add(progress.key)
        asked.append((progress.wanted.index, progress.wanted.total, progress.wanted.step.node))
        if len(asked) > len(answers):
            runner.stop("STOP pressed")
        else:
            runner.current.answer(progress.key, answers[len(asked) - 1])

    runner.listen(heard)
    job = runner.start(
        "DC check", meter_work(options, check), progress=MeterProgress(labels=LABELS), view="/dc"
    )
    assert runner.wait(60)
    return job, asked


def test_every_node_waits_for_its_click_and_the_finding_is_that_of_the_command(tmp_path):
    options = _options(tmp_path, {"--part": "C7", "--fault": "C7=leaky:80M", "--speed": "50"}, "--simulated")
    job, asked = _run(options, [Answer.READ, Answer.READ])
    assert (job.state, job.trouble) == (JobState.DONE, None)
    assert job.output is OutputState.NOT_USED
    assert asked == [(1, 2, "driver anode"), (2, 2, "output grid")]
    checked = job.progress.checked
    assert checked.estimate.finding.state.value == "leaky"
    assert len(job.progress.readings) == 2
    assert job.progress.readings[0].startswith("driver anode: ")
    recording = read_dc_recording(checked.session.folder)
    assert [row.node for row in recording.readings] == ["driver anode", "output grid"]


def test_a_reading_can_be_taken_again_and_the_last_one_counts(tmp_path):
    options = _options(tmp_path, {"--part": "C7", "--speed": "50"}, "--simulated")
    job, asked = _run(options, [Answer.READ, Answer.AGAIN, Answer.READ, Answer.READ])
    assert job.state is JobState.DONE
    assert [index for index, _, _ in asked] == [1, 2, 1, 2]
    nodes = [row.node for row in read_dc_recording(job.progress.checked.session.folder).readings]
    assert nodes == ["driver anode", "driver anode", "output grid"]


def test_stop_keeps_what_was_read(tmp_path):
    options = _options(tmp_path, {"--part": "C7", "--speed": "50"}, "--simulated")
    job, _ = _run(options, [Answer.READ])
    assert job.state is JobState.STOPPED
    (folder,) = (each for each in tmp_path.iterdir() if each.is_dir())
    recording = read_dc_recording(folder)
    assert recording.header.ended is Ended.INTERRUPTED
    assert [row.node for row in recording.readings] == ["driver anode"]
    assert any(str(folder) in note for note in job.trouble.notes)


def test_a_voltmeter_at_an_address_is_read(tmp_path):
    stage = shipped_stage("wrenfield-46-driver-output")
    with SimulatedBench(simulated_settings(stage, seed=2, speed=50.0)) as bench:
        given = {"--part": "C7", "--voltmeter": bench.voltmeter_resource, "--grid-leak": "470k 10%"}
        job, asked = _run(_options(tmp_path, given), [Answer.READ, Answer.READ])
        generator_on = bench.world.output_on
    assert [node for _, _, node in asked] == ["drive node", "far node"]
    assert not generator_on
    (folder,) = (each for each in tmp_path.iterdir() if each.is_dir())
    recording = read_dc_recording(folder)
    assert [each.role.value for each in recording.header.instruments] == ["voltmeter"]
    assert len(recording.readings) == len(job.progress.readings) == 2


def test_what_is_missing_is_said_by_the_fields_label(tmp_path):
    with SimulatedBench(simulated_settings(shipped_stage("wrenfield-46-driver-output"), seed=2)) as bench:
        given = {"--part": "C7", "--voltmeter": bench.voltmeter_resource}
        job, asked = _run(_options(tmp_path, given), [])
    assert job.state is JobState.FAILED
    assert asked == []
    assert job.progress.trouble.what.startswith("“Grid leak” is missing")


def test_a_chart_is_read_node_by_node(tmp_path):
    chart = shipped_chart("wrenfield-46")

    def check(options):
        return check_chart(options, chart, beforehand=lambda: None, ask=False)

    options = _options(tmp_path, {"--speed": "50", "--line": "120V"}, "--simulated")
    options["chart_file"] = "chart"
    job, asked = _run(options, [Answer.READ, Answer.SKIP, Answer.FINISH], check)
    assert job.state is JobState.DONE, job.trouble
    assert len(asked) == min(3, asked[0][1])
    assert len(job.progress.readings) == 1
    assert len(job.progress.checked.verdicts) == 1


@pytest.mark.parametrize("answer", ["anything else", None])
def test_a_click_that_means_nothing_finishes(tmp_path, answer):
    options = _options(tmp_path, {"--part": "C7", "--speed": "50"}, "--simulated")
    job, asked = _run(options, [answer])
    assert len(asked) == 1
    assert job.state is JobState.FAILED
    assert "was not read" in job.progress.trouble.what
