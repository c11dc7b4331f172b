"""The archive view's own steps: the search, the drawing over time, one recording's lines, sheet, and putting aside."""

import re
import shutil
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner

pytest.importorskip("nicegui")

from twonode.analysis.history_svg import PastFinding, history_svg
from twonode.analysis.quantities import format_quantity
from twonode.console.archive_show import looked_at, show
from twonode.console.archive_verify import verdict_lines
from twonode.console.options import default_archive
from twonode.console.page.archive_view import address, archive_words, search
from twonode.console.page.drawing import sheet_bytes
from twonode.console.page.history_view import past_findings, stated_band
from twonode.console.page.looks import UnfitFile, _text_of
from twonode.console.page.recording_view import _discarded
from twonode.recordings.entry import Entry, EntryState, Worth
from twonode.recordings.errors import NotARecording, UnfitSearch
from twonode.recordings.notes import read_notes
from twonode.recordings.trash import discarded, restore
from twonode.recordings.verify import verify_recording

EXAMPLES = Path(str(resources.files("twonode.recordings") / "examples"))


@pytest.fixture(scope="module")
def filed(tmp_path_factory):
    place = tmp_path_factory.mktemp("archive")
    for kind in ("sweep", "null", "dc"):
        shutil.copytree(
            EXAMPLES / f"format-1-{kind}", place / f"2031-04-09T18-20-1{len(kind)}Z_wrenfield-46_{kind}"
        )
    return place


def names(found):
    return [entry.kind for entry in found.entries]


# Search


def test_there_is_nothing_to_find_before_the_first_recording(tmp_path):
    found = search(tmp_path / "nowhere", "", {}, limit=30)
    assert (found.entries, found.total, found.unfinished) == ((), 0, ())


def test_typing_narrows_the_list(filed):
    assert sorted(names(search(filed, "", {}, limit=30))) == ["dc", "null", "sweep"]
    assert set(names(search(filed, "C7", {}, limit=30))) == {"dc", "sweep"}
    assert search(filed, "C7 nosuchword", {}, limit=30).total == 0


def test_conditions_are_those_of_the_command(filed):
    assert names(search(filed, "", {"kind": "null"}, limit=30)) == ["null"]
    assert names(search(filed, "", {"part": " C7 ", "kind": "sweep"}, limit=30)) == ["sweep"]
    with pytest.raises(UnfitSearch, match="no range of values"):
        search(filed, "", {"value": "20"}, limit=30)


def test_the_newest_are_shown_and_all_are_counted(filed):
    found = search(filed, "", {}, limit=1)
    assert len(found.entries) == 1
    assert found.total == 3


def test_what_was_never_closed_is_said_only_where_everything_was_asked_for(tmp_path, filed):
    place = tmp_path / "archive"
    shutil.copytree(filed, place)
    left = place / "2031-04-10T10-00-00Z_wrenfield-46_C6.unfinished"
    (left / "data").mkdir(parents=True)
    assert [each.folder.name for each in search(place, "", {}, limit=30).unfinished] == [left.name]
    assert search(place, "C7", {}, limit=30).unfinished == ()


def test_an_address_carries_any_name_whole():
    assert address() == "/archive"
    assert address(recording="a&b=c d", q=None) == "/archive?recording=a%26b%3Dc+d"


def test_a_command_names_the_archive_only_where_it_is_not_the_usual_one():
    assert archive_words(default_archive()) == ""
    assert archive_words(Path("/mnt/shop archive")) == f' --archive "{Path("/mnt/shop archive")}"'


# Over time


def entry(day, worth=None, finding=None, **more):
    return Entry(
        archive=Path("."),
        name=f"r{day}",
        state=EntryState.READABLE,
        kind="sweep",
        created_utc=f"2031-04-{day:02}T10:00:00Z",
        worth=worth,
        finding=finding,
        **more,
    )


def test_only_capacitances_go_into_the_drawing():
    past = past_findings(
        [
            entry(3, Worth(unit="F", at_most=2e-12), "open"),
            entry(2, Worth(unit="ohm", value=2e8), "leaky"),
            entry(1, Worth(unit="F", value=21e-9, low=20e-9, high=22e-9), "within tolerance"),
            entry(4),
            entry(5, Worth(unit="F")),
        ]
    )
    assert [each.state for each in past] == ["open", "within tolerance"]
    assert past[0].value is None
    assert past[0].at_most == 2e-12
    assert past[1].when == datetime(2031, 4, 1, 10, tzinfo=UTC)


def test_a_date_that_is_none_is_left_out():
    odd = Entry(
        archive=Path("."),
        name="odd",
        state=EntryState.READABLE,
        created_utc="long ago",
        worth=Worth(unit="F", value=1e-9),
    )
    assert past_findings([odd]) == []


def test_the_band_is_the_newest_that_was_stated():
    newest_first = [
        entry(9),
        entry(8, expected_low=19.8e-9, expected_high=24.2e-9),
        entry(7, expected_low=1e-9, expected_high=2e-9),
    ]
    assert stated_band(newest_first) == (19.8e-9, 24.2e-9)
    assert stated_band([entry(1)]) is None


def past(day, value, half, state="within tolerance", **more):
    when = datetime(2030 + day, 1, 1, tzinfo=UTC)
    if value is None:
        return PastFinding(when=when, state=state, **more)
    return PastFinding(when=when, value=value, low=value - half, high=value + half, state=state)


def drawn(findings, band=(19.8e-9, 24.2e-9)):
    svg = history_svg(findings, band=band, words=lambda f: format_quantity(f, "F"), title="C7 <over> time")
    ElementTree.fromstring(svg)
    return svg


