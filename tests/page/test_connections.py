"""Connections that are slow, many, or never read: they lock nobody out, and are let go of."""

import json
import logging
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from simulated_runs import ROOT

from rig.page import connections, reading_routes
from rig.page.connections import MOST_CONNECTIONS
from rig.page.guarding import KEY_HEADER
from rig.page.reading import Listed
from rig.page.server import Server
from rig.page.station import Station

#: Only ends a hang.
HANG_S = 120.0


@pytest.fixture
def server() -> Iterator[Server]:
    made = Server(Station(ROOT))
    made.start()
    yield made
    made.stop()


def opened(server: Server, sent: bytes = b"") -> socket.socket:
    made = socket.create_connection(("127.0.0.1", server.port), timeout=HANG_S)
    made.sendall(sent)
    return made


def answer(server: Server, request: bytes) -> bytes:
    """All that comes back for what is sent on a connection of its own."""
    with opened(server, request) as made:
        return read_all(made)


def read_all(made: socket.socket) -> bytes:
    """What comes until the other side ends it."""
    found = b""
    try:
        while piece := made.recv(65536):
            found += piece
    except ConnectionError:
        pass
    return found


def get(server: Server, path: str = "/") -> bytes:
    return f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{server.port}\r\nConnection: close\r\n\r\n".encode()


def key(server: Server) -> bytes:
    return answer(server, get(server)).partition(b'data-key="')[2].partition(b'"')[0]


def post(server: Server, path: str, body: bytes, length: int) -> bytes:
    headers = (f"Host: 127.0.0.1:{server.port}", f"Origin: http://127.0.0.1:{server.port}", "Connection: close")
    lines = (f"POST {path} HTTP/1.1", *headers, f"{KEY_HEADER}: {key(server).decode()}", f"Content-Length: {length}")
    return "\r\n".join((*lines, "", "")).encode() + body


def open_here(server: Server) -> int:
    """Connections that the server has open."""
    return len(server._server.server_state.connections)


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


def test_who_opens_a_thousand_connections_and_says_nothing_locks_nobody_out(
    server: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = answer(server, get(server))
    assert b" 200 " in whole[:20]
    before = open_files()
    # Half of them are of another machine: they leave the other half to this one.
    monkeypatch.setattr(connections, "is_this_machine", lambda client: False)
    silent: list[socket.socket] = []
    for n in range(1000):
        silent.append(opened(server, b"GET / HTTP/1.1\r\nHo"[: n % 20]))
        # Faster than they are taken the system itself drops them, and tries each again a second later.
        while n % 25 == 24 and open_here(server) < min(len(silent), MOST_CONNECTIONS // 2):
            time.sleep(0.001)
        if n % 25 == 24 and len(silent) > MOST_CONNECTIONS:
            assert read_all(silent[-1]) == b""
    # Those that are too many are closed from the other side, the later ones first of all.
    assert read_all(silent[-1]) == b""
    assert open_files() - before <= 1000 + MOST_CONNECTIONS
    monkeypatch.undo()
    assert b" 200 " in answer(server, get(server))[:20]
    sent = json.dumps({}).encode()
    assert b" 200 " in answer(server, post(server, "/do/stop", sent, len(sent)))[:20]
    for made in silent:
        made.close()


@pytest.mark.parametrize(
    "begun", [b"", b"G", b"GET / HTTP/1.1\r\nHost: 127.0.0.1", b"GET / HTTP/1.1\r\n" + b"a: b\r\n" * 99]
)
def test_a_request_that_is_never_ended_is_let_go_of(
    server: Server, monkeypatch: pytest.MonkeyPatch, begun: bytes
) -> None:
    monkeypatch.setattr(connections, "REQUEST_S", 0.05)
    with opened(server, begun) as made:
        assert read_all(made) == b""


def test_a_body_that_never_comes_is_let_go_of_without_a_word_at_the_terminal(
    server: Server, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    begun = post(server, "/do/scan", b'{"text": ', 1000)
    monkeypatch.setattr(connections, "REQUEST_S", 0.05)
    with caplog.at_level(logging.DEBUG, "uvicorn.error"), opened(server, begun) as made:
        assert read_all(made) == b""
        # What comes after it is answered: the page is there.
        monkeypatch.undo()
        assert b" 200 " in answer(server, get(server))[:20]
    assert not [record for record in caplog.records if record.exc_info]


def test_a_second_request_on_a_connection_is_let_go_of_as_well(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    with opened(server, get(server).replace(b"Connection: close\r\n", b"")) as made:
        assert b" 200 " in made.recv(65536)[:20]
        monkeypatch.setattr(connections, "REQUEST_S", 0.05)
        made.sendall(b"GET / HT")
        read_all(made)


def test_what_is_sent_and_never_read_is_let_go_of(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "UNREAD_S", 0.05)
    # What the system keeps of it is little, so that a few answers are too many.
    server._sockets[0].setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
    with socket.socket() as made:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        made.settimeout(HANG_S)
        made.connect(("127.0.0.1", server.port))
        made.sendall(100 * get(server, "/static/page.js").replace(b"Connection: close\r\n", b""))
        # Nothing is read until the other side has given it up.
        while not open_here(server):
            time.sleep(0.01)
        while open_here(server):
            time.sleep(0.01)
        assert read_all(made).count(b"HTTP/1.1 200") < 100


def test_pages_that_take_long_do_not_keep_a_stop_waiting(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    """A hundred lists that nobody can answer yet, as of a network drive that is slow."""
    begun, go_on = threading.Semaphore(0), threading.Event()

    def slow(*of: object) -> Listed:
        begun.release()
        assert go_on.wait(HANG_S)
        return Listed((), 1, 1, ())

    monkeypatch.setattr(reading_routes, "listed", slow)
    sent = json.dumps({}).encode()
    stop = post(server, "/do/stop", sent, len(sent))
    waiting = [opened(server, get(server, "/units")) for _ in range(100)]
    try:
        # So many as the library has threads for, each busy with one.
        for _ in range(40):
            assert begun.acquire(timeout=HANG_S)
        assert b" 200 " in answer(server, stop)[:20]
    finally:
        go_on.set()
        for made in waiting:
            read_all(made)
            made.close()


def test_who_asks_is_who_is_connected_whatever_a_header_says(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FORWARDED_ALLOW_IPS", "*")
    server = Server(Station(ROOT))
    server.start()
    try:
        asked = get(server).replace(b"\r\n", b"\r\nX-Forwarded-For: 192.0.2.9\r\n", 1)
        assert b" 200 " in answer(server, asked)[:20]
    finally:
        server.stop()
