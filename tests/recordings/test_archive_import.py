"""Reading other people's CSV: what is understood, what is refused and how, and what is kept of it."""

import contextlib
import hashlib
import os
import shutil
import subprocess
from datetime import UTC, datetime
from math import log10, radians

import bagit
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from twonode.acquire.imported import ImportRequest, import_table
from twonode.analysis.hookup import HookUp, series_stage
from twonode.analysis.quantities import Tolerance
from twonode.recordings import (
    DamagedRecording,
    PointState,
    RecordingKind,
    close_unfinished,
    find_unfinished,
    read_any,
    read_recording,
)
from twonode.recordings.errors import RecordingError, UnfitImport
from twonode.recordings.foreign_header import Quantity, column_named
from twonode.recordings.import_points import holds_points, read_points_table
from twonode.recordings.import_traces import read_trace
from twonode.recordings.imports import ImportedTableWriter, SourceFile
from twonode.recordings.index import ArchiveIndex
from twonode.recordings.index_query import Search
from twonode.recordings.verify import VerifiedState, verify_recording

NOW = datetime(2031, 4, 9, 18, 20, 11, tzinfo=UTC)
TEN_PERCENT = Tolerance(minus=0.1, plus=0.1)
TABLE = "frequency_hz,gain dB,phase deg\n10,-20,84\n100,-3,45\n1000,-0.5,5\n"


def _file(tmp_path, content, name="notebook.csv"):
    path = tmp_path / name
    path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    return path


def _read(tmp_path, content, **more):
    return read_points_table(_file(tmp_path, content), **more)


def _request(**more):
    stage = series_stage(
        part="C7",
        value_farad=22e-9,
        tolerance=TEN_PERCENT,
        resistor_ohm=100e3,
        resistor_tolerance=Tolerance(minus=0.01, plus=0.01),
    )
    fields = {"hookup": HookUp.SERIES, "stage": stage, "part": "C7", "nominal_farad": 22e-9}
    return ImportRequest(**(fields | more))


def _imported(tmp_path, content=TABLE, **more):
    table = read_points_table(_file(tmp_path, content))
    return import_table(_request(**more), table, archive=tmp_path / "archive", now_utc=NOW).recording


@pytest.mark.parametrize(
    ("written", "quantity", "unit", "scale"),
    [
        ("frequency_hz", Quantity.FREQUENCY, "Hz", 1.0),
        ("f (kHz)", Quantity.FREQUENCY, "Hz", 1e3),
        ("Frequency [MHz]", Quantity.FREQUENCY, "Hz", 1e6),
        ("freq/mHz", Quantity.FREQUENCY, "Hz", 1e-3),
        ("Hz", Quantity.FREQUENCY, "Hz", 1.0),
        ("f", Quantity.FREQUENCY, None, 1.0),
        ("f (mhz)", None, None, 0),
        ("gain dB", Quantity.SIZE, "dB", 1.0),
        ("gain/dB", Quantity.SIZE, "dB", 1.0),
        ("gain", Quantity.SIZE, None, 1.0),
        ("ratio", Quantity.SIZE, "V/V", 1.0),
        ("Magnitude (V/V)", Quantity.SIZE, "V/V", 1.0),
        ("far/drive", Quantity.SIZE, "V/V", 1.0),
        ("ratio (Hz)", None, None, 0),
        ("phase deg", Quantity.PHASE, "deg", 1.0),
        ("phase (\u00b0)", Quantity.PHASE, "deg", 1.0),
        ("\u03c6 [rad]", Quantity.PHASE, "deg", 180.0 / np.pi),
        ("u(ratio) %", Quantity.SIZE_UNCERTAINTY, "%", 1.0),
        ("gain uncertainty dB", Quantity.SIZE_UNCERTAINTY, "dB", 1.0),
        ("standard uncertainty", Quantity.SIZE_UNCERTAINTY, None, 1.0),
        ("u(phase) deg", Quantity.PHASE_UNCERTAINTY, "deg", 1.0),
        ("time (s)", Quantity.TIME, "s", 1.0),
        ("t [\u00b5s]", Quantity.TIME, "s", 1e-6),
        ("CH1 (V)", Quantity.DRIVE, "V", 1.0),
        ("Channel 2 (mV)", Quantity.FAR, "V", 1e-3),
        ("V out Vpp", Quantity.FAR, "V", 1.0),
        ("drive V rms", Quantity.DRIVE, "V", 1.0),
        ("remarks", None, None, 0),
        ("", None, None, 0),
    ],
)
def test_a_column_is_named_by_its_word_and_its_unit(written, quantity, unit, scale):
    found = column_named(written)
    if quantity is None:
        assert found is None
    else:
        assert (found.quantity, found.unit) == (quantity, unit)
        assert found.scale == pytest.approx(scale, rel=1e-12)


