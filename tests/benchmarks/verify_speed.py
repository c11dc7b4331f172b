"""Verifying an archive of 2 GB against single-process hashlib over the same files in the same run, and its memory.

The archive is filled with copies of sweeps and null runs that the program itself made on the simulated bench, ten
sweeps to a null run, taken in turn; most are of fixtures with parts and resistors of any value, so that they share
few frequencies. Everything is read once beforehand: what is compared is the work, not the disk. Verifying runs in a
process of its own, whose memory and that of its helpers is watched.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.benchmarks._runs import measure, measure_null
from tests.benchmarks._workers import map_cases
from tests.benchmarks.table import Row
from twonode.acquire import SweepRequest
from twonode.analysis.hookup import HookUp, series_stage, shunt_stage
from twonode.analysis.quantities import Tolerance
from twonode.analysis.stage import shipped_stage
from twonode.drivers.simulated import SimulatedSettings
from twonode.recordings import add_picture, add_result

FULL_BYTES = 2_000_000_000
QUICK_BYTES = 200_000_000
SWEEPS_A_NULL = 10
ROUNDS = 5

TEN = Tolerance(minus=0.1, plus=0.1)
TIGHT = Tolerance(minus=0.001, plus=0.001)

_VERIFY = """
import json, multiprocessing, sys, threading, time
from pathlib import Path
from twonode.recordings.verify import Depth, recordings_in, verify_many

def peak_mb(pid):
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return 0.0
    return next((int(line.split()[1]) / 1e3 for line in lines if line.startswith("VmHWM")), 0.0)

def watch(peaks, end):
    while not end.wait(0.05):
        for child in multiprocessing.active_children():
            peaks[child.pid] = max(peaks.get(child.pid, 0.0), peak_mb(child.pid))

if __name__ == "__main__":
    folders, depth = recordings_in(sys.argv[1]), Depth(sys.argv[2])
    peaks, end = {}, threading.Event()
    watcher = threading.Thread(target=watch, args=(peaks, end))
    watcher.start()
    started_s = time.perf_counter()
    verdicts = list(verify_many(folders, depth=depth))
    spent_s = time.perf_counter() - started_s
    end.set()
    watcher.join()
    print(json.dumps({
        "spent_s": spent_s,
        "sound": sum(each.state.value == "sound" for each in verdicts),
        "recordings": len(verdicts),
        "octets": sum(each.octets for each in verdicts),
        "ratios": sum(each.ratios for each in verdicts),
        "peak_mb": peak_mb("self") + sum(peaks.values()),
    }))
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    """One recording to be made."""

    seed: int
    kind: str
    archive: Path


def _made(case: _Case) -> None:
    stage = shipped_stage("wrenfield-46-driver-output")
    hookup, part, farad = HookUp.STAGE, "C7", 22e-9
    if case.kind in ("series", "shunt"):
        rng = np.random.default_rng(case.seed)
        farad, part = float(10 ** rng.uniform(-9.5, -7)), "C1"
        hookup = HookUp(case.kind)
        make = series_stage if hookup is HookUp.SERIES else shunt_stage
        stage = make(
            part=part,
            value_farad=farad,
            tolerance=TEN,
            resistor_ohm=float(10 ** rng.uniform(4, 5.5)),
            resistor_tolerance=TIGHT,
        )
    request = SweepRequest(
        hookup=hookup, stage=stage, part=part, nominal_farad=farad, tolerance=TEN, simulated=True
    )
    settings = SimulatedSettings(stage=stage, seed=case.seed)
    if case.kind == "null":
        measure_null(settings, request, case.archive)
        return
    measure(settings, request, case.archive)
    for folder in case.archive.iterdir():
        add_result(folder, f"estimate_{part}", {"capacitance": {"value": farad}, "words": "x" * 3000})
        add_picture(folder, f"picture_{part}", os.urandom(60_000))


def _fill(place: Path, octets: int, *, sweeps: int) -> Path:
    """An archive of about so many bytes."""
    kinds = ["stage", "series", "shunt", "series", "shunt"]
    cases = [
        _Case(seed=seed, kind=kinds[seed % 5], archive=place / f"made-{seed:03d}") for seed in range(sweeps)
    ]
    cases += [
        _Case(seed=1000 + n, kind="null", archive=place / f"null-{n}") for n in range(sweeps // SWEEPS_A_NULL)
    ]
    map_cases(_made, cases, name="recordings")
    swept = [next(each.archive.iterdir()) for each in cases if each.kind != "null"]
    nulls = [next(each.archive.iterdir()) for each in cases if each.kind == "null"]
    archive, filled, count = place / "archive", 0, 0
    archive.mkdir()
    while filled < octets:
        source = (
            nulls[count // (SWEEPS_A_NULL + 1) % len(nulls)]
            if count % (SWEEPS_A_NULL + 1) == SWEEPS_A_NULL
            else swept[count % len(swept)]
        )
        target = (
            archive
            / f"2031-04-09T{count // 3600 % 24:02d}-{count // 60 % 60:02d}-{count % 60:02d}Z_x_{count}"
        )
        shutil.copytree(source, target)
        filled += sum(path.stat().st_size for path in target.rglob("*") if path.is_file())
        count += 1
    return archive


def _hashed_s(files: list[str]) -> float:
    """Seconds that single-process hashlib takes over the files."""
    started_s = time.perf_counter()
    for name in files:
        digest = hashlib.sha256()
        with open(name, "rb") as file:
            while piece := file.read(1 << 20):
                digest.update(piece)
        digest.hexdigest()
    return time.perf_counter() - started_s


def _verified(script: Path, archive: Path, depth: str) -> dict[str, float]:
    done = subprocess.run(
        [sys.executable, str(script), str(archive), depth], check=True, capture_output=True, text=True
    )
    found: dict[str, float] = json.loads(done.stdout)
    return found


def run(*, quick: bool = False) -> list[Row]:
    """Rows for both depths."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        script = place / "verify_it.py"
        script.write_text(_VERIFY)
        archive = _fill(place, QUICK_BYTES if quick else FULL_BYTES, sweeps=10 if quick else 120)
        files = sorted(str(path) for path in archive.rglob("*") if path.is_file())
        octets = sum(os.stat(name).st_size for name in files)
        rows = []
        _hashed_s(files)
        for depth, least in (("checksums", 0.7), ("everything", 0.3)):
            shares, found = [], {}
            for _ in range(2 if quick else ROUNDS):
                # In turn, so that a busy machine hits both.
                before_s = _hashed_s(files)
                found = _verified(script, archive, depth)
                shares.append((before_s + _hashed_s(files)) / 2 / found["spent_s"])
            assert found["sound"] == found["recordings"], found
            assert found["octets"] == octets, (found, octets)
            share = statistics.median(shares)
            of = f"{octets / 1e9:.2g} GB in {found['recordings']:.0f} recordings"
            rows += [
                Row(
                    figure=f"{depth} of {of}: speed / single-process hashlib",
                    target=f">= {least}",
                    measured=f"{share:.2f} ({octets / found['spent_s'] / 1e6:.0f} MB/s, {found['ratios']:.0f} ratios)",
                    met=share >= least,
                ),
                Row(
                    figure=f"{depth}: peak memory of all its processes together",
                    target="<= 200 MB",
                    measured=f"{found['peak_mb']:.0f} MB",
                    met=found["peak_mb"] <= 200 if found["peak_mb"] > 0 else None,
                ),
            ]
        return rows
