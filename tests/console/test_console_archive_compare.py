"""Two recordings compared, and a whole archive worked out again, on the command line."""

import json
import shutil

import pytest
from console_runs import json_of, run
from swept import run as swept
from swept import stage_request

from twonode.console.estimate_all import estimate_all
from twonode.recordings import add_result, read_recording, read_results
from twonode.recordings.errors import ArchiveNotWritable


@pytest.fixture(scope="module")
def filed(tmp_path_factory):
    """An archive of two sweeps of one stage, C7 22 nF and then 24 nF."""
    archive = tmp_path_factory.mktemp("archive")
    for when, farad in (("before", 22e-9), ("after", 24e-9)):
        request = stage_request(tags={"set": "wrenfield-46", "when": when})
        done = swept(request, archive, true={"C7": farad, "R12": 481e3})
        assert done.error is None
    return archive


@pytest.fixture
def archive(filed, tmp_path):
    return shutil.copytree(filed, tmp_path / "archive")


def _names(archive):
    return sorted(each.name for each in archive.iterdir() if not each.name.startswith("."))


def test_before_and_after_are_compared_whichever_is_named_first(archive, tmp_path):
    one, two = _names(archive)
    picture = tmp_path / "compared.png"
    result = run("archive", "compare", two, one, "--archive", archive, "--picture", picture)
    assert result.exit_code == 0, result.stderr
    assert result.stdout.startswith("C7: CHANGED by +9.")
    assert "before, " in result.stdout
    assert picture.read_bytes().startswith(b"\x89PNG")
    document = json_of(run("archive", "compare", one, two, "--archive", archive, "--json"))
    low, high = document["neighbours_unchanged"]["relative"]["interval95"]
    assert low < 1 / 11 < high
    assert document["change"] == "changed"


def test_what_cannot_be_compared_is_said(archive):
    one, two = _names(archive)
    for arguments, words in (
        ((one, one), "given twice"),
        ((one, "nothing"), "no recording"),
        ((one, two, "--limit", "-3%"), "--limit"),
        ((one,), "Missing argument"),
        ((one, two, "--part", "C99"), "C99"),
    ):
        result = run("archive", "compare", *arguments, "--archive", archive)
        assert result.exit_code == 2, arguments
        assert words in result.stderr


def test_a_picture_that_cannot_be_written_speaks_of_the_picture(archive, tmp_path):
    one, two = _names(archive)
    result = run(
        "archive", "compare", one, two, "--archive", archive, "--picture", tmp_path / "nowhere" / "c7.png"
    )
    assert result.exit_code == 2
    assert "recordings themselves are untouched" in result.stderr
    assert "--archive" not in result.stderr


def test_a_picture_that_is_no_png_or_lies_in_a_recording_is_refused_before_anything_is_worked_out(archive):
    one, two = _names(archive)
    for picture, told in ((archive / "x.jpg", ".png"), (archive / one / "x.png", "inside the recording")):
        result = run("archive", "compare", one, two, "--archive", archive, "--picture", picture)
        assert (result.exit_code, told in result.stderr) == (2, True)
        assert not picture.exists()


def test_parts_of_a_drawer_batch_are_left_as_the_drawer_worked_them_out(archive):
    done = swept(stage_request(tags={"drawer": "tin-box"}), archive, true={"C7": 22e-9, "R12": 481e3})
    assert done.error is None
    result = run("estimate", "--all", "--archive", archive)
    assert result.exit_code == 0, result.stderr
    assert "2 of 2 worked out again" in result.stdout
    assert "Left alone: 1 of drawer batches" in result.stdout
    counts = {name: len(read_results(archive / name)) for name in _names(archive)}
    assert sorted(counts.values()) == [0, 1, 1]


def test_a_whole_archive_is_worked_out_again_and_only_what_changed_is_listed(archive):
    one, two = _names(archive)
    first = json_of(run("estimate", "--all", "--archive", archive, "--json"))
    assert [each["before"] for each in first["recordings"]] == [None, None]
    # An older program that had been off by two per cent in the second one.
    [result] = read_results(archive / two)
    old = json.loads(json.dumps(result.document))
    old["capacitance"]["value"] *= 1.02
    add_result(archive / two, "estimate_C7", old | {"program": "twonode 0.0"})
    again = run("estimate", "--all", "--archive", archive)
    assert again.exit_code == 0, again.stderr
    assert "2 of 2 worked out again: 1 changed by more than their uncertainty" in again.stdout
    assert two in again.stdout
    assert "(twonode 0.0)" in again.stdout
    assert f"{one}: " not in again.stdout
    assert [len(read_results(archive / name)) for name in (one, two)] == [2, 3]
    read_recording(archive / two)


def test_a_damaged_recording_is_named_and_the_others_are_worked_out(archive):
    one, two = _names(archive)
    with (archive / one / "data" / "traces.npz").open("r+b") as file:
        file.seek(200)
        byte = file.read(1)
        file.seek(200)
        file.write(bytes([byte[0] ^ 1]))
    result = run("estimate", "--all", "--archive", archive, "--no-save")
    assert result.exit_code == 4
    assert "1 of 2 worked out again" in result.stdout
    assert one in result.stderr
    assert not (archive / two / "results").exists()


def test_an_archive_that_cannot_be_written_is_said_once_with_the_reason(archive, monkeypatch, capsys):
    def refused(*_, **__):
        raise ArchiveNotWritable("Nothing was added (read-only).", "It is as it was.", "Copy it.")

    monkeypatch.setattr("twonode.console.filing.keep", refused)
    # In this process, where the refusal is.
    assert estimate_all(archive, save=True, picture=False, as_json=False, processes=1) == 0
    shown = capsys.readouterr()
    assert "could not be kept: 2. Nothing was added (read-only)." in shown.err
    assert "lie beside" not in shown.out


def test_all_and_names_exclude_each_other(archive):
    assert run("estimate", "--all", _names(archive)[0], "--archive", archive).exit_code == 2
    assert run("estimate", "--archive", archive).exit_code == 2
    assert run("estimate", "--all", "--part", "C7", "--archive", archive).exit_code == 2
    empty = run("estimate", "--all", "--archive", archive / "none")
    assert empty.exit_code == 2
    assert "no sweep" in empty.stderr