@pytest.mark.parametrize(
    "content",
    [
        TABLE,
        "# a notebook\n\nfrequency_hz,gain dB,phase deg\n% dial\n10,-20,84\n100,-3,45\n1000,-0.5,5\n",
        "\ufeffWrenfield 46, bench notes\nfrequency_hz;gain dB;phase deg\n10;-20;84\n100;-3;45\n1000;-0,5;5\n",
        "frequency_hz\tgain dB\tphase deg\r\n10\t-20\t84\r\n100\t-3\t45\r\n1000\t-0,5\t5\r\n",
        'f (kHz),gain dB,phase deg\n"0.01",-20,84\n0.1,"-3",45\n1,-0.5,5,,\n',
        "frequency,gain,phase\nHz,dB,\u00b0\n10,-20,84\n100,-3,45\n1000,-0.5,5\n",
        "gain dB,remarks,phase deg,f (Hz)\n-0.5,,5,1000\n-20,low,84,10\n\u22123,,45,1e2\n",
    ],
)
def test_the_same_table_in_many_hands_reads_the_same(tmp_path, content):
    points = _read(tmp_path, content).points
    assert [p.frequency_hz for p in points] == pytest.approx([10.0, 100.0, 1000.0])
    # Closed form: 20 log10 of a ratio is its decibels.
    assert [20 * log10(p.size) for p in points] == pytest.approx([-20.0, -3.0, -0.5], rel=1e-12)
    assert [p.phase_rad for p in points] == pytest.approx([radians(84), radians(45), radians(5)])


def test_utf_16_and_latin_1_are_read(tmp_path):
    text = TABLE.replace("phase deg", "phase \u00b0")
    for encoding in ("utf-16", "latin-1"):
        assert len(_read(tmp_path, text.encode(encoding)).points) == 3


def test_two_voltages_make_a_ratio_whatever_they_are_counted_in(tmp_path):
    content = "f (Hz),CH1 (Vpp),CH2 (mVpp)\n10,2,200\n100,2,1400\n1000,2.0,1990\n"
    assert [p.size for p in _read(tmp_path, content).points] == pytest.approx([0.1, 0.7, 0.995])


def test_uncertainties_come_from_the_column_then_from_the_option_then_from_habit(tmp_path):
    content = "f (Hz),ratio,u(ratio) %\n10,0.1,5\n100,0.7,\n1000,0.9,1\n"
    spread = [p.size_uncertainty / p.size for p in _read(tmp_path, content).points]
    assert spread == pytest.approx([0.05, 0.03, 0.01])
    spread = [p.size_uncertainty / p.size for p in _read(tmp_path, content, size_uncertainty=0.02).points]
    assert spread == pytest.approx([0.05, 0.02, 0.01])
    table = _read(tmp_path, TABLE)
    assert any("3 % of each size" in note for note in table.notes)
    assert any("2 degrees" in note for note in table.notes)
    table = _read(tmp_path, TABLE, size_uncertainty=0.01, phase_uncertainty_deg=1.0)
    assert not any("uncertainty" in note for note in table.notes)
    assert table.points[0].phase_uncertainty_rad == pytest.approx(radians(1.0))


def test_rows_in_any_order_are_sorted_and_that_is_said(tmp_path):
    table = _read(tmp_path, "f (Hz),ratio\n100,0.7\n10,0.1\n1000,0.9\n100,0.71\n")
    assert [p.frequency_hz for p in table.points] == [10.0, 100.0, 100.0, 1000.0]
    assert any("sorted" in note for note in table.notes)
    assert any("1 frequency was read more than once" in note for note in table.notes)


