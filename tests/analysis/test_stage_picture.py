"""The picture of an explained stage: legible, complete, and of the look of the other one."""

import io
from itertools import combinations, pairwise

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from test_picture import _texts

from twonode.analysis.explain import explain_stage
from twonode.analysis.look import SMALLEST_POINTS
from twonode.analysis.single_fault import parse_fault
from twonode.analysis.stage import GROUND, Part, PartKind, Stage, shipped_stage, shipped_stage_names
from twonode.analysis.stage_picture import draw_stage_picture, stage_picture_png


def _ladder(sections):
    """More parts to ground than there are patterns."""
    parts = []
    nodes = ["drive", *(f"node {n}" for n in range(1, sections)), "far"]
    for number, (here, there) in enumerate(pairwise(nodes), start=1):
        parts += [
            Part(name=f"R{number}", kind=PartKind.RESISTOR, between=(here, there), value=10e3),
            Part(name=f"C{number}", kind=PartKind.CAPACITOR, between=(there, GROUND), value=1e-9),
        ]
    title = "A long ladder of many sections with a title that is long " * 2
    return Stage(title=title, drive="drive", far="far", parts=tuple(parts))


CASES = {
    **{name: lambda name=name: explain_stage(shipped_stage(name)) for name in shipped_stage_names()},
    "one fault": lambda: explain_stage(
        shipped_stage("coupling-with-bypass"),
        source_ohm=60e3,
        what_if=parse_fault("C2=open", shipped_stage("coupling-with-bypass")),
    ),
    "long ladder": lambda: explain_stage(_ladder(9)),
}


@pytest.mark.parametrize("case", CASES)
def test_no_words_overlap_leave_the_picture_or_are_tiny(case):
    figure = draw_stage_picture(CASES[case]())
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    texts = _texts(figure)
    assert min(text.get_fontsize() for text in texts) >= SMALLEST_POINTS
    boxes = []
    for text in texts:
        box = text.get_window_extent(canvas.get_renderer())
        assert figure.bbox.x0 <= box.x0 <= box.x1 <= figure.bbox.x1, text
        assert figure.bbox.y0 <= box.y0 <= box.y1 <= figure.bbox.y1, text
        boxes.append((text.get_text(), box.shrunk(0.94, 0.8)))
    for (first, one), (second, other) in combinations(boxes, 2):
        assert not one.overlaps(other), f"{first!r} runs into {second!r}"


def test_the_areas_are_the_shares_and_fill_the_panel():
    figure = draw_stage_picture(CASES["wrenfield-46-driver-output"]())
    shares = figure.axes[0]
    top = max(path.vertices[:, 1].max() for area in shares.collections for path in area.get_paths())
    assert top == pytest.approx(100.0, abs=1e-9)
    patterns = [area.get_hatch() for area in shares.collections]
    assert len(set(patterns)) == len(patterns) == 3  # C6, R9, R12
    names = [text.get_text() for legend in figure.legends for text in legend.get_texts()]
    assert names[:3] == ["R12: by C7 to ground", "R9: to ht", "C6: to ground"]


def test_each_curve_has_a_style_of_its_own_and_a_name():
    figure = draw_stage_picture(CASES["wrenfield-46-driver-output"]())
    lines = figure.axes[1].get_lines()
    styles = {(line.get_linestyle(), line.get_marker()) for line in lines}
    assert len(styles) == len(lines)
    names = [text.get_text() for text in figure.legends[1].get_texts()]
    assert names == ["as it should be", "C7 open", "C7 shorted", "C7 leaky 1.00 MΩ", "C6 open"]


def test_the_picture_says_that_nothing_was_measured():
    words = "\n".join(text.get_text() for text in _texts(draw_stage_picture(CASES["one fault"]())))
    assert "nothing was measured" in words
    assert "60.0 kΩ" in words


def test_the_png_is_one_picture_of_the_stated_size():
    image = mpl.image.imread(io.BytesIO(stage_picture_png(CASES["avc-filter"]())))
    assert image.shape[:2] == (1300, 1300)
    assert np.unique(image.reshape(-1, image.shape[2]), axis=0).shape[0] > 50
