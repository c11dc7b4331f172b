"""What lies in an archive, in other people's tables and in settings files: parsers with sound samples.

Where a parser is given a path, the input lies in a temporary folder, one a process.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import cache
from importlib import resources
from pathlib import Path

import msgspec
import numpy as np

from tests.fuzz.fuzzing import Parser, finite, first_that
from tests.fuzz.mutations import Form
from twonode.acquire.resume import request_of
from twonode.analysis.traces import ChannelCodes, TracePair
from twonode.errors import TwonodeError
from twonode.recordings.anykind import load_any, read_any_header
from twonode.recordings.bag import BAG_INFO, DECLARATION, MANIFEST, TAG_MANIFEST, check_bag, write_bag_files
from twonode.recordings.csvtable import read_table
from twonode.recordings.dcmodel import DcRow, decode_dc_header
from twonode.recordings.entry import EntryState
from twonode.recordings.foreign_csv import read_foreign
from twonode.recordings.foreign_header import column_named
from twonode.recordings.gist import read_gist
from twonode.recordings.import_points import holds_points, parse_points
from twonode.recordings.import_traces import parse_trace
from twonode.recordings.index import ArchiveIndex
from twonode.recordings.index_query import (
    Search,
    finding_named,
    kind_named,
    nearest_text,
    parse_day,
    parse_value_range,
)
from twonode.recordings.model import RecordingKind, decode_header, encode_header
from twonode.recordings.notes import add_note, field_named, read_notes
from twonode.recordings.points import read_rows
from twonode.recordings.reader import Recording
from twonode.recordings.results import read_results
from twonode.recordings.sheet_result import stored_result
from twonode.recordings.tracefile import TraceFile, decode_point, encode_point, pack

EXAMPLES = Path(str(resources.files("twonode.recordings") / "examples"))
_KINDS = ("sweep", "null", "dc", "points")


def _example(kind: str, name: str) -> bytes:
    return (EXAMPLES / f"format-1-{kind}" / name).read_bytes()


@cache
def fuzz_folder() -> Path:
    """A folder of this process; gone with it."""
    made = tempfile.TemporaryDirectory(prefix="fuzz-", ignore_cleanup_errors=True)
    _KEPT.append(made)
    return Path(made.name)


_KEPT: list[tempfile.TemporaryDirectory[str]] = []


@cache
def _copy(kind: str) -> Path:
    """An example copied to where it can be spoilt, without the larger results."""
    archive = fuzz_folder() / "archive"
    folder = archive / f"2031-04-09T18-20-11Z_{kind}"
    for path in sorted((EXAMPLES / f"format-1-{kind}").rglob("*")):
        target = folder / path.relative_to(EXAMPLES / f"format-1-{kind}")
        if path.is_file():
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(path.read_bytes())
    (folder / "results").mkdir(exist_ok=True)
    return folder


@contextmanager
def _spoilt(path: Path, content: bytes) -> Iterator[None]:
    """The file holds that content inside the block, and afterwards what it held before."""
    before = path.read_bytes() if path.exists() else None
    path.write_bytes(content)
    try:
        yield
    finally:
        if before is None:
            path.unlink()
        else:
            path.write_bytes(before)


def _head(content: bytes) -> object:
    return decode_header(content, where="recording.json")


def _dc_head(content: bytes) -> object:
    return decode_dc_header(content, where="recording.json")


def _points(content: bytes) -> object:
    return read_rows(content, where="points.csv")


def _table_points(content: bytes) -> object:
    return read_rows(content, where="points.csv", kind=RecordingKind.POINTS)


def _readings(content: bytes) -> object:
    return read_table(content, DcRow, where="readings.csv")


def _point(content: bytes) -> bool:
    read = decode_point(content, where="point_0001.npy")
    drive = read.traces.drive
    return finite((read.traces.sample_interval_s, drive.volts_per_code, drive.volts_at_code_zero))


def _trace_file(content: bytes) -> bool:
    path = fuzz_folder() / "traces.npz"
    path.write_bytes(content)
    with TraceFile(path) as traces:
        traces.check({1: 12, 2: 12})
        return all(traces.point(point).traces.samples == 12 for point in (1, 2))


@cache
def _small_pair() -> TracePair:
    codes = ChannelCodes(
        codes=np.arange(-6, 6, dtype=np.int16),
        volts_per_code=0.01,
        volts_at_code_zero=0.0,
        lowest_code=-127,
        highest_code=126,
        volts_per_div=0.25,
    )
    return TracePair(drive=codes, far=codes, sample_interval_s=1e-6)


def _packed() -> bytes:
    with tempfile.TemporaryDirectory() as made:
        members = []
        for number in (1, 2):
            member = Path(made) / f"{number}.npy"
            member.write_bytes(encode_point(1000.0, _small_pair()))
            members.append((number, member))
        pack(Path(made) / "traces.npz", members)
        return (Path(made) / "traces.npz").read_bytes()


_BAG_FILES = (DECLARATION, BAG_INFO, MANIFEST, TAG_MANIFEST)


@cache
def _bag() -> Path:
    bag = fuzz_folder() / "bag"
    (bag / "data").mkdir(parents=True)
    (bag / "results").mkdir()
    for name in ("recording.json", "points.csv"):
        (bag / "data" / name).write_bytes(b"x\n")
    (bag / "results" / "note.json").write_bytes(b"{}\n")
    write_bag_files(bag, info={"Source-Organization": "bench", "Bagging-Date": "2031-04-09"})
    return bag


def _bag_file(content: bytes) -> None:
    """The first byte tells which of the four files holds the rest."""
    which, rest = (content[0] if content else 0), content[1:]
    with _spoilt(_bag() / _BAG_FILES[which % 4], rest):
        check_bag(_bag())


def _bag_samples() -> tuple[bytes, ...]:
    return tuple(bytes([which]) + (_bag() / name).read_bytes() for which, name in enumerate(_BAG_FILES))


_MEMBERS = (
    *(("sweep", "recording.json"), ("sweep", "points.csv"), ("null", "recording.json")),
    *(
        ("dc", "recording.json"),
        ("dc", "readings.csv"),
        ("points", "recording.json"),
        ("points", "points.csv"),
    ),
)
_PLAN = {
    "kind": "even",
    "from_hz": 20.0,
    "to_hz": 2e4,
    "points": 12,
    "frequencies_hz": [20.0, 60.0],
    "line_hz": 60.0,
}


def _interrupted() -> bytes:
    """The sweep's header as one that can be gone on with says it."""
    head = decode_header(_example("sweep", "data/recording.json"), where="example")
    return encode_header(msgspec.structs.replace(head, plan=_PLAN))