def test_a_row_without_a_phase_has_a_size_alone(tmp_path):
    table = _read(tmp_path, "f (Hz),ratio,phase deg\n10,0.1,80\n100,0.7,\n1000,0.9,5\n")
    assert [p.phase_rad is None for p in table.points] == [False, True, False]
    assert "Without a phase: 1 of 3 rows, of which the size alone counts." in table.notes
    table = _read(tmp_path, "f (Hz),ratio\n10,0.1\n100,0.7\n1000,0.9\n")
    assert "There are no phases: the sizes alone count." in table.notes


def test_losses_that_are_written_without_a_minus_are_pointed_out(tmp_path):
    said = "Every size is above 1 (0 dB); a loss in decibels is written with a minus."
    assert said in _read(tmp_path, "f (Hz),gain dB\n10,20\n100,3\n1000,0.1\n").notes
    assert said not in _read(tmp_path, "f (Hz),gain dB\n10,-20\n100,3\n1000,0.1\n").notes


BAD_TABLES = {
    "missing unit": ("f,ratio\n10,0.1\n100,0.7\n1000,0.9\n", ["line 1", "'f'", "no unit"]),
    "gain without dB": ("f (Hz),gain\n10,0.1\n100,0.7\n1000,0.9\n", ["line 1", "'gain'", "no unit"]),
    "milli or mega": ("f (mhz),gain dB\n10,-1\n20,-2\n30,-3\n", ["line 1", "frequency"]),
    "no size": ("f (Hz),remarks\n10,a\n20,b\n30,c\n", ["line 1", "size of the ratio", "'remarks'"]),
    "no header": ("10,0.1\n100,0.7\n1000,0.9\n", ["names the columns"]),
    "text in a cell": ("f (Hz),ratio\n10,0.1\n100,abc\n1000,0.9\n", ["line 3", "'ratio'", "'abc'"]),
    "empty cell": ("f (Hz),ratio\n10,0.1\n100,\n1000,0.9\n", ["line 3", "'ratio'", "nothing"]),
    "NaN": ("f (Hz),ratio\n10,0.1\n100,nan\n1000,0.9\n", ["line 3", "'nan'"]),
    "infinity": ("f (Hz),ratio\n10,0.1\n100,inf\n1000,0.9\n", ["line 3", "'inf'"]),
    "huge": ("f (Hz),ratio\n10,0.1\n100,1e999\n1000,0.9\n", ["line 3", "beyond"]),
    "zero frequency": ("f (Hz),ratio\n0,0.1\n100,0.7\n1000,0.9\n", ["line 2", "'f (Hz)'", "above zero"]),
    "negative frequency": ("f (Hz),ratio\n10,0.1\n-100,0.7\n1000,0.9\n", ["line 3", "above zero"]),
    "negative ratio": ("f (Hz),ratio\n10,-3\n100,0.7\n1000,0.9\n", ["line 2", "'ratio'", "decibels"]),
    "zero ratio": ("f (Hz),ratio\n10,0\n100,0.7\n1000,0.9\n", ["line 2", "'ratio'", "above zero"]),
    "silly dB": ("f (Hz),gain dB\n10,-9000\n100,-3\n1000,-1\n", ["line 2", "beyond"]),
    "too few": ("f (Hz),ratio\n10,0.1\n100,0.7\n", ["2 rows", "fewer than 3"]),
    "only a header": ("f (Hz),ratio\n", ["0 rows"]),
    "same reading twice": (
        "f (Hz),ratio\n10,0.1\n100,0.7\n10,0.1\n1000,0.9\n",
        ["line 4", "repeats line 2", "10 Hz"],
    ),
    "two gains": ("f (Hz),ratio,gain dB\n10,1,0\n20,1,0\n30,1,0\n", ["line 1", "'ratio'", "'gain dB'"]),
    "decimal commas in commas": ("f (Hz),ratio\n10,0,1\n100,0,7\n1000,0,9\n", ["line 2", "semicolons"]),
    "one or a thousand": ("f (Hz);gain dB\n1,000;-3\n2,000;-2\n5,000;-1\n", ["line 2", "1.000 or 1000"]),
    "comma and point": ("f (Hz);ratio\n10.5;0,1\n100;0,7\n1000;0,9\n", ["'0,1'", "'10.5'"]),
    "thousands and decimals": ("f (Hz);ratio\n1.000,5;0,1\n100;0,7\n1000;0,9\n", ["line 2", "decimal"]),
    "short row": ("f (Hz),ratio,phase deg\n10,0.1,3\n100\n1000,0.9,1\n", ["line 3", "1 cells under 3"]),
    "zero uncertainty": ("f (Hz),ratio,u %\n10,0.1,0\n100,0.7,1\n1000,0.9,1\n", ["line 2", "'u %'"]),
    "huge uncertainty": ("f (Hz),ratio,u %\n10,0.1,80\n100,0.7,1\n1000,0.9,1\n", ["line 2", "'u %'"]),
    "uncertainty without unit": ("f (Hz),gain dB,u\n10,1,1\n20,1,1\n30,1,1\n", ["line 1", "'u'", "no unit"]),
    "pp against rms": ("f (Hz),V1 Vpp,V2 Vrms\n10,2,1\n20,2,1\n30,2,1\n", ["line 1", "'V1 Vpp'"]),
    "no volts": ("f (Hz),V1 V,V2 V\n10,2,0\n20,2,1\n30,2,1\n", ["line 2", "'V2 V'"]),
    "open quotation": ('f (Hz),ratio\n10,"0.1\n100,0.7\n1000,0.9\n', ["line 2", "quotation"]),
    "binary rubbish": (bytes(range(256)) * 20, ["no text"]),
    "half of a wide text": (b"\xff\xfea", ["no text"]),
    "nothing": (b"", ["empty"]),
    "blank": ("\n \n", ["empty"]),
    "hexadecimal": ("f (Hz),ratio\n0x10,0.1\n100,0.7\n1000,0.9\n", ["line 2", "'0x10'"]),
    "underscores": ("f (Hz),ratio\n1_0,0.1\n100,0.7\n1000,0.9\n", ["line 2", "'1_0'"]),
    "other digits": ("f (Hz),ratio\n\u0661\u0660,0.1\n100,0.7\n1000,0.9\n", ["line 2"]),
    "a prefix in the cell": ("f (Hz),ratio\n10,0.1\n1k,0.7\n1000,0.9\n", ["line 3", "'1k'"]),
}


