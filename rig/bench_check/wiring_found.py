"""What a card is connected to, from what its inputs heard of its outputs. Pure; nothing is known beforehand."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from rig.files.errors import BenchError
from rig.signals.probing_noise import ProbedPath

#: Output -> what each input heard of it.
PathsOfOutputs = Mapping[int, Sequence[ProbedPath]]

#: What is heard so much more softly than the loudest is crosstalk inside the card or between cables (our choice;
#: tests/benchmarks/bench_faults.py).
CROSSTALK = 0.02


@dataclass(frozen=True)
class LeadsFound:
    """The wiring of the bare leads."""

    output: int
    drive: int
    sense: int
    sense_in: Literal["return", "source"]
    #: Sample at each input per sample at the output, with the same voltage at both.
    drive_gain: float
    sense_gain: float


def inputs_that_hear(found: Sequence[ProbedPath]) -> list[ProbedPath]:
    """Inputs that hear an output clearly and are no crosstalk, the loudest first."""
    clear = [one for one in found if one.is_clear]
    loudest = max((one.gain for one in clear), default=0.0)
    return sorted((one for one in clear if one.gain >= CROSSTALK * loudest), key=lambda one: -one.gain)


def leads_found(opened: PathsOfOutputs, closed: PathsOfOutputs) -> LeadsFound:
    """The leads' wiring, from what was heard with the clips open and with the clips on each other.

    The source reaches the input drive both times. With the resistor in the return lead the input sense is at ground
    while the clips are open and sees the whole voltage when they are on each other; in the source lead the other way
    round.

    Raises
    ------
    BenchError
        If that is not what was heard; the message says what was.
    """
    for output, found in opened.items():
        when_open = {one.input: one for one in inputs_that_hear(found)}
        when_closed = {one.input: one for one in inputs_that_hear(closed.get(output, ()))}
        always, once = sorted(set(when_open) & set(when_closed)), sorted(set(when_open) ^ set(when_closed))
        if len(always) == 1 and len(once) == 1:
            drive, sense = always[0], once[0]
            kind: Literal["return", "source"] = "source" if sense in when_open else "return"
            of = when_open if kind == "source" else when_closed
            return LeadsFound(output, drive, sense, kind, of[drive].gain, of[sense].gain)
    raise BenchError(
        f"no sense resistor was found at any output. {_heard_words(opened, 'clips open')}; "
        f"{_heard_words(closed, 'clips on each other')}. One input must hear an output both times, and one "
        "input only one of the two times: look at the cables and the clips"
    )


def _heard_words(found: PathsOfOutputs, when: str) -> str:
    heard = [
        f"output {output} at input {' and '.join(str(one.input) for one in inputs_that_hear(of))}"
        for output, of in found.items()
        if inputs_that_hear(of)
    ]
    return f"{when}: {', '.join(heard) or 'nothing was heard'}"


def loopback_found(found: PathsOfOutputs) -> tuple[int, int, float] | None:
    """Output, input and gain of the loopback cable, heard with the amplifier off; None: there is none.

    Raises
    ------
    BenchError
        If several cables lead from outputs to inputs.
    """
    cables = [(output, one.input, one.gain) for output, of in found.items() for one in inputs_that_hear(of)]
    if len(cables) > 1:
        words = ", ".join(f"output {output} at input {number}" for output, number, _ in cables)
        raise BenchError(
            f"with the amplifier off more than one way leads back into the card: {words}; allowed: one, the loopback. "
            "Is the amplifier on after all, or an input's monitoring switched to an output?"
        )
    return cables[0] if cables else None


def loudest_output(found: PathsOfOutputs) -> tuple[int, ProbedPath] | None:
    """The output that is heard loudest, and at which input; None: nothing is heard."""
    heard = [(output, one) for output, of in found.items() for one in inputs_that_hear(of)[:1]]
    return max(heard, key=lambda pair: pair[1].gain) if heard else None
