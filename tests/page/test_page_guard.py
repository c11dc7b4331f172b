"""Who gets in: the one-time address, its cookie, and nobody else.

Outside references: Host and Origin as RFC 9110 and RFC 6454 have them; Sec-Fetch-Site as in W3C Fetch Metadata; cookie
attributes as in RFC 6265bis. The real server is asked over real sockets at the end.
"""

import http.client
import json
import os
import re
import socket
import subprocess
import sys
from contextlib import contextmanager

import pytest
from asgi_calls import Inside, ask, body, header, status

from twonode.console.page.guard import Access, Guard

PORT = 8046
HOST = ("Host", f"127.0.0.1:{PORT}")
ORIGIN = ("Origin", f"http://127.0.0.1:{PORT}")
POLL = "/_nicegui_ws/socket.io/"


@pytest.fixture
def door():
    inside = Inside()
    access = Access(PORT)
    return Guard(inside, access), inside, access


def _token(access):
    return access.new_address().partition("?")[2]


@pytest.fixture
def let_in(door):
    """Guard, application and the cookie of a browser that was let in."""
    guard, inside, access = door
    answer = ask(guard, headers=[HOST], query=_token(access))
    return guard, inside, ("Cookie", header(answer, "set-cookie").partition(";")[0])


def test_the_token_is_swapped_for_a_cookie_and_left_behind(door):
    guard, inside, access = door
    answer = ask(guard, headers=[HOST], query=_token(access))
    assert status(answer) == 303
    assert header(answer, "location") == "/"
    given = header(answer, "set-cookie").split("; ")
    assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(given)
    assert not inside.asked


def test_the_cookie_opens_the_page_and_the_token_is_not_in_it(let_in, door):
    guard, inside, cookie = let_in
    answer = ask(guard, headers=[HOST, cookie])
    assert (status(answer), body(answer)) == (200, "inside")
    assert "token" not in cookie[1]
    assert len(inside.asked) == 1


def test_a_token_works_once(door):
    guard, _, access = door
    token = _token(access)
    ask(guard, headers=[HOST], query=token)
    again = ask(guard, headers=[HOST], query=token)
    assert status(again) == 403
    assert "used already" in body(again)
    assert header(again, "set-cookie") is None
    assert header(again, "content-type").startswith("text/plain")


def test_a_newer_address_ends_the_older_one(door):
    guard, _, access = door
    older = _token(access)
    newer = _token(access)
    assert status(ask(guard, headers=[HOST], query=older)) == 403
    assert status(ask(guard, headers=[HOST], query=newer)) == 303


def test_the_browser_that_was_let_in_may_reload_the_used_address(let_in):
    guard, _, cookie = let_in
    assert status(ask(guard, headers=[HOST, cookie], query="token=whatever")) == 303


@pytest.mark.parametrize("query", ["", "token=", "token=guessed", "token=%00", "tokem=x"])
def test_without_the_right_token_nothing_is_served(door, query):
    guard, inside, _ = door
    assert status(ask(guard, headers=[HOST], query=query)) == 403
    assert not inside.asked


@pytest.mark.parametrize(
    "path", ["/", "/archive", POLL, "/_nicegui/3/static/x.js", "/twonode/page.css", "/favicon.ico"]
)
def test_without_the_cookie_no_path_is_served(door, path):
    guard, inside, _ = door
    assert status(ask(guard, path, headers=[HOST])) == 403
    assert not inside.asked


@pytest.mark.parametrize(
    "value",
    [
        "",
        "x",
        "é",
        "twonode_page_8046",
        "twonode_page_8046=",
        'twonode_page_8046="',
        "twonode_page_8046=wrong",
    ],
)
def test_a_wrong_cookie_is_none(let_in, value):
    guard, inside, _ = let_in
    assert status(ask(guard, headers=[HOST, ("Cookie", value)])) == 403
    assert not inside.asked


