"""What spoilt inputs found once, each as a plain example."""

import shutil
import zipfile
from unittest.mock import patch

import msgspec
import numpy as np
import pytest

from tests.fuzz.filed_parsers import EXAMPLES
from twonode.acquire.errors import UnfitRequest
from twonode.acquire.nulls import _plans_range
from twonode.acquire.resume import request_of
from twonode.analysis.companion import CompanionError, parse_companion
from twonode.analysis.errors import QuantityError, StageError
from twonode.analysis.forming_readings import parse_duration_s
from twonode.analysis.leakage_limits import LimitsError, parse_limits
from twonode.analysis.marking import MarkingError, read_marking
from twonode.analysis.quantities import parse_quantity, parse_tolerance
from twonode.analysis.replacement.errors import ReplacementError
from twonode.analysis.replacement.rating import parse_secondary, parse_working_voltage
from twonode.analysis.stage.file import parse_stage
from twonode.analysis.typed_reading import accuracy_of
from twonode.console.benchfile import BenchFile, BenchFileError, Remembered, read_bench, write_bench
from twonode.console.page.settings import SETTINGS_VARIABLE, PageSettings, read_settings
from twonode.drivers.errors import ProfileError
from twonode.drivers.profiles import parse_profile, shipped_profiles
from twonode.errors import TwonodeError
from twonode.recordings.errors import DamagedRecording, UnfitImport, UnfitSearch
from twonode.recordings.foreign_csv import read_foreign
from twonode.recordings.gist import read_gist
from twonode.recordings.import_points import parse_points
from twonode.recordings.index_query import Search, finding_named
from twonode.recordings.model import decode_header, encode_header
from twonode.recordings.notes import read_notes
from twonode.recordings.reader import load_recording
from twonode.recordings.results import read_results
from twonode.recordings.tracefile import TraceFile, check_members, decode_point
from twonode.tomltext import TomlError, read_toml

DEEP = b'{"a":' * 5_000
PROFILES = EXAMPLES.parent.parent / "drivers" / "profiles"


def spoilt_profile(name, was, becomes):
    text = (PROFILES / f"{name}.toml").read_text(encoding="utf-8")
    assert was in text
    return parse_profile(text.replace(was, becomes, 1))


@pytest.mark.parametrize(
    "text",
    ["1e" + "9" * 5_000 + "F", "1" * 100_000 + "n7", "9" * 1_000_000 + "x", "\ud800" * 1_000_000],
    ids=["exponent", "letter as point", "digits", "no Unicode"],
)
def test_a_number_without_end_is_no_quantity(text):
    with pytest.raises(QuantityError, match="characters"):
        parse_quantity(text, "F")


def test_an_exponent_without_end_is_no_tolerance():
    with pytest.raises(QuantityError, match="is no tolerance"):
        parse_tolerance("1e" + "9" * 5_000 + "%")


@pytest.mark.parametrize(
    ("read", "text", "error"),
    [
        (parse_companion, "10n 1%" + " " * 40_000 + "!", CompanionError),
        (parse_companion, "," * 40_000 + "10n 1%", CompanionError),
        (parse_duration_s, "9" * 200_000, QuantityError),
        (parse_working_voltage, "265V" + " " * 40_000 + "!", QuantityError),
        (parse_secondary, "250" + " " * 40_000 + "!", ReplacementError),
        (parse_secondary, "1." + "0" * 200 + "x", ReplacementError),
        (accuracy_of, "0.5%" + " " * 40_000 + "!", QuantityError),
    ],
)
@pytest.mark.timeout(5)
def test_a_long_text_is_refused_at_once(read, text, error):
    with pytest.raises(error):
        read(text)


@pytest.mark.timeout(5)
def test_a_cell_of_digits_without_end_is_no_number(tmp_path):
    table = tmp_path / "a.csv"
    table.write_text(f"frequency_hz,ratio\n20,{'9' * 300_000}x\n60,0.9\n200,1\n", encoding="utf-8")
    with pytest.raises(UnfitImport, match="is no number"):
        parse_points(read_foreign(table, largest_bytes=10**6))


