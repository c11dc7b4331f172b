"""The printable page: type that can be read, nothing over anything else, and bytes that do not change."""

import re
import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from itertools import combinations

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.text import Text

from twonode.analysis.curves import FittedCurve
from twonode.analysis.sheet import (
    Bar,
    Blank,
    Column,
    Field,
    Listing,
    Mark,
    Paper,
    Plot,
    RecordingSheet,
    TableSheet,
    Trail,
    Verdict,
    draw_pages,
    sheet_pdf,
)
from twonode.analysis.sheet.lettering import printable, width_pt, wrapped

MADE = datetime(2031, 4, 9, 18, 20, 11, tzinfo=UTC)
HARD = ("Wrenfield/46 📻 $x^2$ <b>März</b> " * 10)[:300]

poppler = pytest.mark.skipif(
    shutil.which("pdftotext") is None or shutil.which("pdffonts") is None,
    reason="poppler-utils is not installed: pdftotext and pdffonts check the PDF from outside",
)


def high_pass() -> FittedCurve:
    """22 nF into 470 kΩ, in closed form: jf/fc / (1 + jf/fc), fc = 15.4 Hz."""
    fine_hz = np.geomspace(1.0, 1000.0, 200)
    hz = np.array([4.0, 16.0, 130.0, 210.0])

    def ratio(f):
        return 1j * f / 15.4 / (1 + 1j * f / 15.4)

    return FittedCurve(
        frequency_hz=hz,
        ratio=ratio(hz),
        sigma_size=np.full(4, 2e-3),
        sigma_angle=np.full(4, 2e-3),
        residual_size=np.zeros(4),
        residual_angle=np.zeros(4),
        phased=np.full(4, True),
        fine_hz=fine_hz,
        fine_ratio=ratio(fine_hz),
    )


def a_sheet(**changes) -> RecordingSheet:
    values = {
        "title": "Wrenfield 46 table receiver: driver to output stage",
        "stamps": ("Simulated bench: no real part",),
        "identity": tuple(
            Field(label=label, text=text)
            for label, text in (
                ("Set", "wrenfield-46"),
                ("Serial number", ""),
                ("Part", "C7"),
                ("Position", "C7"),
                ("Marked", "22.0 nF ±10 %, 400 V"),
                ("Measured (UTC)", "2031-04-09 18:20"),
                ("By", ""),
                ("Before or after the work", "before"),
            )
        ),
        "headline": "C7: 20.98 ± 0.13 nF",
        "headline_note": "95 % interval 20.85 to 21.11 nF (0.02085 to 0.02111 µF). It should be 19.8 to 24.2 nF.",
        "verdicts": (
            Verdict(
                about="Finding from the sweep", mark=Mark.SOUND, words="within tolerance", detail="99 % sure"
            ),
            Verdict(about="Leakage at working voltage", mark=Mark.NOT_TESTED, words="not tested"),
        ),
        "plain": "C7 is a capacitor between driver anode and output grid (coupling). Its value is what it should be.",
        "bar": Bar(value=20.98e-9, low=20.85e-9, high=21.11e-9, nominal=22e-9, limits=(19.8e-9, 24.2e-9)),
        "points_out": (
            Field(label="Next", text="Check leakage at working voltage with a meter before trusting it."),
            Field(label="Largest doubt", text="R12, 80 % of the uncertainty."),
        ),
        "not_tested": ("leakage at working voltage",),
        "plot": Plot(curves=(high_pass(),), corner_hz=15.4, words="Ratio and phase of 4 points."),
        "listing": None,
        "method": (Field(label="Scope", text="TWONODE SIM-S1A"), Field(label="Null run", text="none")),
        "readings": (),
        "notes": (),
        "blanks": (Blank(label="Customer's complaint", lines=2), Blank(label="Signature and date")),
        "cautions": ("This work can kill.", "Never sweep a powered set."),
        "trail": Trail(
            recording="Recording: 2031-04-09T18-20-11Z_C7", sha256="ab" * 32, of="it", programs="twonode"
        ),
        "made": MADE,
    }
    return RecordingSheet(**(values | changes))


