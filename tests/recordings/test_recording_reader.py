"""Reading: exact, checked, and never trusting what a file claims."""

import hashlib
import io
import json
import os
import struct
import zipfile
from concurrent.futures import ThreadPoolExecutor

import msgspec
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from recording_samples import (
    STAGE,
    add_sample_points,
    files_below,
    sample_header,
    sample_row,
    sample_traces,
    write_sample,
)

from twonode.analysis.traces import ChannelCodes, TracePair
from twonode.recordings import (
    DamagedRecording,
    NewerFormat,
    NotARecording,
    PointRow,
    PointState,
    RecordingWriter,
    UnfitRecord,
    add_picture,
    add_result,
    bag,
    read_header,
    read_recording,
    read_results,
)
from twonode.recordings.bag import write_bag_files, write_tag_manifest
from twonode.recordings.points import COLUMNS, columns_line, encode_row, read_rows
from twonode.recordings.tracefile import decode_point, encode_point


def reseal(folder):
    """Make manifests fit the files again, so that only what is inside them can be wrong."""
    write_bag_files(folder, info={"External-Identifier": folder.name})


def test_everything_comes_back_equal(tmp_path):
    header = sample_header()
    with RecordingWriter(tmp_path, header) as writer:
        add_sample_points(writer, 3)
        traces = sample_traces(4)
        refused = sample_row(
            4,
            traces,
            state=PointState.REFUSED,
            reason='the far channel clips, at "50 mV"',
            ratio_re=None,
            ratio_im=None,
            var_re=None,
            cov_re_im=None,
            var_im=None,
        )
        writer.add_point(refused, traces)
    recording = read_recording(writer.folder)
    assert recording.header == writer.header
    assert msgspec.structs.replace(recording.header, ended=None) == header
    assert recording.stage == STAGE
    rows = [sample_row(point, sample_traces(point)) for point in (1, 2, 3)]
    assert list(recording.points) == [*rows, refused]
    assert list(recording.used) == rows
    assert [traces for _, traces in recording.all_traces()] == [sample_traces(n) for n in (1, 2, 3, 4)]
    assert read_header(writer.folder) == recording.header


finite = st.floats(allow_nan=False, allow_infinity=False)


@st.composite
def rows(draw):
    kinds = {
        "float": finite,
        "int": st.integers(0, 2**53),
        "str": st.text(st.characters(codec="utf-8"), min_size=1),
        "PointState": st.sampled_from(PointState),
    }
    fields = {}
    for name, kind in PointRow.__annotations__.items():
        word, _, none = kind.partition(" | ")
        fields[name] = draw(st.none() | kinds[word] if none else kinds[word])
    return PointRow(**fields)


@settings(max_examples=150, deadline=None)
@given(st.lists(rows(), max_size=3))
def test_rows_go_through_csv_unchanged_to_the_last_bit(some):
    content = columns_line() + b"".join(map(encode_row, some))
    assert content.count(b"\n") == 1 + len(some)

    def one_line(row):
        words = {
            n: " ".join(t.split()) or None for n in ("reason", "repeat_reason") if (t := getattr(row, n))
        }
        return msgspec.structs.replace(row, **words)

    again = read_rows(content, where="points.csv")
    assert [msgspec.structs.astuple(row) for row in again] == [
        msgspec.structs.astuple(one_line(row)) for row in some
    ]


codes = st.lists(st.integers(-32768, 32767), min_size=1, max_size=50)
above_zero = st.floats(1e-300, 1e300)


@settings(max_examples=100, deadline=None)
@given(codes, above_zero, finite, above_zero, above_zero, finite)
def test_codes_and_scaling_go_through_npy_unchanged_to_the_last_bit(
    row, step, zero, div, interval, frequency
):
    channel = ChannelCodes(
        codes=np.array(row, dtype=np.int16),
        volts_per_code=step,
        volts_at_code_zero=zero,
        lowest_code=-32768,
        highest_code=32767,
        volts_per_div=div,
    )
    traces = TracePair(drive=channel, far=channel, sample_interval_s=interval)
    again = decode_point(encode_point(frequency, traces), where="npy")
    assert (again.frequency_hz, again.traces) == (frequency, traces)