@pytest.mark.parametrize("text", ["..", "....", "../R2", "../"])
def test_dots_alone_are_no_marking(text):
    with pytest.raises(MarkingError):
        read_marking(text)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("a = " + "[" * 5_000, "nested too deeply"),
        ("a = " + "9" * 5_000, "4300 digits"),
        (".".join("a" * 50_000) + " = 1", "more than 16 parts"),
        ("a.'b b'.\"c\"" + ".d" * 20 + " = 1", "more than 16 parts"),
        ("a = 1\nb = 1e400", "1e400 is no finite number"),
        ("a = nan", "nan is no finite number"),
        ("a = '\ud800'", "not Unicode"),
        ("# " + "x" * 200_000, "longer than"),
        ("a = ", "Invalid value"),
    ],
)
@pytest.mark.timeout(5)
def test_toml_beyond_all_use_is_refused_with_the_reason(text, says):
    with pytest.raises(TomlError, match=says):
        read_toml(text)


def test_toml_within_bounds_is_read_as_it_is():
    assert read_toml('a.b."c.d" = 1.5\n[e]\nf = ["1.2.3", "..."]\n') == {
        "a": {"b": {"c.d": 1.5}},
        "e": {"f": ["1.2.3", "..."]},
    }


@pytest.mark.parametrize(
    ("read", "error"),
    [
        (parse_stage, StageError),
        (lambda text: parse_limits(text, where="a.toml"), LimitsError),
        (parse_profile, ProfileError),
    ],
)
def test_every_toml_file_is_read_within_those_bounds(read, error):
    for text in ("a = " + "[" * 5_000, "a = " + "9" * 5_000, "a = inf"):
        with pytest.raises(error, match=r"no TOML|not TOML"):
            read(text)


def test_a_bench_file_is_read_within_those_bounds_too(tmp_path):
    place = tmp_path / "bench.toml"
    place.write_text("a = " + "[" * 5_000, encoding="utf-8")
    with pytest.raises(BenchFileError, match="nested too deeply"):
        read_bench(place)


def test_a_bench_file_keeps_the_one_character_that_toml_wants_escaped(tmp_path):
    bench = BenchFile(scope=Remembered(address="a\x7fb"))
    assert read_bench(write_bench(bench, tmp_path / "bench.toml")) == bench


def test_a_stage_of_thousands_of_parts_is_checked_in_time():
    head = 'title = "chain"\ndrive = "a0"\nfar = "a1"\n'
    part = '[[part]]\nname = "R{0}"\nkind = "resistor"\nbetween = ["a{0}", "{1}"]\nvalue = 1\n'
    count = 2_400
    ends = [f"a{number + 1}" for number in range(count - 1)] + ["ground"]
    stage = parse_stage(head + "".join(part.format(*pair) for pair in enumerate(ends)))
    assert len(stage.parts) == count


@pytest.mark.parametrize(
    ("name", "was", "becomes", "says"),
    [
        ("voltmeter-scpi", "SIM-(VOLTMETER|DMM)(-.*)?", "A{9999999999}", "no regular expression"),
        ("voltmeter-scpi", "SIM-(VOLTMETER|DMM)(-.*)?", "(" * 5_000, "no regular expression"),
        (
            "voltmeter-scpi",
            "read_timeout_s = 10.0",
            "read_timeout_s = -1.0",
            "read_timeout_s: need 0 to 120 s",
        ),
        (
            "scope-curve",
            "free_run_extra_s = 0.2",
            "free_run_extra_s = -0.2",
            "free_run_extra_s: need 0 to 60 s",
        ),
        ("generator-scpi", "settle_s = 0.05", "settle_s = 1e9", "settle_s: need 0 to 60 s"),
        ("generator-scpi", "settle_s = 0.05", "settle_s = nan", "no finite number"),
        ("scope-ten-field", '"channel {channel} shown"', '"channel {chanel} shown"', "holds {chanel}"),
        ("scope-ten-field", ":CHAN{channel}:DISP ON", ":CHAN{channel!q}:DISP ON", "fields are plain"),
        ("scope-ten-field", ":CHAN{channel}:DISP ON", ":CHAN{channel:z}:DISP ON", "fields are plain"),
        ("scope-ten-field", ":CHAN{channel}:DISP ON", ":CHAN{channel}\\r:DISP ON", "one-line ASCII"),
    ],
)
def test_a_profile_that_would_fail_at_the_bench_is_refused_when_it_is_read(name, was, becomes, says):
    with pytest.raises(ProfileError, match=says):
        spoilt_profile(name, was, becomes)