def a_hard_sheet() -> RecordingSheet:
    """More to say everywhere than any page has room for."""
    return a_sheet(
        title=HARD,
        identity=tuple(Field(label=f"Label {n}", text=HARD) for n in range(8)),
        headline=f"{HARD[:24]}: 20.98 ± 0.13 nF",
        headline_note=HARD,
        verdicts=(
            Verdict(about=HARD, mark=Mark.TROUBLE, words=HARD, detail=HARD),
            Verdict(about=HARD, mark=Mark.UNDECIDED, words=HARD, detail=HARD),
        ),
        plain=HARD * 3,
        points_out=tuple(Field(label=f"Remark {n}", text=HARD) for n in range(3)),
        not_tested=(HARD, HARD),
        method=tuple(Field(label=f"Method {n}", text="M" * 300) for n in range(8)),
        readings=(HARD,) * 5,
        notes=(HARD,) * 30,
        trail=Trail(recording=HARD, sha256="ab" * 32, of=HARD[:40], programs=HARD),
    )


def a_chart_sheet(rows: int) -> RecordingSheet:
    listing = Listing(
        headings=("Node", "Read", "Finding"),
        widths=(0.5, 0.25, 0.25),
        rows=tuple((f"node {n} {HARD if n == 1 else ''}", "105 V", "✗ off value") for n in range(rows)),
    )
    return a_sheet(plot=None, bar=None, listing=listing)


def a_table(rows: int = 12, text: str = "22 nF film") -> TableSheet:
    return TableSheet(
        kind="Parts of one set",
        title="Wrenfield 46 table receiver",
        stamps=("Of 1300: 1180 simulated, 120 imported", "Program untested on hardware"),
        identity=(Field(label="Set", text="wrenfield-46"), Field(label="Owner", text="")),
        columns=(
            Column(heading="Part", share=0.2, strong=True),
            Column(heading="Finding, and something longer than its column", share=0.2),
            Column(heading="Remarks", share=0.6),
        ),
        rows=tuple((f"C{n}", "✓ within tolerance", text) for n in range(1, rows + 1)),
        remarks=("A sweep does not test leakage at working voltage.",),
        blanks=(Blank(label="Signature and date"),),
        cautions=(),
        trail=Trail(recording="Recordings: 12", sha256="cd" * 32, of="all", programs="twonode"),
        made=MADE,
    )


SHEETS = {
    "plain": a_sheet(),
    "hard": a_hard_sheet(),
    "chart": a_chart_sheet(6),
    "long chart": a_chart_sheet(80),
    "table": a_table(),
    "full table": a_table(75),
    "long table": a_table(11, HARD),
}
each_page = pytest.mark.parametrize("paper", list(Paper), ids=lambda paper: paper.value)
each_drawn = pytest.mark.parametrize(
    ("name", "paper"),
    [
        (name, paper)
        for name in SHEETS
        for paper in Paper
        if paper is Paper.A4 or name in ("plain", "hard", "long chart", "table")
    ],
)


@cache
def drawn(name, paper):
    """The pages of a sheet, each with its texts, drawn once for all tests."""
    return tuple((page, texts_of(page)) for page in draw_pages([SHEETS[name]], paper))


def texts_of(figure) -> list[Text]:
    """Every text that is drawn; ticks beyond the ends of an axis are there and are not."""
    FigureCanvasAgg(figure)
    figure.draw_without_rendering()
    beyond = {
        id(label)
        for axes in figure.axes
        for axis in (axes.xaxis, axes.yaxis)
        for tick in axis.get_major_ticks()
        for label in (tick.label1, tick.label2)
        if not min(axis.get_view_interval()) <= tick.get_loc() <= max(axis.get_view_interval())
    }
    found = [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip()]
    return [t for t in found if id(t) not in beyond]


@each_drawn
def test_no_type_is_smaller_than_eight_points_and_none_is_pale(name, paper):
    for _, shown in drawn(name, paper):
        assert len(shown) > 10
        for text in shown:
            assert text.get_fontsize() >= 8.0, text.get_text()
            # WCAG 2.1, 1.4.6 (enhanced): at least 7 to 1, here against white paper.
            assert contrast(to_rgb(text.get_color()), (1.0, 1.0, 1.0)) >= 7.0, text.get_text()


