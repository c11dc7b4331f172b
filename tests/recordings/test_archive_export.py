"""The archive as CSV, JSON and MATLAB: every figure comes back, and nothing in it runs as a formula."""

import csv
import io
import json
import re
from datetime import UTC, datetime

import numpy as np
import pytest
from dc_samples import write_dc_sample
from recording_samples import write_sample
from scipy.io import loadmat

from twonode.recordings import add_result, read_any
from twonode.recordings.errors import ArchiveNotWritable, DamagedRecording, UnfitExport
from twonode.recordings.export_matlab import matlab_file
from twonode.recordings.export_rows import ExportedPoint, PartRow, gather, part_row
from twonode.recordings.export_tables import parts_csv, place_file, points_csv, whole_json
from twonode.recordings.model import RecordingKind
from twonode.recordings.notes import add_note

NOW = datetime(2031, 4, 10, 9, 0, 0, tzinfo=UTC)
RESULT = {
    "format": 1,
    "part": "C7",
    "program": "twonode 0.1.0",
    "conditions": {"null": "2031-04-09T18-00-00Z_null"},
    "capacitance": {
        "value": 2.2e-8 / 3,
        "standard_uncertainty": 1e-10 / 7,
        "interval95": [2.1e-8 / 3, 2.3e-8 / 3],
        "unit": "F",
    },
    "expected": {"value": 2.2e-8, "limits": [1.98e-8, 2.42e-8], "unit": "F"},
    "loss": {"value": None, "standard_uncertainty": None, "interval95": None, "at_most": 0.02, "unit": ""},
    "budget": [{"source": "R12", "share": 0.9, "action": "measure R12"}],
    "fit": {"points": 3, "refused": 0, "reduced_chi_square": 1.04},
    "finding": {"state": "off value", "probability": 0.991, "because": "it is too small", "not_tested": []},
}
DC_RESULT = {
    "format": 1,
    "leakage_resistance": {
        "value": 4e6,
        "standard_uncertainty": 1e5,
        "interval95": [3.8e6, 4.2e6],
        "unit": "ohm",
    },
    "finding": {"state": "leaky", "probability": 0.98, "because": "readings", "not_tested": []},
}


@pytest.fixture
def archive(tmp_path):
    place = tmp_path / "archive"
    sweep = write_sample(place)
    add_result(sweep, "estimate_C7", RESULT)
    dc = write_dc_sample(place, readings=4)
    add_result(dc, "dc_C7", DC_RESULT)
    write_sample(place, kind=RecordingKind.NULL, part=None, stage=None, hookup=None)
    return place


def _gathered(place):
    return [gather(each) for each in sorted(place.iterdir()) if (each / "bagit.txt").is_file()]


def _rows(content):
    return list(csv.DictReader(io.StringIO(content.decode())))


def test_the_table_of_parts_says_what_became_of_each_to_the_last_bit(archive):
    content, count = parts_csv(_gathered(archive))
    rows = {row["kind"]: row for row in _rows(content)}
    assert count == len(rows) == 2
    sweep, dc = rows["sweep"], rows["dc"]
    assert (sweep["part"], sweep["set_name"], sweep["hookup"]) == ("C7", "Wrenfield 46", "stage")
    assert float(sweep["capacitance_farad"]) == 2.2e-8 / 3
    assert float(sweep["capacitance_standard_uncertainty_farad"]) == 1e-10 / 7
    assert float(sweep["capacitance_low95_farad"]) == 2.1e-8 / 3
    assert float(sweep["expected_high_farad"]) == 2.42e-8
    assert float(sweep["tan_delta_at_most"]) == 0.02
    assert sweep["tan_delta"] == sweep["esr_ohm"] == ""
    assert (sweep["finding"], float(sweep["finding_probability"])) == ("off value", 0.991)
    assert (sweep["null_recording"], float(sweep["level_vpp"])) == ("2031-04-09T18-00-00Z_null", 2.0)
    assert (sweep["simulated"], sweep["imported"]) == ("1", "0")
    assert (dc["finding"], float(dc["leakage_resistance_ohm"])) == ("leaky", 4e6)
    assert (dc["capacitance_farad"], dc["level_vpp"], dc["readings"]) == ("", "", "4")


