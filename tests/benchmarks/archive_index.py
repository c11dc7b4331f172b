"""The archive's index: finding, keeping up and making anew among 20,000 recordings, and two programs at once.

The recordings are small and made by the program's own writer (header, two short points, a result, a note beside every
tenth), with the waiting for the medium switched off while they are made; nothing in them was measured. Figures are of
a warm file cache, on whatever machine this runs.
"""

from __future__ import annotations

import contextlib
import os
import random
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from tests.benchmarks._workers import PROCESSES
from tests.benchmarks.table import Row
from twonode.analysis.hookup import HookUp
from twonode.analysis.stage import Stage, shipped_stage, stage_to_document
from twonode.analysis.traces import ChannelCodes, TracePair
from twonode.recordings.index import INDEX, ArchiveIndex
from twonode.recordings.index_query import Search, parse_value_range
from twonode.recordings.model import Conditions, Ended, Header, PointRow, Probe
from twonode.recordings.notes import add_note
from twonode.recordings.results import add_result
from twonode.recordings.writer import RecordingWriter

FIND_S = 0.050
REBUILD_PER_S = 3_000.0
_PAGE = 100

_BEGIN = datetime(2011, 1, 1, tzinfo=UTC)
_STATES = ("within tolerance", "off value", "open", "shorted", "leaky", "lossy", "undecided")
_PLACES = ("mixer", "detector", "first audio", "driver", "output", "supply")
_NOMINALS = (100e-12, 220e-12, 470e-12, 1e-9, 4.7e-9, 10e-9, 22e-9, 47e-9, 100e-9, 220e-9, 1e-6, 25e-6)
_PROBE = Probe(
    factor=10.0,
    resistance_ohm=10e6,
    resistance_standard_uncertainty_ohm=58e3,
    capacitance_farad=12e-12,
    capacitance_standard_uncertainty_farad=1.2e-12,
)
_SAMPLES = 32


def _header(number: int, stage: Stage) -> Header:
    chance = random.Random(number)
    nominal = chance.choice(_NOMINALS)
    return Header(
        title=f"Wrenfield {chance.randrange(20, 60)} table receiver: {chance.choice(_PLACES)} stage",
        created_utc=_BEGIN + timedelta(seconds=30_000 * number),
        finished_utc=_BEGIN + timedelta(seconds=30_000 * number + 20),
        ended=Ended.FINISHED,
        program_version="0.1.0",
        hookup=HookUp.STAGE,
        stage=stage_to_document(stage),
        part="C7",
        conditions=Conditions(level_vpp=2.0, simulated=True, seed=number),
        drive_probe=_PROBE,
        far_probe=_PROBE,
        gain_standard_uncertainty=0.015,
        expected_farad=nominal,
        expected_tolerance=(0.1, 0.1),
        tags={
            "set": f"wrenfield-{chance.randrange(20, 60)}",
            "serial": f"W{chance.randrange(200):05d}",
            "position": f"{chance.choice(_PLACES)} C{chance.randrange(1, 40)}",
            "when": chance.choice(("before", "after")),
            "operator": f"bench {chance.randrange(5)}",
        },
    )


def _result(number: int) -> dict[str, object]:
    chance = random.Random(f"result {number}")
    nominal = random.Random(number).choice(_NOMINALS)
    value = nominal * chance.lognormvariate(0.0, 0.15)
    sigma = value * 0.003
    return {
        "format": 1,
        "part": "C7",
        "expected": {"value": nominal, "limits": [0.9 * nominal, 1.1 * nominal], "unit": "F"},
        "conditions": {"hookup": "stage", "level_vpp": 2.0, "bias_v": 0.0, "null": None},
        "capacitance": {
            "value": value,
            "standard_uncertainty": sigma,
            "interval95": [value - 2 * sigma, value + 2 * sigma],
            "unit": "F",
        },
        "budget": [
            {"source": name, "share": 0.25, "action": "do a null run"} for name in ("R12", "a", "b", "c")
        ],
        "finding": {"state": chance.choice(_STATES), "probability": 0.97, "because": "made up"},
        "program": "twonode 0.1.0",
    }


def _traces() -> TracePair:
    codes = np.random.default_rng(1).integers(1, 255, _SAMPLES, dtype=np.int16)
    channel = ChannelCodes(
        codes=codes,
        volts_per_code=0.02,
        volts_at_code_zero=-2.56,
        lowest_code=0,
        highest_code=255,
        volts_per_div=0.5,
    )
    return TracePair(drive=channel, far=channel, sample_interval_s=1e-4)


