"""traces.npz: the raw codes of both channels, one self-describing array a point.

Owns the array's fields and the container. An npz file is a plain zip of npy arrays; here nothing is
compressed, so that a reader can tell every size from the file itself before it allocates anything. Arrays
that would need unpickling are never loaded.
"""

from __future__ import annotations

import io
import tokenize
import zipfile
from collections.abc import Iterable
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.lib import format as npy
from numpy.typing import NDArray

from twonode.analysis.errors import TraceError
from twonode.analysis.traces import ChannelCodes, TracePair
from twonode.recordings.disk import sync_file
from twonode.recordings.errors import DamagedRecording

__all__ = ["PointTraces", "array_name", "check_members", "decode_point", "encode_point", "pack", "read_point"]

# What numpy lets through from the parsers it uses on a header that is none.
_HEADER_ERRORS = (
    ValueError,
    EOFError,
    OSError,
    TypeError,
    SyntaxError,
    MemoryError,
    RecursionError,
    tokenize.TokenError,
)

_SCALARS = (
    ("volts_per_code", "<f8"),
    ("volts_at_code_zero", "<f8"),
    ("lowest_code", "<i4"),
    ("highest_code", "<i4"),
    ("volts_per_div", "<f8"),
)


class PointTraces:
    """The traces of one point and the frequency they were taken at (Hz, as read back)."""

    __slots__ = ("frequency_hz", "traces")

    def __init__(self, frequency_hz: float, traces: TracePair) -> None:
        self.frequency_hz = frequency_hz
        self.traces = traces


def array_name(point: int) -> str:
    """Name of a point's array in the npz: point_0001."""
    return f"point_{point:04d}"


def _layout(samples: int) -> np.dtype[np.void]:
    fields: list[Any] = [("frequency_hz", "<f8"), ("sample_interval_s", "<f8")]
    for channel in ("drive", "far"):
        fields += [(f"{channel}_{name}", kind) for name, kind in _SCALARS]
    fields += [("drive_codes", "<i2", (samples,)), ("far_codes", "<i2", (samples,))]
    return np.dtype(fields)


def encode_point(frequency_hz: float, traces: TracePair) -> bytes:
    """One npy file: a single record whose fields carry their units in their names."""
    record = np.zeros((), dtype=_layout(traces.samples))
    record["frequency_hz"] = frequency_hz
    record["sample_interval_s"] = traces.sample_interval_s
    for channel, codes in (("drive", traces.drive), ("far", traces.far)):
        for name, _ in _SCALARS:
            record[f"{channel}_{name}"] = getattr(codes, name)
        record[f"{channel}_codes"] = codes.codes
    content = io.BytesIO()
    npy.write_array(content, record, version=(1, 0), allow_pickle=False)
    return content.getvalue()


def decode_point(content: bytes, *, where: str) -> PointTraces:
    """One npy file read back; DamagedRecording if it is anything but what `encode_point` writes."""
    dtype, start = _read_layout(io.BytesIO(content), len(content), where)
    record: NDArray[np.void] = np.frombuffer(content, dtype=dtype, count=1, offset=start)[0]
    try:
        drive, far = (_channel(record, channel) for channel in ("drive", "far"))
        traces = TracePair(drive=drive, far=far, sample_interval_s=float(record["sample_interval_s"]))
    except TraceError as exc:
        raise _damaged(where, exc.what) from exc
    return PointTraces(float(record["frequency_hz"]), traces)


def _channel(record: NDArray[np.void], channel: str) -> ChannelCodes:
    return ChannelCodes(
        codes=np.ascontiguousarray(record[f"{channel}_codes"], dtype=np.int16),
        volts_per_code=float(record[f"{channel}_volts_per_code"]),
        volts_at_code_zero=float(record[f"{channel}_volts_at_code_zero"]),
        lowest_code=int(record[f"{channel}_lowest_code"]),
        highest_code=int(record[f"{channel}_highest_code"]),
        volts_per_div=float(record[f"{channel}_volts_per_div"]),
    )


