"""``twonode archive import``: a notebook's table and a scope's saved traces, from file to finding."""

from pathlib import Path

import numpy as np
import pytest
from console_runs import STAGE, json_of, run

from twonode.analysis.channel import PROBE_10, probe_parts
from twonode.analysis.network import Network
from twonode.analysis.stage import load_stage
from twonode.recordings import read_recording, read_results

HERTZ = np.geomspace(3.0, 1000.0, 9)


def _ratio(farad, hertz=HERTZ):
    from dataclasses import replace

    stage = load_stage(STAGE)
    stage = stage.replace_part(replace(stage.part("C7"), value=farad))
    network = Network([*stage.parts, *probe_parts(PROBE_10, stage.far, "far probe")], forced=stage.drive)
    return network.ratio(np.asarray(hertz), stage.far)


def _notebook(tmp_path, farad=22e-9, phase=True):
    rows = ["Wrenfield 46; notes of the bench", "f (Hz);gain dB" + (";phase deg" if phase else "")]
    for hz, ratio in zip(HERTZ, _ratio(farad), strict=True):
        row = f"{hz:.6g};{20 * np.log10(abs(ratio)):.3f}"
        rows.append((row + (f";{np.degrees(np.angle(ratio)):.2f}" if phase else "")).replace(".", ","))
    path = tmp_path / "notebook.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def _import(tmp_path, *more, file=None, part="C7"):
    archive = ("--archive", tmp_path / "archive", "--no-picture")
    wired = ("--stage", STAGE, "--part", part)
    return run("archive", "import", file or _notebook(tmp_path), *wired, *archive, *more)


def test_a_notebook_is_filed_estimated_and_said_to_be_imported(tmp_path):
    result = _import(tmp_path, "--tag", "set=wrenfield-46")
    assert result.exit_code == 0, result.output
    assert "Imported, not measured by this program" in result.stdout
    assert "level not known" in result.stdout
    assert "untested on hardware" not in result.stdout
    assert "Commas were read as decimal marks" in result.stderr
    (folder,) = [each for each in (tmp_path / "archive").iterdir() if each.name.endswith("C7")]
    assert "wrenfield-46" in folder.name
    (stored,) = [each.document for each in read_results(folder) if each.path.name.startswith("estimate")]
    assert stored["conditions"]["imported"] is True
    assert stored["conditions"]["level_vpp"] is None


def test_json_is_one_object_and_the_value_is_the_true_one(tmp_path):
    result = _import(tmp_path, "--json", "--uncertainty", "0.1dB", "--phase-uncertainty", "1deg")
    document = json_of(result)
    assert result.stderr == ""
    low, high = document["capacitance"]["interval95"]
    assert low < 22e-9 < high
    assert document["conditions"]["imported"] is True
    folder = Path(document["recording"])
    again = json_of(run("estimate", folder, "--json", "--no-save"))
    assert again["capacitance"] == document["capacitance"]


def test_sizes_alone_are_enough_and_check_sets_the_exit_status(tmp_path):
    result = _import(tmp_path, "--check", "--json", file=_notebook(tmp_path, farad=9e-9, phase=False))
    document = json_of(result)
    assert result.exit_code == 1
    assert document["finding"]["state"] == "off value"
    recording = read_recording(document["recording"])
    assert all(row.ratio is None and row.magnitude > 0 for row in recording.points)


def test_a_diagnosis_goes_by_imported_readings_too(tmp_path):
    document = json_of(_import(tmp_path, "--json", file=_notebook(tmp_path, farad=1e-12)))
    result = run("diagnose", document["recording"], "--json")
    found = json_of(result)
    assert result.exit_code == 0
    assert found["conditions"]["imported"] is True


def test_traces_from_a_stick_are_imported_together(tmp_path):
    rng = np.random.default_rng(2)
    files = []
    for place, (hz, ratio) in enumerate(zip(HERTZ[:5], _ratio(22e-9)[:5], strict=True)):
        t = np.arange(1500) * 8.4 / hz / 1500
        rows = ["time (ms),CH1 (V),CH2 (V)"]
        far = np.abs(ratio) * np.cos(2 * np.pi * hz * t + np.angle(ratio))
        for a, b, c in zip(t, np.cos(2 * np.pi * hz * t), far, strict=True):
            noise = rng.normal(size=2) * 0.4
            rows.append(
                f"{1e3 * a:.8g},{round(b / 0.01 + noise[0]) * 0.01:.5g},{round(c / 0.01 + noise[1]) * 0.01:.5g}"
            )
        path = tmp_path / f"t{place}.csv"
        path.write_text("\n".join(rows) + "\n")
        files.append(path)
    archive = ("--archive", tmp_path / "archive", "--no-picture", "--json")
    result = run("archive", "import", *files, "--stage", STAGE, "--part", "C7", *archive)
    document = json_of(result)
    low, high = document["capacitance"]["interval95"]
    assert low < 22e-9 < high
    assert document["fit"]["points"] == 5
    assert read_recording(document["recording"]).has_codes
    refused = run(
        "archive", "import", *files, "--uncertainty", "2%", "--stage", STAGE, "--part", "C7", *archive
    )
    assert refused.exit_code == 2


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--uncertainty", "2"), "2%"),
        (("--uncertainty", "90%"), "half"),
        (("--phase-uncertainty", "1dB"), "deg"),
        (("--frequency-uncertainty", "0%"), "above zero"),
        (("--resistor", "100k"), "--resistor"),
        (("--part", "R12"), "R12"),
    ],
)
def test_options_that_make_no_sense_are_refused(tmp_path, more, said):
    result = _import(tmp_path, *more)
    assert result.exit_code == 2
    assert said in result.output
    assert not (tmp_path / "archive").exists()


def test_a_bad_file_is_named_with_its_line_and_nothing_is_filed(tmp_path):
    path = tmp_path / "bad.csv"
    path.write_text("f,ratio\n10,0.1\n20,0.2\n30,0.3\n")
    result = _import(tmp_path, "--json", file=path)
    assert result.exit_code == 2
    assert "bad.csv, line 1: column 'f' has no unit" in json_of(result)["error"]["what"]
    assert not (tmp_path / "archive").exists()
    assert _import(tmp_path, file=tmp_path / "none.csv").exit_code == 2
    two = _import(tmp_path, path, file=_notebook(tmp_path))
    assert two.exit_code == 2
    assert "one table at a time" in two.output
    assert run("archive", "import").exit_code == 2
