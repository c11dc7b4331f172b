"""The null run from the page: the command's own, and which one a sweep will go by, said before it."""

from datetime import UTC, datetime, timedelta

import pytest
from click.testing import CliRunner

from twonode.acquire import SafetyRefusal, check_null_request, null_for_sweep, sweep_of
from twonode.acquire.nullahead import null_ahead
from twonode.analysis.channels_compared import compare_channels
from twonode.analysis.stage import shipped_stage
from twonode.console.benches import bench_of
from twonode.console.main import cli
from twonode.console.null import null_lines, null_request, null_stage
from twonode.console.page.context import BenchChoice, House, PageContext
from twonode.console.page.job import JobRunner, JobState, OutputState
from twonode.console.page.null_view import ahead_words
from twonode.console.page.null_work import NullProgress, NullSaid, null_options, null_work
from twonode.console.page.seat import Seat
from twonode.console.page.settings import PageSettings
from twonode.console.page.sweep_work import Progress, sweep_work
from twonode.console.page.words import Words
from twonode.console.sweeping import sweep_request
from twonode.console.wiring import wired_stage
from twonode.recordings import read_recording
from twonode.recordings.model import Ended, RecordingKind

PROBES = (10.0, 10.0)
BENCH = {
    "simulated": True,
    "seed": 5,
    "speed": 20.0,
    "generator": None,
    "scope": None,
    "visa": None,
    "profiles": (),
    "allow_unverified": False,
    "line": "50",
    "probes": PROBES,
    "true": (("C7", "18n"),),
    "faults": (("C7", "open", None),),
}


def _unused(stage, one_node):
    raise AssertionError("a null run opens its own bench")


def _run(archive, *, until=None):
    """A null run as START begins it."""
    options = null_options(BENCH)
    runner = JobRunner(_unused)
    progress = NullProgress(request=null_request(options, null_stage(options)))
    if until is not None:
        runner.listen(lambda event: until(runner, event))
    job = runner.start("Null run", null_work(options, archive), progress=progress, view="/null")
    assert runner.wait(60)
    return job


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """An archive with a null run made by the page, and the job that made it."""
    archive = tmp_path_factory.mktemp("null")
    return archive, _run(archive)


def test_a_null_run_from_the_page_is_that_of_the_command(done, tmp_path):
    _, job = done
    assert (job.state, job.output, job.trouble) == (JobState.DONE, OutputState.OFF, None)
    recording = read_recording(job.progress.recording)
    assert recording.header.kind is RecordingKind.NULL
    assert recording.header.ended is Ended.FINISHED
    assert job.progress.done == job.progress.total == len(recording.points)
    found = compare_channels(sweep_of(recording))
    assert list(job.progress.found) == [line.strip() for line in null_lines(recording, found)]
    # The same bench and the same seed: the command measures the same probes.
    said = CliRunner().invoke(
        cli, ["null", "--simulated", "--seed", "5", "--speed", "20", "--archive", str(tmp_path), "--quiet"]
    )
    assert said.exit_code == 0, said.output
    (folder,) = (each for each in tmp_path.iterdir() if each.is_dir())
    other = compare_channels(sweep_of(read_recording(folder)))
    spread = found.gain.standard_uncertainty + other.gain.standard_uncertainty
    assert found.gain.value == pytest.approx(other.gain.value, abs=4 * spread)
    assert abs(found.gain.value) > 10 * spread, "channels that are alike would agree with anything"


def test_stop_ends_it_with_the_output_off_and_its_points_kept(tmp_path):
    def after_three(runner, event):
        if isinstance(event, NullSaid) and runner.current.progress.done >= 3:
            runner.stop("STOP pressed")

    job = _run(tmp_path, until=after_three)
    assert (job.state, job.output) == (JobState.STOPPED, OutputState.OFF)
    recording = read_recording(job.progress.recording)
    assert recording.header.ended is Ended.INTERRUPTED
    assert len(recording.points) >= 3
    # What was not finished is gone by in no sweep.
    assert null_ahead(tmp_path, probe_factors=PROBES, simulated=True, seed=5) is None


