"""A real PostgreSQL in a folder of its own, started and killed by tests; and a network that can be cut."""

import asyncio
import os
import shutil
import signal
import socket
import subprocess
import tempfile
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

import pytest

PROGRAMS = sorted(Path("/usr/lib/postgresql").glob("*/bin"))
#: The user that the server runs as where the tests are run by root, which it refuses.
SERVER_USER = "postgres"
PASSWORD = "a-pass-word-of-the-bench"


def need_database() -> None:
    """Skip where there is no PostgreSQL here; where a skip is a failure, fail."""
    missing = [] if PROGRAMS or shutil.which("initdb") else ["PostgreSQL (apt install postgresql)"]
    for name in ("psycopg", "alembic", "fsspec"):
        try:
            __import__(name)
        except ImportError:
            missing.append(name)
    if missing:
        words = f"not here: {', '.join(missing)}"
        if os.environ.get("KITPROOF_REQUIRE_DATABASE"):
            pytest.fail(words, pytrace=False)
        pytest.skip(words, allow_module_level=True)


def free_port() -> int:
    with closing(socket.socket()) as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


class Server:
    """A PostgreSQL that listens on a port of this computer: its owner is `keeper`, its bench's user `bench`."""

    def __init__(self, waits_for_disk: bool = True) -> None:
        self.waits_for_disk = waits_for_disk
        # Not where pytest keeps its folders: whoever begins another pytest shuts those to other users.
        self.folder, self.port = Path(tempfile.mkdtemp(prefix="kitproof-database-")), free_port()
        self.programs = PROGRAMS[-1] if PROGRAMS else Path(shutil.which("initdb") or "").parent
        if os.geteuid() == 0:
            shutil.chown(self.folder, SERVER_USER)
        folder = self.folder
        self._run("initdb", "-D", str(folder / "data"), "-U", "keeper", "-A", "trust", "-E", "UTF8", "--no-sync")
        with (folder / "data" / "pg_hba.conf").open("w") as rules:
            rules.write("local all keeper trust\nhost all keeper 127.0.0.1/32 trust\n")
            rules.write("host all all 127.0.0.1/32 scram-sha-256\n")
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, and wait until it takes connections."""
        options = {"port": self.port, "unix_socket_directories": self.folder, "listen_addresses": "127.0.0.1"}
        options |= {"shared_buffers": "32MB", "max_connections": 60, "log_min_messages": "fatal"}
        options |= {"fsync": "on" if self.waits_for_disk else "off"}
        words = [word for name, value in options.items() for word in ("-c", f"{name}={value}")]
        command = [str(self.programs / "postgres"), "-D", str(self.folder / "data"), *words]
        self.process = subprocess.Popen(
            self._as_user(command), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
        )
        for _ in range(3000):
            asked = [str(self.programs / "pg_isready"), "-q", "-h", "127.0.0.1", "-p", str(self.port)]
            if subprocess.run(asked, check=False).returncode == 0:
                return
            if self.process.poll() is not None:
                raise RuntimeError(f"PostgreSQL ended with {self.process.returncode}")
        raise RuntimeError("PostgreSQL does not start")

    def kill(self) -> None:
        """End it as a power cut does, with all its children."""
        if self.process is None or self.process.poll() is not None:
            return
        number = self.process.pid
        with suppress(OSError):
            # Each of them is a session of its own.
            children = Path(f"/proc/{number}/task/{number}/children").read_text(encoding="ascii")
            for one in (number, *map(int, children.split())):
                with suppress(ProcessLookupError):
                    os.kill(one, signal.SIGKILL)
        self.process.kill()
        self.process.wait()

    def sql(self, words: str) -> str:
        """What the owner is answered."""
        command = [str(self.programs / "psql"), "-XAtq", "-h", "127.0.0.1", "-p", str(self.port), "-U", "keeper"]
        done = subprocess.run(
            [*command, "-d", "postgres", "-c", words], capture_output=True, text=True, check=True, timeout=600
        )
        return done.stdout.strip()

    def _run(self, program: str, *words: str) -> None:
        subprocess.run(self._as_user([str(self.programs / program), *words]), check=True, capture_output=True)

    @staticmethod
    def _as_user(command: list[str]) -> list[str]:
        if os.geteuid() != 0:
            return command
        return ["setpriv", f"--reuid={SERVER_USER}", f"--regid={SERVER_USER}", "--clear-groups", *command]


@contextmanager
def running_server(waits_for_disk: bool = True) -> Iterator[Server]:
    """A server that is started, and ended; whether it waits for the disk, which no kill of it needs."""
    server = Server(waits_for_disk)
    try:
        server.start()
        server.sql(f"CREATE ROLE bench LOGIN PASSWORD '{PASSWORD}'")
        yield server
    finally:
        server.kill()
        shutil.rmtree(server.folder)


class Wire:
    """A network to a port of this computer that can be cut: at once, or after so many bytes went to the server."""

    def __init__(self, to_port: int) -> None:
        self.to_port, self.port = to_port, 0
        #: Bytes that may still go to the server; None: any number.
        self.room: int | None = None
        self._open: set[asyncio.StreamWriter] = set()
        self._loop = asyncio.new_event_loop()
        started = threading.Event()
        self._thread = threading.Thread(target=self._serve, args=(started,), daemon=True)
        self._thread.start()
        started.wait()

    def cut(self, after: int = 0) -> None:
        """Let so many bytes more to the server, then let nothing through and drop what is connected."""
        self.room = after
        if not after:
            self._loop.call_soon_threadsafe(self._drop)

    def mend(self) -> None:
        """Let everything through again."""
        self.room = None

    def close(self) -> None:
        """End it."""
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.close()

    def _serve(self, started: threading.Event) -> None:
        asyncio.set_event_loop(self._loop)
        server = self._loop.run_until_complete(asyncio.start_server(self._connected, "127.0.0.1", 0))
        self.port = server.sockets[0].getsockname()[1]
        started.set()
        self._loop.run_forever()
        server.close()
        self._drop()
        # What is read from or written to ends with it.
        self._loop.run_until_complete(asyncio.gather(*asyncio.all_tasks(self._loop), return_exceptions=True))

    def _drop(self) -> None:
        for writer in list(self._open):
            writer.transport.abort()
        self._open.clear()

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self.room == 0:
            writer.transport.abort()
            return
        try:
            to_reader, to_writer = await asyncio.open_connection("127.0.0.1", self.to_port)
        except OSError:
            writer.transport.abort()
            return
        self._open |= {writer, to_writer}
        back = asyncio.ensure_future(self._pass_on(to_reader, writer, counts=False))
        await self._pass_on(reader, to_writer, counts=True)
        await back
        self._open -= {writer, to_writer}

    async def _pass_on(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, counts: bool) -> None:
        with suppress(OSError):
            while data := await reader.read(4096):
                if counts and self.room is not None:
                    data = data[: self.room]
                    self.room -= len(data)
                writer.write(data)
                await writer.drain()
                if counts and self.room == 0:
                    self._drop()
                    return
        writer.transport.abort()
