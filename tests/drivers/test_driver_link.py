"""The link on loopback sockets: exact blocks, deadlines, and no late reply in the wrong place."""

import ast
import pickle
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
from loopback_server import CLOSE, LoopbackInstrument

import twonode
from twonode.drivers import errors
from twonode.drivers.errors import LinkError, ReplyError, ReplyTimeout
from twonode.drivers.link import open_link

PAYLOAD = bytes(range(256)) * 8 + b"\n\n#\n"
BLOCK = b"#9%09d" % len(PAYLOAD) + PAYLOAD + b"\n"


def pieces(data: bytes, size: int, pause_s: float = 0.0):
    for place in range(0, len(data), size):
        yield data[place : place + size]
        if pause_s:
            yield pause_s


def served(answers):
    """An instrument that answers from a dictionary; an unknown message gets no answer."""
    return LoopbackInstrument(lambda text: answers.get(text, []))


@pytest.fixture
def connect():
    links = []

    def open_to(instrument, timeout_s=2.0):
        links.append(open_link(instrument.resource, timeout_s=timeout_s))
        return links[-1]

    yield open_to
    for link in links:
        link.close()


def test_a_question_gets_its_reply_without_line_end(connect):
    with served({"FREQ?": [b" 1.0E3 \r\n"]}) as instrument:
        link = connect(instrument)
        assert link.query("FREQ?") == "1.0E3"
        link.write("FREQ 5")
        assert link.query("FREQ?") == "1.0E3"
        assert instrument.heard == ["*IDN?", "FREQ?", "FREQ 5", "FREQ?"]
        assert link.backend == "python"
        assert link.identity == "TWONODE,SIM-GENERATOR,7,1.0"


@pytest.mark.parametrize("size", [1, 7, 1000, 100_000])
def test_a_block_arrives_whole_however_it_is_cut(connect, size):
    with served({"CURV?": list(pieces(BLOCK, size)), "X?": [b"1\n"]}) as instrument:
        link = connect(instrument)
        assert link.query_block("CURV?", expected_bytes=len(PAYLOAD)) == PAYLOAD
        assert link.query("X?") == "1"
        assert instrument.connections == 1


def test_a_large_block_of_line_feeds_arrives_whole(connect):
    payload = b"\n" * 500_000
    with served({"CURV?": [b"#6500000" + payload + b"\n"]}) as instrument:
        assert connect(instrument).query_block("CURV?") == payload


@pytest.mark.parametrize(
    "reply",
    [
        [BLOCK.replace(b"#9", b"#0", 1)],
        [b"#9%09d" % (len(PAYLOAD) - 1) + PAYLOAD + b"\n"],
        [b"#9%09d" % (len(PAYLOAD) + 1) + PAYLOAD + b"\n"],
        [BLOCK[:-1] + b"\0"],
        [b"\x00\xffgarbage" + BLOCK],
        [b"-113\n"],
    ],
)
def test_a_wrong_block_is_refused_and_does_not_answer_the_next_question(connect, reply):
    with served({"CURV?": reply, "X?": [b"1\n"]}) as instrument:
        link = connect(instrument)
        with pytest.raises(ReplyError):
            link.query_block("CURV?", expected_bytes=len(PAYLOAD))
        assert link.query("X?") == "1"
        assert instrument.connections == 2


def test_a_truncated_block_ends_at_the_deadline(connect):
    with served({"CURV?": [BLOCK[:-100]], "X?": [b"1\n"]}) as instrument:
        link = connect(instrument, timeout_s=0.3)
        start = time.monotonic()
        with pytest.raises(ReplyTimeout):
            link.query_block("CURV?", expected_bytes=len(PAYLOAD))
        assert 0.25 < time.monotonic() - start < 1.0
        assert link.query("X?") == "1"


@pytest.mark.parametrize("sent", [b"", BLOCK[:1], BLOCK[:500], BLOCK[:-1]])
def test_a_connection_closed_inside_a_reply_is_noticed_at_once(connect, sent):
    with served({"CURV?": [sent, CLOSE], "X?": [b"1\n"]}) as instrument:
        link = connect(instrument, timeout_s=5.0)
        start = time.monotonic()
        with pytest.raises(LinkError) as caught:
            link.query_block("CURV?", expected_bytes=len(PAYLOAD))
        assert not isinstance(caught.value, ReplyTimeout)
        assert time.monotonic() - start < 1.0
        assert link.query("X?") == "1"


def test_a_late_reply_never_answers_the_next_question(connect):
    with served({"SLOW?": [0.4, b"slow\n"], "X?": [b"1\n"]}) as instrument:
        link = connect(instrument, timeout_s=0.2)
        with pytest.raises(ReplyTimeout, match="SLOW"):
            link.query("SLOW?")
        time.sleep(0.3)
        assert link.query("X?") == "1"
        assert instrument.connections == 2


