"""How fast a record's bytes come through the link: blocks of 1 MB from a process of its own, over loopback.

Random bytes, so that one in 256 is a line feed. The reader takes exactly as many bytes as the block announces.
"""

from __future__ import annotations

import multiprocessing
import socket
import time
from multiprocessing.connection import Connection

import numpy as np

from tests.benchmarks.table import Row
from twonode.drivers.link import open_link

BLOCK_BYTES = 1_000_000
LEAST_MB_PER_S = 150.0


def _serve(end: Connection) -> None:
    payload = np.random.default_rng(7).bytes(BLOCK_BYTES)
    reply = b"#7%07d" % BLOCK_BYTES + payload + b"\n"
    with socket.create_server(("127.0.0.1", 0)) as server:
        end.send((server.getsockname()[1], payload))
        client, _ = server.accept()
        with client:
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            pending = b""
            while data := client.recv(4096):
                pending += data
                while b"\n" in pending:
                    message, pending = pending.split(b"\n", 1)
                    client.sendall(b"TWONODE,BLOCKS,1,1\n" if message == b"*IDN?" else reply)


def run(*, quick: bool = False) -> list[Row]:
    """The rate over all blocks, of the best of some rounds and of the slowest."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    server = context.Process(target=_serve, args=(theirs,), daemon=True)
    server.start()
    # A worker that dies is an end of file then, not a wait for ever.
    theirs.close()
    port, payload = ours.recv()
    link = open_link(f"TCPIP0::127.0.0.1::{port}::SOCKET")
    blocks, rounds = (10, 3) if quick else (40, 10)
    rates = []
    for _ in range(rounds):
        start_s = time.perf_counter()
        for _ in range(blocks):
            if link.query_block("DATA?", expected_bytes=BLOCK_BYTES) != payload:
                raise AssertionError("a block arrived changed")
        rates.append(blocks * BLOCK_BYTES / 1e6 / (time.perf_counter() - start_s))
    link.close()
    server.join(timeout=10)
    rates.sort()
    median = rates[len(rates) // 2]
    return [
        Row(
            figure="blocks of 1 MB through the link, loopback (median round)",
            target=f">= {LEAST_MB_PER_S:g} MB/s",
            measured=f"{median:.0f} MB/s ({rates[0]:.0f} to {rates[-1]:.0f})",
            met=median >= LEAST_MB_PER_S,
        )
    ]
