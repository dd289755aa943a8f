"""Instruments with a VISA address, each owned by one thread that asks it again and again.

Nobody who reads a log waits for a bus: `latest` gives what is known now, and what is not known is missing, with the
reason. A link that breaks is taken up again for as long as it takes.
"""

import contextlib
import math
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import TracebackType

from rig.bench.answers import Answer, NoValue, Stand, decoded, frozen, number_in, stood, value_of
from rig.bench.instrument_settings import InstrumentSettings, ValueSettings
from rig.bench.visa import Link, LinkLost, Manager, full_address, manager_of, opened, words_of
from rig.files.errors import BenchSetupError

#: After a failure the link is taken up again after so long, doubled with every further failure, up to the second; our
#: choice.
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.5, 8.0
#: So many failures in a row, and the link is called lost; our choice.
LOST_AFTER = 3
#: On close, threads get so long to leave their instruments; our choice.
CLOSE_S = 1.0


class Instruments:
    """The instruments of a bench, asked every `every_s` from entering to leaving the context.

    Only one set of them may be open on a backend at a time: backends share one manager.
    """

    def __init__(self, settings: Sequence[InstrumentSettings], backend: str = "@py", every_s: float = 2.0) -> None:
        self._settings, self._backend, self._every_s = tuple(settings), backend, every_s
        self._stop = threading.Event()
        self._owners: tuple[_Owner, ...] = ()
        self._manager: Manager | None = None

    def __enter__(self) -> "Instruments":
        """Begin to ask; no instrument is waited for.

        Raises
        ------
        BenchSetupError
            If the backend is not there, can do nothing with an address, or two addresses mean the same instrument.
        """
        if not self._settings:
            return self
        self._manager = manager_of(self._backend)
        try:
            _refuse_doubles({one.name: full_address(one, self._backend) for one in self._settings})
        except BenchSetupError:
            self._manager.close()
            raise
        board = _Board()
        self._owners = tuple(_Owner(one, self._manager, board, self._every_s, self._stop) for one in self._settings)
        for owner in self._owners:
            owner.thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self._stop.set()
        until = time.monotonic() + CLOSE_S
        for owner in self._owners:
            owner.thread.join(max(0.0, until - time.monotonic()))
        if self._manager is not None and not any(owner.thread.is_alive() for owner in self._owners):
            # A thread that hangs in its bus is left behind: it is a daemon, and closes its link if it ever comes back.
            with contextlib.suppress(Exception):
                self._manager.close()

    def latest(self) -> dict[str, Answer]:
        """The newest answer of every role; never blocks. What is too old is missing."""
        now_s = time.monotonic()
        return {value.role: owner.answer(value, now_s) for owner in self._owners for value in owner.settings.values}

    def identities(self) -> dict[str, str]:
        """Name of each instrument that `identify` asks for -> how it last identified itself."""
        return {owner.settings.name: owner.identity for owner in self._owners if owner.identity}