def _folder(content: bytes) -> bool:
    """A recording one of whose files is another one, as if its manifests had been made anew. The first byte says which."""
    kind, name = _MEMBERS[(content[0] if content else 0) % len(_MEMBERS)]
    folder = _copy(kind)
    with _spoilt(folder / "data" / name, content[1:]):
        read_any_header(folder)
        recording = load_any(folder)
        if isinstance(recording, Recording):
            if recording.header.kind is RecordingKind.SWEEP:
                request_of(recording)
            return finite(recording.points)
        return finite(recording.readings)


def _gist(content: bytes) -> bool:
    """What a search keeps of a recording; it never raises."""
    folder = _copy("sweep")
    which, rest = (content[0] if content else 0) % 3, content[1:]
    place = folder / ("data/recording.json", "results/estimate-C7.json", "results/note.json")[which]
    with _spoilt(place, rest):
        entry = read_gist(folder.parent, folder.name).entry
    return entry.state in (EntryState.READABLE, EntryState.DAMAGED, EntryState.NEWER)


def _result(content: bytes) -> object:
    folder = _copy("sweep")
    with _spoilt(folder / "results" / "estimate-C7.json", content):
        stored_result(folder, kind="sweep", part="C7")
        return [stored.document for stored in read_results(folder)]


def _note(content: bytes) -> object:
    folder = _copy("null")
    with _spoilt(folder / "results" / "note.json", content):
        return [note.line for note in read_notes(folder)]


def _note_sample() -> bytes:
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made) / "bag"
        (folder / "data").mkdir(parents=True)
        write_bag_files(folder, info={})
        when = datetime(2031, 4, 9, 18, 20, 11, tzinfo=UTC)
        field = field_named("part")
        return add_note(
            folder,
            "Seen again",
            operator="R.",
            when_utc=when,
            corrects=field,
            value="C8",
            reason="read on it",
        ).read_bytes()


def _words(text: str) -> object:
    """Words, fields and the whole question as SQLite takes it."""
    found = _index().find(Search(words=tuple(text.split("\n"))), fresh=False)
    nearest_text(text, ["Wrenfield 46 table receiver", "C7"])
    return found


@cache
def _index() -> ArchiveIndex:
    folder = _copy("sweep")
    index = ArchiveIndex(folder.parent)
    index.update()
    return index


def _named(text: str) -> str:
    return str(first_that(lambda read=read: read(text) for read in (finding_named, kind_named, field_named)))


@cache
def _foreign_path() -> Path:
    return fuzz_folder() / "table.csv"


def _foreign_points(content: bytes) -> object:
    _foreign_path().write_bytes(content)
    holds_points(_foreign_path())
    return parse_points(read_foreign(_foreign_path(), largest_bytes=4_000_000)).points


