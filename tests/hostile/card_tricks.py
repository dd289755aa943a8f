"""What a sound card does on a bad day: tricks that take hold of a stream in one of its blocks, or of a call."""

from collections.abc import Callable, Mapping
from random import Random

import numpy as np

from hostile.sound_cards import INPUTS, OUTPUTS, RATE_HZ, Block, Card, PortAudioError, Status, Stream

Trick = Callable[[Random, Stream], None]
EVER = float("inf")


def _stalls(random: Random, stream: Stream) -> None:
    stream.late_s = random.choice((0.05, 0.5, 1.5, 2.5, 30.0, 1e6))


def _goes(random: Random, stream: Stream) -> None:
    stream.end()


def _short_blocks(random: Random, stream: Stream) -> None:
    most = random.choice((1, 17, 64, 500))
    left = [300]

    def frames() -> int:
        left[0] -= 1
        return random.randint(0, most) if left[0] > 0 else 2048

    stream.frames = frames


def _long_blocks(random: Random, stream: Stream) -> None:
    stream.frames = lambda: random.choice((2048, 8192, 1 << 16, 1 << 17))


def _loses_what_is_heard(random: Random, stream: Stream) -> None:
    gone = random.choice((1, 16, 64, 512, 2048, 20000))
    stream.waiting = np.concatenate((stream.waiting[gone:], np.zeros((max(0, gone - len(stream.waiting)), INPUTS))))
    stream.waiting = stream.waiting.astype(np.float32)
    _with_luck_a_flag(random, stream, "input_overflow")


def _repeats_what_is_heard(random: Random, stream: Stream) -> None:
    again = stream.waiting[: random.choice((1, 16, 64, 512, 2048))]
    stream.waiting = np.concatenate([again] * random.choice((1, 1, 3)) + [stream.waiting])
    _with_luck_a_flag(random, stream, "input_underflow")


def _puts_in_silence(random: Random, stream: Stream) -> None:
    silence = np.zeros((random.choice((1, 64, 512, 2048, 9600)), INPUTS), np.float32)
    stream.waiting = np.concatenate((silence, stream.waiting))
    _with_luck_a_flag(random, stream, "input_underflow")


def _swallows_what_is_played(random: Random, stream: Stream) -> None:
    blocks = [random.choice((1, 1, 2, 40))]

    def played(block: Block) -> Block:
        blocks[0] -= 1
        if blocks[0] < 0:
            return block
        return random.choice((block[:0], np.zeros_like(block)))

    stream.on_played = played
    _with_luck_a_flag(random, stream, "output_underflow")


def _with_luck_a_flag(random: Random, stream: Stream, name: str) -> None:
    if random.random() < 0.3:
        flags = [Status(name)]
        stream.status = lambda: flags.pop() if flags else None


def _reports_all_the_time(random: Random, stream: Stream) -> None:
    stream.status = lambda: Status("input_overflow", "output_underflow")


def _gives_values(value: float) -> Trick:
    """In some inputs, for a sample, some blocks or from now on."""

    def trick(random: Random, stream: Stream) -> None:
        left = [random.choice((1, 3, 10**9))]
        rows, is_one_sample = random.sample(range(INPUTS), random.randint(1, INPUTS)), random.random() < 0.3

        def heard(block: Block) -> Block:
            left[0] -= 1
            if left[0] < 0 or not len(block):
                return block
            block = block.copy()
            block[random.randrange(len(block)) if is_one_sample else slice(None), rows] = value
            return block

        stream.on_heard = heard

    return trick


def _cuts_off(random: Random, stream: Stream) -> None:
    most = random.choice((0.001, 0.01, 0.05))
    stream.on_heard = lambda block: np.clip(block, -most, most)


def _stands_still(random: Random, stream: Stream) -> None:
    """The driver hands out the same memory again and again."""
    kept: list[Block] = []

    def heard(block: Block) -> Block:
        kept.append(block) if not kept else None
        return np.resize(kept[0], block.shape)

    stream.on_heard = heard


def _exchanges_inputs(random: Random, stream: Stream) -> None:
    order = random.sample(range(INPUTS), INPUTS)
    stream.on_heard = lambda block: block[:, order]


def _exchanges_outputs(random: Random, stream: Stream) -> None:
    order = random.sample(range(OUTPUTS), OUTPUTS)
    stream.on_played = lambda block: block[:, order]