def test_a_changed_byte_anywhere_is_found(tmp_path):
    folder = write_sample(tmp_path, points=1)
    add_result(folder, "estimate", {"value": 1.0})
    read_recording(folder)
    for name, content in files_below(folder).items():
        path = folder / name
        # Every byte of the small tag files, every 17th of the rest.
        for place in range(0, len(content), 17 if name.startswith("data/") else 1):
            changed = bytearray(content)
            changed[place] ^= 1
            path.write_bytes(changed)
            with pytest.raises((DamagedRecording, NotARecording)):
                read_recording(folder)
        path.write_bytes(content)
    read_recording(folder)


def test_a_missing_or_added_payload_file_is_named(tmp_path):
    folder = write_sample(tmp_path)
    (folder / "data" / "extra.txt").write_text("x")
    with pytest.raises(DamagedRecording, match=r"extra\.txt"):
        read_recording(folder)
    (folder / "data" / "extra.txt").unlink()
    (folder / "data" / "points.csv").unlink()
    with pytest.raises(DamagedRecording, match=r"points\.csv"):
        read_recording(folder)


@pytest.mark.parametrize("name", ["nothing", "empty", "file"])
def test_what_is_no_recording_is_said_to_be_none(tmp_path, name):
    (tmp_path / "empty").mkdir()
    (tmp_path / "file").write_text("x")
    with pytest.raises(NotARecording, match=name):
        read_recording(tmp_path / name)


@pytest.mark.parametrize(
    "name",
    [
        "data/../../secret.txt",
        "/secret.txt",
        "data/./points.csv",
        "data\\points.csv",
        "C:/secret.txt",
        "secret.txt",
    ],
)
def test_a_manifest_that_leads_outside_is_refused_unread(tmp_path, name):
    folder = write_sample(tmp_path / "archive")
    (tmp_path / "archive" / "secret.txt").write_text("x")
    manifest = folder / "manifest-sha256.txt"
    # With the right checksum, so that only the name speaks against it.
    digest = hashlib.sha256(b"x").hexdigest()
    manifest.write_bytes(manifest.read_bytes() + f"{digest}  {name}\n".encode())
    write_tag_manifest(folder)
    with pytest.raises(DamagedRecording, match=r"which is (no plain name inside|not below data)"):
        read_recording(folder)


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="no symbolic links here")
def test_a_link_in_the_payload_is_refused(tmp_path):
    folder = write_sample(tmp_path)
    table = folder / "data" / "points.csv"
    (tmp_path / "elsewhere.csv").write_bytes(table.read_bytes())
    table.unlink()
    table.symlink_to(tmp_path / "elsewhere.csv")
    with pytest.raises(DamagedRecording, match="link"):
        read_recording(folder)


def change_json(folder, path, value):
    file = folder / "data" / "recording.json"
    document = json.loads(file.read_text(encoding="utf-8"))
    place = document
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    file.write_text(json.dumps(document), encoding="utf-8")
    reseal(folder)


@pytest.mark.parametrize(
    ("path", "value", "word"),
    [
        (("conditions", "level_vpp"), "two", "conditions.level_vpp"),
        (("drive_probe", "factor"), None, "drive_probe.factor"),
        (("hookup",), "sideways", "hookup"),
        (("created_utc",), "yesterday", "created_utc"),
        (("created_utc",), "2031-04-09T18:20:11+02:00", "created_utc"),
        (("stage", "parts", 0, "value"), -1.0, "C7"),
        (("stage",), {}, "stage"),
        (("part",), "C99", "C99"),
        (("format",), "one", "format"),
    ],
)
def test_a_faulty_header_is_refused_naming_file_and_field(tmp_path, path, value, word):
    folder = write_sample(tmp_path)
    change_json(folder, path, value)
    with pytest.raises(DamagedRecording) as caught:
        read_recording(folder)
    assert "recording.json" in caught.value.what
    assert word in caught.value.what


def test_a_newer_format_is_refused_as_newer(tmp_path):
    folder = write_sample(tmp_path)
    change_json(folder, ("format",), 2)
    change_json(folder, ("conditions",), "entirely different")
    with pytest.raises(NewerFormat, match="format 2"):
        read_recording(folder)


def test_a_field_and_a_column_added_by_a_later_program_of_this_format_are_passed_over(tmp_path):
    folder = write_sample(tmp_path)
    table = folder / "data" / "points.csv"
    lines = table.read_text().splitlines()
    table.write_text("\n".join([lines[0] + ",room_celsius", *(line + ",21.5" for line in lines[1:])]) + "\n")
    change_json(folder, ("weather",), "dry")
    assert len(read_recording(folder).points) == 3


