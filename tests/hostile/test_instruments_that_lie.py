"""Instruments that drip, flood, or are another one after a reconnect: no value, a reason, and nobody waits."""

import resource
import time
from collections.abc import Iterator

import pytest
from scpi_instrument import ScpiInstrument
from test_instruments import SINK, asked, missing, until, values

from rig.bench import instrument_threads
from rig.bench.answers import Answer

#: What an instrument sends for its whole answer, and once more, for ever; and the pause between.
TALK = {
    "a byte at a time": (b"4", 0.02),
    "gigabytes without an end": (b"9" * 65536, 0.0),
    "gigabytes of values": (b"41.5\n" * 10000, 0.0),
    "gigabytes of nothing": (b"\0" * 65536, 0.0),
    "garbage": (bytes(range(256)) * 256, 0.0),
}
#: Parts of what is said of it.
TOLD = ("waiting for the answer", "without an end", "never quiet", "more than one answer", "unreadable")
#: Far more than an answer, far less than what was sent, kB.
MOST_KB = 100_000


@pytest.fixture(autouse=True)
def _short_pauses(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(instrument_threads, "FIRST_PAUSE_S", 0.01)


class Talker(ScpiInstrument):
    """Answers every question without an end."""

    piece, pause_s = b"", 0.0

    def _answer(self, connection: "object", command: str) -> None:
        self.heard.append(command)
        while True:
            connection.sendall(self.piece)  # type: ignore[attr-defined]
            time.sleep(self.pause_s)


@pytest.fixture
def talker() -> Iterator[Talker]:
    made = Talker({})
    yield made
    made.switch_off()


@pytest.mark.parametrize("framing", [{}, {"read_bytes": 64}, {"quiet_s": 0.3}], ids=["line", "bytes", "quiet"])
@pytest.mark.parametrize("talk", TALK)
def test_an_answer_without_an_end_is_none_and_holds_nobody_up(
    talker: Talker, talk: str, framing: dict[str, float]
) -> None:
    talker.piece, talker.pause_s = TALK[talk]
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with asked(talker, SINK, timeout_s=0.1, **framing) as instruments:

        def is_told(answers: dict[str, Answer]) -> bool:
            assert answers["heat sink"].is_missing
            return bool(talker.heard) and any(words in answers["heat sink"].trouble for words in TOLD)

        until(is_told, instruments)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb < MOST_KB


def test_another_instrument_after_a_reconnect_gives_no_values() -> None:
    instrument = ScpiInstrument({"*IDN?": "BENCH,LOGGER,17,1.0", "TEMP? 1": "41.5"})
    try:
        with asked(instrument, SINK, identify="logger,17") as instruments:
            assert values(instruments, "heat sink")["heat sink"].value == 41.5
            instrument.answers |= {"*IDN?": "BENCH,LOGGER,18,1.0", "TEMP? 1": "21.5"}
            instrument.hang_up()
            until(missing("heat sink", "'BENCH,LOGGER,18,1.0' answers"), instruments)
            asked_before = instrument.heard.count("TEMP? 1")
            until(missing("heat sink", "is another instrument there now?"), instruments)
            assert instrument.heard.count("TEMP? 1") == asked_before
    finally:
        instrument.switch_off()