def test_a_token_elsewhere_than_on_the_first_page_is_none(door):
    guard, _, access = door
    token = _token(access)
    assert status(ask(guard, "/archive", headers=[HOST], query=token)) == 403
    assert status(ask(guard, headers=[HOST, ORIGIN], query=token, method="POST")) == 403
    assert status(ask(guard, headers=[HOST], query=token)) == 303, "and it is not used up by that"


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:8046",
        "127.0.0.1",
        "127.0.0.1:80",
        "localhost:8047",
        "[::1]:8046",
        "127.0.0.1:8046.evil.example",
        "0.0.0.0:8046",
        "",
    ],
)
def test_a_forged_host_is_refused_even_with_the_cookie(let_in, host):
    guard, inside, cookie = let_in
    assert status(ask(guard, headers=[("Host", host), cookie])) == 403
    assert not inside.asked


def test_no_host_and_two_hosts_are_refused(let_in):
    guard, inside, cookie = let_in
    assert status(ask(guard, headers=[cookie])) == 403
    assert status(ask(guard, headers=[HOST, HOST, cookie])) == 403
    assert not inside.asked


def test_localhost_is_this_computer_too(let_in):
    guard, _, cookie = let_in
    assert status(ask(guard, headers=[("Host", f"localhost:{PORT}"), cookie])) == 200


FOREIGN = [
    "http://evil.example",
    "null",
    "https://127.0.0.1:8046",
    "http://127.0.0.1:8047",
    "http://127.0.0.1",
    "http://127.0.0.1:8046.evil.example",
    "",
]


@pytest.mark.parametrize("origin", FOREIGN)
@pytest.mark.parametrize(("path", "method"), [("/", "GET"), (POLL, "GET"), (POLL, "POST")])
def test_another_origin_is_refused_on_pages_and_polling(let_in, origin, path, method):
    guard, inside, cookie = let_in
    assert status(ask(guard, path, headers=[HOST, cookie, ("Origin", origin)], method=method)) == 403
    assert not inside.asked


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "OPTIONS"])
def test_what_is_sent_has_to_say_where_it_comes_from(let_in, method):
    guard, inside, cookie = let_in
    assert status(ask(guard, POLL, headers=[HOST, cookie], method=method)) == 403
    assert not inside.asked
    assert status(ask(guard, POLL, headers=[HOST, cookie, ORIGIN], method=method)) == 200


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_a_page_of_another_site_or_port_cannot_load_anything(let_in, site):
    guard, inside, cookie = let_in
    assert status(ask(guard, headers=[HOST, cookie, ("Sec-Fetch-Site", site)])) == 403
    assert not inside.asked
    for near in ("same-origin", "none"):
        assert status(ask(guard, headers=[HOST, cookie, ("Sec-Fetch-Site", near)])) == 200


def _upgrade(guard, headers, extensions=None):
    return ask(guard, POLL, headers=headers, kind="websocket", extensions=extensions)


@pytest.mark.parametrize("origin", FOREIGN)
def test_a_websocket_of_another_origin_is_refused(let_in, origin):
    guard, inside, cookie = let_in
    sent = _upgrade(guard, [HOST, cookie, ("Origin", origin)])
    assert [m["type"] for m in sent] == ["websocket.close"]
    assert not inside.asked


def test_a_websocket_without_origin_cookie_or_host_is_refused(let_in):
    guard, inside, cookie = let_in
    for headers in (
        [HOST, cookie],
        [HOST, ORIGIN],
        [cookie, ORIGIN],
        [("Host", "evil.example"), cookie, ORIGIN],
    ):
        assert _upgrade(guard, headers)[0]["type"] == "websocket.close"
    assert not inside.asked
    assert _upgrade(guard, [HOST, cookie, ORIGIN])[0]["type"] == "websocket.accept"


def test_a_refused_websocket_gets_plain_words_where_the_server_can(let_in):
    guard, _, cookie = let_in
    sent = _upgrade(guard, [HOST, cookie], {"websocket.http.response": {}})
    assert status(sent) == 403
    assert "Refused." in body(sent)


def test_what_a_proxy_would_say_is_not_believed(let_in):
    guard, inside, cookie = let_in
    ask(guard, headers=[HOST, cookie, ("X-Forwarded-Prefix", "/evil"), ("X-Forwarded-Host", "evil.example")])
    names = {name for name, _ in inside.asked[0]["headers"]}
    assert not any(name.startswith(b"x-forwarded") for name in names)
    assert b"cookie" in names


