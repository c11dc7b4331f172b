"""Which null run a sweep may use: finding one, whether it fits, how old it is, and how a sweep names it.

Owns the comparison of a null run with a bench and with a sweep. A null run says something of one scope, its two
probes and the ranges that were compared; anything else would put errors in where it should take them out. What it
says is left to the joint model.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from twonode.acquire.errors import UnfitRequest
from twonode.acquire.ranges import choose_range
from twonode.acquire.request import SweepRequest
from twonode.analysis.quantities import format_quantity
from twonode.drivers.bench import Bench
from twonode.recordings.bag import MANIFEST
from twonode.recordings.errors import NotARecording, RecordingError
from twonode.recordings.model import Ended, Header, InstrumentRole, NullUsed, RecordingKind
from twonode.recordings.naming import is_recording_name
from twonode.recordings.reader import Recording, read_header, read_recording

__all__ = [
    "ChannelsUsed",
    "age_words",
    "channels_of",
    "fits",
    "newest_null",
    "null_for_sweep",
    "null_named",
    "null_used",
    "ranges_covered",
    "refuse_unfit",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelsUsed:
    """What must be the same for a null run to hold.

    scope : its reply to *IDN?. probe_factors : channel 1's and channel 2's.
    simulated, seed : the simulated bench, and which of them; a seed is another pair of probes.
    """

    scope: str
    probe_factors: tuple[float, float]
    simulated: bool = False
    seed: int | None = None


def channels_of(header: Header) -> ChannelsUsed:
    """The channels that a recording was made with."""
    scopes = [i.identity for i in header.instruments if i.role is InstrumentRole.SCOPE]
    return ChannelsUsed(
        scope=scopes[0] if scopes else "",
        probe_factors=(header.drive_probe.factor, header.far_probe.factor),
        simulated=header.conditions.simulated,
        seed=header.conditions.seed,
    )


def fits(null: Header, channels: ChannelsUsed) -> str | None:
    """Why a null run says nothing of these channels; None where it does. Ranges: see `ranges_covered`."""
    if null.kind is not RecordingKind.NULL:
        return "it is a sweep, not a null run"
    if null.ended is not Ended.FINISHED:
        return "it was not finished"
    own = channels_of(null)
    if own.scope != channels.scope:
        return f"it was made with the scope {own.scope!r}, not with {channels.scope!r}"
    if own.probe_factors != channels.probe_factors:
        return f"its probe factors are {_factors(own)}, not {_factors(channels)}"
    if own.simulated != channels.simulated:
        return "one of the two benches is simulated"
    if own.seed != channels.seed:
        return f"it was made on the simulated bench of seed {own.seed}, not of seed {channels.seed}"
    return None


def _factors(channels: ChannelsUsed) -> str:
    return " and ".join(f"{factor:g}:1" for factor in channels.probe_factors)


def ranges_covered(null: Recording, sweep: Recording) -> str | None:
    """The ranges of a sweep's used points that the null run did not compare, in words; None where it has them all."""
    missing = []
    for channel, column in ((1, "drive_volts_per_div"), (2, "far_volts_per_div")):
        known = {_named(getattr(row, column)) for row in null.used}
        used = {_named(getattr(row, column)) for row in sweep.used}
        if lacking := sorted(used - known, key=float):
            missing.append(f"channel {channel} at {' and '.join(lacking)} V/div")
    return f"it did not compare {', '.join(missing)}" if missing else None


def _named(volts_per_div: float) -> str:
    return f"{volts_per_div:.6g}"


def refuse_unfit(null: Path, reason: str) -> UnfitRequest:
    """The refusal of a null run that was asked for by name."""
    return UnfitRequest(
        f"The null run {null.name} does not fit: {reason}.",
        "What the channels did then says nothing of this sweep; it would put errors in instead of taking them out.",
        "Do a null run with these instruments, probes and level (`twonode null`), or go without (--null none).",
    )


def newest_null(
    archive: Path, channels: ChannelsUsed, *, drive_volts_per_div: float | None = None
) -> Path | None:
    """The newest null run in an archive that fits these channels; None where there is none.

    drive_volts_per_div : range of channel 1 that it must have compared.

    Folders whose headers cannot be read are passed over; nothing is compared with manifests here.
    """
    try:
        names = sorted(
            (each.name for each in archive.iterdir() if is_recording_name(each.name)), reverse=True
        )
    except OSError:
        return None
    for name in names:
        try:
            header = read_header(archive / name)
        except RecordingError:
            continue
        if fits(header, channels) is None and _plans_range(header, drive_volts_per_div):
            return archive / name
    return None