def test_a_column_that_an_earlier_program_did_not_know_is_none(tmp_path):
    line = columns_line() + encode_row(sample_row(1, sample_traces(1)))
    cells = [text.split(",") for text in line.decode().splitlines()]
    kept = [index for index, name in enumerate(COLUMNS) if name != "far_dc_v"]
    older = "".join(",".join(row[index] for index in kept) + "\n" for row in cells)
    (row,) = read_rows(older.encode(), where="points.csv")
    assert row == sample_row(1, sample_traces(1))


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"point": 7}, "numbered 7"),
        ({"time_s": -1.0}, "time_s"),
        ({"frequency_hz": 0.0}, "frequency_hz"),
        ({"samples": 61}, "61 samples"),
        ({"var_re": -1e-9}, "covariance"),
        ({"cov_re_im": 1.0}, "covariance"),
        ({"ratio_im": None}, "no ratio"),
        ({"state": PointState.REFUSED}, "without a reason"),
        ({"averages": 0}, "averages"),
    ],
)
def test_rows_that_contradict_themselves_are_refused(tmp_path, changes, word):
    folder = write_sample(tmp_path, points=2)
    table = folder / "data" / "points.csv"
    second = msgspec.structs.replace(sample_row(2, sample_traces(2)), **changes)
    table.write_bytes(columns_line() + encode_row(sample_row(1, sample_traces(1))) + encode_row(second))
    reseal(folder)
    with pytest.raises(DamagedRecording, match=word):
        read_recording(folder)


@pytest.mark.parametrize("cell", ["nan", "inf", "1e999", "abc", "0x1p3"])
def test_a_cell_that_is_no_number_is_refused_naming_line_and_column(cell):
    line = encode_row(sample_row(1, sample_traces(1))).replace(b"1,0.25,", f"1,{cell},".encode(), 1)
    with pytest.raises(DamagedRecording, match=r"line 2.*time_s|time_s.*line 2"):
        read_rows(columns_line() + line, where="points.csv")


def test_codes_that_do_not_fit_their_row_are_refused_when_read(tmp_path):
    folder = write_sample(tmp_path, points=1)
    table = folder / "data" / "points.csv"
    row = msgspec.structs.replace(sample_row(1, sample_traces(1)), frequency_hz=99.0)
    table.write_bytes(columns_line() + encode_row(row))
    reseal(folder)
    recording = read_recording(folder)
    with pytest.raises(DamagedRecording, match="frequency_hz"):
        recording.traces(1)


def npy(array, **options):
    content = io.BytesIO()
    np.lib.format.write_array(content, array, **options)
    return content.getvalue()


def good_point():
    return encode_point(20.0, sample_traces(1))


def inflated_claim():
    """A header that speaks of 10 GB over a few bytes of data."""
    head = np.lib.format.header_data_from_array_1_0(np.zeros((), "<i2"))
    content = io.BytesIO()
    fields = [("drive_codes", "<i2", (2_500_000_000,)), ("far_codes", "<i2", (2_500_000_000,))]
    np.lib.format.write_array_header_1_0(content, head | {"descr": fields})
    return content.getvalue() + b"\0" * 100


@pytest.mark.parametrize(
    ("content", "compression", "words"),
    [
        (good_point()[:-10], zipfile.ZIP_STORED, "bytes long"),
        (good_point() + b"\0", zipfile.ZIP_STORED, "bytes long"),
        (good_point(), zipfile.ZIP_DEFLATED, "compressed"),
        (
            npy(np.array({"a": 1}, dtype=object), allow_pickle=True),
            zipfile.ZIP_STORED,
            "not those of a point",
        ),
        (npy(np.zeros((2, 60), dtype="<i2")), zipfile.ZIP_STORED, "not those of a point"),
        (inflated_claim(), zipfile.ZIP_STORED, "no npy header"),
        (encode_point(20.0, sample_traces(1, samples=59)), zipfile.ZIP_STORED, "60 samples"),
        (
            b"\x93NUMPY\x01\x00" + struct.pack("<H", 20) + b"{'descr': __import__",
            zipfile.ZIP_STORED,
            "no npy header",
        ),
        (b"", zipfile.ZIP_STORED, "no npy header"),
    ],
)
def test_hostile_arrays_are_refused_unloaded(tmp_path, content, compression, words):
    folder = write_sample(tmp_path, points=1)
    with zipfile.ZipFile(folder / "data" / "traces.npz", "w", compression) as packed:
        packed.writestr("point_0001.npy", content)
    reseal(folder)
    with pytest.raises(DamagedRecording, match=rf"traces\.npz.*{words}"):
        read_recording(folder)


