"""A simulated card whose wiring nobody has written down: its outputs, inputs and boxes stand in an order of chance."""

import numpy as np
import scipy

from rig.bench.probing import LONGEST_DELAY_S, Situation
from rig.signals.arrays import Floats, Singles

#: Samples at an input for the voltage that a sample of 1.0 gives at an output; noise; latency; crosstalk of the card;
#: made up.
INPUT_GAINS = (0.9, 1.1, 0.7, 1.0)
NOISE, LATENCY_S, CROSSTALK = 3e-5, 0.012, 3e-5
#: Sense resistor and its load's place; what the amplifier and a box half a metre away make of a sample at the
#: microphone; how much softer the box beside it is; sound takes so long; made up.
SENSE_OHM, BOX_GAIN, BESIDE, FLIGHT_S = 10.0, 2.0, 0.3, 0.0015
#: The room's answer: RMS over the direct sound, and its decay; made up.
ROOM, DECAY_S = 0.2, 0.05


class SimulatedCard:
    """A card with four outputs and four inputs: boxes, a loopback, a microphone, and the clips with their resistor."""

    inputs, outputs, sample_rate_hz = 4, 4, 48000.0

    def __init__(self, channels: tuple[str, ...], seed: int = 0, sense_in: str = "return") -> None:
        random = np.random.default_rng([seed, 77])
        self._random = random
        order = [int(number) for number in random.permutation(4) + 1]
        # A box an output, then the loopback; the clips take the place of the loopback's output.
        self.boxes = dict(zip(channels, order, strict=False))
        self.loopback_output = self.clips_output = order[min(len(channels), 3)]
        roles = [int(number) for number in random.permutation(4) + 1]
        self.microphone, self.loopback, self.drive, self.sense = roles
        self.sense_in = sense_in
        #: Loudest sample that was ever sent, by situation.
        self.loudest: dict[str, float] = {}
        self._situation: Situation = "amplifier off"
        self._before = ""

    def arrange(self, situation: Situation, before: str = "") -> None:
        """The person at the bench has done what was asked."""
        self._situation, self._before = situation, before

    def record(self, output: int | None, samples: Singles) -> Singles:
        """What all inputs hear of samples at one output."""
        peak = float(np.max(np.abs(samples), initial=0.0)) if output else 0.0
        self.loudest[self._situation] = max(self.loudest.get(self._situation, 0.0), peak)
        frames = samples.size + round(LONGEST_DELAY_S * self.sample_rate_hz)
        heard = self._random.normal(0, NOISE, (self.inputs, frames))
        if output:
            for number, gain in self._gains(output).items():
                heard[number - 1] += gain * INPUT_GAINS[number - 1] * self._late(samples, frames, 0.0)
            if self._situation == "amplifier on" and (channel := self._channel_at(output)):
                heard[self.microphone - 1] += self._through_the_air(samples, frames, channel)
        return np.clip(heard, -1, 1).astype(np.float32)

    def _channel_at(self, output: int) -> str:
        return next((name for name, number in self.boxes.items() if number == output), "")

    def _gains(self, output: int) -> dict[int, float]:
        """Input -> share of the output's voltage that is at it by cables."""
        gains = dict.fromkeys(range(1, 5), CROSSTALK)
        if self._situation.startswith("clips"):
            if output == self.clips_output:
                is_open = self._situation == "clips open"
                gains[self.drive] = 1.0
                gains[self.sense] = float(is_open == (self.sense_in == "source"))
        elif output == self.loopback_output:
            gains[self.loopback] = 1.0
        return gains

    def _late(self, samples: Singles, frames: int, seconds: float) -> Floats:
        late = np.zeros(frames)
        start = round((LATENCY_S + seconds) * self.sample_rate_hz)
        late[start : start + samples.size] = samples
        return late

    def _through_the_air(self, samples: Singles, frames: int, channel: str) -> Floats:
        near = BOX_GAIN * (1.0 if channel == self._before else BESIDE)
        seconds = FLIGHT_S * (1.0 if channel == self._before else 2.0)
        direct = self._late(samples, frames, seconds)
        taps = round(0.2 * self.sample_rate_hz)
        fall = np.exp(-np.arange(taps) / self.sample_rate_hz / DECAY_S)
        room = np.random.default_rng(5).standard_normal(taps) * fall
        room *= ROOM / np.sqrt(np.sum(room**2))
        # The box is no full-range driver: two samples' mean stand for its loss of treble.
        direct = (direct + np.roll(direct, 1)) / 2
        answered: Floats = scipy.signal.fftconvolve(direct, room)[:frames]
        return near * (direct + BESIDE * answered)
