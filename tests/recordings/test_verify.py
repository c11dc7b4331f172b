"""Verifying: any byte that differs is found and its file named; ratios must be those of the raw codes."""

import errno
import hashlib
import json
import os
import random
import shutil
import stat
import subprocess
import sys
import threading
import zipfile
from pathlib import Path

import bagit
import msgspec
import numpy as np
import pytest
from dc_samples import write_dc_sample
from recording_samples import (
    add_sample_points,
    files_below,
    sample_header,
    sample_row,
    sample_traces,
    write_sample,
)
from swept import HookUp, fixture_request, run

from twonode.analysis.ratio_again import RATIO_READING
from twonode.console.archive_verify import verdict_lines
from twonode.recordings import (
    RecordingWriter,
    add_result,
    bag,
    disk,
    read_recording,
    results,
    verify,
)
from twonode.recordings.bag import write_bag_files, write_tag_manifest
from twonode.recordings.errors import ArchiveNotWritable
from twonode.recordings.life import bag_info
from twonode.recordings.points import columns_line, encode_row
from twonode.recordings.verify import Depth, VerifiedState, recordings_in, verify_many, verify_recording

EXAMPLES = Path(verify.__file__).parent / "examples"


@pytest.fixture(scope="module")
def swept(tmp_path_factory):
    """A real sweep of the simulated bench, with a result."""
    place = tmp_path_factory.mktemp("swept")
    request = fixture_request(HookUp.SERIES, 10e-9, 100e3, frequencies_hz=(100.0, 400.0), samples=600)
    folder = run(request, place).recording
    add_result(folder, "estimate", {"capacitance": {"value": 1e-8}})
    return folder


@pytest.fixture
def copy(swept, tmp_path):
    return shutil.copytree(swept, tmp_path / swept.name)


def reseal(folder):
    """Write the bag's files as this program does, so that only what the files say can be wrong."""
    header = json.loads((folder / "data" / "recording.json").read_text())
    known = msgspec.structs.replace(
        sample_header(),
        title=header.get("title", "?"),
        program_version=header.get("program_version", "?"),
        created_utc=msgspec.convert(header["created_utc"], type=type(sample_header().created_utc)),
    )
    write_bag_files(folder, info=bag_info(known, identifier=folder.name))


def state(folder, **options):
    return verify_recording(folder, **options).state


def problems(folder):
    return {each.name: each.because for each in verify_recording(folder).problems}


def rewrite_row(folder, number, **changes):
    recording = read_recording(folder)
    rows = [msgspec.structs.replace(r, **changes) if r.point == number else r for r in recording.points]
    (folder / "data" / "points.csv").write_bytes(columns_line() + b"".join(map(encode_row, rows)))
    reseal(folder)


def test_a_sweep_is_sound_and_every_ratio_was_worked_out_again(swept):
    found = verify_recording(swept)
    assert (found.state, found.problems) == (VerifiedState.SOUND, ())
    assert (found.kind, found.rows, found.ratios) == ("sweep", 2, 2)
    assert found.octets == sum(map(len, files_below(swept).values()))


def test_checksums_alone_look_at_no_ratio(copy):
    rewrite_row(copy, 1, ratio_re=0.5)
    found = verify_recording(copy, depth=Depth.CHECKSUMS)
    assert (found.state, found.ratios) == (VerifiedState.SOUND, 0)
    assert state(copy) is VerifiedState.DAMAGED


def test_dc_readings_are_verified_too(tmp_path):
    folder = write_dc_sample(tmp_path)
    found = verify_recording(folder)
    assert (found.state, found.kind, found.rows) == (VerifiedState.SOUND, "dc", 3)
    (folder / "data" / "readings.csv").write_bytes(b"x")
    assert list(problems(folder)) == ["data/readings.csv"]


@pytest.mark.parametrize("part", ["ratio_re", "ratio_im"])
@pytest.mark.parametrize("sigmas", [0.01, -3.0])
def test_a_ratio_that_is_not_that_of_its_codes_is_named(copy, part, sigmas):
    row = read_recording(copy).points[1]
    rewrite_row(copy, 2, **{part: getattr(row, part) + sigmas * row.var_re**0.5})
    found = problems(copy)
    assert list(found) == ["data/points.csv"]
    assert "point 2: its codes give the ratio" in found["data/points.csv"]


