import io
from dataclasses import replace
from itertools import combinations

import matplotlib as mpl
import numpy as np
import pytest
from made_sweeps import made_estimate, shorted_stage, true_stage, wrenfield
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.text import Text

from twonode.analysis import look
from twonode.analysis.findings import FindingState
from twonode.analysis.hookup import HookUp
from twonode.analysis.look import SMALLEST_POINTS
from twonode.analysis.picture import draw_picture, picture_png
from twonode.analysis.quantities import Tolerance
from twonode.analysis.report import Circumstances, RefusedReading

CIRCUMSTANCES = Circumstances(
    title="Wrenfield 46 table receiver: driver to output stage",
    hookup=HookUp.STAGE,
    level_vpp=2.0,
    simulated=True,
    refused=(RefusedReading(frequency_hz=49.0, ratio=0.9 + 0.2j, reason="hum"),),
)

CASES = {
    "healthy": lambda: made_estimate(true_stage(value=22.5e-9, loss=0.004)),
    "off": lambda: made_estimate(true_stage(value=15e-9)),
    "far off": lambda: made_estimate(true_stage(value=2e-9)),
    "open": lambda: made_estimate(true_stage(value=1.5e-12)),
    "shorted": lambda: made_estimate(shorted_stage()),
    "leaky": lambda: made_estimate(true_stage(value=21e-9, leak_ohm=2e6)),
    "undecided": lambda: made_estimate(true_stage(value=22.5e-9), stage=wrenfield(read_beforehand=False)),
    "nothing expected": lambda: made_estimate(true_stage(value=22.5e-9), nominal_farad=None, tolerance=None),
    "lopsided limits": lambda: made_estimate(
        true_stage(value=30e-9), tolerance=Tolerance(minus=0.2, plus=1.0)
    ),
    "tight limits": lambda: made_estimate(
        true_stage(value=22.5e-9), tolerance=Tolerance(minus=0.005, plus=0.005)
    ),
}


@pytest.fixture(scope="module")
def estimates():
    return {name: make() for name, make in CASES.items()}


def _drawn(estimate, circumstances=CIRCUMSTANCES):
    figure = draw_picture(estimate, circumstances)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    return figure, canvas.get_renderer()


def _texts(figure):
    undrawn = set()
    for axes in figure.axes:
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            # Tick labels outside the axes' range exist and are not drawn; so are those of a panel without any.
            for tick in [*axis.get_major_ticks(), *axis.get_minor_ticks()]:
                if not axes.axison or not low <= tick.get_loc() <= high:
                    undrawn |= {tick.label1, tick.label2}
    found = figure.findobj(Text)
    return [t for t in found if t.get_visible() and t.get_text().strip() and t not in undrawn]


def _words(figure):
    return "\n".join(text.get_text() for text in _texts(figure))


def test_the_png_is_one_picture_of_the_stated_size(estimates):
    content = picture_png(estimates["healthy"], CIRCUMSTANCES)
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    image = mpl.image.imread(io.BytesIO(content))
    assert image.shape[:2] == (1300, 1300)
    assert np.unique(image.reshape(-1, image.shape[2]), axis=0).shape[0] > 50


@pytest.mark.parametrize("case", CASES)
def test_no_words_overlap_leave_the_picture_or_are_tiny(estimates, case):
    figure, renderer = _drawn(estimates[case])
    texts = _texts(figure)
    assert min(text.get_fontsize() for text in texts) >= SMALLEST_POINTS
    whole = figure.bbox
    boxes = []
    for text in texts:
        box = text.get_window_extent(renderer)
        assert box.x0 >= whole.x0, text
        assert box.x1 <= whole.x1, text
        assert box.y0 >= whole.y0, text
        assert box.y1 <= whole.y1, text
        boxes.append((text.get_text(), box.shrunk(0.94, 0.8)))
    for (first, one), (second, other) in combinations(boxes, 2):
        assert not one.overlaps(other), f"{first!r} runs into {second!r}"


@pytest.mark.parametrize(
    ("case", "wanted"),
    [
        ("healthy", ["WITHIN TOLERANCE", "expected 22.0 nF ±10 %", "19.8 nF", "24.2 nF", "corner"]),
        ("off", ["OFF VALUE"]),
        ("open", ["OPEN", "at most", "stray"]),
        ("shorted", ["SHORTED", "no capacitance to be seen", "It behaves like"]),
        ("leaky", ["LEAKY", "lies across its"]),
        ("undecided", ["UNDECIDED", "To decide"]),
    ],
)
def test_the_words_say_what_the_colours_say(estimates, case, wanted):
    figure, _ = _drawn(estimates[case])
    words = _words(figure)
    for each in [*wanted, "SIMULATED BENCH", "leakage at working voltage", "bias 0 V", "refused (1)"]:
        assert each in words


def test_each_kind_of_finding_has_a_mark_of_its_own():
    marks = {state: look.finding_mark(state) for state in FindingState}
    sound, open_, unclear = (
        marks[state] for state in (FindingState.WITHIN_TOLERANCE, FindingState.OPEN, FindingState.UNDECIDED)
    )
    assert len({sound, open_, unclear}) == 3
    assert len({mark for mark, _ in (sound, open_, unclear)}) == 3


def test_the_largest_words_are_the_part_and_its_finding(estimates):
    figure, _ = _drawn(estimates["healthy"])
    by_size = sorted(_texts(figure), key=lambda text: -text.get_fontsize())
    assert by_size[0].get_text().startswith("C7   22.")
    assert by_size[1].get_text() == "WITHIN TOLERANCE"


def test_a_result_from_hardware_says_that_it_is_untested(estimates):
    figure, _ = _drawn(estimates["healthy"], replace(CIRCUMSTANCES, simulated=False))
    words = _words(figure)
    assert "untested on hardware" in words
    assert "SIMULATED" not in words


def test_the_bar_spans_the_interval(estimates):
    estimate = estimates["healthy"]
    figure, _ = _drawn(estimate)
    bar = figure.axes[0]
    thick = max(bar.lines, key=lambda line: line.get_linewidth())
    assert tuple(thick.get_xdata()) == estimate.capacitance.interval95


def test_two_sweeps_differ_by_marker_and_line_not_only_by_colour():
    figure, _ = _drawn(made_estimate(true_stage(value=22e-9), sweeps=2))
    size = figure.axes[1]
    markers = {line.get_marker() for line in size.lines if line.get_marker() not in ("None", "_", "|", "x")}
    styles = {line.get_linestyle() for line in size.lines if line.get_label().startswith("fitted")}
    assert len(markers) >= 2
    assert len(styles) == 2


def _luminance(colour):
    # WCAG 2.2, relative luminance.
    channels = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    return float(np.dot([0.2126, 0.7152, 0.0722], channels))


@pytest.mark.parametrize("name", ["INK", "QUIET", "SOUND", "TROUBLE"])
def test_coloured_words_keep_the_contrast_of_wcag_aa(name):
    # WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1.
    light, dark = sorted((_luminance(look.PAPER), _luminance(getattr(look, name))), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= 4.5