@pytest.mark.parametrize("length", [0, 10, 400, -30])
def test_a_truncated_npz_is_refused(tmp_path, length):
    folder = write_sample(tmp_path)
    path = folder / "data" / "traces.npz"
    path.write_bytes(path.read_bytes()[:length])
    reseal(folder)
    with pytest.raises(DamagedRecording, match=r"traces\.npz"):
        read_recording(folder)


def test_results_are_added_and_never_overwritten(tmp_path):
    folder = write_sample(tmp_path)
    before = files_below(folder)
    paths = [add_result(folder, "estimate", {"value": value}) for value in (1.0, 0.1)]
    assert [path.name for path in paths] == ["estimate.json", "estimate_2.json"]
    assert [each.document for each in read_results(folder)] == [{"value": 1.0}, {"value": 0.1}]
    after = files_below(folder)
    assert {name for name in before if before[name] != after[name]} == {"tagmanifest-sha256.txt"}
    read_recording(folder)


def test_a_picture_lies_beside_the_results_and_is_checked_too(tmp_path):
    folder = write_sample(tmp_path)
    path = add_picture(folder, "curve", b"not really a picture")
    assert path.name == "curve.png"
    assert read_results(folder) == ()
    read_recording(folder)
    path.write_bytes(b"changed")
    with pytest.raises(DamagedRecording, match=r"curve\.png"):
        read_recording(folder)


def test_results_added_at_the_same_time_are_all_kept_and_listed(tmp_path):
    folder = write_sample(tmp_path)
    with ThreadPoolExecutor(8) as pool:
        paths = list(pool.map(lambda value: add_result(folder, "estimate", {"value": value}), range(24)))
    assert len(set(paths)) == 24
    assert {each.document["value"] for each in read_results(folder)} == set(range(24))
    listed = (folder / "tagmanifest-sha256.txt").read_text()
    assert all(f"results/{path.name}" in listed for path in paths)
    read_recording(folder)


def test_a_result_that_another_program_adds_meanwhile_is_listed_too(tmp_path, monkeypatch):
    folder = write_sample(tmp_path)
    real = bag.write_whole

    def interrupted(path, content):
        (folder / "results" / "other.json").write_text("{}")
        real(path, content)

    monkeypatch.setattr(bag, "write_whole", interrupted)
    add_result(folder, "estimate", {})
    assert "  results/other.json\n" in (folder / "tagmanifest-sha256.txt").read_text()
    read_recording(folder)


def test_a_changed_result_is_found(tmp_path):
    folder = write_sample(tmp_path)
    path = add_result(folder, "estimate", {"value": 1.0})
    path.write_text('{"value": 2.0}')
    with pytest.raises(DamagedRecording, match=r"estimate\.json"):
        read_recording(folder)


def test_a_result_cannot_leave_its_folder_or_hold_what_is_no_number(tmp_path):
    folder = write_sample(tmp_path)
    assert add_result(folder, "../../escape", {}).parent == folder / "results"
    with pytest.raises(UnfitRecord, match=r"capacitance\.value is nan"):
        add_result(folder, "estimate", {"capacitance": {"value": float("nan")}})
    with pytest.raises(NotARecording):
        add_result(tmp_path, "estimate", {})
    assert [each.path.name for each in read_results(folder)] == ["escape.json"]


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_random_recordings_come_back_and_pass_their_check(tmp_path_factory, data):
    count = data.draw(st.integers(1, 3))
    text = st.text(st.characters(codec="utf-8"), max_size=40)
    tags = data.draw(st.dictionaries(text, text, max_size=3))
    with RecordingWriter(tmp_path_factory.mktemp("archive"), sample_header(tags=tags)) as writer:
        for point in range(1, count + 1):
            traces = sample_traces(point, samples=data.draw(st.integers(1, 300)))
            writer.add_point(sample_row(point, traces, waited_s=data.draw(st.none() | finite)), traces)
    recording = read_recording(writer.folder)
    recording.check()
    assert recording.header.tags == tags
    assert len(list(recording.all_traces())) == count