@pytest.mark.parametrize("ask", ["line", "block"])
def test_a_reply_that_drips_for_ever_ends_at_the_deadline(connect, ask):
    drip = [b"#9000004000" if ask == "block" else b"1", *pieces(b"5" * 200, 1, 0.01)]
    with served({"X?": drip}) as instrument:
        link = connect(instrument, timeout_s=0.3)
        start = time.monotonic()
        with pytest.raises(ReplyTimeout):
            link.query("X?") if ask == "line" else link.query_block("X?")
        assert time.monotonic() - start < 0.6


def test_a_line_that_never_ends_is_refused(connect):
    with served({"X?": [b"5" * 200_000]}) as instrument, pytest.raises(ReplyError, match="does not end"):
        connect(instrument).query("X?")


def test_bytes_nobody_asked_for_are_not_taken_as_a_reply(connect):
    with served({"FREQ 1": [b"ok\n"], "X?": [b"1\n"]}) as instrument:
        link = connect(instrument)
        link.write("FREQ 1")
        time.sleep(0.1)
        assert link.query("X?") == "1"
        assert instrument.connections == 2


def test_an_idle_connection_closed_by_the_instrument_is_an_error_once(connect):
    with served({"OFF": [CLOSE], "X?": [b"1\n"]}) as instrument:
        link = connect(instrument)
        link.write("OFF")
        time.sleep(0.1)
        with pytest.raises(LinkError):
            link.query("X?")
        assert link.query("X?") == "1"


def test_another_instrument_after_connecting_again_is_an_error(connect):
    with served({"X?": [b"1\n"]}) as instrument:
        link = connect(instrument, timeout_s=0.2)
        instrument.identity = b"TWONODE,SIM-GENERATOR,8,1.0\n"
        with pytest.raises(ReplyTimeout):
            link.query("NOTHING?")
        with pytest.raises(LinkError, match="Before it was"):
            link.query("X?")


def test_an_interrupted_question_leaves_no_reply_behind(connect, monkeypatch):
    with served({"A?": [b"a\n"], "B?": [b"b\n"]}) as instrument:
        link = connect(instrument)

        def interrupted(*_):
            raise KeyboardInterrupt

        monkeypatch.setattr(link._wire, "read_line", interrupted)
        with pytest.raises(KeyboardInterrupt):
            link.query("A?")
        assert link.query("B?") == "b"


def test_nothing_listening_is_found_out_when_opening():
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    with pytest.raises(LinkError, match="Nothing listens"):
        open_link(f"TCPIP0::127.0.0.1::{port}::SOCKET", timeout_s=1.0)


def test_something_that_does_not_answer_is_found_out_when_opening():
    with LoopbackInstrument(lambda text: []) as instrument:
        instrument.identity = b""
        with pytest.raises(ReplyTimeout):
            open_link(instrument.resource, timeout_s=0.2)


@pytest.mark.parametrize("resource", ["", "scope", "TCPIP0::127.0.0.1::x::SOCKET", "COM3"])
def test_a_bad_address_is_refused_in_our_words(resource):
    with pytest.raises(LinkError) as caught:
        open_link(resource, timeout_s=0.5, backend="python")
    assert len(caught.value.args) == 3


def test_a_closed_link_cannot_be_used(connect):
    with served({}) as instrument:
        link = connect(instrument)
        link.close()
        link.close()
        with pytest.raises(RuntimeError, match="closed"):
            link.query("X?")


def test_no_socket_stays_open_after_many_connections(connect):
    with served({"X?": [b"1\n"]}) as instrument:
        link = connect(instrument)
        for _ in range(20):
            link._drop()
            assert link.query("X?") == "1"
        link.close()
        assert instrument.connections == 21
        import pyvisa

        assert link.resource not in [
            r.resource_name for r in pyvisa.ResourceManager("@py").list_opened_resources()
        ]


def test_every_message_and_reply_is_logged(connect, caplog):
    with served({"X?": [b"17\n"]}) as instrument:
        link = connect(instrument)
        with caplog.at_level("DEBUG", logger="twonode.drivers"):
            link.query("X?")
    assert any("> X?" in m for m in caplog.messages)
    assert any("< 17" in m for m in caplog.messages)


def test_one_module_imports_pyvisa():
    importers = set()
    for path in Path(twonode.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            if any(n.split(".")[0] in ("pyvisa", "pyvisa_py") for n in names):
                importers.add(path.name)
    assert importers == {"link.py"}


def test_the_drivers_load_without_pyvisa():
    code = "import twonode.drivers.bench, sys; sys.exit('pyvisa' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize("name", errors.__all__)
def test_every_error_survives_pickling(name):
    kind = getattr(errors, name)
    error = pickle.loads(pickle.dumps(kind("what", "why", "do")))
    assert type(error) is kind
    assert (error.what, error.why, error.do) == ("what", "why", "do")
    assert issubclass(kind, errors.BenchError)