def test_columns_of_numbers_have_their_unit_in_the_name():
    # The design's rule; a ratio, a count, a probability and an angle's tangent have none.
    unitless = re.compile(
        r"ratio_|var_|cov_|magnitude|tan_delta|probability|share|chi_square|point|readings?$"
    )
    for kind in (PartRow, ExportedPoint):
        for name, annotation in kind.__annotations__.items():
            if "float" in str(annotation) and not unitless.search(name):
                assert re.search(r"_(farad|ohm|hz|s|v|vpp|deg|div|db)$", name), name


def test_the_table_of_points_holds_every_point_as_filed(archive):
    content, count = points_csv(_gathered(archive))
    rows = _rows(content)
    assert count == len(rows) == 6
    for row in rows:
        point = next(p for p in read_any(archive / row["recording"]).points if p.point == int(row["point"]))
        assert complex(float(row["ratio_re"]), float(row["ratio_im"])) == point.ratio
        assert float(row["frequency_hz"]) == point.frequency_hz
        assert float(row["var_im"]) == point.var_im
        assert float(row["magnitude_db"]) == pytest.approx(20 * np.log10(abs(point.ratio)))
        assert float(row["phase_deg"]) == pytest.approx(np.degrees(np.angle(point.ratio)))
        # Closed form: the variance along the ratio's own direction.
        along = np.array([point.ratio.real, point.ratio.imag]) / abs(point.ratio)
        cov = np.array([[point.var_re, point.cov_re_im], [point.cov_re_im, point.var_im]])
        assert float(row["magnitude_standard_uncertainty"]) == pytest.approx(np.sqrt(along @ cov @ along))


def test_a_text_that_would_run_in_a_spreadsheet_does_not_and_numbers_stay_numbers(tmp_path):
    evil = {"set": '=HYPERLINK("http://x","y")', "position": "+1", "serial": "-2+3", "when": "@SUM(A1)"}
    folder = write_sample(tmp_path, tags=evil, title="=1+1", notes=(" =2",))
    add_note(folder, "-3 dB is lower, said so\n=1", operator="EM", when_utc=NOW)
    found = [gather(folder)]
    (row,) = _rows(parts_csv(found)[0])
    for cell in row.values():
        assert not cell.lstrip().startswith(("=", "+", "@")), cell
        if cell.startswith("-"):
            float(cell)
    assert row["set_name"] == "'" + evil["set"]
    assert row["serial"] == "'-2+3"
    points = _rows(points_csv(found)[0])
    assert any(row["ratio_im"].startswith("-") for row in points)
    assert all(float(row["ratio_im"]) < 0 for row in points)
    # Other programs get the text as it is.
    document = json.loads(whole_json(found, program="p", now_utc=NOW)[0])
    assert document["recordings"][0]["part"]["set_name"] == evil["set"]


def test_json_holds_header_points_readings_and_results_without_nan(archive):
    content, count = whole_json(_gathered(archive), program="twonode 0.1.0", now_utc=NOW)
    document = json.loads(content, parse_constant=lambda word: pytest.fail(word))
    assert (document["format"], count, document["exported_utc"]) == (1, 3, "2031-04-10T09:00:00Z")
    by_kind = {each["header"]["kind"]: each for each in document["recordings"]}
    assert by_kind["null"]["part"] is None
    assert len(by_kind["null"]["points"]) == 3
    assert len(by_kind["dc"]["readings"]) == 4
    assert by_kind["sweep"]["results"]["estimate-C7.json"]["capacitance"]["value"] == 2.2e-8 / 3
    assert by_kind["sweep"]["header"]["stage"]["drive"] == "driver anode"
    assert str(archive) not in content.decode()


