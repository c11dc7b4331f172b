"""traces.npz: the raw codes of both channels, one self-describing array a point.

Owns the array's fields and the container. An npz file is a plain zip of npy arrays; here nothing is
compressed, so that a reader can tell every size from the file itself before it allocates anything. Arrays
that would need unpickling are never loaded.
"""

from __future__ import annotations

import io
import os
import struct
import tokenize
import zipfile
from collections.abc import Iterable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import IO, Any, Self

import numpy as np
from numpy.lib import format as npy
from numpy.typing import NDArray

from twonode.analysis.errors import TraceError
from twonode.analysis.traces import ChannelCodes, TracePair
from twonode.recordings.disk import sync_file
from twonode.recordings.errors import DamagedRecording

__all__ = [
    "PointTraces",
    "TraceFile",
    "array_name",
    "check_members",
    "decode_point",
    "encode_point",
    "pack",
    "read_point",
]

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

# Signature, lengths of name and extra field of a zip member's own head.
_ZIP_HEAD = struct.Struct("<4s22xHH")

# Ours is 512 bytes long; one that is longer than this is not ours.
_LONGEST_HEAD = 4096

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


# All fields before the codes, in the order of `_layout`.
_FRONT = struct.Struct("<dd" + 2 * "".join({"<f8": "d", "<i4": "i"}[kind] for _, kind in _SCALARS))


def array_name(point: int) -> str:
    """Name of a point's array in the npz: point_0001."""
    return f"point_{point:04d}"


@lru_cache(maxsize=64)
def _layout(samples: int) -> np.dtype[np.void]:
    fields: list[Any] = [("frequency_hz", "<f8"), ("sample_interval_s", "<f8")]
    for channel in ("drive", "far"):
        fields += [(f"{channel}_{name}", kind) for name, kind in _SCALARS]
    fields += [("drive_codes", "<i2", (samples,)), ("far_codes", "<i2", (samples,))]
    return np.dtype(fields)


@lru_cache(maxsize=64)
def _head(samples: int) -> bytes:
    """The npy header that `encode_point` writes for so many samples."""
    content = io.BytesIO()
    npy.write_array_header_1_0(content, npy.header_data_from_array_1_0(np.zeros((), dtype=_layout(samples))))
    return content.getvalue()


_BYTES_BEFORE_CODES = len(_head(1)) + _layout(1).itemsize - 4


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
    dtype, start = _read_layout(content, len(content), where)
    samples = (dtype.itemsize - _FRONT.size) // 4
    frequency_hz, interval_s, *scalars = _FRONT.unpack_from(content, start)
    codes = np.frombuffer(content, dtype="<i2", count=2 * samples, offset=start + _FRONT.size)
    codes = codes.astype(np.int16, copy=False)
    try:
        traces = TracePair(
            drive=_channel(codes[:samples], scalars[: len(_SCALARS)]),
            far=_channel(codes[samples:], scalars[len(_SCALARS) :]),
            sample_interval_s=interval_s,
        )
    except TraceError as exc:
        raise _damaged(where, exc.what) from exc
    return PointTraces(frequency_hz, traces)


def _channel(codes: NDArray[np.int16], scalars: list[Any]) -> ChannelCodes:
    named = {name: value for (name, _), value in zip(_SCALARS, scalars, strict=True)}
    return ChannelCodes(codes=codes, **named)


def _read_layout(head: bytes, size: int, where: str) -> tuple[np.dtype[Any], int]:
    """Record layout and where the data start, once the claimed size is known to be the real one.

    head : the array's first bytes, or all of them. size : bytes of the whole array.
    """
    guess = (size - _BYTES_BEFORE_CODES) // 4
    # The usual case is told by its bytes; reading a header takes ten times as long.
    if guess > 0 and head.startswith(own := _head(guess)) and len(own) + _layout(guess).itemsize == size:
        return _layout(guess), len(own)
    file = io.BytesIO(head)
    try:
        version = npy.read_magic(file)
        if version != (1, 0):
            raise _damaged(where, f"npy version {version}")
        shape, _, dtype = npy.read_array_header_1_0(file)
    except _HEADER_ERRORS as exc:
        raise _damaged(
            where, f"no npy header ({(str(exc).splitlines() or [type(exc).__name__])[0]})"
        ) from exc
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