def diamonds(svg):
    return [tuple(map(float, each)) for each in re.findall(r'd="M([\d.]+),([\d.]+)l7,7', svg)]


def band_of(svg):
    y, height = re.search(r'y="([\d.]+)" width="[\d.]+" height="([\d.]+)" fill="var\(--band\)"', svg).groups()
    return float(y), float(y) + float(height)


def test_values_lie_by_the_band_as_they_do_by_the_limits():
    svg = drawn(
        [past(1, 22e-9, 0.5e-9), past(3, 13e-9, 1e-9, "off value"), past(2, 26e-9, 0.2e-9, "off value")]
    )
    top, bottom = band_of(svg)
    (_, inside), (_, above), (_, below) = (
        (x, y + 7.0) for x, y in diamonds(svg)
    )  # by date: 22 nF, 26 nF, 13 nF
    assert top < inside < bottom
    assert above < top
    assert below > bottom
    # Linear: 22 nF lies in the middle of 19.8 to 24.2 nF.
    assert inside == pytest.approx((top + bottom) / 2, abs=0.2)


def test_dates_go_from_left_to_right_by_their_distance():
    svg = drawn([past(11, 22e-9, 1e-9), past(1, 22e-9, 1e-9), past(2, 22e-9, 1e-9)])
    first, second, last = (x for x, _ in diamonds(svg))
    assert (second - first) / (last - first) == pytest.approx(0.1, abs=0.01)
    assert "2031-01-01" in svg
    assert "2041-01-01" in svg


def test_one_open_part_does_not_flatten_the_others():
    with_open = drawn([past(1, 22e-9, 1e-9), past(2, None, None, "open", at_most=1.5e-12)])
    without = drawn([past(1, 22e-9, 1e-9)])
    assert band_of(with_open) == band_of(without)
    assert "at most 1.50 pF, open" in with_open


def test_very_different_values_are_drawn_on_a_logarithmic_scale():
    svg = drawn(
        [past(1, 22e-9, 1e-9), past(2, 0.22e-9, 0.01e-9, "off value"), past(3, 2.2e-9, 0.1e-9, "off value")],
        None,
    )
    (_, high), (_, low), (_, middle) = diamonds(svg)
    assert middle == pytest.approx((high + low) / 2, abs=0.5)


def test_marks_and_words_say_what_colours_say():
    svg = drawn([past(1, 22e-9, 1e-9), past(2, 19e-9, 2e-9, "undecided"), past(3, 9e-9, 1e-9, "off value")])
    assert all(f">{mark}</text>" in svg for mark in "✓?✗")
    assert "C7 &lt;over&gt; time" in svg


def test_a_drawing_of_nothing_is_refused():
    with pytest.raises(ValueError, match="findings"):
        drawn([past(1, None, None)])


# One recording


def sweep_in(tmp_path):
    return Path(
        shutil.copytree(EXAMPLES / "format-1-sweep", tmp_path / "2031-04-09T18-20-11Z_wrenfield-46_C7")
    )


def test_a_recording_has_the_lines_of_the_command(tmp_path):
    folder = sweep_in(tmp_path)
    seen = looked_at(folder)
    printed = CliRunner().invoke(show, [str(folder)], standalone_mode=False).output.splitlines()
    assert [f"{label + ':':<10}{text}" if label else text for label, text in seen.lines] == printed
    assert dict(seen.lines)["Checked"] == "every file is as it was written"


def test_a_changed_byte_is_named_by_its_file(tmp_path):
    folder = sweep_in(tmp_path)
    points = folder / "data" / "points.csv"
    points.write_bytes(points.read_bytes().replace(b"1", b"2", 1))
    seen = looked_at(folder)
    assert seen.found is None
    assert "points.csv" in dict(seen.lines)["DAMAGED"]
    said = list(verdict_lines([verify_recording(folder)], (), checksums=False, quiet=False))
    assert said[0].endswith("DAMAGED")
    assert str(points) in said[1]


def test_a_folder_that_is_no_recording_is_refused(tmp_path):
    with pytest.raises(NotARecording):
        looked_at(tmp_path)


def test_the_sheet_is_a_pdf_or_one_html_file(tmp_path):
    folder = sweep_in(tmp_path)
    pdf, _ = sheet_bytes(folder, tmp_path, "A4", ".pdf")
    html, _ = sheet_bytes(folder, tmp_path, "letter", ".html")
    assert pdf.startswith(b"%PDF-")
    assert b"<html" in html[:200]
    assert b"C7" in html


def test_putting_aside_keeps_the_reason_and_comes_back(tmp_path):
    folder = sweep_in(tmp_path)
    content = (folder / "data" / "points.csv").read_bytes()
    moved = _discarded(folder, "wrong node clipped")
    assert not folder.exists()
    assert discarded(tmp_path) == (moved,)
    back = restore(tmp_path, moved.name)
    assert (back / "data" / "points.csv").read_bytes() == content
    assert "discarded: wrong node clipped" in read_notes(back)[-1].line


# Files from the browser


def test_a_file_from_the_browser_is_text_or_refused():
    assert _text_of({"name": "stage.toml", "size": 3, "text": "x=1"}) == ("stage.toml", "x=1")
    with pytest.raises(UnfitFile, match="larger than"):
        _text_of({"name": "film.mkv", "size": 10**9, "text": None})
    with pytest.raises(UnfitFile, match="not UTF-8"):
        _text_of({"name": "stage.toml", "size": 3, "text": None})