def _row(point: int) -> PointRow:
    return PointRow(
        point=point,
        time_s=0.25 * point,
        frequency_set_hz=20.0 * point,
        frequency_hz=20.0 * point,
        ratio_re=0.5,
        ratio_im=0.1,
        var_re=1e-8,
        cov_re_im=0.0,
        var_im=1e-8,
        drive_volts_per_div=0.5,
        far_volts_per_div=0.5,
        samples=_SAMPLES,
        sample_interval_s=1e-4,
    )


@contextlib.contextmanager
def _unsynced() -> Iterator[None]:
    """No waiting for the medium while thousands of recordings are made; nothing here has to outlive a power cut."""
    synced, os.fsync = os.fsync, lambda _: None
    try:
        yield
    finally:
        os.fsync = synced


def _write(archive: Path, numbers: range) -> None:
    stage, traces = shipped_stage("wrenfield-46-driver-output"), _traces()
    with _unsynced():
        for number in numbers:
            with RecordingWriter(archive, _header(number, stage)) as writer:
                for point in (1, 2):
                    writer.add_point(_row(point), traces)
            add_result(writer.folder, "estimate_C7", _result(number))
            if number % 10 == 0:
                when = _BEGIN + timedelta(seconds=30_000 * number + 90)
                add_note(writer.folder, f"looked at under the lamp, crack near lead {number}", when_utc=when)


def make_archive(archive: Path, count: int) -> None:
    """Write ``count`` recordings, in as many processes as the benchmarks use."""
    archive.mkdir()
    shares = [range(first, count, PROCESSES) for first in range(PROCESSES)]
    processes = [get_context("spawn").Process(target=_write, args=(archive, share)) for share in shares]
    for process in processes:
        process.start()
    for process in processes:
        process.join()
        if process.exitcode != 0:
            raise RuntimeError(f"writing the recordings ended with {process.exitcode}")


def _median_s(work: Callable[[int], object], repeats: int) -> float:
    spent = []
    for turn in range(repeats):
        started_s = time.perf_counter()
        work(turn)
        spent.append(time.perf_counter() - started_s)
    return statistics.median(spent)


def _word_search(turn: int) -> Search:
    words = [("crack", "lead"), ("driver", "wrenf"), ("output", "leaky"), (f"W00{turn % 10}", "after")]
    return Search(words=words[turn % len(words)])


def _value_search(turn: int) -> Search:
    ranges = ("20n..25n", "..120p", "90n..110n", "20u..", "4.6n..4.8n")
    return Search(value=parse_value_range(ranges[turn % len(ranges)]))


def dump(archive: Path) -> list[tuple[object, ...]]:
    """All that an index holds, by name, without what may differ: row numbers and times of looking."""
    with contextlib.closing(sqlite3.connect(archive / INDEX)) as connection:
        rows = connection.execute(
            "SELECT words.text, recording.* FROM recording JOIN words ON words.rowid = recording.id ORDER BY name"
        )
        columns = [column[0] for column in rows.description]
        kept = [at for at, column in enumerate(columns) if column not in ("id", "seen")]
        return [tuple(row[at] for at in kept) for row in rows]


def _rebuild_and_update(archive: Path, turns: int) -> None:
    for _ in range(turns):
        with ArchiveIndex(archive, cache=archive / ".no-cache") as index:
            index.rebuild()
            index.update()


def _at_once(archive: Path, turns: int) -> None:
    """Two programs rebuild and update the same index."""
    processes = [
        get_context("spawn").Process(target=_rebuild_and_update, args=(archive, turns)) for _ in "ab"
    ]
    for process in processes:
        process.start()
    for process in processes:
        process.join()
        if process.exitcode != 0:
            raise RuntimeError(f"a program that shared the index ended with {process.exitcode}")


def run(*, quick: bool = False) -> list[Row]:
    """Rows for finding, keeping up, making anew, and two programs at once."""
    count, repeats = (2_000, 15) if quick else (20_000, 101)
    with tempfile.TemporaryDirectory(prefix="twonode-index-") as place:
        archive = Path(place) / "archive"
        started_s = time.monotonic()
        make_archive(archive, count)
        print(
            f"   {count} recordings made in {time.monotonic() - started_s:.0f} s", file=sys.stderr, flush=True
        )
        time.sleep(3.0)  # a folder changed within the last ticks of the clock is looked into again
        return _measure(archive, count, repeats)


