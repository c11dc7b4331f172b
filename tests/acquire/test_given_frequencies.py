"""A sweep whose request names its frequencies and how long each record is."""

from __future__ import annotations

import pytest
from nulled import unsynced  # noqa: F401
from swept import HookUp, fixture_request, run

from twonode.acquire import PointDone
from twonode.recordings.reader import read_recording

WANTED = (20e3, 1e3, 4e3)


def test_exactly_the_named_points_are_taken_in_their_order(tmp_path):
    done = run(fixture_request(HookUp.SERIES, 10e-9, 1e4, frequencies_hz=WANTED, points=None), tmp_path)
    assert done.error is None
    taken = [event.frequency_hz for event in done.events if isinstance(event, PointDone)]
    # Moved a little where rounding would repeat itself.
    assert taken == pytest.approx(WANTED, rel=0.22)
    recording = read_recording(done.recording)
    assert recording.header.plan["kind"] == "given"


def test_a_named_count_or_range_does_not_matter_then(tmp_path):
    request = fixture_request(HookUp.SERIES, 10e-9, 1e4, frequencies_hz=WANTED, points=7, to_hz=500.0)
    done = run(request, tmp_path)
    assert done.error is None
    assert len([e for e in done.events if isinstance(e, PointDone)]) == len(WANTED)


@pytest.mark.parametrize("samples", [6_000, 60_000])
def test_every_record_is_as_long_as_wanted_and_long_ones_know_more(tmp_path, samples):
    request = fixture_request(HookUp.SERIES, 10e-9, 1e4, frequencies_hz=WANTED, samples=samples, points=None)
    recording = read_recording(run(request, tmp_path).recording)
    lengths = {traces.samples for _, traces in recording.all_traces()}
    assert lengths == {samples}
