"""``twonode archive verify`` and ``recover`` as a person or a script runs them."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from console_runs import command, json_of, run

from twonode.recordings import RecordingWriter, schema
from twonode.recordings.bag import write_tag_manifest

EXAMPLES = Path(schema.__file__).parent / "examples"
SWEEP = "2031-04-09T18-20-11Z_wrenfield-46_C7"
DC = "2031-04-09T18-30-00Z_wrenfield-46_dc"


@pytest.fixture
def archive(tmp_path):
    """A sweep, a null run and DC readings."""
    place = tmp_path / "archive"
    shutil.copytree(EXAMPLES / "format-1-sweep", place / SWEEP)
    shutil.copytree(EXAMPLES / "format-1-null", place / "2031-04-09T18-00-00Z_null")
    shutil.copytree(EXAMPLES / "format-1-dc", place / DC)
    return place


def test_without_a_name_the_whole_archive_is_verified(archive):
    result = run("archive", "verify", "--archive", archive)
    assert result.exit_code == 0, result.output
    assert result.stdout.splitlines()[-1].startswith("3 recordings, 0.1 MB: 3 sound.")
    assert "ratios worked out again from the raw codes" in result.stdout


def test_one_recording_is_named_by_a_part_of_its_name_or_by_its_path(archive):
    for name in ("18-20-11Z_wrenfield", archive / SWEEP):
        result = run("archive", "verify", name, "--archive", archive)
        assert result.exit_code == 0
        assert result.stdout.splitlines()[0] == f"{SWEEP}: sound."


def test_damage_ends_with_four_and_names_the_file_and_the_others_are_told_of_too(archive):
    table = archive / SWEEP / "data" / "points.csv"
    table.write_bytes(table.read_bytes().replace(b"used", b"uSed", 1))
    (archive / DC / "results" / "mine.json").write_text("{}")
    result = run("archive", "verify", "--archive", archive)
    assert result.exit_code == 4
    assert f"{SWEEP}: DAMAGED\n  {table}: its content differs from the manifest." in result.stdout
    assert f"{archive / DC / 'results' / 'mine.json'}: it is not listed" in result.stdout
    assert result.stdout.splitlines()[-1].startswith("3 recordings, 0.1 MB: 1 sound, 2 damaged.")
    assert run("archive", "verify", "--archive", archive, "--checksums").exit_code == 4
    assert run("archive", "verify", "null", "--archive", archive, "--quiet").stdout == ""


def test_json_holds_every_recording_and_an_error_where_one_is_damaged(archive):
    document = json_of(run("archive", "verify", "--archive", archive, "--json"))
    assert [each["state"] for each in document["recordings"]] == ["sound"] * 3
    assert {each["kind"]: each["ratios"] == each["rows"] for each in document["recordings"]} == {
        "sweep": True,
        "null": True,
        "dc": False,
    }
    assert document["summary"]["sound"] == 3
    assert "error" not in document
    (archive / SWEEP / "data" / "traces.npz").unlink()
    result = run("archive", "verify", "--archive", archive, "--json")
    document = json_of(result)
    assert result.exit_code == 4
    assert document["error"]["what"].startswith(str(archive / SWEEP / "data" / "traces.npz"))
    (wrong,) = (each for each in document["recordings"] if each["state"] == "damaged")
    assert wrong["problems"][0] == {
        "file": "data/traces.npz",
        "because": "it is listed in the manifest and missing",
    }


def test_a_newer_format_ends_with_two_and_names_the_program(archive):
    path = archive / SWEEP / "data" / "recording.json"
    document = json.loads(path.read_text()) | {"format": 2, "program_version": "4.0"}
    path.write_text(json.dumps(document))
    manifest = archive / SWEEP / "manifest-sha256.txt"
    import hashlib

    lines = manifest.read_text().splitlines()
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    manifest.write_text(
        "".join(f"{digest if line.endswith('recording.json') else line[:64]}{line[64:]}\n" for line in lines)
    )
    info = archive / SWEEP / "bag-info.txt"
    octets = sum(each.stat().st_size for each in (archive / SWEEP / "data").iterdir())
    kept = [line for line in info.read_text().splitlines() if not line.startswith("Payload-Oxum")]
    info.write_text("\n".join([*kept, f"Payload-Oxum: {octets}.3"]) + "\n")
    write_tag_manifest(archive / SWEEP)
    result = run("archive", "verify", "--archive", archive)
    assert result.exit_code == 2
    assert f"{SWEEP}: NEWER FORMAT" in result.stdout
    assert "Use twonode 4.0, or a later one." in result.stdout


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("nothing-like-it",), "There is no recording 'nothing-like-it'"),
        (("2031",), "fits 3 recordings"),
    ],
)
def test_a_name_that_fits_nothing_or_several_ends_with_two(archive, arguments, words):
    result = command("archive", "verify", *arguments, "--archive", archive, cwd=archive.parent)
    assert result.returncode == 2
    assert words in result.stderr


def test_an_archive_that_is_not_there_is_said(tmp_path):
    for verb in ("verify", "recover"):
        result = command("archive", verb, "--archive", tmp_path / "none", "--json", cwd=tmp_path)
        assert result.returncode == 2
        assert "There is no archive at" in json.loads(result.stdout)["error"]["what"]


@pytest.mark.parametrize("verb", ["verify", "recover", "export", "list"])
def test_a_recording_in_the_place_of_the_archive_is_no_empty_archive(archive, tmp_path, verb):
    more = ("--to", tmp_path / "x.csv") if verb == "export" else ()
    result = run("archive", verb, *more, "--archive", archive / SWEEP)
    assert result.exit_code == 2
    assert "is a recording, not an archive" in result.stderr
    assert str(archive) in result.stderr.splitlines()[2]


def test_recovering_what_is_closed_and_whole_says_that_nothing_was_done(archive):
    result = run("archive", "recover", SWEEP, "--archive", archive)
    assert (result.exit_code, result.stdout) == (0, f"{SWEEP}: closed already, nothing to do.\n")


def test_a_folder_that_is_no_recording_ends_with_two(archive):
    (archive / "holiday").mkdir()
    result = run("archive", "verify", archive / "holiday", "--archive", archive)
    assert result.exit_code == 2
    assert "NO RECORDING" in result.stdout


def test_an_empty_archive_is_no_error(tmp_path):
    result = run("archive", "verify", "--archive", tmp_path)
    assert (result.exit_code, result.stdout.splitlines()[0][:13]) == (0, "0 recordings,")
    assert run("archive", "recover", "--archive", tmp_path).stdout.startswith("Nothing in")


def left_behind(archive, points=2):
    from twonode.recordings import read_recording

    recording = read_recording(EXAMPLES / "format-1-sweep")
    writer = RecordingWriter(archive, recording.header)
    try:
        with writer:
            for row, traces in list(recording.all_traces())[:points]:
                writer.add_point(row, traces)
            raise KeyboardInterrupt
    except KeyboardInterrupt:
        return writer.folder


def test_what_was_left_is_told_of_recovered_and_verifies(archive):
    folder = left_behind(archive)
    result = run("archive", "verify", "--archive", archive)
    assert result.exit_code == 0
    assert f"{folder.name}: never closed, 2 points; `twonode archive recover` closes it." in result.stdout
    result = run("archive", "recover", "--archive", archive)
    assert result.exit_code == 0
    closed = folder.with_name(folder.name.removesuffix(".unfinished"))
    assert result.stdout.splitlines() == [
        f"{folder.name}: closed with 2 points as {closed}",
        f"  `twonode sweep --continue {closed}` goes on with it.",
    ]
    assert run("archive", "verify", closed).exit_code == 0
    result = run("archive", "recover", "--archive", archive)
    assert result.stdout == f"Nothing in {archive} was left unfinished.\n"


def test_one_folder_is_recovered_by_its_name_and_said_in_json(archive):
    folder = left_behind(archive)
    result = run(
        "archive", "recover", folder.name.removesuffix(".unfinished"), "--archive", archive, "--json"
    )
    (found,) = json_of(result)["recovered"]
    assert found["state"] == "closed"
    assert found["rows"] == 2
    assert not folder.exists()


def test_what_is_being_written_is_left_alone_and_one_that_cannot_be_closed_ends_with_four(archive):
    folder = left_behind(archive)
    (folder / "points" / "point_0001.npy").write_bytes(b"x")
    from twonode.recordings import read_recording

    recording = read_recording(EXAMPLES / "format-1-sweep")
    with RecordingWriter(archive, recording.header) as writer:
        row, traces = next(iter(recording.all_traces()))
        writer.add_point(row, traces)
        result = run("archive", "recover", "--archive", archive)
        assert f"{writer.folder.name}: left alone, a program is writing it." in result.stdout
        assert writer.folder.exists()
    assert result.exit_code == 4
    assert f"{folder.name}: failed." in result.stdout
    assert "point_0001.npy" in result.stdout


def test_the_schema_is_printed_as_it_is_published():
    result = run("archive", "verify", "--schema")
    assert json.loads(result.stdout)["$id"] == "urn:twonode:recording:1"


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="the sha256sum program is missing")
def test_the_commands_that_help_names_and_the_bagit_command_line_agree(archive):
    # Outside references: coreutils' sha256sum, the bagit library's command line.
    manifests = ("manifest-sha256.txt", "tagmanifest-sha256.txt")

    def agree(folder):
        summed = subprocess.run(["sha256sum", "--strict", "-c", *manifests], cwd=folder, capture_output=True)
        bagged = subprocess.run([sys.executable, "-m", "bagit", "--validate", folder], capture_output=True)
        return summed.returncode, bagged.returncode, run("archive", "verify", folder).exit_code

    assert agree(archive / DC) == (0, 0, 0)
    (archive / DC / "data" / "readings.csv").write_bytes(b"x")
    assert agree(archive / DC) == (1, 1, 4)
