"""Which null run a sweep will go by, as far as that can be said before the bench is connected.

Owns this forecast. Which scope answers is not known yet, and its ranges are not; `nulls` decides once they are.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

from twonode.acquire.nulls import ChannelsUsed, channels_of, fits
from twonode.recordings.errors import RecordingError
from twonode.recordings.index import ArchiveIndex
from twonode.recordings.index_query import Search
from twonode.recordings.model import Header, RecordingKind
from twonode.recordings.reader import read_header

__all__ = ["DRIFT", "NullAhead", "null_ahead"]

_MOST = 200
"""Of the newest null runs that are looked at; more probes than that nobody has."""


DRIFT = timedelta(hours=8)
"""After so long a scope's gain has drifted with its temperature: a working day (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NullAhead:
    """The newest null run made with such probes.

    scope : the reply to *IDN? of the scope it was made with, which has to answer for the sweep to go by it.
    """

    folder: Path
    header: Header
    scope: str

    def drifted(self, now: datetime) -> bool:
        """Whether it is so old that a new one is better."""
        return now - self.header.created_utc > DRIFT


def null_ahead(
    archive: Path, *, probe_factors: tuple[float, float], simulated: bool, seed: int | None
) -> NullAhead | None:
    """The newest null run in an archive that fits but for the scope, which is not known yet; None where none does.

    Raises NotARecording where the archive is no folder that can be read.
    """
    if not archive.is_dir():
        return None
    wanted = ChannelsUsed(scope="", probe_factors=probe_factors, simulated=simulated, seed=seed)
    with ArchiveIndex(archive) as index:
        found = index.find(Search(kind=RecordingKind.NULL.value), limit=_MOST)
    for entry in found:
        try:
            header = read_header(archive / entry.name)
        except RecordingError:
            continue
        scope = channels_of(header).scope
        if fits(header, replace(wanted, scope=scope)) is None:
            return NullAhead(folder=archive / entry.name, header=header, scope=scope)
    return None