@pytest.mark.parametrize(("content", "said"), BAD_TABLES.values(), ids=BAD_TABLES.keys())
def test_a_bad_table_is_refused_by_file_line_and_column(tmp_path, content, said):
    with pytest.raises(UnfitImport) as caught:
        _read(tmp_path, content)
    error = caught.value
    text = str(error)
    assert error.what.startswith("notebook.csv")
    assert error.why.strip()
    assert error.do.strip()
    for each in said:
        assert each in text, text


def test_ten_gigabytes_are_refused_without_being_read(tmp_path):
    path = tmp_path / "huge.csv"
    with path.open("wb") as file:
        file.truncate(10_000_000_000)  # a hole: takes no room
    for read in (read_points_table, read_trace, holds_points):
        with pytest.raises(UnfitImport, match="10,000 MB"):
            read(path)


def test_what_is_no_file_is_refused(tmp_path):
    with pytest.raises(UnfitImport, match="cannot be read"):
        read_points_table(tmp_path / "none.csv")
    with pytest.raises(UnfitImport):
        read_points_table(tmp_path)
    with pytest.raises(UnfitImport):
        read_points_table("a\0b.csv")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no pipes")
def test_a_device_is_no_file(tmp_path):
    with pytest.raises(UnfitImport, match="no file"):
        read_points_table("/dev/zero")


_WORDS = "f (Hz)|ratio|gain dB|phase deg|time (s)|CH1 (V)|CH2 (V)|0.1|0,1|1,000|1e3|-|nan|1e999|#|0|u %|\u00b5|\u22121"
_SNIPPETS = st.sampled_from([*_WORDS.split("|"), *' ,;\t\n\r"'])


