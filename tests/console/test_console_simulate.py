"""``twonode simulate``: which dialects the served instruments speak."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys

import pytest
from console_runs import PROGRAM, environment, run


def asked(address: str, text: bytes) -> bytes:
    port = int(address.split("::")[2])
    with socket.create_connection(("127.0.0.1", port), timeout=5.0) as link:
        link.sendall(text + b"\n")
        return link.makefile("rb").readline()


@pytest.mark.skipif(sys.platform == "win32", reason="the signal is sent the POSIX way here")
def test_the_families_asked_for_are_served(tmp_path):
    process = subprocess.Popen(
        [*PROGRAM, "simulate", "--scope-family", "S3", "--generator-family", "G4", "--json"],
        cwd=tmp_path,
        env=environment(),
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        addresses = json.loads(process.stdout.readline())
        assert asked(addresses["scope"], b"*IDN?").startswith(b"*IDN TWONODE,SIM-S3,")
        assert asked(addresses["generator"], b"a") == b"SIM-G4\n"
    finally:
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=20)


@pytest.mark.parametrize("option", ["--scope-family", "--generator-family"])
def test_an_unknown_family_is_refused_with_those_there_are(option):
    result = run("simulate", option, "S9")
    assert result.exit_code == 2
    assert "S1b" in result.stderr or "G1b" in result.stderr
