"""Pages to bytes: PDF with its text kept as text, or PNG.

Owns the file formats. Nothing in the bytes tells when or where they were made: the same content gives the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from twonode.analysis.sheet.content import RecordingSheet, TableSheet
from twonode.analysis.sheet.paper import Paper
from twonode.analysis.sheet.plot import sheet_type
from twonode.analysis.sheet.recording_page import draw_recording_sheet
from twonode.analysis.sheet.table_page import draw_table_pages

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["PNG_DOTS_PER_IN", "draw_pages", "pages_pdf", "sheet_pdf", "sheet_png"]

PNG_DOTS_PER_IN = 150


def draw_pages(sheets: Sequence[RecordingSheet | TableSheet], paper: Paper) -> list[Figure]:
    """Every page of the sheets, in their order."""
    total = len(sheets)
    pages: list[Figure] = []
    for number, sheet in enumerate(sheets, start=1):
        if isinstance(sheet, RecordingSheet):
            pages.append(draw_recording_sheet(sheet, paper, page=number, pages=total))
        else:
            pages += draw_table_pages(sheet, paper)
    return pages


def sheet_pdf(sheets: Sequence[RecordingSheet | TableSheet], paper: Paper) -> bytes:
    """All sheets in one PDF. Raises ValueError where there are none."""
    if not sheets:
        raise ValueError("sheets: need at least one")
    return pages_pdf(draw_pages(sheets, paper), title=sheets[0].title, made=max(s.made for s in sheets))


def pages_pdf(pages: Sequence[Figure], *, title: str, made: datetime) -> bytes:
    """Pages as a PDF with embedded TrueType fonts. made : its date, with time zone."""
    import matplotlib as mpl
    from matplotlib.backends.backend_pdf import PdfPages

    about: dict[str, Any] = {
        "Title": title,
        "Creator": "twonode",
        "Producer": "twonode",
        "CreationDate": made,
        "ModDate": made,
    }
    target = io.BytesIO()
    with mpl.rc_context(sheet_type()), PdfPages(target, metadata=about) as pdf:
        for page in pages:
            pdf.savefig(page)
    return target.getvalue()


def sheet_png(sheet: RecordingSheet | TableSheet, paper: Paper) -> list[bytes]:
    """One PNG a page, at 150 dots an inch."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    found = []
    for page in draw_pages([sheet], paper):
        FigureCanvasAgg(page)
        target = io.BytesIO()
        page.savefig(target, format="png", dpi=PNG_DOTS_PER_IN, metadata={"Software": None})
        found.append(target.getvalue())
    return found
