"""``twonode sheet``: the real command, on a sweep of the simulated bench and on made-up recordings."""

import json
import shutil
import subprocess
from pathlib import Path

import pytest
from console_runs import command, json_of, run

from tests.recordings.dc_samples import write_dc_sample
from tests.recordings.recording_samples import write_sample
from twonode.analysis.quantities import format_plus_minus
from twonode.recordings import read_results
from twonode.recordings.model import RecordingKind


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The demo's recording, archived once for all tests."""
    archive = tmp_path_factory.mktemp("archive")
    result = run("demo", "--archive", archive, "--quiet", "--speed", "8", "--json")
    assert result.exit_code == 0, result.output
    return Path(json_of(result)["recording"])


@pytest.fixture
def here(tmp_path, monkeypatch):
    """An empty current folder."""
    folder = tmp_path / "here"
    folder.mkdir()
    monkeypatch.chdir(folder)
    return folder


def bytes_below(folder):
    return {path: path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


def test_a_sheet_goes_beside_nothing_and_the_next_one_beside_the_first(demo, here):
    before = bytes_below(demo)
    first = run("sheet", demo)
    assert first.exit_code == 0, first.output
    assert first.stdout == f"Sheet: {demo.name}.pdf\n1 page, A4.\n"
    content = (here / f"{demo.name}.pdf").read_bytes()
    if shutil.which("pdftotext") is not None:  # poppler-utils
        words = subprocess.run(
            ["pdftotext", "-layout", f"{demo.name}.pdf", "-"], check=True, capture_output=True, text=True
        ).stdout
        found = read_results(demo)[-1].document["capacitance"]
        low, high = found["interval95"]
        assert f"C7: {format_plus_minus(found['value'], (high - low) / 2, 'F')}" in words
        for told in (
            "WITHIN TOLERANCE",
            "NOT TESTED",
            "SIMULATED BENCH",
            "fitted circuit",
            "Signature and date",
        ):
            assert told in words
    # Again, in a process of its own.
    document = json.loads(command("sheet", demo, "--json", cwd=here).stdout)
    assert document["sheet"] == f"{demo.name}_2.pdf"
    assert document["format"] == 1
    assert document["pages"] == 1
    # Deterministic, and nothing replaced.
    assert (here / f"{demo.name}_2.pdf").read_bytes() == content == (here / f"{demo.name}.pdf").read_bytes()
    assert sorted(path.name for path in here.iterdir()) == [f"{demo.name}.pdf", f"{demo.name}_2.pdf"]
    # Nothing in the recording has changed.
    assert bytes_below(demo) == before


def test_html_and_png_by_their_suffix(here, tmp_path):
    folder = write_dc_sample(tmp_path / "archive")
    assert run("sheet", folder, "--to", "c7.html").exit_code == 0
    assert (here / "c7.html").read_bytes().startswith(b"<!doctype html>")
    assert run("sheet", folder, "--to", "c7.png").exit_code == 0
    assert (here / "c7.png").read_bytes().startswith(b"\x89PNG")


def test_several_recordings_go_into_one_pdf_or_into_a_folder(here, tmp_path):
    archive = tmp_path / "archive"
    folders = [write_dc_sample(archive), write_dc_sample(archive, part="C6")]
    document = json_of(run("sheet", *folders, "--to", "both.pdf", "--json"))
    assert document["pages"] == 2
    assert document["sheets"] == ["both.pdf"]
    (here / "sheets").mkdir()
    document = json_of(run("sheet", *folders, "--to", "sheets", "--json"))
    assert [Path(path).name for path in document["sheets"]] == [f"{folder.name}.pdf" for folder in folders]
    refused = run("sheet", *folders, "--to", "both.png")
    assert refused.exit_code == 2
    assert "only a PDF holds several sheets" in refused.stderr


def test_a_sets_parts_and_its_log(here, tmp_path):
    archive = tmp_path / "archive"
    folder = write_sample(archive, operator="EM")
    write_dc_sample(archive)
    parts = json_of(run("sheet", "--set", "wrenfield 46", "--archive", archive, "--json"))
    assert parts["sheet"] == "wrenfield-46_parts.pdf"
    assert len(parts["recordings"]) == 2
    log = run("sheet", "--log", "Wrenfield 46", "--archive", archive, "--to", "log.html")
    assert log.exit_code == 0, log.output
    text = (here / "log.html").read_text(encoding="utf-8")
    assert folder.name in text
    assert "Service log" in text
    assert "Never sweep a powered set" in text
    assert "never clip a scope or a generator to a live set" in text


def test_what_is_no_sheet_is_refused_in_words(here, tmp_path):
    archive = tmp_path / "archive"
    folder = write_sample(archive)
    null = write_sample(archive, kind=RecordingKind.NULL, stage=None, part=None, hookup=None, tags={})
    cases = [
        ((tmp_path / "nothing",), "no recording"),
        ((here,), "is no recording"),
        ((null,), "is a null run"),
        ((folder, "--to", "sheet.docx"), "ends in .pdf, .png or .html"),
        ((folder, "--to", tmp_path / "missing" / "sheet.pdf"), "There is no folder"),
        ((folder, "--to", folder / "results" / "sheet.pdf"), "There is no folder"),
        ((folder, "--to", folder / "data" / "sheet.pdf"), "lies inside the recording"),
        ((folder, "--to", folder), "lies inside the recording"),
        (("--set", "wrenfeld 46"), "the nearest: Wrenfield 46"),
        (("--log", "wrenfeld 46"), "the nearest: Wrenfield 46"),
        (("--set", "Wrenfield 46", "--serial", "9"), "serial number '9'"),
        (("--set", "a", "--log", "a"), "either --set or --log"),
        ((folder, "--serial", "9"), "--serial goes with"),
        ((folder, "--paper", "A3"), "A3"),
        ((), "Name recordings"),
    ]
    for arguments, words in cases:
        result = run("sheet", *arguments, "--archive", archive)
        assert result.exit_code == 2, (arguments, result.output)
        assert words in result.stderr, (arguments, result.stderr)
    assert list(here.iterdir()) == []


def test_a_damaged_recording_ends_with_4_and_is_named(here, tmp_path):
    archive = tmp_path / "archive"
    folder = write_dc_sample(archive)
    table = folder / "data" / "readings.csv"
    table.write_bytes(table.read_bytes().replace(b"lifted", b"lifter", 1))
    result = run("sheet", folder)
    assert result.exit_code == 4
    assert "readings.csv" in result.stderr
    assert list(here.iterdir()) == []
    # A set's sheet is made all the same, says which one is damaged, and ends with 4 too.
    of_set = run("sheet", "--set", "Wrenfield 46", "--archive", archive, "--to", "set.html")
    assert of_set.exit_code == 4
    assert "twonode archive verify" in of_set.stderr
    assert "damaged, not quoted" in (here / "set.html").read_text(encoding="utf-8")


def test_a_place_that_cannot_be_written_is_said(here, tmp_path):
    folder = write_dc_sample(tmp_path / "archive")
    failed = run("sheet", folder, "--to", f"{'x' * 300}.html")
    assert failed.exit_code == 2
    assert "cannot be written" in failed.stderr
