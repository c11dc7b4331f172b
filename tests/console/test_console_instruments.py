"""What `twonode instruments` says; looking for instruments is replaced here, since it would send a broadcast."""

import socket
import threading

import pytest
from console_runs import json_of, run

from twonode.drivers import link
from twonode.drivers.discovery import find_addresses
from twonode.drivers.errors import LinkError


class _Manager:
    def __init__(self, answer):
        self.answer = answer
        self.asked = []

    def list_resources(self, query):
        self.asked.append(query)
        if isinstance(self.answer, Exception):
            raise self.answer
        return self.answer


@pytest.fixture
def manager(monkeypatch):
    manager = _Manager(())
    # Addresses are opened as ever; only looking around is not done.
    manager.open_resource = link._resource_manager("python").open_resource
    monkeypatch.setattr(link, "_resource_manager", lambda backend: manager)
    return manager


def test_what_the_library_finds_is_sorted(manager):
    manager.answer = ("USB0::2::INSTR", "TCPIP0::127.0.0.1::inst0::INSTR")
    assert find_addresses("python") == ("TCPIP0::127.0.0.1::inst0::INSTR", "USB0::2::INSTR")
    assert manager.asked == ["?*::INSTR"]


def test_a_library_that_fails_is_a_link_error(manager):
    manager.answer = OSError("no library")
    with pytest.raises(LinkError, match="no library"):
        find_addresses("python")


def test_it_says_that_it_sends_a_broadcast_and_leaves_serial_ports_alone(manager):
    manager.answer = ("ASRL1::INSTR",)
    result = run("instruments", "--visa", "python")
    assert result.exit_code == 0
    assert "broadcast" in result.stderr
    assert "a serial port: not asked" in result.stdout


def test_no_discovery_looks_nowhere(manager):
    result = run("instruments", "--no-discovery")
    assert result.exit_code == 0
    assert manager.asked == []
    assert "Give addresses" in result.stdout


def test_where_nothing_is_found_the_usual_reasons_are_named_with_their_checks(manager):
    result = run("instruments", "--visa", "python")
    assert result.exit_code == 0
    assert manager.asked == ["?*::INSTR"]
    for words in ("ping", "libusb", "udev", "3. "):
        assert words in result.stdout
    assert "sends a broadcast" in result.stderr
    assert "pyvisa-py" in result.stderr


def test_given_addresses_are_asked_and_nothing_is_looked_for(manager):
    result = run("instruments", "TCPIP0::127.0.0.1::1::SOCKET", "nonsense", "--json")
    assert result.exit_code == 3
    assert manager.asked == []
    document = json_of(result)
    assert document["looked"] is False
    assert "Nothing listens" in document["instruments"][0]["error"]
    assert "no instrument address" in document["instruments"][1]["error"]


@pytest.fixture
def wants_return():
    """An instrument that hears only lines that end in CR LF."""
    listener = socket.create_server(("127.0.0.1", 0))

    def serve():
        for _ in range(2):
            connection, _ = listener.accept()
            with connection:
                heard = b""
                while data := connection.recv(100):
                    heard += data
                    if heard.endswith(b"*IDN?\r\n"):
                        connection.sendall(b"FERNHILL,SG-20,1,1\r\n")

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    yield f"TCPIP0::127.0.0.1::{listener.getsockname()[1]}::SOCKET"
    listener.close()


def test_an_instrument_that_wants_a_carriage_return_is_heard_and_that_is_said(wants_return, monkeypatch):
    real = link.open_link
    monkeypatch.setattr(link, "open_link", lambda *a, **k: real(*a, **{"timeout_s": 0.3, **k}))
    result = run("instruments", wants_return)
    assert result.exit_code == 0
    assert "answers: FERNHILL,SG-20,1,1" in result.stdout
    assert "only lines that end in CR LF" in result.stdout


def test_an_address_that_does_not_answer_comes_with_advice():
    result = run("instruments", "TCPIP0::127.0.0.1::1::SOCKET")
    assert result.exit_code == 3
    assert "Check the address and port" in result.stdout