def test_a_ratio_that_another_way_of_reading_made_is_told_apart_from_damage(copy):
    row = read_recording(copy).points[1]
    rewrite_row(copy, 2, ratio_re=row.ratio_re * 1.01)
    assert state(copy) is VerifiedState.DAMAGED
    path = copy / "data" / "recording.json"
    header = json.loads(path.read_text())
    assert header["ratio_reading"] == RATIO_READING
    path.write_text(json.dumps(header | {"ratio_reading": RATIO_READING + 1}, indent=2) + "\n")
    reseal(copy)
    found = verify_recording(copy)
    assert (found.state, found.ratios, found.read_otherwise) == (VerifiedState.SOUND, 2, 1)
    said = list(verdict_lines([found], (), checksums=False, quiet=False))
    assert said[-1].startswith("1 of them come out otherwise: they were filed by another program's way")


def test_a_recording_from_before_ways_of_reading_were_numbered_has_the_first(copy):
    path = copy / "data" / "recording.json"
    header = json.loads(path.read_text())
    del header["ratio_reading"]
    path.write_text(json.dumps(header, indent=2, ensure_ascii=False) + "\n")
    reseal(copy)
    assert read_recording(copy).header.ratio_reading == 1


def test_a_ratio_within_rounding_of_other_libraries_is_not_held_against_it(copy):
    row = read_recording(copy).points[1]
    rewrite_row(copy, 2, ratio_re=row.ratio_re * (1 + 1e-12))
    assert state(copy) is VerifiedState.SOUND


def test_codes_that_another_point_belongs_to_are_found(copy):
    """Codes swapped between points of equal range and length, manifests made to fit."""
    path = copy / "data" / "traces.npz"
    with zipfile.ZipFile(path) as packed:
        one, two = (packed.read(f"point_000{n}.npy") for n in (1, 2))
    front = len(one) - 4 * 600
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("point_0001.npy", one[:front] + two[front:])
        packed.writestr("point_0002.npy", two[:front] + one[front:])
    reseal(copy)
    assert any("its codes give" in because for because in problems(copy).values())


def test_every_byte_of_every_file_counts(tmp_path):
    """One byte at a time, every place in every file, a seeded value; `byte_change` in the benchmarks tries more."""
    copy = write_sample(tmp_path, points=1)
    add_result(copy, "estimate", {"capacitance": {"value": 1e-8}})
    chance = random.Random(46)
    files = files_below(copy)
    before = bag.look_at_bag(copy)
    assert not list(bag.differences(copy, before))
    for name, content in files.items():
        path = copy / name
        for place in range(len(content)):
            changed = bytearray(content)
            changed[place] ^= chance.randrange(1, 256)
            after = {**before.digests, name: hashlib.sha256(changed).hexdigest()}
            manifests = {**before.manifests, **({name: bytes(changed)} if name in before.manifests else {})}
            looked = bag.BagContent(digests=after, sizes=before.sizes, odd={}, manifests=manifests)
            if name == bag.BAG_INFO:  # the one file that is read again
                path.write_bytes(changed)
            found = list(bag.differences(copy, looked))
            assert found, (name, place)
            assert name in {bag.MANIFEST, bag.TAG_MANIFEST} or found[0].name == name, (name, place)
        path.write_bytes(content)


@pytest.mark.parametrize(
    "name", sorted(["bagit.txt", "bag-info.txt", "manifest-sha256.txt", "results/estimate.json"])
)
def test_a_changed_byte_on_disk_is_told_by_its_file(copy, name):
    path = copy / name
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 4
    path.write_bytes(content)
    assert name in problems(copy)
    assert state(copy, depth=Depth.CHECKSUMS) is VerifiedState.DAMAGED


@pytest.mark.parametrize(
    ("name", "change"),
    [
        # What bag tools pass over: they are content with any of these.
        ("bag-info.txt", lambda text: text.replace("Payload-Oxum: ", "Payload-Oxum:   ")),
        ("bag-info.txt", lambda text: text.replace("\n", "\r\n")),
        ("bag-info.txt", lambda text: "".join(sorted(text.splitlines(keepends=True), reverse=True))),
        ("bag-info.txt", lambda text: text + "Contact-Name: nobody\n"),
        ("manifest-sha256.txt", lambda text: "".join(reversed(text.splitlines(keepends=True)))),
        ("manifest-sha256.txt", lambda text: text.replace("  data", " *data")),
    ],
)
def test_tag_files_must_be_what_this_program_writes(copy, name, change):
    path = copy / name
    path.write_bytes(change(path.read_text()).encode())
    write_tag_manifest(copy)
    bagit.Bag(str(copy)).validate()
    assert name in problems(copy)


