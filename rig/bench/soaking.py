"""A programme as an endless stream: written a little ahead of the driver, heard back in rows, silent when left alone.

What is written ahead is all that can still sound when this process hangs or is gone. Whatever ends the iteration also
ends the sound.
"""

import time
from collections.abc import Callable, Generator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np

from rig.bench.answers import Answer
from rig.bench.base import OWN_DEVICE_EARLY_S
from rig.bench.observing import Piece
from rig.bench.own_microphone import OwnMicrophone
from rig.bench.power import Supply, power_supply
from rig.bench.routing import Routing
from rig.bench.worker import HEARTBEAT_S, WAKE_S, AudioProcess
from rig.files.errors import BenchError, BenchSetupError
from rig.signals.programme import NoiseSource
from rig.values.logs import Row
from rig.values.readings import Floats
from rig.values.requests import COLD_PART, COLD_S, Programme

#: The sound is written ahead by so much at most, in pieces of so much; our choice.
AHEAD_S = 1.5
PIECE_S = 0.25
#: From writing to sounding, when nothing sounds: more than the driver's block under way and the next; our choice.
LEAD_S = 0.05
POLL_S = 0.05
#: Rise of the sound from silence where no slower one is asked for: at the beginning, and after it broke off; our
#: choice.
RISE_S = 0.2
#: Every guarded instrument must have answered within so long, before anything sounds; our choice.
LIVE_S = 15.0
#: A row may come so much later than its sound lasts; our choice.
LATE_S = 4.0
#: The clock and the card's own may part by so much within a row (clocks are set, by milliseconds) and no more; our
#: choice.
CLOCK_STEP_S = 1.0


#: What is other with a microphone on a device of its own.
OWN_CLOCK = (
    "the microphone has a clock of its own: gains are means over the last minute, and a loss shows that much later"
)


#: Role of each instrument -> its answer; never waits.
Latest = Callable[[], Mapping[str, Answer]]


#: What a piece of sound says: columns with their values, and what is wrong with it in words.
Observe = Callable[[Piece], tuple[dict[str, float], str]]


@dataclass(frozen=True)
class Surroundings:
    """What is read beside the sound while a programme plays."""

    observe: Observe
    latest: Latest = dict
    #: What is known of an instrument's place, for whoever must look after it: role -> address.
    addresses: Mapping[str, str] = field(default_factory=dict)
    supply: Callable[[], Supply] = power_supply
    cold_s: float = COLD_S
    live_s: float = LIVE_S


