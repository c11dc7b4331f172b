"""A sheet as one HTML file that needs nothing else: no network, no other file, no script.

Owns filling the templates; the picture goes in as a data URI. Whatever stands in a tag or a title is escaped.
"""

from __future__ import annotations

import base64
from functools import cache
from typing import TYPE_CHECKING

from twonode.analysis.sheet import Paper, RecordingSheet, TableSheet
from twonode.analysis.sheet.recording_page import density_of

if TYPE_CHECKING:
    import jinja2

__all__ = ["sheet_html"]


def sheet_html(sheet: RecordingSheet | TableSheet, paper: Paper) -> bytes:
    """The sheet as UTF-8 HTML; it prints on the paper asked for."""
    if isinstance(sheet, TableSheet):
        return _page("table.html", sheet=sheet, paper=paper)
    density = density_of(sheet, paper)
    drawing = None
    if sheet.plot is not None:
        from twonode.analysis.sheet.plot import drawing_png

        drawing = base64.b64encode(drawing_png(sheet.plot, sheet.bar, paper)).decode("ascii")
    return _page("recording.html", sheet=sheet, paper=paper, drawing=drawing, density=density)


def _page(template: str, **values: object) -> bytes:
    text = _environment().get_template(template).render(values)
    # A tag may hold half a surrogate pair, which no UTF-8 file can.
    return text.encode("utf-8", "replace")


@cache
def _environment() -> jinja2.Environment:
    import jinja2

    return jinja2.Environment(
        loader=jinja2.PackageLoader("twonode.recordings"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