def test_a_tag_manifest_in_another_order_is_named(copy):
    path = copy / "tagmanifest-sha256.txt"
    path.write_bytes(b"".join(reversed(path.read_bytes().splitlines(keepends=True))))
    bagit.Bag(str(copy)).validate()
    assert problems(copy) == {"tagmanifest-sha256.txt": "its lines are not in the order this program writes"}


@pytest.mark.parametrize(
    "name", ["data/extra.txt", "results/extra.json", "extra.txt", "results/deeper/x.json", "points/x.npy"]
)
def test_a_file_that_nobody_listed_is_named_wherever_it_lies(copy, name):
    (copy / name).parent.mkdir(exist_ok=True)
    (copy / name).write_text("{}")
    assert list(problems(copy)) == [name]
    assert state(copy) is VerifiedState.DAMAGED


def test_a_missing_file_is_named(copy):
    for name in ("results/estimate.json", "data/points.csv", "tagmanifest-sha256.txt"):
        content = (copy / name).read_bytes()
        (copy / name).unlink()
        assert name in problems(copy)
        (copy / name).write_bytes(content)
    (copy / "bagit.txt").unlink()
    found = verify_recording(copy)
    assert found.state is VerifiedState.DAMAGED  # its name tells that it was one
    assert "bagit.txt" in found.problems[0].because


def test_several_damaged_files_are_all_named(copy):
    for name in ("data/points.csv", "data/recording.json", "results/estimate.json"):
        (copy / name).write_bytes(b"x")
    assert set(problems(copy)) >= {"data/points.csv", "data/recording.json", "results/estimate.json"}


@pytest.mark.parametrize(
    "name", ["data/../../secret.txt", "/etc/passwd", "../secret.txt", "data\\..\\secret"]
)
def test_a_manifest_that_leads_outside_is_refused_and_nothing_outside_is_read(copy, name, monkeypatch):
    (copy.parent / "secret.txt").write_text("x")
    manifest = copy / "manifest-sha256.txt"
    manifest.write_bytes(manifest.read_bytes() + f"{hashlib.sha256(b'x').hexdigest()}  {name}\n".encode())
    write_tag_manifest(copy)
    opened = []
    real = bag.sha256_and_size
    monkeypatch.setattr(
        bag, "sha256_and_size", lambda path: (opened.append(os.path.realpath(path)), real(path))[1]
    )
    assert "manifest-sha256.txt" in problems(copy)
    assert opened
    assert all(path.startswith(os.path.realpath(copy)) for path in opened)


@pytest.mark.skipif(os.name == "nt", reason="links need rights there")
@pytest.mark.parametrize("name", ["data/points.csv", "results", "bag-info.txt", "manifest-sha256.txt"])
def test_links_are_refused_unread(copy, name, tmp_path):
    target = tmp_path / "outside"
    shutil.move(copy / name, target)
    (copy / name).symlink_to(target)
    assert "link" in problems(copy)[name]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names here")
def test_a_pipe_in_the_folder_does_not_hang(copy):
    os.mkfifo(copy / "data" / "pipe")
    assert "neither" in problems(copy)["data/pipe"]


def test_what_is_no_recording_is_said_to_be_none(tmp_path):
    (tmp_path / "holiday").mkdir()
    (tmp_path / "holiday" / "photo.jpg").write_text("x")
    for name in ("holiday", "nothing"):
        assert state(tmp_path / name) is VerifiedState.NO_RECORDING
    assert recordings_in(tmp_path) == ()


def test_a_newer_format_names_the_program_that_reads_it(copy):
    path = copy / "data" / "recording.json"
    document = json.loads(path.read_text()) | {"format": 2, "program_version": "3.1.4", "conditions": "other"}
    path.write_text(json.dumps(document))
    reseal(copy)
    found = verify_recording(copy)
    assert found.state is VerifiedState.NEWER
    assert found.advice == "Use twonode 3.1.4, or a later one."
    path.write_text(path.read_text() + " ")
    assert state(copy) is VerifiedState.DAMAGED  # its bytes are verified all the same