def _read_layout(file: IO[bytes], size: int, where: str) -> tuple[np.dtype[Any], int]:
    """Record layout and where the data start, once the claimed size is known to be the real one."""
    try:
        version = npy.read_magic(file)
        if version != (1, 0):
            raise _damaged(where, f"npy version {version}")
        shape, _, dtype = npy.read_array_header_1_0(file)
    except _HEADER_ERRORS as exc:
        raise _damaged(where, f"no npy header ({str(exc).splitlines()[0]})") from exc
    start = file.tell()
    codes = dtype.fields.get("drive_codes") if dtype.fields else None
    samples = codes[0].shape[0] if codes is not None and codes[0].shape else 0
    if shape != () or samples == 0 or dtype != _layout(samples):
        raise _damaged(where, "its fields are not those of a point")
    if start + dtype.itemsize != size:
        raise _damaged(where, f"it is {size} bytes long, its header speaks of {start + dtype.itemsize}")
    return dtype, start


def pack(path: Path, points: Iterable[tuple[int, Path]]) -> None:
    """Write the npz from the points' npy files, one in memory at a time; synced on return. Raises OSError.

    The zip carries a fixed date, so the same points always give the same bytes.
    """
    with path.open("wb") as file:
        with zipfile.ZipFile(file, "w", zipfile.ZIP_STORED) as packed:
            for point, source in points:
                member = zipfile.ZipInfo(f"{array_name(point)}.npy", date_time=(1980, 1, 1, 0, 0, 0))
                member.external_attr = 0o644 << 16
                packed.writestr(member, source.read_bytes())
        sync_file(file)


def check_members(path: Path, samples_of: dict[int, int]) -> None:
    """Check names, sizes and layouts without loading any codes.

    samples_of : samples per channel for each point that must be there, and no others.

    Raises DamagedRecording naming file and array.
    """
    with _opened(path) as packed:
        wanted = {f"{array_name(point)}.npy": samples for point, samples in samples_of.items()}
        names = packed.namelist()
        if len(names) != len(set(names)) or set(names) != set(wanted):
            odd = sorted(set(names) ^ set(wanted)) or ["an array twice"]
            raise _damaged(str(path), f"its arrays are not those of points.csv ({odd[0]})")
        for name, samples in wanted.items():
            where = f"{path}, {name}"
            member = _stored(packed, name, path, where)
            with packed.open(member) as file:
                dtype, _ = _read_layout(file, member.file_size, where)
            if dtype != _layout(samples):
                raise _damaged(where, f"it does not hold the {samples} samples of points.csv")


def read_point(path: Path, point: int) -> PointTraces:
    """The traces of one point; DamagedRecording if it is missing or not sound."""
    name = f"{array_name(point)}.npy"
    where = f"{path}, {name}"
    with _opened(path) as packed:
        try:
            content = packed.read(_stored(packed, name, path, where))
        except (zipfile.BadZipFile, EOFError, OSError) as exc:
            raise _damaged(where, str(exc)) from exc
    return decode_point(content, where=where)


def _opened(path: Path) -> zipfile.ZipFile:
    try:
        return zipfile.ZipFile(path)
    except (zipfile.BadZipFile, OSError, ValueError) as exc:
        raise _damaged(str(path), str(exc)) from exc


def _stored(packed: zipfile.ZipFile, name: str, path: Path, where: str) -> zipfile.ZipInfo:
    try:
        member = packed.getinfo(name)
    except KeyError:
        raise _damaged(where, "it is missing") from None
    # Uncompressed and no longer than the file that holds it: nothing can unfold into more than is there.
    if member.compress_type != zipfile.ZIP_STORED or member.file_size != member.compress_size:
        raise _damaged(where, "it is compressed")
    if member.file_size > path.stat().st_size:
        raise _damaged(where, f"it claims {member.file_size} bytes in a file of {path.stat().st_size}")
    return member


def _damaged(where: str, because: str) -> DamagedRecording:
    return DamagedRecording(
        f"{where} is not sound: {because.rstrip('.')}.",
        "It holds the raw codes that every ratio is computed from.",
        "Fetch the recording from a copy; its manifest tells which copy is right.",
    )
