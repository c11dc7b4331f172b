"""The transcript of what goes over the links: every exchange, blocks by their digest, and bounded."""

import hashlib
import logging

import pytest
from loopback_server import LoopbackInstrument

from twonode.drivers import transcript
from twonode.drivers.errors import ReplyTimeout
from twonode.drivers.link import open_link
from twonode.drivers.transcript import transcribing

PAYLOAD = b"\x00\xff\n" * 40


def answer(text):
    return {"X?": [b"17\n"], "CURV?": [b"#3120" + PAYLOAD + b"\n"]}.get(text, [])


def test_every_exchange_is_kept_and_a_block_by_length_and_digest():
    level = logging.getLogger("twonode.drivers").level
    with LoopbackInstrument(answer) as instrument, transcribing() as kept:
        link = open_link(instrument.resource, timeout_s=0.2, kind="scope")
        link.query("X?")
        link.query_block("CURV?")
        with pytest.raises(ReplyTimeout, match=r"^The scope \(TCPIP0"):
            link.query("NOTHING?")
        link.close()
    lines = kept.text().splitlines()
    assert any("> X?" in line for line in lines)
    assert any("< 17" in line for line in lines)
    assert any(f"block of 120 bytes, SHA-256 {hashlib.sha256(PAYLOAD).hexdigest()}" in line for line in lines)
    assert any("NOTHING?" in line and "Late" in line for line in lines)
    assert logging.getLogger("twonode.drivers").level == level


def test_a_long_run_keeps_its_beginning_and_its_end(monkeypatch):
    monkeypatch.setattr(transcript, "FIRST_LINES", 3)
    monkeypatch.setattr(transcript, "LATEST_LINES", 4)
    with transcribing() as kept:
        for number in range(20):
            logging.getLogger("twonode.drivers").debug("line %d %s", number, "x" * 1000)
    lines = kept.text().splitlines()
    assert [line.split()[2] for line in lines if "line" in line and "left out" not in line] == [
        *("0", "1", "2", "16", "17", "18", "19")
    ]
    assert "13 lines left out" in lines[3]
    assert all(len(line) < 500 for line in lines)
    assert kept.lines == 20


def test_an_instrument_that_cannot_say_who_it_is_is_not_asked():
    with LoopbackInstrument(answer) as instrument:
        link = open_link(instrument.resource, timeout_s=0.5, identify=None)
        assert link.identity == ""
        assert link.query("X?") == "17"
        link.close()
        assert instrument.heard == ["X?"]


def test_another_question_than_idn_tells_who_it_is():
    with LoopbackInstrument(lambda text: [b"FAMILY 4\n"] if text == "a" else answer(text)) as instrument:
        link = open_link(instrument.resource, timeout_s=0.5, identify="a")
        assert link.identity == "FAMILY 4"
        link._drop()
        assert link.query("X?") == "17"
        link.close()
        assert instrument.heard == ["a", "a", "X?"]