class _Board:
    """What all owners know of the values: for cold junctions, and for the suspicion of a frozen one."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.answers: dict[str, Answer] = {}
        self.stands: dict[str, Stand] = {}

    def write(self, role: str, answer: Answer) -> None:
        with self.lock:
            self.answers[role] = answer
            if answer.unit == "celsius" and not answer.is_missing:
                self.stands[role] = stood(self.stands.get(role), answer.value, answer.monotonic_s)

    def read(self, role: str) -> Answer | None:
        with self.lock:
            return self.answers.get(role)

    def suspicion(self, role: str, now_s: float) -> str:
        with self.lock:
            return frozen(role, self.stands, now_s) if role in self.stands else ""


class _Owner:
    """One instrument and the one thread that talks to it."""

    def __init__(
        self,
        settings: InstrumentSettings,
        manager: Manager,
        board: _Board,
        every_s: float,
        stop: threading.Event,
    ) -> None:
        self.settings, self.identity = settings, ""
        self._manager, self._board, self._stop = manager, board, stop
        self._period_s = max(every_s, settings.every_s)
        self._round_s = 0.0
        self._failures, self._words = 0, ""
        #: What the thread is at, and since when: a bus may hang in it.
        self._at = ("starting", time.monotonic())
        self.thread = threading.Thread(target=self._run, name=f"instrument {settings.name}", daemon=True)

    def answer(self, value: ValueSettings, now_s: float) -> Answer:
        """What a role reads now."""
        known = self._board.read(value.role)
        if known is None:
            words = self._why() or f"no answer yet: {self._doing(now_s)}"
            return Answer(math.nan, value.unit, "", math.nan, words)
        age_s = now_s - known.monotonic_s
        if known.is_missing:
            return replace(known, trouble=self._why() or known.trouble)
        if age_s > 2 * self._period_s + self._round_s:
            words = f"the newest answer is {age_s:.0f} s old; {self._why() or self._doing(now_s)}"
            return replace(known, value=math.nan, trouble=words)
        return replace(known, trouble=self._board.suspicion(value.role, now_s))

    def _why(self) -> str:
        if self._failures >= LOST_AFTER:
            return f"link lost, {self._failures} failures in a row: {self._words}"
        return self._words

    def _doing(self, now_s: float) -> str:
        doing, since_s = self._at
        return f"{doing} for {now_s - since_s:.0f} s"

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self._at = ("opening the link", time.monotonic())
                with opened(self._manager, self.settings) as link:
                    self._greet(link)
                    while not self._stop.is_set():
                        self._round(link)
            except LinkLost as lost:
                self._fail(str(lost))
            except Exception as error:
                # A mistake in here, or of the backend, must not end the asking: the value is missing until it works.
                self._fail(words_of(error, self.settings))

    def _fail(self, words: str) -> None:
        self._failures, self._words = self._failures + 1, words
        pause_s = min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2.0 ** min(self._failures - 1, 20))
        self._at = ("pausing after a failure", time.monotonic())
        self._stop.wait(pause_s)

    def _greet(self, link: Link) -> None:
        # Who it is comes first: commands are not for another instrument that is there by mistake.
        if self.settings.identify is not None:
            self.identity = decoded(link.ask(self.settings.identify_query))
            if self.settings.identify.lower() not in self.identity.lower():
                raise LinkLost(
                    f"{self.identity!r} answers at {self.settings.address}, and not {self.settings.identify!r}: "
                    "is another instrument there now?"
                )
        for command in self.settings.setup:
            link.say(command)
            self._stop.wait(self.settings.delay_s)
        if self.settings.setup:
            # A command that has an answer after all: it is none to the first question.
            link.forget()

    def _round(self, link: Link) -> None:
        began_s = time.monotonic()
        for query in dict.fromkeys(value.query for value in self.settings.values):
            if self._stop.is_set():
                return
            asked_s = time.monotonic()
            self._at = (f"waiting for the answer to {query!r}", asked_s)
            try:
                text = decoded(link.ask(query))
            except LinkLost as lost:
                self._write_all(query, "", str(lost), asked_s)
                raise
            self._write_all(query, text, "", asked_s)
        self._failures, self._words = 0, ""
        self._round_s = time.monotonic() - began_s
        self._at = ("resting between two questions", time.monotonic())
        self._stop.wait(max(0.0, self._period_s - self._round_s))

    def _write_all(self, query: str, text: str, trouble: str, asked_s: float) -> None:
        now_s = time.monotonic()
        for value in self.settings.values:
            if value.query == query:
                number = math.nan
                words = trouble
                if not words:
                    try:
                        number = value_of(number_in(text, value.pick), value, self._cold_junction(value, now_s))
                    except NoValue as error:
                        words = str(error)
                self._board.write(value.role, Answer(number, value.unit, text, now_s, words, now_s - asked_s))

    def _cold_junction(self, value: ValueSettings, now_s: float) -> float:
        role = value.cold_junction_role
        if role is None:
            return math.nan
        cold = self._board.read(role)
        if cold is None or cold.is_missing:
            raise NoValue(f"its cold junction {role!r} has no value")
        # Terminals warm slowly, but a reading from before a lost link says nothing about now.
        if now_s - cold.monotonic_s > 2 * self._period_s + 30.0:
            raise NoValue(f"its cold junction {role!r} was last read {now_s - cold.monotonic_s:.0f} s ago")
        return cold.value


def _refuse_doubles(addresses: Mapping[str, str]) -> None:
    owner: dict[str, str] = {}
    for name, address in addresses.items():
        if address in owner:
            raise BenchSetupError(
                f"instruments {owner[address]!r} and {name!r} are both at {address}; allowed: one table for each"
            )
        owner[address] = name