@settings(max_examples=250, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=200),
        st.text(max_size=120).map(lambda text: text.encode("utf-8", "surrogatepass")),
        st.lists(_SNIPPETS, max_size=60).map(lambda pieces: "".join(pieces).encode()),
        st.lists(_SNIPPETS, max_size=12).map(lambda p: ("f (Hz);ratio;phase deg\n" + "".join(p)).encode()),
        st.tuples(st.integers(0, len(TABLE) - 1), st.binary(min_size=1, max_size=3)).map(
            lambda cut: TABLE.encode()[: cut[0]] + cut[1] + TABLE.encode()[cut[0] + 1 :]
        ),
    )
)
def test_whatever_is_in_a_file_ends_in_readings_or_in_our_own_error(tmp_path_factory, content):
    path = tmp_path_factory.getbasetemp() / "fuzz.csv"
    path.write_bytes(content)
    for read in (read_points_table, read_trace, holds_points):
        with contextlib.suppress(UnfitImport):
            found = read(path)
            for point in getattr(found, "points", ()):
                assert 0 < point.frequency_hz < np.inf
                assert 0 <= point.size < np.inf
                assert 0 < point.size_uncertainty < np.inf


def _trace_text(hz=100.0, samples=400, interval_s=1e-4, header="time (s),CH1 (V),CH2 (V)", far=0.5):
    time_s = np.arange(samples) * interval_s
    drive = np.round(np.sin(2 * np.pi * hz * time_s) / 0.01) * 0.01
    second = np.round(far * np.sin(2 * np.pi * hz * time_s + 0.3) / 0.005) * 0.005
    rows = (f"{t:.7g},{a:.4g},{b:.4g}" for t, a, b in zip(time_s, drive, second, strict=True))
    return "\n".join([header, *rows]) + "\n"


def test_a_trace_is_read_in_volts_and_seconds_whatever_its_columns_are_in(tmp_path):
    plain = read_trace(_file(tmp_path, _trace_text()))
    assert plain.sample_interval_s == pytest.approx(1e-4, rel=1e-9)
    lines = _trace_text().splitlines()[1:]
    milli = ["t [ms];channel 1 [mV];channel 2 [mV]"]
    for line in lines:
        milli.append(";".join(f"{1e3 * float(cell):.7g}".replace(".", ",") for cell in line.split(",")))
    found = read_trace(_file(tmp_path, "Record length;400\n" + "\n".join(milli)))
    assert found.sample_interval_s == pytest.approx(plain.sample_interval_s)
    assert found.drive_v == pytest.approx(plain.drive_v, abs=1e-9)
    assert found.far_v == pytest.approx(plain.far_v, abs=1e-9)


def _mutated(line, text):
    lines = _trace_text().splitlines()
    lines[line - 1] = text
    return "\n".join(lines)


def _flattened():
    header, *lines = _trace_text().splitlines()
    return "\n".join([header, *(line.rpartition(",")[0] + ",0.02" for line in lines)])


def _without_lines(first, last):
    lines = _trace_text().splitlines()
    return "\n".join([*lines[:first], *lines[last:]])


BAD_TRACES = {
    "one channel": ("time (s),CH1 (V)\n" + "0,1\n" * 50, ["line 1", "channel 2"]),
    "no unit": (_trace_text(header="time,CH1 (V),CH2 (V)"), ["line 1", "'time'", "no unit"]),
    "volts counted": (_trace_text(header="time (s),CH1 (Vpp),CH2 (V)"), ["'CH1 (Vpp)'"]),
    "flat channel": (_flattened(), ["channel 2", "flat: 0.02 V"]),
    "missing line": (_without_lines(200, 240), ["line 201", "evenly"]),
    "time runs backwards": (_mutated(100, "0.0001,0,0"), ["line 100", "run on"]),
    "two records": (_trace_text() + "\n".join(_trace_text().splitlines()[1:]), ["line 402", "run on"]),
    "text": (_mutated(77, "0.0075,n/a,0"), ["line 77", "'n/a'"]),
    "short": (_trace_text(samples=12), ["12 samples"]),
    "same time": ("time (s),CH1 (V),CH2 (V)\n" + "0,1,2\n0,2,1\n" * 30, ["run on"]),
}