def _latency_jumps(random: Random, stream: Stream) -> None:
    by = random.choice((-500, 240, 480, 960, 4800, 24000))
    if by < 0:
        stream.waiting = stream.waiting[-by:]
    else:
        stream.waiting = np.concatenate((stream.waiting, np.zeros((by, INPUTS), np.float32)))


def _another_rate(random: Random, stream: Stream) -> None:
    """Recording goes on by another clock than playing, and says nothing."""
    ratio, at = random.choice((44100 / 48000, 1.0005, 0.9998, 1.02, 96000 / 48000)), [0.0]
    kept = [np.zeros((0, INPUTS), np.float32)]

    def heard(block: Block) -> Block:
        kept[0] = np.concatenate((kept[0], block))
        frames = at[0] + ratio * np.arange(len(block))
        found = np.stack([np.interp(frames, np.arange(len(kept[0])), row) for row in kept[0].T], axis=1)
        at[0] += ratio * len(block)
        gone = min(int(at[0]), len(kept[0]))
        kept[0], at[0] = kept[0][gone:], at[0] - gone
        return found.astype(np.float32)

    stream.on_heard = heard


def _driver_s_clock_is_off(random: Random, stream: Stream) -> None:
    stream.s_per_frame *= random.choice((0.2, 0.9, 1.1, 5.0, 1000.0))


def _process_dies(random: Random, stream: Stream) -> None:
    stream.end()
    stream.dies()


#: Played in some block of a stream.
TRICKS: Mapping[str, Trick] = {
    "stalls": _stalls,
    "goes": _goes,
    "process dies": _process_dies,
    "short blocks": _short_blocks,
    "long blocks": _long_blocks,
    "loses what is heard": _loses_what_is_heard,
    "repeats what is heard": _repeats_what_is_heard,
    "puts in silence": _puts_in_silence,
    "swallows what is played": _swallows_what_is_played,
    "reports all the time": _reports_all_the_time,
    "NaN": _gives_values(float("nan")),
    "infinity": _gives_values(float("-inf")),
    "zeros": _gives_values(0.0),
    "one value": _gives_values(0.25),
    "beyond full scale": _gives_values(3e38),
    "cuts off": _cuts_off,
    "stands still": _stands_still,
    "exchanges inputs": _exchanges_inputs,
    "exchanges outputs": _exchanges_outputs,
    "latency jumps": _latency_jumps,
    "another rate": _another_rate,
    "the driver's clock is off": _driver_s_clock_is_off,
}
#: In these the samples cannot show it: a unit may be like that.
LIKE_A_UNIT = {
    "cuts off",
    "exchanges inputs",
    "exchanges outputs",
    "zeros",
    "one value",
    "stands still",
}


def _raises(words: str) -> Callable[[Card], Callable[[], object]]:
    def call(card: Card) -> Callable[[], object]:
        def now() -> None:
            raise PortAudioError(words)

        return now

    return call


def _hangs(seconds: float) -> Callable[[Card], Callable[[], object]]:
    return lambda card: lambda: card.clock.sleep(seconds)


def _ends_the_process(card: Card) -> Callable[[], object]:
    def now() -> None:
        card.end_process()

    return now


#: What a call of the library may do instead.
IN_A_CALL: Mapping[str, Callable[[Card], Callable[[], object]]] = {
    "raises": _raises("Device unavailable [PaErrorCode -9985]"),
    "raises nothing to say": _raises(""),
    "takes long": _hangs(1.0),
    "hangs": _hangs(1e6),
    "ends the process": _ends_the_process,
}
CALLS = ("list", "open", "start", "abort", "close")


def _other_devices(random: Random, card: Card) -> None:
    one = card.devices[0]
    card.devices = random.choice(
        (
            [],
            [one, one],
            [{**one, "name": "another card"}],
            [{**one, "inputs": 2}],
            [{**one, "outputs": 0}, {**one, "inputs": 0}],
            [{**one, "name": "\x1b[2J\n" + "x" * 10_000}],
            [{**one, "rate": 44100.0}],
        )
    )


def _states(random: Random, card: Card) -> None:
    card.stated_rate_hz = random.choice((44100.0, 48001.0, 0.0, EVER, float("nan"), -48000.0, RATE_HZ))
    card.stated_latency = random.choice((0.0, (float("nan"), -1.0), EVER, (1e9, 0.1), (0.1, 0.1)))


#: What is other when the library is asked.
WHEN_ASKED: Mapping[str, Callable[[Random, Card], None]] = {"other devices": _other_devices, "states": _states}