@pytest.mark.parametrize(
    ("changes", "name", "words"),
    [
        ({"time_s": -1.0}, "data/points.csv", "time_s runs backwards"),
        ({"frequency_hz": 401.0}, "data/traces.npz", "frequency_hz"),
        ({"samples": 601}, "data/traces.npz", "601 samples"),
        ({"cov_re_im": 1.0}, "data/points.csv", "covariance"),
        ({"ratio_re": None}, "data/points.csv", "no ratio"),
    ],
)
def test_rows_that_contradict_themselves_or_their_codes_are_named(copy, changes, name, words):
    rewrite_row(copy, 2, **changes)
    assert words in problems(copy)[name]


def test_the_schema_is_held_to(copy):
    path = copy / "data" / "recording.json"
    document = json.loads(path.read_text())
    document["conditions"]["level_vpp"] = "two"
    path.write_text(json.dumps(document))
    reseal(copy)
    assert "conditions.level_vpp" in problems(copy)["data/recording.json"]


def test_bag_info_must_say_what_the_header_says(copy):
    path = copy / "bag-info.txt"
    path.write_text(path.read_text().replace("Bagging-Date: 2", "Bagging-Date: 1"))
    write_tag_manifest(copy)
    assert "recording.json" in problems(copy)["bag-info.txt"]


def hostile(folder, content, compression=zipfile.ZIP_STORED):
    with zipfile.ZipFile(folder / "data" / "traces.npz", "w", compression) as packed:
        packed.writestr("point_0001.npy", content)
        packed.writestr("point_0002.npy", content)
    reseal(folder)


def test_pickled_arrays_are_never_loaded(copy, tmp_path):
    class Trap:
        def __reduce__(self):
            return (Path.touch, (tmp_path / "sprung",))

    with (tmp_path / "trap.npy").open("wb") as file:
        np.save(file, np.array([Trap()], dtype=object), allow_pickle=True)
    hostile(copy, (tmp_path / "trap.npy").read_bytes())
    assert "data/traces.npz" in problems(copy)
    assert not (tmp_path / "sprung").exists()


BOMBS = {
    "a header that claims 10 GB": lambda: _claiming(2_500_000_000),
    "100 MB of zeros that were packed": lambda: (b"\0" * 100_000_000, zipfile.ZIP_DEFLATED),
    "a header of 2 MB": lambda: (b"\x93NUMPY\x01\x00\xff\xff" + b"{" * 2_000_000, zipfile.ZIP_STORED),
}


def _claiming(samples):
    fields = [("drive_codes", "<i2", (samples,)), ("far_codes", "<i2", (samples,))]
    head = f"{{'descr': {fields!r}, 'fortran_order': False, 'shape': ()}}".encode().ljust(501) + b"\n"
    return b"\x93NUMPY\x01\x00" + len(head).to_bytes(2, "little") + head + b"\0" * 99, zipfile.ZIP_STORED


@pytest.mark.skipif(sys.platform != "linux", reason="the limit of memory is set the Linux way")
def test_claims_of_size_do_not_fill_the_memory(swept, tmp_path):
    folders = [shutil.copytree(swept, tmp_path / name.replace(" ", "_")) for name in BOMBS]
    for folder, bomb in zip(folders, BOMBS.values(), strict=True):
        hostile(folder, *bomb())
    code = (
        "import os, resource, sys; from pathlib import Path; import twonode.analysis.ratio\n"
        "from twonode.recordings.verify import verify_recording\n"
        "used = int(Path('/proc/self/statm').read_text().split()[0]) * os.sysconf('SC_PAGE_SIZE')\n"
        "resource.setrlimit(resource.RLIMIT_AS, (used + 30_000_000,) * 2)\n"
        "for name in sys.argv[1:]: print(verify_recording(name).problems[0].name)"
    )
    done = subprocess.run([sys.executable, "-c", code, *folders], capture_output=True, text=True, check=False)
    assert done.stdout.split() == ["data/traces.npz"] * 3, done.stderr


@pytest.mark.parametrize("length", [0, 21, 3000, -1])
def test_a_truncated_npz_is_named(copy, length):
    path = copy / "data" / "traces.npz"
    path.write_bytes(path.read_bytes()[:length])
    assert "data/traces.npz" in problems(copy)
    reseal(copy)
    assert "data/traces.npz" in problems(copy)


