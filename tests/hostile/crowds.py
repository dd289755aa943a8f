"""A run at the page while others crowd it: slow, silent, malformed, foreign connections that none of our windows opens.

No sound is started, doubled or prolonged by any of them: what was captured is what the same run captures alone.
"""

import logging
import socket
import threading
import time
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from random import Random
from unittest import mock

from at_the_page import WINDOW, answered, served, until

from hostile.ground import KIT, Ground, newest_folder
from hostile.mutations import mutated_bytes
from hostile.promise import kitproof
from rig.page import connections
from rig.page.server import Server
from rig.page.station import Station
from rig.store.records import damages, read_record
from rig.store.run_json import Record

SERIAL, PLAN = "SO-0108", "bare"
#: Of one try: so many who crowd it, each with so many connections, so many of them at once.
CLIENTS, EACH, AT_ONCE = 4, 100, 40
#: Files that a run and a page have open besides: of the index, the lock, the library's own.
OTHER_FILES = 60


def try_crowds(random: Random, ground: Ground) -> None:
    """One unit at the page while a crowd is there."""
    alone = _alone(ground)
    station = Station(ground.workspace)
    server = Server(station)
    server.start()
    told: list[logging.LogRecord] = []
    handler = logging.Handler()
    handler.emit = told.append  # type: ignore[method-assign]
    logging.getLogger("uvicorn.error").addHandler(handler)
    try:
        with mock.patch.object(connections, "REQUEST_S", 0.5), mock.patch.object(connections, "UNREAD_S", 0.5):
            _crowded(random, station, server)
            assert station.view.phase == "done", station.view
            with socket.create_connection((server_host := "127.0.0.1", server.port), timeout=60) as asking:
                asking.sendall(f"GET / HTTP/1.1\r\nHost: {server_host}:{server.port}\r\n\r\n".encode())
                assert b" 200 " in asking.recv(1000)[:20]
    finally:
        server.stop()
        logging.getLogger("uvicorn.error").removeHandler(handler)
    assert not [one for one in told if one.exc_info], told
    record = read_record(newest_folder(ground.workspace, SERIAL))
    assert (record.outcome, damages(record)) == ("pass", [])
    assert _captured(record) == alone


@lru_cache(maxsize=1)
def _alone(ground: Ground) -> list[tuple[object, ...]]:
    """What the same run captures where nobody disturbs it."""
    done = kitproof("verify", KIT, SERIAL, "--plan", PLAN, "--workspace", str(ground.workspace))
    assert done.status == 0, done
    found = _captured(read_record(newest_folder(ground.workspace, SERIAL)))
    ground.mend()
    return found


def _captured(record: Record) -> list[tuple[object, ...]]:
    """How long the bench sounded, s, and what came back for each request, sample for sample."""
    return [(record.timing.sound_s,)] + [
        (one.request, one.attempt, one.flags, record.files[one.file]) for one in record.captures
    ]


def _crowded(random: Random, station: Station, server: Server) -> None:
    seeds = [random.random() for _ in range(CLIENTS)]
    most_files, is_over = [0], threading.Event()

    def crowd(seed: float) -> None:
        chance = Random(seed)
        kept = []
        for _ in range(EACH):
            kept.append(_come(chance, server.port))
            if len(kept) > AT_ONCE:
                kept.pop(0).close()
            most_files[0] = max(most_files[0], len(list(Path("/proc/self/fd").iterdir())))
        is_over.wait()
        for one in kept:
            one.close()

    def act() -> None:
        threads = [threading.Thread(target=crowd, args=(seed,), daemon=True) for seed in seeds]
        for thread in threads:
            thread.start()
        try:
            _judge(station)
        finally:
            is_over.set()
            for thread in threads:
                thread.join()

    station.listen(WINDOW, lambda: None)
    station.levels.hold()
    main, usual = threading.get_ident(), station._lock

    class NotByTheRun:
        """The page's lock: what walks a run never waits for a window."""

        def __enter__(self) -> None:
            assert threading.get_ident() != main or station._running is None, "the run waits for the page"
            usual.acquire()

        def __exit__(self, *of: object) -> None:
            usual.release()

    with mock.patch.object(station, "_lock", NotByTheRun()):
        served(station, act)
    # Each of them has its own end in this process, too.
    most = CLIENTS * (AT_ONCE + 1) + connections.MOST_CONNECTIONS * 5 // 4 + OTHER_FILES
    assert most_files[0] <= most, f"{most_files[0]} files were open at once, {most} at most expected"