class TraceFile:
    """A traces.npz that is open for reading, in a ``with`` block; one point in memory at a time.

    Raises DamagedRecording where the file is no zip or cannot be read.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file: IO[bytes] | None = None

    def __enter__(self) -> Self:
        try:
            self._file = self._path.open("rb", buffering=0)
            self._size = os.fstat(self._file.fileno()).st_size
            with zipfile.ZipFile(self._file) as packed:
                self._members = packed.infolist()
        except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as exc:
            self.__exit__()
            raise _damaged(str(self._path), str(exc)) from exc
        self._by_name = {member.filename: member for member in self._members}
        return self

    def __exit__(self, *_: object) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None

    def check(self, samples_of: Mapping[int, int]) -> None:
        """Check names, sizes and layouts without loading any codes.

        samples_of : samples per channel for each point that must be there, and no others.

        Raises DamagedRecording naming file and array.
        """
        wanted = {f"{array_name(point)}.npy": samples for point, samples in samples_of.items()}
        if len(self._members) != len(self._by_name) or self._by_name.keys() != wanted.keys():
            odd = sorted(self._by_name.keys() ^ wanted.keys()) or ["an array twice"]
            raise _damaged(str(self._path), f"its arrays are not those of points.csv ({odd[0]})")
        for name, samples in wanted.items():
            where = f"{self._path}, {name}"
            start, size = self._place(name, where)
            head = self._bytes(start, min(size, _LONGEST_HEAD), where)
            # By size, which tells a layout: numpy makes none for a number of samples beyond all use.
            if _read_layout(head, size, where)[0].itemsize != _FRONT.size + 4 * samples:
                raise _damaged(where, f"it does not hold the {samples} samples of points.csv")

    def point(self, point: int) -> PointTraces:
        """The traces of one point; DamagedRecording if it is missing or not sound."""
        name = f"{array_name(point)}.npy"
        where = f"{self._path}, {name}"
        start, size = self._place(name, where)
        # The zip's own CRC-32 is left alone: the bag's SHA-256 has told more already.
        return decode_point(self._bytes(start, size, where), where=where)

    def _place(self, name: str, where: str) -> tuple[int, int]:
        """Where an array's bytes begin in the file, and how many they are."""
        member = self._by_name.get(name)
        if member is None:
            raise _damaged(where, "it is missing")
        # Uncompressed and no longer than the file that holds it: nothing can unfold into more than is there.
        if member.compress_type != zipfile.ZIP_STORED or member.file_size != member.compress_size:
            raise _damaged(where, "it is compressed")
        if member.file_size > self._size:
            raise _damaged(where, f"it claims {member.file_size} bytes in a file of {self._size}")
        head = self._bytes(member.header_offset, _ZIP_HEAD.size + len(name), where)
        mark, name_length, extra_length = _ZIP_HEAD.unpack_from(head)
        if (mark, name_length, head[_ZIP_HEAD.size :]) != (b"PK\x03\x04", len(name), name.encode()):
            raise _damaged(where, "the zip's directory and the array's own head differ")
        return member.header_offset + len(head) + extra_length, member.file_size

    def _bytes(self, start: int, count: int, where: str) -> bytes:
        assert self._file is not None, "a TraceFile works inside its with block"
        try:
            self._file.seek(start)
            content = self._file.read(count)
        except (OSError, ValueError) as exc:
            raise _damaged(where, str(exc)) from exc
        if len(content) != count:
            raise _damaged(where, f"the file ends {count - len(content)} bytes too early")
        return content


def check_members(path: Path, samples_of: Mapping[int, int]) -> None:
    """`TraceFile.check` of a file that is opened for it."""
    with TraceFile(path) as traces:
        traces.check(samples_of)


def read_point(path: Path, point: int) -> PointTraces:
    """`TraceFile.point` of a file that is opened for it."""
    with TraceFile(path) as traces:
        return traces.point(point)


def _damaged(where: str, because: str) -> DamagedRecording:
    return DamagedRecording(
        f"{where} is not sound: {because.rstrip('.')}.",
        "It holds the raw codes that every ratio is computed from.",
        "Fetch the recording from a copy; its manifest tells which copy is right.",
    )
