"""The command line as processes of their own: exit codes, signals, and two programs talking over sockets."""

import json
import os
import signal
import subprocess
import time
from contextlib import contextmanager

import pytest
from console_runs import PROGRAM, STAGE, command, environment

from twonode.recordings import Ended, read_recording

CONFIRMED = ("--unplugged-and-discharged", "--node-volts", "0.1,0.05")

if os.name == "nt":
    pytest.skip("signals are sent the POSIX way here", allow_module_level=True)


@contextmanager
def served(tmp_path, *arguments):
    """A `twonode simulate` of our own; yields its addresses and ends that very process."""
    process = subprocess.Popen(
        [*PROGRAM, "simulate", *arguments],
        cwd=tmp_path,
        env=environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        yield process, dict(process.stdout.readline().split() for _ in range(3))
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGINT)
        process.communicate(timeout=20)


def test_a_served_bench_is_asked_swept_and_left(tmp_path):
    with served(tmp_path, "--true", "C7=20n", "--seed", "3", "--speed", "8") as (process, addresses):
        assert list(addresses) == ["generator", "scope", "voltmeter"]
        assert all(address.startswith("TCPIP0::127.0.0.1::") for address in addresses.values())

        asked = command("instruments", *addresses.values(), "--json", cwd=tmp_path)
        assert asked.returncode == 0, asked.stderr
        found = json.loads(asked.stdout)["instruments"]
        assert [each["kind"] for each in found] == list(addresses)
        assert {each["hardware_status"] for each in found} == {"untested on hardware"}

        at = ("--generator", addresses["generator"], "--scope", addresses["scope"])
        swept = command(
            *("sweep", "--stage", STAGE, *at, *CONFIRMED, "--points", "4", "--from", "10", "--to", "100"),
            *("--json", "--quiet", "--archive", "archive"),
            cwd=tmp_path,
        )
        assert swept.returncode == 0, swept.stdout
        document = json.loads(swept.stdout)
        # R12 is known to 20 % only, so C7 is too: about 22 % as a 95 % half-width (design).
        low, high = document["capacitance"]["interval95"]
        assert low < 20e-9 < high
        assert document["conditions"]["simulated"] is True
        kept = read_recording(tmp_path / document["recording"]).header.conditions
        assert kept.unplugged_and_discharged
        assert kept.node_volts == (0.1, 0.05)

        swapped = ("--generator", addresses["scope"], "--scope", addresses["generator"])
        refused = command("sweep", "--stage", STAGE, *swapped, *CONFIRMED, "--json", "--quiet", cwd=tmp_path)
        assert refused.returncode == 3
        assert "Swap the addresses" in json.loads(refused.stdout)["error"]["do"]

        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=20) == 130


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_an_interrupted_sweep_says_where_its_points_are(number, tmp_path):
    process = subprocess.Popen(
        [*PROGRAM, "demo", "--archive", "archive", "--speed", "2"],
        cwd=tmp_path,
        env=environment(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    deadline_s = time.monotonic() + 30
    while time.monotonic() < deadline_s:
        tables = list(tmp_path.glob("archive/*.unfinished/data/points.csv"))
        if tables and tables[0].read_bytes().count(b"\n") > 3:
            break
        time.sleep(0.05)
    process.send_signal(number)
    _, errors = process.communicate(timeout=20)
    assert process.returncode == 130, errors
    folders = list((tmp_path / "archive").iterdir())
    assert len(folders) == 1
    assert f"kept: archive/{folders[0].name}" in errors
    assert "Traceback" not in errors
    recording = read_recording(folders[0])
    assert recording.header.ended is Ended.INTERRUPTED
    # The signal may come while the third row is being synced: that point was not reported yet and is taken back.
    assert len(recording.points) >= 2


def test_progress_and_notes_stay_off_standard_output(tmp_path):
    done = command("demo", "--speed", "8", "--json", cwd=tmp_path)
    assert done.returncode == 0
    document = json.loads(done.stdout)
    assert done.stdout.count("\n") == 1
    assert done.stderr == ""
    assert (tmp_path / document["picture"]).is_file()
    assert document["recording"].startswith("twonode-demo")


def test_debug_shows_the_traceback_and_what_was_said_to_the_instruments(tmp_path):
    done = command("instruments", "TCPIP0::127.0.0.1::1::SOCKET", "--debug", cwd=tmp_path)
    assert done.returncode == 3
    assert "twonode.drivers" in done.stderr
    refused = command("estimate", "nothing-here", "--debug", cwd=tmp_path)
    assert refused.returncode == 2
    assert "Traceback" in refused.stderr


def test_instruments_are_not_looked_for_without_leave(tmp_path):
    done = command("instruments", "--no-discovery", "--json", cwd=tmp_path)
    assert done.returncode == 0
    assert json.loads(done.stdout) == {"format": 1, "looked": False, "instruments": []}


def test_the_version_is_told(tmp_path):
    import twonode

    done = command("--version", cwd=tmp_path)
    assert done.stdout.strip().endswith(twonode.__version__)
    assert done.returncode == 0