def contrast(one, other) -> float:
    """WCAG 2.1 contrast ratio of two sRGB colours."""

    def luminance(rgb):
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in rgb]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@each_drawn
def test_nothing_runs_off_the_page_or_into_anything_else(name, paper):
    for figure, shown in drawn(name, paper):
        width, height = figure.bbox.width, figure.bbox.height
        boxes = []
        for text in shown:
            box = text.get_window_extent()
            assert box.x0 >= 0, text.get_text()
            assert box.x1 <= width, text.get_text()
            assert box.y0 >= 0, text.get_text()
            assert box.y1 <= height, text.get_text()
            boxes.append((text, box))
        for (one, a), (other, b) in combinations(boxes, 2):
            across = min(a.x1, b.x1) - max(a.x0, b.x0)
            # Descenders may reach a hair into the box of the line below.
            up = min(a.y1, b.y1) - max(a.y0, b.y0)
            assert across <= 1.0 or up <= 2.0, f"{one.get_text()!r} runs into {other.get_text()!r}"


@each_page
@pytest.mark.parametrize("name", ["plain", "hard"])
def test_value_and_finding_are_the_largest_and_the_signature_keeps_its_line(name, paper):
    ((_, shown),) = drawn(name, paper)
    by_text = {text.get_text(): text.get_fontsize() for text in shown}
    assert "Signature and date" in by_text
    if name == "plain":
        assert by_text["C7: 20.98 ± 0.13 nF"] == max(by_text.values()) >= 24.0
        assert by_text["✓ WITHIN TOLERANCE"] >= 18.0


def test_a_drawing_that_has_no_room_is_said_to_be_left_out():
    crowded = replace(a_hard_sheet(), blanks=(Blank(label="Remarks", lines=16),))
    for sheet in (crowded, replace(crowded, title="C7", identity=crowded.identity[:4], points_out=())):
        (figure,) = draw_pages([sheet], Paper.LETTER)
        said = any("left out for want of room" in text.get_text() for text in texts_of(figure))
        assert said == (not figure.axes)
        assert said == (sheet is crowded)


def test_every_row_of_a_long_table_is_on_some_page_and_the_pages_are_numbered():
    pages = drawn("long table", Paper.A4)
    assert len(pages) > 1
    found = [text.get_text() for _, shown in pages for text in shown]
    assert [name for name in found if re.fullmatch(r"C\d+", name)] == [f"C{n}" for n in range(1, 12)]
    for number in range(1, len(pages) + 1):
        assert f"Page {number} of {len(pages)}" in found
    assert found.count("Remarks") == len(pages)  # the table's head
    assert found.count("Signature and date") == 1


def test_twelve_parts_fit_on_one_page():
    assert len(draw_pages([a_table(12)], Paper.LETTER)) == 1


def test_dollar_signs_are_printed_and_not_read_as_a_formula():
    (figure,) = draw_pages([a_sheet(plain="A tag of $x^2$ and of $\\frac.")], Paper.A4)
    assert any("$x^2$ and of $\\frac." in text.get_text() for text in texts_of(figure))


def test_an_emoji_becomes_its_name_and_other_signs_stay():
    assert printable("Wrenfield 📻 46") == "Wrenfield [radio] 46"
    assert printable("µΩ± März Ж") == "µΩ± März Ж"
    assert printable("a\u200db\ufe0f\tc\nd\x00") == "ab c d"
    assert printable("👍🏽") == "[thumbs up sign]"
    assert printable("漢") == "▯"


@pytest.mark.parametrize("bold", [False, True])
def test_wrapped_lines_keep_to_their_width_and_lose_nothing(bold):
    generator = np.random.default_rng(3)
    for _ in range(60):
        words = ["x" * int(generator.integers(1, 40)) for _ in range(int(generator.integers(1, 12)))]
        text = ("/" if generator.random() < 0.3 else " ").join(words)
        width = float(generator.uniform(60.0, 300.0))
        lines = wrapped(text, 9.0, width, bold=bold)
        assert all(width_pt(line, 9.0, bold=bold) <= width for line in lines)
        assert "".join(lines).replace(" ", "") == text.replace(" ", "")
        cut = wrapped(text, 9.0, width, most=2, bold=bold)
        assert len(cut) <= 2
        assert (cut[-1].endswith("…")) == (len(lines) > 2)
        assert all(width_pt(line, 9.0, bold=bold) <= width for line in cut)


def test_a_figure_and_its_unit_stay_on_one_line():
    text = "the interval is 25.5 ± 5.6 nF (95 %) and lies outside 22.0 nF ±10 %."
    for width in range(60, 300, 7):
        for line in wrapped(text, 9.0, float(width)):
            assert not re.match(r"(nF|%)", line), (width, line)


