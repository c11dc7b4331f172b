"""The printable sheet: what stands on it, and the pages drawn from that."""

from twonode.analysis.sheet.content import (
    Bar,
    Blank,
    Column,
    Field,
    Listing,
    Mark,
    Plot,
    RecordingSheet,
    TableSheet,
    Trail,
    Verdict,
)
from twonode.analysis.sheet.output import draw_pages, sheet_pdf, sheet_png
from twonode.analysis.sheet.paper import Paper

__all__ = [
    "Bar",
    "Blank",
    "Column",
    "Field",
    "Listing",
    "Mark",
    "Paper",
    "Plot",
    "RecordingSheet",
    "TableSheet",
    "Trail",
    "Verdict",
    "draw_pages",
    "sheet_pdf",
    "sheet_png",
]