def _plans_range(header: Header, drive_volts_per_div: float | None) -> bool:
    if drive_volts_per_div is None:
        return True
    planned = header.plan.get("drive_volts_per_div", [])
    if not isinstance(planned, list):
        return False  # a header holds any JSON there
    numbers = (float(volts) for volts in planned if isinstance(volts, int | float))
    return _named(drive_volts_per_div) in map(_named, numbers)


def null_for_sweep(
    bench: Bench, request: SweepRequest, *, archive: Path, wanted: Path | None
) -> Recording | None:
    """The null run to use in a sweep on this bench: the wanted one, else the newest in the archive that fits.

    Returns None where none was wanted and none fits.

    Raises
    ------
    UnfitRequest : the wanted one does not fit these instruments, probes or channel 1's range.
    RecordingError : it is none, or damaged.
    """
    channels = ChannelsUsed(
        scope=bench.scope.identity,
        probe_factors=request.probe_factors,
        simulated=request.simulated,
        seed=request.seed,
    )
    # A node that loads the generator leads to a finer range, and finer ones are tied to this one.
    steps = bench.scope.volts_per_div_choices(request.probe_factors[0])
    drive_volts_per_div = choose_range(request.generator_vpp, steps)
    if wanted is None:
        path = newest_null(archive, channels, drive_volts_per_div=drive_volts_per_div)
        if path is None:
            return None
        try:
            return read_recording(path)
        except RecordingError:
            return None
    null = read_recording(wanted)
    reason = fits(null.header, channels)
    if reason is None and not _plans_range(null.header, drive_volts_per_div):
        reason = (
            f"it did not compare channel 1 at {_named(drive_volts_per_div)} V/div, which "
            f"{format_quantity(request.generator_vpp, 'V')} peak-to-peak need"
        )
    if reason is not None:
        raise refuse_unfit(wanted, reason)
    return null


def null_used(path: Path) -> NullUsed:
    """How a sweep names its null run: the folder's name and the SHA-256 of its manifest.

    Raises NotARecording where there is none.
    """
    try:
        manifest = (path / MANIFEST).read_bytes()
    except OSError as exc:
        raise NotARecording(
            f"{path} is no recording: it has no {MANIFEST}.",
            "A null run is a recording like any other.",
            "Name the folder of a null run, or do one with `twonode null`.",
        ) from exc
    return NullUsed(recording=path.resolve().name, manifest_sha256=hashlib.sha256(manifest).hexdigest())


def null_named(sweep: Recording, places: Sequence[Path] = ()) -> tuple[Recording | None, str | None]:
    """The null run that a sweep names, and what there is to say where it cannot be used.

    places : folders to look in after the one that the sweep itself lies in.
    """
    named = sweep.header.null
    if named is None:
        return None, None
    beside = [folder / named.recording for folder in (sweep.folder.resolve().parent, *places)]
    path = next((each for each in beside if each.is_dir()), beside[0])
    try:
        same = null_used(path).manifest_sha256 == named.manifest_sha256
        found = read_recording(path) if same else None
    except NotARecording:
        return None, _without(sweep, f"it is not beside the sweep ({named.recording})")
    except RecordingError as exc:
        return None, _without(sweep, f"it cannot be read. {exc.what.rstrip('.')}")
    if found is None:
        return None, _without(sweep, f"{named.recording} has another content than when the sweep was made")
    reason = fits(found.header, channels_of(sweep.header)) or ranges_covered(found, sweep)
    if reason is not None:
        return None, _without(sweep, reason)
    return found, None


def _without(sweep: Recording, reason: str) -> str:
    return f"The null run of {sweep.name} is left out of the estimate: {reason}."


def age_words(created: datetime, now: datetime) -> str:
    """How old something is, in words: "2 hours ago".

    >>> from datetime import UTC
    >>> noon = datetime(2031, 4, 9, 12, tzinfo=UTC)
    >>> age_words(noon, noon.replace(hour=14, minute=20))
    '2 hours ago'
    """
    age = now - created
    if age < timedelta(0):
        return "dated in the future"
    for unit, name in (
        (timedelta(days=365.25), "year"),
        (timedelta(days=30.44), "month"),
        (timedelta(days=1), "day"),
        (timedelta(hours=1), "hour"),
        (timedelta(minutes=1), "minute"),
    ):
        count = int(age / unit)
        if count >= 1:
            return f"{count} {name}{'s' if count > 1 else ''} ago"
    return "just now"