def test_a_generators_command_for_a_channel_is_refused_when_the_profile_is_read():
    step = shipped_profiles()["generator-scpi"].output_off
    with pytest.raises(ProfileError, match="sent for none"):
        spoilt_profile("generator-scpi", f'"{step.send}"', f'"{step.send}{{channel}}"')


def test_a_voltmeters_command_for_a_channel_is_refused_when_the_profile_is_read():
    step = '[{ does = "mode", send = "MODE{channel}" }]'
    with pytest.raises(ProfileError, match="sent for none"):
        spoilt_profile("voltmeter-scpi", "prepare = []", f"prepare = {step}")


def test_what_an_error_quotes_has_an_end():
    error = TwonodeError(f"{'x' * 10**6} is no value.", "why", "y" * 10**6)
    assert len(str(error)) < 5_000
    assert error.what.startswith("xxx")
    assert error.what.endswith("xxx is no value.")


@pytest.mark.parametrize("content", [DEEP, b'{"format": 1, "plan": ' + DEEP])
def test_a_header_nested_without_end_is_damaged(content):
    with pytest.raises(DamagedRecording, match="recursion"):
        decode_header(content, where="recording.json")


def test_results_and_notes_nested_without_end_are_damaged(tmp_path):
    (tmp_path / "results").mkdir()
    for name, read in (("note.json", read_notes), ("estimate-C7.json", read_results)):
        (tmp_path / "results" / name).write_bytes(DEEP)
        with pytest.raises(DamagedRecording, match="recursion"):
            read(tmp_path)


def test_a_search_passes_over_what_is_nested_without_end(tmp_path):
    folder = tmp_path / "2031-04-09T18-20-11Z_a"
    (folder / "data").mkdir(parents=True)
    (folder / "results").mkdir()
    (folder / "data" / "recording.json").write_bytes(DEEP)
    assert "recursion" in str(read_gist(tmp_path, folder.name).entry.trouble)
    head = (EXAMPLES / "format-1-sweep" / "data" / "recording.json").read_bytes()
    (folder / "data" / "recording.json").write_bytes(head)
    (folder / "results" / "estimate-C7.json").write_bytes(b'{"capacitance": ' + b"[" * 5_000)
    assert "estimate-C7.json" in str(read_gist(tmp_path, folder.name).entry.trouble)


@pytest.mark.parametrize("content", [DEEP, b'{"theme": "\xff"}'])
def test_page_settings_that_are_not_sound_are_passed_over(tmp_path, monkeypatch, content):
    (tmp_path / "page.json").write_bytes(content)
    monkeypatch.setenv(SETTINGS_VARIABLE, str(tmp_path / "page.json"))
    assert read_settings() == PageSettings()


def test_a_row_of_more_samples_than_any_array_has_is_damaged():
    traces = EXAMPLES / "format-1-sweep" / "data" / "traces.npz"
    with pytest.raises(DamagedRecording, match="does not hold the 99999999999 samples"):
        check_members(traces, {1: 99_999_999_999, 2: 300, 3: 300})


def test_arrays_that_would_unfold_into_much_more_are_not_unfolded(tmp_path):
    path = tmp_path / "traces.npz"
    np.savez_compressed(path, point_0001=np.zeros(30_000_000, np.int8))
    assert path.stat().st_size < 100_000
    with TraceFile(path) as traces, pytest.raises(DamagedRecording, match="it is compressed"):
        traces.point(1)


