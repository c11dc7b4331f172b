"""What else an archive knows of the same part: the DC checks beside a sweep, the sweeps beside a DC check.

Owns which recordings are about the same part in the same state.
"""

from __future__ import annotations

import os
from pathlib import Path

from twonode.recordings.entry import Entry
from twonode.recordings.foldedtext import folded_key
from twonode.recordings.gist import read_gist
from twonode.recordings.identity import Identity, IdentityField
from twonode.recordings.index import ArchiveIndex
from twonode.recordings.index_query import Search
from twonode.recordings.naming import is_recording_name

__all__ = ["of_same_part"]


def of_same_part(
    folder: Path, identity: Identity, *, kinds: tuple[str, ...], simulated: bool, archive: Path | None
) -> tuple[Entry, ...]:
    """Recordings of some kinds with a result, about the same part of the same set, oldest first.

    Nothing is about the same part where the set or the part is not known. Serial number and before/after must not
    contradict each other. A simulated recording goes with simulated ones only.

    archive : the one that is searched by its index; a recording that lies elsewhere has its neighbours read one by one.
    """
    if identity.set_name is None or identity.part is None:
        return ()
    place = folder.resolve().parent
    if archive is not None and archive.is_dir() and archive.resolve() == place:
        wanted = {IdentityField.SET: identity.set_name, IdentityField.PART: identity.part}
        with ArchiveIndex(archive) as index:
            found = index.find(Search(identity=wanted))
    else:
        found = [
            read_gist(place, name).entry for name in sorted(os.listdir(place)) if is_recording_name(name)
        ]
    return tuple(
        sorted(
            (
                entry
                for entry in found
                if entry.name != folder.resolve().name
                and entry.kind in kinds
                and entry.finding is not None
                and entry.simulated == simulated
                and _same(entry.identity, identity)
            ),
            key=lambda entry: (entry.created_utc or "", entry.name),
        )
    )


def _same(one: Identity, other: Identity) -> bool:
    for field in (IdentityField.SET, IdentityField.PART):
        mine, theirs = one.of(field), other.of(field)
        if mine is None or theirs is None or folded_key(mine) != folded_key(theirs):
            return False
    for field in (IdentityField.SERIAL, IdentityField.WHEN):
        mine, theirs = one.of(field), other.of(field)
        if mine is not None and theirs is not None and folded_key(mine) != folded_key(theirs):
            return False
    return True