def test_a_finding_changes_the_page_in_black_and_white_too():
    """Seen without colour: the words of the two differ by far more than a shade."""

    def grey(mark, words):
        sheet = a_sheet(
            verdicts=(replace(a_sheet().verdicts[0], mark=mark, words=words), a_sheet().verdicts[1])
        )
        (figure,) = draw_pages([sheet], Paper.A4)
        canvas = FigureCanvasAgg(figure)
        canvas.draw()
        return np.asarray(canvas.buffer_rgba())[..., :3].mean(axis=2) / 255.0

    changed = np.abs(grey(Mark.SOUND, "within tolerance") - grey(Mark.TROUBLE, "off value")) > 0.5
    assert changed.sum() > 1000


@poppler
@each_page
def test_poppler_finds_the_words_as_text_large_enough_and_on_the_paper(paper, tmp_path):
    """Outside reference: pdftotext -bbox, pdffonts and pdfinfo of poppler."""
    path = tmp_path / "sheet.pdf"
    path.write_bytes(sheet_pdf([a_sheet(), a_hard_sheet(), a_table(3)], paper))
    found = subprocess.run(
        ["pdftotext", "-bbox", path, "-"], check=True, capture_output=True, text=True
    ).stdout
    pages = re.findall(r'<page width="([\d.]+)" height="([\d.]+)">(.*?)</page>', found, re.DOTALL)
    # ISO 216: 210 x 297 mm; letter: 8.5 x 11 in.
    size = (595.28, 841.89) if paper is Paper.A4 else (612.0, 792.0)
    assert len(pages) == 3
    for width, height, words in pages:
        assert (float(width), float(height)) == pytest.approx(size, abs=0.1)
        boxes = re.findall(
            r'xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" yMax="([\d.-]+)">(.*?)<', words
        )
        assert len(boxes) > 30
        for *edges, word in boxes:
            x0, y0, x1, y1 = map(float, edges)
            # Of turned text, the labels of the axes, the width is the height of its type.
            assert max(y1 - y0, x1 - x0) >= 8.0, word
            assert 20.0 <= x0 < x1 <= size[0] - 20.0, word
            assert 15.0 <= y0 < y1 <= size[1] - 15.0, word
    # The widths that lines are broken by are those of the printed page.
    (x0, x1), *_ = re.findall(
        r'xMin="([\d.]+)" yMin="[\d.]+" xMax="([\d.]+)" yMax="[\d.]+">Wrenfield<', found
    )
    assert width_pt("Wrenfield", 12.0, bold=True) == pytest.approx(float(x1) - float(x0), rel=0.01)
    plain = subprocess.run(
        ["pdftotext", "-layout", path, "-"], check=True, capture_output=True, text=True
    ).stdout
    for words in ("C7: 20.98 ± 0.13 nF", "WITHIN TOLERANCE", "ab" * 32, "[radio]", "Page 1 of 3"):
        assert words in plain
    fonts = subprocess.run(
        ["pdffonts", path], check=True, capture_output=True, text=True
    ).stdout.splitlines()[2:]
    assert fonts
    # Columns: name, type, encoding, emb, sub, uni, object.
    assert all(re.search(r"TrueType .* yes (yes|no) +yes ", font) for font in fonts), fonts


def test_points_without_a_fit_or_a_phase_are_drawn_as_they_are():
    plot = Plot(points=((10.0, 0.5), (20.0, 0.7), (40.0, 0.5 + 0.5j)), refused=((30.0, 1j),), words="three")
    (figure,) = draw_pages([a_sheet(plot=plot)], Paper.A4)
    size, angle = figure.axes
    drawn = {
        line.get_marker(): line.get_xdata().tolist() for line in size.lines if line.get_marker() != "None"
    }
    assert drawn == {"o": [10.0, 20.0, 40.0], "x": [30.0]}
    # A bare magnitude has no phase, so none is drawn.
    (dots,) = [line for line in angle.lines if line.get_marker() == "o"]
    assert dots.get_xdata().tolist() == [40.0]
    assert dots.get_ydata() == pytest.approx([45.0])
    assert any("not fitted; refused: 1" in text.get_text() for text in texts_of(figure))