def _judge(station: Station) -> None:
    station.scan(SERIAL, WINDOW, 0)
    until(station, "chosen")
    station.plan(WINDOW, PLAN)
    station.go(WINDOW, 0)
    number = 0
    while True:
        view = station.view
        if view.phase == "done":
            return
        if view.phase == "asking" and view.question and view.question.number != number:
            number = view.question.number
            answered(station, number)
        assert view.phase != "chosen" or not view.notice, view
        time.sleep(0.01)


def _come(random: Random, port: int) -> socket.socket:
    """Open a connection and send what one of them sends, in pieces; it stays open, whatever comes back."""
    made = socket.create_connection(("127.0.0.1", port), timeout=60)
    try:
        sent = random.choice(KINDS)(random, port)
        if random.random() < 0.3:
            sent = mutated_bytes(random, sent)
        while sent and random.random() < 0.9:
            length = random.choice((1, 1, 7, 1000, len(sent)))
            made.sendall(sent[:length])
            sent = sent[length:]
        made.setblocking(False)
        if random.random() < 0.5:
            made.recv(100)
    except OSError:
        # It was let go of.
        pass
    return made


def _request(line: str, *headers: str, body: bytes = b"") -> bytes:
    return "\r\n".join((line, *headers, "", "")).encode() + body


KINDS: tuple[Callable[[Random, int], bytes], ...] = (
    lambda random, port: _request("GET / HTTP/1.1", f"Host: 127.0.0.1:{port}"),
    # A picture on another page, and a batch, which takes long.
    lambda random, port: _request("GET /events HTTP/1.1", f"Host: 127.0.0.1:{port}", "Sec-Fetch-Site: cross-site"),
    lambda random, port: _request("GET /batch?kit=shelf-one HTTP/1.1", f"Host: 127.0.0.1:{port}"),
    lambda random, port: _request("GET / HTTP/1.1", f"Host: 127.0.0.1:{port}", "Host: evil.example"),
    lambda random, port: _request(f"GET /events?window={random.random()} HTTP/1.1", f"Host: 127.0.0.1:{port}"),
    lambda random, port: 20 * _request("GET /static/page.js HTTP/1.1", f"Host: 127.0.0.1:{port}"),
    lambda random, port: _request("GET / HTTP/1.0"),
    lambda random, port: _request("GET / HTTP/1.0", f"Host: 127.0.0.1:{port}"),
    lambda random, port: _request("GET /units HTTP/1.1", f"Host: evil.example:{port}"),
    lambda random, port: _request(f"GET http://127.0.0.1:{port}/ HTTP/1.1", f"Host: 127.0.0.1:{port}"),
    lambda random, port: _request(
        "GET / HTTP/1.1", f"Host: 127.0.0.1:{port}", *(f"a{n}: {'x' * 900}" for n in range(99))
    ),
    *(
        lambda random, port, do=do: _request(
            f"POST /do/{do} HTTP/1.1",
            f"Host: {random.choice(('127.0.0.1', 'evil.example', 'localhost'))}:{port}",
            f"Origin: {random.choice((f'http://127.0.0.1:{port}', 'http://evil.example', 'null'))}",
            f"Content-Length: {random.choice((2, 2, 20, 10**12, -1))}",
            body=b"{}",
        )
        for do in ("stop", "go", "scan", "task", "take-over")
    ),
    lambda random, port: _request(
        "POST /do/stop HTTP/1.1",
        f"Host: 127.0.0.1:{port}",
        f"Origin: http://127.0.0.1:{port}",
        "Transfer-Encoding: chunked",
        "Content-Length: 4",
        body=b"ffffffff\r\n{}",
    ),
    lambda random, port: _request(
        "GET /levels/events HTTP/1.1", f"Host: 127.0.0.1:{port}", "Upgrade: websocket", "Connection: Upgrade"
    ),
    lambda random, port: b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
    lambda random, port: b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + random.randbytes(200),
    lambda random, port: random.randbytes(random.choice((1, 100, 100_000))),
)