def test_a_sweep_goes_by_the_null_run_that_was_announced(done):
    archive, job = done
    ahead = null_ahead(archive, probe_factors=PROBES, simulated=True, seed=5)
    assert ahead.folder == job.progress.recording
    options = {
        **BENCH,
        "hookup": "series",
        "part": "C1",
        "expect": 22e-9,
        "resistor": 1e5,
        "plan": "even",
        "points": 3,
        "tags": (),
        "true": (),
        "faults": (),
        **dict.fromkeys(
            ("tolerance", "resistor_tolerance", "stage_file", "companion", "across", "drive", "far")
        ),
        **dict.fromkeys(("through", "from_hz", "to_hz", "level_vpp")),
    }
    stage, hookup = wired_stage(options)
    request = sweep_request(options, stage, hookup, unplugged=False, node_volts=None)
    with bench_of(options, stage) as bench:
        assert ahead.scope == bench.scope.identity
        assert null_for_sweep(bench, request, archive=archive, wanted=None).folder == ahead.folder
    runner = JobRunner(lambda stage, one_node: bench_of(options, stage, one_node=one_node))
    job = runner.start("Sweep", sweep_work(archive, None), progress=Progress(request=request))
    assert runner.wait(60)
    assert job.state is JobState.DONE, job.trouble
    assert any(str(ahead.folder) in note for note in job.progress.notes)
    assert read_recording(job.progress.recording).header.null.recording == ahead.folder.name


@pytest.mark.parametrize(
    "other",
    [
        {"probe_factors": (1.0, 10.0)},
        {"seed": 6},
        {"simulated": False, "seed": None},
    ],
)
def test_a_null_run_of_other_probes_or_another_bench_is_not_announced(done, other):
    archive, _ = done
    wanted = {"probe_factors": PROBES, "simulated": True, "seed": 5} | other
    assert null_ahead(archive, **wanted) is None


def test_an_archive_that_is_not_there_yet_has_none(tmp_path):
    assert null_ahead(tmp_path / "later", probe_factors=PROBES, simulated=True, seed=5) is None


def _context(archive, bench):
    settings = PageSettings()
    house = House(
        archive=archive, bench=BenchChoice(bench), seat=Seat(), jobs=JobRunner(_unused), settings=settings
    )
    return PageContext(house=house, client=None, query={}, words=Words(house.settings), seat=None)


def test_its_age_is_said_in_words(done, tmp_path):
    archive, job = done
    created = read_recording(job.progress.recording).header.created_utc
    words, there = ahead_words(_context(archive, BENCH), now=created + timedelta(hours=2, minutes=5))
    assert words == "Null run: made 2 hours ago."
    assert there
    words, _ = ahead_words(_context(archive, BENCH), now=created + timedelta(days=3))
    assert words == "Null run: made 3 days ago. Scopes drift: a new one is better."
    words, there = ahead_words(_context(tmp_path, BENCH), now=datetime.now(UTC))
    assert words == "No null run was made with these probes yet."
    assert not there


def test_the_scope_that_has_to_answer_is_named_on_a_real_bench(done, monkeypatch):
    archive, job = done
    monkeypatch.setattr("twonode.acquire.nullahead.fits", lambda *_: None)
    created = read_recording(job.progress.recording).header.created_utc
    real = BENCH | {"simulated": False, "generator": "TCPIP0::127.0.0.1::1::SOCKET", "scope": "s"}
    words, _ = ahead_words(_context(archive, real), now=created)
    scope = null_ahead(archive, probe_factors=PROBES, simulated=True, seed=5).scope
    assert words == f"Null run: made just now with {scope}; it is gone by if that scope answers."


def test_nothing_inside_a_set_can_be_asked_for_here():
    # The page's null run is on the lead alone; what is asked inside a set is the command's.
    options = null_options(BENCH | {"node_volts": 12.0, "stage_file": "a set"})
    request = null_request(options, null_stage(options))
    assert not request.in_set
    assert request.node_volts is None
    check_null_request(request)
    with pytest.raises(SafetyRefusal):
        check_null_request(
            null_request(options | {"node_volts": 12.0}, shipped_stage("wrenfield-46-driver-output"))
        )