def test_an_archive_is_verified_in_processes_and_nothing_is_written(tmp_path, swept):
    for number in range(5):
        shutil.copytree(swept, tmp_path / f"2031-04-09T18-20-1{number}Z_x")
    spoilt = tmp_path / "2031-04-09T18-20-13Z_x"
    (spoilt / "data" / "points.csv").write_bytes(b"x")
    write_dc_sample(tmp_path)
    (tmp_path / "holiday").mkdir()
    (tmp_path / "index.sqlite").write_text("x")
    before = {p: p.stat().st_mtime_ns for p in sorted(tmp_path.rglob("*"))}
    found = {each.folder: each for each in verify_many(recordings_in(tmp_path), processes=2)}
    assert len(found) == 6
    assert {folder for folder, each in found.items() if each.state is VerifiedState.DAMAGED} == {spoilt}
    assert {p: p.stat().st_mtime_ns for p in sorted(tmp_path.rglob("*"))} == before


def test_a_read_only_archive_is_verified_all_the_same(copy):
    places = [copy, *copy.rglob("*")]
    try:
        for place in places:
            place.chmod(stat.S_IREAD | (stat.S_IEXEC if place.is_dir() else 0))
        assert state(copy) is VerifiedState.SOUND
    finally:
        for place in places:
            place.chmod(stat.S_IREAD | stat.S_IWRITE | stat.S_IEXEC)


class Killed(BaseException):
    pass


@pytest.mark.parametrize(
    "moment", ["before the result is there", "before it is listed", "before the twin is gone"]
)
def test_an_addition_that_was_cut_off_is_told_from_damage_and_finished(copy, moment, monkeypatch):
    def die(*_, **__):
        raise Killed

    with monkeypatch.context() as patch:
        patch.setattr(disk, "_discard", lambda path: None)
        if moment == "before the result is there":
            patch.setattr(os, "link", die)
        elif moment == "before it is listed":
            patch.setattr(results, "write_tag_manifest", die)
        else:
            real = write_tag_manifest
            patch.setattr(results, "write_tag_manifest", lambda bag: (real(bag), die()))
        with pytest.raises(Killed):
            add_result(copy, "finding", {"state": "leaky"})
    read_recording(copy)
    assert state(copy) is VerifiedState.CUT_OFF
    listed = results.finish_additions(copy)
    assert listed == (("results/finding.json",) if moment == "before it is listed" else ())
    assert state(copy) is VerifiedState.SOUND
    assert (copy / "results" / "finding.json").exists() == (moment != "before the result is there")


def test_a_foreign_file_is_never_taken_in_as_a_result(copy):
    (copy / "results" / "foreign.json").write_text("{}")
    (copy / "results" / ".foreign.json.12-34.tmp").write_text("{ }")
    assert state(copy) is VerifiedState.DAMAGED
    with pytest.raises(bag.DamagedRecording, match=r"foreign\.json"):
        results.finish_additions(copy)
    assert (copy / "results" / "foreign.json").exists()


def test_a_result_that_is_being_added_is_waited_for(copy, monkeypatch):
    """Verified at the moment when the file is there and not yet listed."""
    there, go_on = threading.Event(), threading.Event()
    real = write_tag_manifest

    def slowly(folder):
        there.set()
        assert go_on.wait(10)
        real(folder)

    monkeypatch.setattr(results, "write_tag_manifest", slowly)
    adding = threading.Thread(target=add_result, args=(copy, "finding", {}))
    adding.start()
    assert there.wait(10)
    assert any(each.unlisted for each in bag.differences(copy, bag.look_at_bag(copy)))
    threading.Timer(0.2, go_on.set).start()
    assert state(copy) is VerifiedState.SOUND
    adding.join()


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EROFS])
def test_a_result_that_finds_no_room_leaves_the_recording_as_it_was(copy, monkeypatch, code):
    before = files_below(copy)

    def refuse(_):
        raise OSError(code, os.strerror(code))

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", refuse)
        with pytest.raises(ArchiveNotWritable, match="Nothing was added"):
            add_result(copy, "finding", {})
    assert files_below(copy) == before
    assert state(copy) is VerifiedState.SOUND


def test_random_codes_have_the_ratio_they_have(tmp_path):
    """Rows made up without looking at the codes: each is found, whatever the codes are."""
    folder = write_sample(tmp_path, points=2)
    found = problems(folder)
    assert list(found) == ["data/points.csv"]
    assert len(verify_recording(folder).problems) == 2


def test_many_differing_ratios_are_not_all_listed(tmp_path):
    with RecordingWriter(tmp_path, sample_header()) as writer:
        add_sample_points(writer, 30)
        writer.add_point(sample_row(31, sample_traces(31)), sample_traces(31))
    assert len(verify_recording(writer.folder).problems) == verify.MOST_PROBLEMS