def test_matlab_reads_columns_with_legal_names_and_no_none(archive):
    # Outside reference: scipy.io.loadmat; MATLAB's names are letters, digits and underlines, 63 at most.
    content, count = matlab_file(_gathered(archive), program="twonode 0.1.0", now_utc=NOW)
    assert count == 3
    found = loadmat(io.BytesIO(content), simplify_cells=True)
    for table, kind, rows in (("parts", PartRow, 2), ("points", ExportedPoint, 6)):
        columns = found[table]
        assert tuple(columns) == kind.__struct_fields__
        for name, column in columns.items():
            assert re.fullmatch(r"[A-Za-z][A-Za-z0-9_]{0,62}", name)
            assert len(column) == rows
            # An empty text comes back as a row of no characters.
            texts = all(np.asarray(cell).dtype.kind == "U" for cell in column)
            assert column.dtype == np.float64 or texts, name
    parts = found["parts"]
    place = list(parts["kind"]).index("sweep")
    assert parts["capacitance_farad"][place] == 2.2e-8 / 3
    assert np.isnan(parts["leakage_resistance_ohm"][place])
    assert np.isnan(parts["esr_ohm"]).all()
    assert len(parts["serial"][place]) == 0
    assert found["about"]["program"] == "twonode 0.1.0"
    assert len(found["readings"]["volts"]) == 4


def test_an_empty_archive_and_unusual_letters_survive_matlab(tmp_path):
    found = loadmat(io.BytesIO(matlab_file([], program="p", now_utc=NOW)[0]), simplify_cells=True)
    assert len(found["parts"]["capacitance_farad"]) == 0
    folder = write_sample(tmp_path, tags={"set": "Wrenfield \u2116 46 \u00b5\u03a9"}, title="x" * 300)
    found = loadmat(
        io.BytesIO(matlab_file([gather(folder)], program="p", now_utc=NOW)[0]), simplify_cells=True
    )
    assert found["parts"]["set_name"] == "Wrenfield \u2116 46 \u00b5\u03a9"
    assert found["parts"]["title"] == "x" * 300


def test_a_correction_shows_in_the_table_and_the_recording_stays(archive):
    sweep = next(each for each in _gathered(archive) if each.recording.header.kind is RecordingKind.SWEEP)
    from twonode.recordings.identity import IdentityField

    add_note(
        sweep.recording.folder,
        "misread",
        operator="EM",
        when_utc=NOW,
        corrects=IdentityField.PART,
        value="C17",
        reason="label",
    )
    assert part_row(gather(sweep.recording.folder)).part == "C17"


def test_a_damaged_recording_is_never_exported(archive):
    folder = _gathered(archive)[0].recording.folder
    path = folder / "data" / "recording.json"
    path.write_bytes(path.read_bytes() + b" ")
    with pytest.raises(DamagedRecording):
        gather(folder)


def test_a_result_of_a_strange_shape_leaves_cells_empty(tmp_path):
    folder = write_sample(tmp_path)
    odd = {"capacitance": [1], "budget": "none", "finding": {"state": 3, "probability": "high"}, "fit": None}
    add_result(folder, "estimate_C7", odd | {"expected": {"value": True, "limits": [1]}})
    row = part_row(gather(folder))
    assert row.capacitance_farad is row.finding is row.expected_farad is row.budget_share is None


def test_files_are_written_whole_and_never_over_another_unasked(tmp_path):
    path = tmp_path / "parts.csv"
    place_file(path, b"one", replace=False)
    with pytest.raises(UnfitExport, match="there already"):
        place_file(path, b"two", replace=False)
    assert path.read_bytes() == b"one"
    place_file(path, b"two", replace=True)
    assert path.read_bytes() == b"two"
    assert [each.name for each in tmp_path.iterdir()] == ["parts.csv"]
    with pytest.raises(ArchiveNotWritable):
        place_file(tmp_path / "none" / "parts.csv", b"", replace=False)