def test_a_page_may_load_nothing_from_elsewhere_and_be_framed_by_nobody(let_in):
    guard, _, cookie = let_in
    policy = header(ask(guard, headers=[HOST, cookie]), "content-security-policy")
    assert "default-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "http" not in policy


# The real server, over real sockets --------------------------------------------------------------------------------


@contextmanager
def _served(tmp_path):
    command = "from twonode.console.main import main; main()"
    options = ["--simulated", "--json", "--no-browser", "--archive", str(tmp_path)]
    process = subprocess.Popen(
        [sys.executable, "-c", command, "page", *options],
        stdout=subprocess.PIPE,
        stdin=subprocess.DEVNULL,
        text=True,
        env=os.environ | {"TWONODE_PAGE": str(tmp_path / "page.json")},
    )
    try:
        yield json.loads(process.stdout.readline())
    finally:
        process.terminate()
        process.wait(20)


def _get(port, path, **headers):
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    connection.putrequest("GET", path, skip_host="Host" in headers)
    for name, value in headers.items():
        connection.putheader(name.replace("_", "-"), value)
    connection.endheaders()
    answer = connection.getresponse()
    return answer, answer.read().decode()


def _shaken_hands(port, **headers):
    """The status line of a websocket upgrade (RFC 6455)."""
    lines = [
        f"GET {POLL}?EIO=4&transport=websocket HTTP/1.1",
        f"Host: 127.0.0.1:{port}",
        "Upgrade: websocket",
    ]
    lines += [
        "Connection: Upgrade",
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==",
        "Sec-WebSocket-Version: 13",
    ]
    lines += [f"{name.replace('_', '-')}: {value}" for name, value in headers.items()]
    with socket.create_connection(("127.0.0.1", port), timeout=10) as connection:
        connection.sendall(("\r\n".join(lines) + "\r\n\r\n").encode())
        return connection.recv(4096).decode("latin-1").partition("\r\n")[0]


def _other_addresses():
    """Addresses of this computer other than the one that is served."""
    found = {"127.0.0.2"}
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # RFC 5737: nothing is sent by connecting a datagram socket
            found.add(probe.getsockname()[0])
        except OSError:
            pass
    return sorted(found - {"127.0.0.1", "0.0.0.0"})


def _listens(address, port):
    try:
        with socket.create_connection((address, port), timeout=2):
            return True
    except OSError:
        return False


def test_the_served_page_answers_here_only_and_only_to_its_browser(tmp_path):
    with _served(tmp_path) as served:
        port, token = served["port"], served["page"].partition("/?")[2]
        assert served["page"].startswith(f"http://127.0.0.1:{port}/")
        for address in _other_addresses():
            assert not _listens(address, port), address
        assert _listens("127.0.0.1", port)

        assert _get(port, "/")[0].status == 403
        assert _get(port, f"/?{token}", Host="evil.example")[0].status == 403
        welcomed, _ = _get(port, f"/?{token}")
        assert welcomed.status == 303
        assert _get(port, f"/?{token}")[0].status == 403
        cookie = welcomed.headers["Set-Cookie"].partition(";")[0]

        page, content = _get(port, "/", Cookie=cookie)
        assert page.status == 200
        assert "What do you want to know?" in content
        # Whatever the page names as a source lies on this server.
        assert not re.findall(r"""(?:src|href)=["'](?:https?:)?//""", content)

        poll = f"{POLL}?EIO=4&transport=polling"
        assert _get(port, poll)[0].status == 403
        assert _get(port, poll, Cookie=cookie, Origin="http://evil.example")[0].status == 403
        allowed, _ = _get(port, poll, Cookie=cookie, Origin=f"http://127.0.0.1:{port}")
        assert allowed.status == 200
        assert allowed.headers["Access-Control-Allow-Origin"] != "*"

        here = f"http://127.0.0.1:{port}"
        assert "403" in _shaken_hands(port, Origin=here)
        assert "403" in _shaken_hands(port, Origin="http://evil.example", Cookie=cookie)
        assert "403" in _shaken_hands(port, Cookie=cookie)
        assert "101" in _shaken_hands(port, Origin=here, Cookie=cookie)
