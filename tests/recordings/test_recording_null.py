"""Recordings of null runs: no stage and no part; sweeps still need both, and old recordings still read."""

import json

import pytest
from recording_samples import add_sample_points, sample_header, write_sample

from twonode.recordings import DamagedRecording, NullUsed, RecordingKind, RecordingWriter, read_recording
from twonode.recordings.bag import write_bag_files
from twonode.recordings.model import decode_header, encode_header

NULL = {"kind": RecordingKind.NULL, "stage": None, "part": None, "hookup": None, "title": "Null run"}


def rewrite(folder, **changes):
    """Change recording.json (None removes a key) and make the manifests fit again."""
    path = folder / "data" / "recording.json"
    document = json.loads(path.read_text())
    for key, value in changes.items():
        document.pop(key, None)
        if value is not None:
            document[key] = value
    path.write_text(json.dumps(document))
    write_bag_files(folder, info={"External-Identifier": folder.name})


def test_a_null_run_comes_back_equal_and_is_named_one(tmp_path):
    header = sample_header(**NULL)
    with RecordingWriter(tmp_path, header) as writer:
        add_sample_points(writer, 2)
    assert writer.folder.name == "2031-04-09T18-20-11Z_wrenfield-46_null"
    recording = read_recording(writer.folder)
    assert recording.header == writer.header
    assert recording.stage is None
    assert len(recording.used) == 2


def test_a_header_without_the_new_fields_is_still_read():
    document = json.loads(encode_header(sample_header()))
    for key in ("null", "kind"):
        document.pop(key, None)
    assert decode_header(json.dumps(document).encode(), where="x") == sample_header()


def test_a_sweep_names_its_null_run(tmp_path):
    used = NullUsed(recording="2031-04-09T18-00-00Z_null", manifest_sha256="0" * 64)
    assert read_recording(write_sample(tmp_path, null=used)).header.null == used


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"stage": None, "part": None}, "a sweep has no stage"),
        ({"hookup": None}, "a sweep has no hookup"),
        ({"kind": "null"}, "a null run has a stage"),
        ({"kind": "null", "stage": None}, "a null run has a part"),
    ],
)
def test_kind_stage_and_part_must_belong_together(changes, words, tmp_path):
    folder = write_sample(tmp_path)
    rewrite(folder, **changes)
    with pytest.raises(DamagedRecording, match=words):
        read_recording(folder)
