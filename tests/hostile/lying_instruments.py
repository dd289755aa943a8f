"""Instruments that lie in any order: no value that is not the role's own and new, a reason for each that is missing."""

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Mapping
from random import Random
from unittest import mock

from scpi_instrument import ScpiInstrument

from hostile.ground import Ground
from rig.bench import instrument_threads
from rig.bench.instrument_settings import InstrumentSettings
from rig.bench.instrument_threads import Instruments

IDENTITY = "BENCH,LOGGER,17,1.0"
#: Role -> what it is asked for by, and from where on its values lie, which no other's do.
ROLES: Mapping[str, tuple[str, float]] = {"heat sink": ("TEMP? 1", 40.0), "ambient": ("TEMP? 2", 20.0)}
#: Each value is by so much more than the last one of its role, so that it tells when it was said.
STEP = 0.001
TIMEOUT_S, EVERY_S = 0.06, 0.02
#: It lies in so many answers, and then no more.
LIES = 12
#: However busy the machine is; only ends a hang, s.
LONGEST_S = 60.0


class Liar(ScpiInstrument):
    """Says what is so, and lies in some of its answers as it is told to."""

    def __init__(self, random: Random) -> None:
        self._random, self.lies_left = random, LIES
        self.kind = random.choice(sorted(LYING))
        #: Everything true that was said, with when it was true; the newest of each role.
        self.newest: dict[str, float] = dict(ROLES.values())
        super().__init__({"*IDN?": IDENTITY})

    def _answer(self, connection: socket.socket, command: str) -> None:
        self.heard.append(command)
        if command in self.newest:
            self.newest[command] = round(self.newest[command] + STEP, 6)
            truth = f"{self.newest[command]:.3f}".encode()
        else:
            truth = IDENTITY.encode()
        if self.lies_left <= 0 or self._random.random() < 0.5:
            connection.sendall(truth + b"\n")
            return
        self.lies_left -= 1
        LYING[self.kind](self._random, connection, truth, self)


def _late(random: Random, connection: socket.socket, truth: bytes, liar: Liar) -> None:
    time.sleep(random.choice((0.7, 1.5, 4.0)) * TIMEOUT_S)
    connection.sendall(truth + b"\n")


def _twice(random: Random, connection: socket.socket, truth: bytes, liar: Liar) -> None:
    connection.sendall((truth + b"\n") * random.choice((2, 3)))


def _in_halves(random: Random, connection: socket.socket, truth: bytes, liar: Liar) -> None:
    half = random.randrange(len(truth))
    connection.sendall(truth[:half])
    time.sleep(random.choice((0.1, 2.0)) * TIMEOUT_S)
    connection.sendall(truth[half:] + b"\n")


def _garbage(random: Random, connection: socket.socket, truth: bytes, liar: Liar) -> None:
    # None of it is a digit.
    connection.sendall(bytes(byte | 0x80 for byte in random.randbytes(random.choice((1, 10, 1000)))) + b"\n")


def _no_value(random: Random, connection: socket.socket, truth: bytes, liar: Liar) -> None:
    said = (b"9.9E37", b"+OVLD", b"", b"nan", b"--.-", b"41,5", b"ERR 41.5", b"1e999", b"-9.91E37", b"0x29", b"4 1.5")
    connection.sendall(random.choice(said) + random.choice((b"\n", b"\r\n", b"\n\n")))


def _floods(random: Random, connection: socket.socket, truth: bytes, liar: Liar) -> None:
    for _ in range(200):
        connection.sendall(random.choice((truth + b"\n", b"9" * 100, b"\0")) * 100)


def _drips(random: Random, connection: socket.socket, truth: bytes, liar: Liar) -> None:
    for n in range(len(truth)):
        connection.sendall(truth[n : n + 1])
        time.sleep(0.4 * TIMEOUT_S)
    connection.sendall(b"\n")


def _hangs_up(random: Random, connection: socket.socket, truth: bytes, liar: Liar) -> None:
    connection.sendall(truth[: random.randint(0, len(truth))])
    connection.shutdown(socket.SHUT_RDWR)


def _says_nothing(random: Random, connection: socket.socket, truth: bytes, liar: Liar) -> None:
    pass


def _is_another(random: Random, connection: socket.socket, truth: bytes, liar: Liar) -> None:
    """The plug is pulled; what answers from then on is another one, of the same kind of values."""
    with contextlib.suppress(OSError):
        connection.sendall(b"BENCH,OTHER,18,1.0\n" if truth == IDENTITY.encode() else b"")
        connection.shutdown(socket.SHUT_RDWR)


Lie = Callable[[Random, socket.socket, bytes, Liar], None]
LYING: Mapping[str, Lie] = {
    "late": _late,
    "twice": _twice,
    "in halves": _in_halves,
    "garbage": _garbage,
    "no value": _no_value,
    "floods": _floods,
    "drips": _drips,
    "hangs up": _hangs_up,
    "says nothing": _says_nothing,
    "is another": _is_another,
}


#: Where nothing but quiet ends an answer, one that is cut off looks whole to anybody.
CUT_OFF = ("hangs up", "in halves", "drips")


def try_instruments(random: Random, ground: Ground) -> None:
    """One instrument with two values that lies a dozen times, then tells the truth again."""
    liar = Liar(random)
    table = {
        "name": "logger",
        "address": liar.address,
        "timeout_s": TIMEOUT_S,
        "values": [{"role": role, "unit": "celsius", "query": query} for role, (query, _) in ROLES.items()],
        **random.choice(({}, {"identify": "logger,17"}, {} if liar.kind in CUT_OFF else {"quiet_s": 0.03})),
    }
    ends_s = time.monotonic() + LONGEST_S
    try:
        with (
            mock.patch.multiple(instrument_threads, FIRST_PAUSE_S=0.01, LONGEST_PAUSE_S=0.05),
            Instruments([InstrumentSettings.model_validate(table)], every_s=EVERY_S) as instruments,
        ):
            while not _hold(instruments, liar):
                assert time.monotonic() < ends_s, f"{liar.kind}, {table}: {instruments.latest()}"
                time.sleep(0.003)
    finally:
        liar.switch_off()
    assert not any(one.name == "instrument logger" for one in threading.enumerate()), f"{liar.kind}: it asks on"


def _hold(instruments: Instruments, liar: Liar) -> bool:
    """Whether it has told the truth again since its last lie, and so it was taken."""
    is_over, newest = liar.lies_left <= 0, dict(liar.newest)
    for role, answer in instruments.latest().items():
        query, start = ROLES[role]
        if answer.is_missing:
            assert answer.trouble, f"{liar.kind}: {role} is missing and nobody says why"
            is_over = False
            continue
        assert start <= answer.value <= liar.newest[query], f"{liar.kind}: {role} reads {answer.value:g}"
        # What it said since is on its way; an answer from longer ago is one to an earlier question.
        is_over &= answer.value >= newest[query] - 2 * STEP
    return is_over