def test_an_array_that_claims_more_than_its_file_holds_is_damaged(tmp_path):
    path = tmp_path / "traces.npz"
    with zipfile.ZipFile(path, "w") as packed:
        packed.writestr("point_0001.npy", b"\x93NUMPY\x01\x00")
    content = bytearray(path.read_bytes())
    place = content.index(b"PK\x01\x02")
    content[place + 20 : place + 28] = (0x7FFFFFFF).to_bytes(4, "little") * 2
    path.write_bytes(content)
    with TraceFile(path) as traces, pytest.raises(DamagedRecording, match="it claims 2147483647 bytes"):
        traces.point(1)


@pytest.fixture
def sweep(tmp_path):
    """The published sweep, with its header changed."""
    folder = tmp_path / "sweep"
    shutil.copytree(EXAMPLES / "format-1-sweep", folder)

    def changed(**changes):
        head = decode_header((folder / "data" / "recording.json").read_bytes(), where="example")
        content = encode_header(msgspec.structs.replace(head, **changes))
        (folder / "data" / "recording.json").write_bytes(content)
        return load_recording(folder)

    return changed


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"part": None}, "names no part"),
        ({"plan": {"frequencies_hz": 5}}, "plan: Expected `array`"),
        ({"plan": {"from_hz": "20"}}, "plan: Expected `float"),
        ({"plan": {"line_hz": [50]}}, "plan: Expected `float"),
    ],
)
def test_a_recording_that_does_not_say_what_was_asked_for_is_not_gone_on_with(sweep, changes, says):
    with pytest.raises(UnfitRequest, match=says):
        request_of(sweep(**changes))


def test_a_covariance_without_bounds_is_damage(tmp_path):
    folder = tmp_path / "points"
    shutil.copytree(EXAMPLES / "format-1-points", folder)
    table = folder / "data" / "points.csv"
    names, first, rest = table.read_text(encoding="utf-8").split("\n", 2)
    cells = first.split(",")
    cells[names.split(",").index("cov_re_im")] = "1e200"
    table.write_text("\n".join([names, ",".join(cells), rest]), encoding="utf-8")
    with pytest.raises(DamagedRecording, match="covariance"):
        load_recording(folder)


@pytest.mark.parametrize("planned", [5, "0.5", [None, "x"], {"0.5": 1}])
def test_a_null_run_with_another_plan_than_ranges_is_passed_over(planned):
    head = decode_header(
        (EXAMPLES / "format-1-null" / "data" / "recording.json").read_bytes(), where="example"
    )
    assert not _plans_range(msgspec.structs.replace(head, plan={"drive_volts_per_div": planned}), 0.5)
    assert _plans_range(msgspec.structs.replace(head, plan={"drive_volts_per_div": [1, 0.5]}), 0.5)


@pytest.mark.parametrize("error", [ValueError(), ValueError("a\nb")])
def test_an_array_that_numpy_refuses_without_a_word_is_damaged(error):
    content = b"\x93NUMPY\x01\x00\x02\x00{}"
    with (
        patch("twonode.recordings.tracefile.npy.read_array_header_1_0", side_effect=error),
        pytest.raises(DamagedRecording, match="no npy header"),
    ):
        decode_point(content, where="a.npy")


@pytest.mark.timeout(5)
def test_a_search_for_words_without_end_is_refused():
    with pytest.raises(UnfitSearch, match="2000 are the most"):
        Search(words=("[[a]]\n" * 100_000,)).statement(full_text=True)


@pytest.mark.timeout(5)
def test_a_line_of_cells_without_end_names_no_columns(tmp_path):
    table = tmp_path / "a.csv"
    table.write_text("1;" * 1_000_000 + "\nfrequency_hz;ratio\n20;0.7\n60;0.9\n200;1\n", encoding="utf-8")
    assert len(parse_points(read_foreign(table, largest_bytes=4_000_000)).points) == 3


@pytest.mark.timeout(5)
def test_a_word_without_end_is_no_finding():
    with pytest.raises(UnfitSearch, match="is no finding"):
        finding_named("\u0130x" * 500_000)


def test_numbers_beyond_floats_are_no_json():
    # msgspec refuses them itself; this is what every reader of a recording relies on.
    for text in (b"1e400", b"NaN", b"9" * 5_000, b'"\\ud800"'):
        with pytest.raises(msgspec.DecodeError):
            msgspec.json.decode(text)