def _foreign_trace(content: bytes) -> bool:
    _foreign_path().write_bytes(content)
    trace = parse_trace(read_foreign(_foreign_path(), largest_bytes=4_000_000))
    values = np.concatenate([trace.drive_v, trace.far_v])
    return bool(np.isfinite(values).all()) and 0 < trace.sample_interval_s < math.inf


def _trace_sample(delimiter: str, decimal: str) -> bytes:
    lines = [delimiter.join(("time (s)", "CH1 (V)", "CH2 (mV)"))]
    for sample in range(44):
        angle = 2 * math.pi * sample / 11
        cells = (f"{sample * 1e-5:.6f}", f"{math.sin(angle):.4f}", f"{300 * math.sin(angle - 0.5):.2f}")
        lines.append(delimiter.join(cells).replace(".", decimal))
    return ("# scope\n" + "\n".join(lines) + "\n").encode()


_TABLES = (
    b"frequency_hz,gain dB,phase deg\n20,-3.0,-45\n60,-1.0,-20.5\n200,-0.2,-7\n2000,0.01,-0.7\n",
    b"f (kHz);ratio;u(ratio) %\n0,02;0,707;1,5\n0,06;0,9;1,5\n0,2;0,98;2\n",
    b"freq\tVin\tVout\nHz\tVpp\tVpp\n20\t2.0\t1.41\n60\t2.0\t1.8\n200\t2.0\t1.96\n",
    "\ufefff Hz,|H|,\u03c6 \u00b0\n% by hand\n20,.7,-45\n60,.9,-20\n200,.98,\n".encode(),
    "frequency Hz,ratio\n20,0.7\n60,0.9\n200,0.98\n".encode("utf-16"),
)


def filed(
    name: str,
    read: Callable[[bytes], object],
    *samples: bytes,
    sound: Callable[[object], bool] = finite,
    form: Form = Form.WORDS,
    own: tuple[type[Exception], ...] = (TwonodeError,),
) -> Parser:
    return Parser(name=name, form=form, samples=samples, read=read, sound=sound, own=own)


def asked(
    name: str,
    read: Callable[[str], object],
    *samples: str,
    own: tuple[type[Exception], ...] = (TwonodeError,),
) -> Parser:
    return Parser(name=name, form=Form.TEXT, samples=samples, read=read, sound=finite, own=own)


PARSERS: tuple[Parser, ...] = (
    filed(
        "recording.json",
        _head,
        *(_example(kind, "data/recording.json") for kind in ("sweep", "null", "points")),
    ),
    filed("recording.json of DC readings", _dc_head, _example("dc", "data/recording.json")),
    filed("points.csv", _points, *(_example(kind, "data/points.csv")[:1500] for kind in ("sweep",))),
    filed("points.csv of tables", _table_points, _example("points", "data/points.csv")),
    filed("readings.csv", _readings, _example("dc", "data/readings.csv")),
    filed("arrays of codes", _point, encode_point(1000.0, _small_pair()), form=Form.BINARY, sound=bool),
    filed("traces.npz", _trace_file, _packed(), form=Form.BINARY, sound=bool),
    filed("manifests and bag files", _bag_file, *_bag_samples()),
    filed(
        "recordings of every kind",
        _folder,
        *(bytes([at]) + _example(kind, f"data/{name}") for at, (kind, name) in enumerate(_MEMBERS)),
        b"\0" + _interrupted(),
        sound=bool,
    ),
    filed(
        "gists for searches",
        _gist,
        b"\0" + _example("sweep", "data/recording.json"),
        b"\1" + _example("points", "results/estimate-C7.json")[:3000],
        b"\2" + _note_sample(),
        sound=bool,
    ),
    filed(
        "results",
        _result,
        _example("points", "results/estimate-C7.json"),
        _example("dc", "results/dc-C7.json"),
    ),
    filed("notes", _note, _note_sample()),
    asked(
        "ranges of values", parse_value_range, "20n..25n", "..25n", "20n..", "1M..10M", "0.02 uF .. 0.025 uF"
    ),
    asked("days", parse_day, "2031", "2031-04", "2031-04-09"),
    asked("findings, kinds and fields", _named, "off value", "within", "sweep", "dc", "serial", "operator"),
    asked("words to search for", _words, "Wrenfield\n46", "März", 'C7 "x" OR NOT', "\U0001f4fb"),
    filed("tables of others", _foreign_points, *_TABLES),
    filed("traces of others", _foreign_trace, _trace_sample(",", "."), _trace_sample(";", ",")),
    asked(
        "headers of others",
        column_named,
        *(
            "frequency_hz",
            "f (kHz)",
            "gain dB",
            "phase [deg]",
            "time (s)",
            "CH1 (V)",
            "u(ratio) %",
            "\u03c6 \u00b0",
            "Vout mVrms",
        ),
    ),
)
