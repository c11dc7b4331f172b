"""What stands on the sheet of one recording: its header, its newest result, its notes, and the DC checks beside it.

Owns the one way from a folder to its sheet. How it looks is left to `analysis.sheet`; the words are in `sheet_words`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from twonode.analysis.curves import FittedCurve
from twonode.analysis.sheet import RecordingSheet
from twonode.recordings.anykind import read_any
from twonode.recordings.dc import DcRecording
from twonode.recordings.errors import OtherKind
from twonode.recordings.gist import read_gist
from twonode.recordings.model import RecordingKind
from twonode.recordings.sheet_dc import dc_sheet
from twonode.recordings.sheet_result import Result
from twonode.recordings.sheet_source import Source
from twonode.recordings.sheet_sweep import sweep_sheet

__all__ = ["Cautions", "recording_sheet"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cautions:
    """Words of caution by what is done; they are the acquiring room's."""

    sweep: tuple[str, ...]
    dc: tuple[str, ...]


def recording_sheet(
    folder: Path,
    *,
    cautions: Cautions,
    archive: Path | None = None,
    curves: Sequence[FittedCurve] = (),
    worked_out: Result | None = None,
) -> RecordingSheet:
    """The sheet of one closed recording; every file is compared with the manifests before anything is believed.

    archive : where else the part may have been measured; None looks beside the recording.
    curves : the fit to be drawn; none leaves the points alone.
    worked_out : a result for a recording that has none stored.

    Raises NotARecording, DamagedRecording, NewerFormat, OtherKind for a null run or a drawer's by-work.
    """
    recording = read_any(folder)
    if recording.header.kind is RecordingKind.NULL:
        raise OtherKind(
            f"{recording.name} is a null run: it compares the two channels and says nothing of a part.",
            "A sheet is about a part or about a set's voltages.",
            "Name a sweep or a DC check; the sheet of a sweep names the null run it went by.",
        )
    if read_gist(recording.folder.resolve().parent, recording.name).entry.drawer_by_work:
        raise OtherKind(
            f"{recording.name} was made by the drawer on its way to a part, and says nothing of one by itself.",
            "A sheet is about a part; what the fixture adds is not taken out of this sweep.",
            "Name the part's own measurement: `twonode archive list` shows it.",
        )
    source = Source(recording=recording, archive=archive, worked_out=worked_out)
    if isinstance(recording, DcRecording):
        return dc_sheet(source, recording, cautions.dc)
    return sweep_sheet(source, recording, cautions.sweep, curves)