def _measure(archive: Path, count: int, repeats: int) -> list[Row]:
    cache = archive.parent / "cache"
    with ArchiveIndex(archive, cache=cache) as index:
        first_s = _median_s(lambda _: index.update(), 1)
        rebuilt = [index.rebuild() for _ in range(3)]
        rate = statistics.median(each.per_second for each in rebuilt)
        time.sleep(3.0)
        index.update()
        found = [index.count(search(0)) for search in (_word_search, _value_search)]

        def page(search: Search, *, fresh: bool = True) -> None:
            """What the command does: the newest hundred, and how many there are."""
            index.find(search, limit=_PAGE, fresh=fresh)
            index.count(search)

        by_words_s = _median_s(lambda turn: page(_word_search(turn)), repeats)
        by_value_s = _median_s(lambda turn: page(_value_search(turn)), repeats)
        alone_s = _median_s(lambda turn: page(_word_search(turn), fresh=False), repeats)
        all_s = _median_s(lambda _: index.find(_word_search(0)), repeats)

        def looked_first(turn: int) -> None:
            index.update()
            page(_word_search(turn), fresh=False)

        looking_s = _median_s(looked_first, repeats)

        def one_new(turn: int) -> None:
            _write(archive, range(count + turn, count + turn + 1))
            started_s.append(time.perf_counter())
            page(_word_search(turn))
            ended_s.append(time.perf_counter())

        started_s: list[float] = []
        ended_s: list[float] = []
        _median_s(one_new, 9)
        new_s = statistics.median(b - a for a, b in zip(started_s, ended_s, strict=True))
        time.sleep(3.0)
        index.update()
        kept_up = dump(archive)
        total = index.rebuild().recordings
        same = dump(archive) == kept_up
        size_mb = (archive / INDEX).stat().st_size / 1e6
    _at_once(archive, 2)
    with ArchiveIndex(archive, cache=cache) as index:
        index.update()
        sound, after = index.check(), index.count()
        undisturbed = not index.remarks and dump(archive) == kept_up
    return [
        Row(
            figure=f"find by words among {count} (anything new is seen; {found[0]} fit)",
            target=f"<= {FIND_S * 1e3:.0f} ms",
            measured=f"{by_words_s * 1e3:.1f} ms",
            met=by_words_s <= FIND_S,
        ),
        Row(
            figure=f"find by value among {count} (anything new is seen; {found[1]} fit)",
            target=f"<= {FIND_S * 1e3:.0f} ms",
            measured=f"{by_value_s * 1e3:.1f} ms",
            met=by_value_s <= FIND_S,
        ),
        Row(
            figure="the same by words, nothing looked at",
            target="-",
            measured=f"{alone_s * 1e3:.1f} ms",
            met=None,
        ),
        Row(
            figure=f"the same by words, all {found[0]} instead of the newest {_PAGE}",
            target="-",
            measured=f"{all_s * 1e3:.1f} ms",
            met=None,
        ),
        Row(
            figure="the same by words, every folder looked at before",
            target="-",
            measured=f"{looking_s * 1e3:.1f} ms",
            met=None,
        ),
        Row(
            figure="the same by words, a recording having come since",
            target="-",
            measured=f"{new_s * 1e3:.1f} ms",
            met=None,
        ),
        Row(
            figure=f"rebuild of {count}",
            target=f">= {REBUILD_PER_S:.0f} /s",
            measured=f"{rate:.0f} /s",
            met=rate >= REBUILD_PER_S,
        ),
        Row(
            figure="first index of an archive without one",
            target="-",
            measured=f"{count / first_s:.0f} /s",
            met=None,
        ),
        Row(figure="size of the index", target="-", measured=f"{size_mb:.1f} MB", met=None),
        Row(
            figure="index kept up to date against index made anew",
            target="the same",
            measured="the same" if same and total == len(kept_up) else "different",
            met=same and total == len(kept_up),
        ),
        Row(
            figure="two programs rebuilding and updating at once: PRAGMA integrity_check",
            target="ok",
            measured=sound,
            met=sound == "ok",
        ),
        Row(
            figure="and its content afterwards, against that of one program",
            target="the same",
            measured="the same" if undisturbed and after == total else "different",
            met=undisturbed and after == total,
        ),
    ]