@pytest.mark.parametrize(("content", "said"), BAD_TRACES.values(), ids=BAD_TRACES.keys())
def test_a_bad_trace_is_refused_by_file_line_and_column(tmp_path, content, said):
    with pytest.raises(UnfitImport) as caught:
        read_trace(_file(tmp_path, content))
    for each in ["notebook.csv", *said]:
        assert each in str(caught.value), str(caught.value)


def test_a_table_becomes_a_recording_of_its_own_kind_with_the_file_inside(tmp_path):
    folder = _imported(tmp_path, tags={"set": "wrenfield-46"})
    recording = read_recording(folder)
    assert recording.header.kind is RecordingKind.POINTS
    assert recording.header.conditions.imported
    assert recording.header.conditions.level_vpp is None
    assert not recording.has_codes
    assert list(recording.all_traces()) == []
    assert [row.line for row in recording.points] == [2, 3, 4]
    assert all(row.state is PointState.USED for row in recording.points)
    assert abs(recording.points[1].ratio) == pytest.approx(10 ** (-3 / 20))
    kept = (folder / "data" / "source.csv").read_bytes()
    assert kept == TABLE.encode()
    source = recording.header.plan["sources"][0]
    assert source == {
        "file": "data/source.csv",
        "name": "notebook.csv",
        "sha256": hashlib.sha256(kept).hexdigest(),
    }
    assert (folder / "manifest-sha256.txt").read_text().count("data/source.csv") == 1
    assert isinstance(read_any(folder), type(recording))


def test_other_tools_find_the_bag_valid(tmp_path):
    folder = _imported(tmp_path)
    bagit.Bag(str(folder)).validate()
    if shutil.which("sha256sum"):
        subprocess.run(["sha256sum", "-c", "--quiet", "manifest-sha256.txt"], cwd=folder, check=True)


def test_verify_and_index_take_an_imported_table(tmp_path):
    folder = _imported(tmp_path)
    verdict = verify_recording(folder)
    assert verdict.state is VerifiedState.SOUND
    assert (verdict.kind, verdict.rows, verdict.ratios) == ("points", 3, 0)
    with ArchiveIndex(tmp_path / "archive") as index:
        index.update()
        (entry,) = index.find(Search(kind="points"))
    assert entry.name == folder.name
    content = bytearray((folder / "data" / "source.csv").read_bytes())
    content[-2] ^= 1
    (folder / "data" / "source.csv").write_bytes(content)
    verdict = verify_recording(folder)
    assert verdict.state is VerifiedState.DAMAGED
    assert [each.name for each in verdict.problems] == ["data/source.csv"]


def test_a_table_that_does_not_say_it_was_imported_is_damaged(tmp_path):
    folder = _imported(tmp_path)
    head = folder / "data" / "recording.json"
    head.write_text(head.read_text().replace('"imported": true', '"imported": false'))
    from twonode.recordings.reader import load_recording

    with pytest.raises(DamagedRecording, match="not marked as imported"):
        load_recording(folder)


def test_a_killed_import_is_closed_with_the_rows_it_had(tmp_path):
    whole = read_recording(_imported(tmp_path, TABLE.replace("phase deg", "remarks")))
    kept = whole.folder / "data" / "source.csv"
    source = SourceFile(kept, hashlib.sha256(kept.read_bytes()).hexdigest())

    def killed():
        with ImportedTableWriter(tmp_path / "killed", whole.header, [source]) as writer:
            for row in whole.points[:2]:
                writer.add_row(row)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        killed()
    (left,) = find_unfinished(tmp_path / "killed")
    assert left.points == 2
    folder = close_unfinished(left.folder)
    assert len(read_recording(folder).points) == 2
    assert verify_recording(folder).state is VerifiedState.SOUND


def test_a_file_that_changes_meanwhile_is_not_imported(tmp_path):
    path = _file(tmp_path, TABLE)
    table = read_points_table(path)
    path.write_text(TABLE + "2000,-0.2,2\n")
    with pytest.raises(RecordingError, match="changed"):
        import_table(_request(), table, archive=tmp_path / "archive", now_utc=NOW)
    assert not find_unfinished(tmp_path / "archive")
    assert not any((tmp_path / "archive").iterdir())
