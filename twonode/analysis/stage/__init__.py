"""The small circuit around a part: parts, nodes, stage file and stage document."""

from twonode.analysis.stage.document import stage_from_document, stage_to_document
from twonode.analysis.stage.file import load_stage, parse_stage, shipped_stage, shipped_stage_names
from twonode.analysis.stage.model import GROUND, Part, PartKind, Stage

__all__ = [
    "GROUND",
    "Part",
    "PartKind",
    "Stage",
    "load_stage",
    "parse_stage",
    "shipped_stage",
    "shipped_stage_names",
    "stage_from_document",
    "stage_to_document",
]
