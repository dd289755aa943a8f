"""A small SCPI instrument on a TCP socket: it can be slow, mute, talk nonsense, go away and come back."""

import contextlib
import socket
import threading
import time


class ScpiInstrument:
    """Answers lines by its `answers`; everything about it may be changed while it runs."""

    def __init__(self, answers: dict[str, bytes | str]) -> None:
        self.answers = dict(answers)
        #: Every command that came, in order.
        self.heard: list[str] = []
        #: From question to answer.
        self.delay_s = 0.0
        #: Hears, and says nothing.
        self.mute = False
        self.end = b"\n"
        #: Said half of the delay after an answer.
        self.after = b""
        self._lock = threading.Lock()
        self._connections: list[socket.socket] = []
        self._listener: socket.socket | None = None
        self.port = 0
        self.switch_on()

    @property
    def address(self) -> str:
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    @property
    def is_on(self) -> bool:
        return self._listener is not None

    def switch_on(self) -> None:
        listener = socket.socket()
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", self.port))
        listener.listen()
        self.port = listener.getsockname()[1]
        self._listener = listener
        threading.Thread(target=self._accept, args=(listener,), daemon=True).start()

    def switch_off(self) -> None:
        """As a pulled plug: the port is closed, and so is every connection."""
        listener, self._listener = self._listener, None
        if listener is not None:
            # Closing alone does not wake the thread that waits in accept.
            with contextlib.suppress(OSError):
                listener.shutdown(socket.SHUT_RDWR)
            listener.close()
        self.hang_up()

    def hang_up(self) -> None:
        """Close every connection; new ones are welcome."""
        with self._lock:
            for connection in self._connections:
                with contextlib.suppress(OSError):
                    connection.shutdown(socket.SHUT_RDWR)
                connection.close()
            self._connections.clear()

    def say(self, raw: bytes) -> None:
        """Say something unasked to whoever listens."""
        with self._lock:
            for connection in self._connections:
                connection.sendall(raw)

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            with self._lock:
                self._connections.append(connection)
            threading.Thread(target=self._serve, args=(connection,), daemon=True).start()

    def _serve(self, connection: socket.socket) -> None:
        pending = b""
        with contextlib.suppress(OSError):
            while chunk := connection.recv(4096):
                pending += chunk
                while b"\n" in pending:
                    line, _, pending = pending.partition(b"\n")
                    self._answer(connection, line.decode().strip())

    def _answer(self, connection: socket.socket, command: str) -> None:
        self.heard.append(command)
        answer = self.answers.get(command)
        if answer is None or self.mute:
            return
        time.sleep(self.delay_s)
        raw = answer if isinstance(answer, bytes) else answer.encode()
        connection.sendall(raw + self.end)
        if self.after:
            time.sleep(self.delay_s / 2)
            connection.sendall(self.after)