def _smooth(part: Floats) -> Floats:
    """From 0 to 1 without a corner: half a cosine."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(part, 0.0, 1.0)))


def envelope(programme: Programme, seconds: Floats, cold_s: float = COLD_S) -> Floats:
    """Part of its level at which a programme sounds at some seconds of it: cold, ramp, full; same shape."""
    part: Floats = COLD_PART + (1 - COLD_PART) * _smooth((seconds - cold_s) / max(programme.ramp_s, 1e-9))
    return part


def state_of(programme: Programme, from_s: float, to_s: float, cold_s: float = COLD_S) -> str:
    """State of a row over some seconds of a programme. A row that is only in part at a level is of the ramp."""
    if programme.is_rest:
        return "rest"
    if to_s <= cold_s:
        return "cold"
    return "playing" if from_s >= cold_s + programme.ramp_s else "ramp"


def noise_peak(programme: Programme, output_volts: float) -> float:
    """Peak of a programme's noise in samples, full scale 1.0.

    Raises
    ------
    BenchSetupError
        If the card cannot give that level.
    """
    peak_v = programme.level_v * programme.noise.crest_factor / programme.path_gain
    if not 0 <= peak_v <= output_volts:
        raise BenchSetupError(
            f"{programme}: needs {peak_v:.3g} V peak at the card's output (crest factor "
            f"{programme.noise.crest_factor:g}); allowed by output_volts is up to {output_volts:g} V"
        )
    return peak_v / output_volts


def owners(programme: Programme, outputs_of: Callable[[str], tuple[int, ...]]) -> dict[int, str]:
    """Output -> the channel whose noise it carries. An output that all share (loopback) carries the first one's.

    Raises
    ------
    BenchSetupError
        If two channels have one output between them.
    """
    owner = {number: channel for channel in reversed(programme.channels) for number in outputs_of(channel)}
    for channel in programme.channels:
        if channel not in owner.values():
            raise BenchSetupError(
                f"{programme}: outputs: found no output of its own for {channel!r}; in a programme each channel plays "
                "a noise of its own, all of them together"
            )
    return owner


def own_clock_words(channels: Sequence[str], *, is_first: bool) -> str:
    """What the first row of a programme tells of a microphone with a clock of its own."""
    return OWN_CLOCK if is_first and channels else ""


class Feed:
    """Writes the noise of a programme ahead of the driver, piece by piece, with its envelope."""

    def __init__(
        self,
        audio: AudioProcess,
        programme: Programme,
        owner: Mapping[int, str],
        peak: float,
        rate_hz: float,
        cold_s: float = COLD_S,
    ) -> None:
        self._audio = audio
        self._programme = programme
        self._owner = owner
        #: RMS of the noise in samples.
        self._rms = peak / programme.noise.crest_factor
        self._rate_hz = rate_hz
        self._sources = {
            channel: NoiseSource(programme.noise, rate_hz, n) for n, channel in enumerate(programme.channels)
        }
        #: Frame at which second 0 of the programme would have been.
        self._zero = 0
        self._rise_from = 0
        self._rise_s = RISE_S
        self._cold_s = cold_s

    def begin(self, from_s: float) -> int:
        """Write the first pieces, on from some second; returns the frame at which they begin."""
        first = self._soonest()
        self._zero = first - round(from_s * self._rate_hz)
        self._rise_from = first
        self._rise_s = self._programme.ramp_s if from_s > 0 else RISE_S
        self._seek(first)
        self._write(first)
        self._audio.stream()
        self.top_up()
        return first

    def top_up(self) -> None:
        """Write until the sound reaches far enough ahead."""
        piece = round(PIECE_S * self._rate_hz)
        if self._audio.written <= self._audio.done:
            # It broke off, and rises again from silence.
            self._rise_from = self._soonest()
            self._rise_s = RISE_S
            self._seek(self._rise_from)
            self._write(self._rise_from)
        while self._audio.written + piece <= self._audio.done + AHEAD_S * self._rate_hz:
            self._write(self._audio.written)

    def _seek(self, start: int) -> None:
        """Each second of a programme has its own noise, whenever it is played."""
        for source in self._sources.values():
            source.seek(start - self._zero)

    def _soonest(self) -> int:
        lead = 2 * self._audio.block_frames + round(LEAD_S * self._rate_hz)
        return max(self._audio.written, self._audio.done + lead)

    def _write(self, start: int) -> None:
        frames = np.arange(start, start + round(PIECE_S * self._rate_hz))
        gain = envelope(self._programme, (frames - self._zero) / self._rate_hz, self._cold_s)
        gain *= self._rms * _smooth((frames - self._rise_from) / max(self._rise_s * self._rate_hz, 1.0))
        sound = {
            channel: (gain * source.read(frames.size)).astype(np.float32) for channel, source in self._sources.items()
        }
        self._audio.write_each(start, {number: sound[channel] for number, channel in self._owner.items()})


class Happenings:
    """Troubles of a programme under way: each is told when it begins and when it ends, not in every row."""

    def __init__(self) -> None:
        self._known: dict[str, str] = {}

    def new_events(self, troubles: Mapping[str, str]) -> list[str]:
        """What is new: subject -> trouble, empty for none."""
        now = {subject: words for subject, words in troubles.items() if words}
        begun = [f"{subject}: {words}" for subject, words in now.items() if subject not in self._known]
        ended = [f"{subject}: all right again" for subject in self._known if subject not in now]
        self._known = now
        return begun + ended


def await_live(programme: Programme, around: Surroundings) -> None:
    """Wait until every guarded instrument, and the ambient's, has given a value.

    Raises
    ------
    BenchError
        If one has not in time: its role, its address, and what to try.
    """
    wanted = dict.fromkeys(("ambient", *(guard.role for guard in programme.guard.roles)))
    deadline = time.monotonic() + around.live_s
    while True:
        answers = around.latest()
        wanted = {role: None for role in wanted if role not in answers or answers[role].is_missing}
        if not wanted:
            return
        if time.monotonic() > deadline:
            break
        time.sleep(POLL_S)
    words = [
        f"{role} ({around.addresses.get(role, 'no address')})"
        + (f": {answers[role].trouble}" if role in answers and answers[role].trouble else "")
        for role in wanted
    ]
    raise BenchError(
        f"no reading within {around.live_s:g} s of {'; '.join(words)}; nothing has sounded. See that it is switched on "
        "and connected, and try: kitproof instruments"
    )


class Soak:
    """A programme on its way, from some second of it on.

    Parameters
    ----------
    audio : AudioProcess
        Open, and silent.
    routing : Routing
        Of the stage.
    around : Surroundings
        What is read beside the sound.
    microphone : OwnMicrophone, optional
        A device of its own. What it heard is put first; its frames are those of the card to a block or so.

    Raises
    ------
    BenchSetupError
        If the card cannot give the level, or has not an output for each channel.
    """

    def __init__(
        self,
        audio: AudioProcess,
        routing: Routing,
        around: Surroundings,
        programme: Programme,
        from_s: float = 0.0,
        *,
        microphone: OwnMicrophone | None = None,
    ) -> None:
        self._audio = audio
        self._routing = routing
        self._around = around
        self._microphone = microphone
        self._programme = programme
        self._from_s = from_s
        self._rate_hz = routing.sample_rate_hz
        self._owner = {} if programme.is_rest else owners(programme, routing.outputs_of)
        self._peak = noise_peak(programme, routing.calibration.output_volts)
        self._happenings = Happenings()
        self._first = 0
        self._broken = 0
        self._apart_s = 0.0
        #: When the instruments were looked at last: older answers stand in an earlier row.
        self._asked_s = 0.0

    def rows(self) -> Generator[Row, None, None]:
        """Play, and yield a row every `every_s`.

        Raises
        ------
        BenchError
            If a guarded instrument gives nothing, before anything sounds; if the device or its driver fails.
        """
        programme, rate_hz = self._programme, self._rate_hz
        feed = None
        if not programme.is_rest:
            await_live(programme, self._around)
            feed = Feed(self._audio, programme, self._owner, self._peak, rate_hz, self._around.cold_s)
        self._audio.wait_for(round(WAKE_S * rate_hz), WAKE_S + HEARTBEAT_S)
        try:
            first = feed.begin(self._from_s) if feed else self._audio.done
            end = first + round((programme.seconds - self._from_s) * rate_hz)
            start = self._first = first
            self._step_s()
            while start < end:
                stop = min(start + round(programme.every_s * rate_hz), end)
                due_s = max(stop - self._audio.done, 0) / rate_hz
                top_up = feed.top_up if feed else lambda: None
                # Also for a row that is long over: whoever was away finds silence written where silence was.
                top_up()
                self._audio.wait_for(stop, due_s + LATE_S, top_up, POLL_S)
                row = self._row(start - first, start, stop, top_up)
                start = stop
                yield row
        finally:
            # Unless somebody else has done so since, and something else is playing by now.
            if feed and self._audio.is_streaming:
                self._audio.silence()

    def _row(self, elapsed: int, start: int, stop: int, meanwhile: Callable[[], None]) -> Row:
        """The row over some frames of the stream, `elapsed` frames after the first one."""
        programme, rate_hz = self._programme, self._rate_hz
        row_from_s, row_to_s = (self._from_s + frames / rate_hz for frames in (elapsed, elapsed + stop - start))
        state = state_of(programme, row_from_s, row_to_s, self._around.cold_s)
        if elapsed == 0 and self._from_s > 0:
            state = "gap"
        elif self._from_s > 0 and row_from_s < self._from_s + programme.ramp_s and state == "playing":
            state = "ramp"
        piece, flags = self._piece(start, stop, meanwhile)
        values, trouble = self._around.observe(piece)
        answers = dict(self._around.latest())
        known_s, self._asked_s = self._asked_s, time.monotonic()
        values |= {f"{answer.unit}.{role}": answer.value for role, answer in answers.items() if not answer.is_missing}
        troubles = {role: answer.trouble for role, answer in answers.items()}
        troubles |= {"sound": trouble, "power": "the computer runs on its battery" if self._on_battery() else ""}
        return Row(
            seconds=row_to_s,
            clock=datetime.now().astimezone().isoformat(timespec="seconds"),
            state=state,
            values=values,
            answers={role: answer.text for role, answer in answers.items() if answer.monotonic_s > known_s},
            event="; ".join(flags + self._stream_events(start, stop) + self._happenings.new_events(troubles)),
            doubts=self._routing.calibration.doubts,
        )

    def _on_battery(self) -> bool:
        return self._around.supply() == "battery"

    def _piece(self, start: int, stop: int, meanwhile: Callable[[], None]) -> tuple[Piece, list[str]]:
        """What was sent and heard over some frames, and what the driver of a microphone of its own reported."""
        recorded = self._audio.read(start, stop - start)[list(self._routing.rows)]
        volts = self._routing.calibration.output_volts * self._programme.path_gain
        outputs = {channel: number for number, channel in self._owner.items()}
        sent_v = {
            channel: self._audio.sent(start, stop - start, outputs[channel]).astype(np.float64) * volts
            for channel in (() if self._programme.is_rest else self._programme.channels)
        }
        if self._microphone is None:
            return Piece(recorded, sent_v), []
        # It gives what it heard from so much earlier on.
        since = start + round(OWN_DEVICE_EARLY_S * self._rate_hz)
        heard, flags = self._microphone.recorded(self._audio, since, stop - start, meanwhile)
        told = own_clock_words(tuple(sent_v), is_first=start == self._first)
        return Piece(np.vstack((heard, recorded)), sent_v, has_own_clock=True), [*filter(None, (told, *flags))]

    def _stream_events(self, start: int, stop: int) -> list[str]:
        events = list(self._audio.flags_between(start, stop))
        broken, self._broken = self._audio.broken - self._broken, self._audio.broken
        if broken and not self._programme.is_rest:
            events.append(f"the sound broke off for {broken / self._rate_hz:.2g} s")
        step_s = self._step_s()
        if abs(step_s) > CLOCK_STEP_S:
            events.append(
                f"the clock moved {step_s:+.1f} s against the sound: was it set, did the computer sleep, or did the "
                "device stand still?"
            )
        return events

    def _step_s(self) -> float:
        """By how much the clock has moved against the card's own since this was last asked."""
        apart_s = time.time() - self._audio.done / self._rate_hz
        step_s, self._apart_s = apart_s - self._apart_s, apart_s
        return step_s
