"""Plays requests through an open sound process: when each stimulus sounds, and which recording is its own."""

from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace

import numpy as np

from rig.bench.base import LONGEST_DELAY_S, allowed_delay_s, capture_frames
from rig.bench.holding import HeldTone, Tone, held
from rig.bench.own_microphone import OwnMicrophone
from rig.bench.routing import Routing
from rig.bench.soaking import Soak, Surroundings
from rig.bench.worker import WAKE_S, AudioProcess
from rig.files.errors import BenchSetupError
from rig.signals import stimulus
from rig.values.captures import Capture
from rig.values.logs import Row
from rig.values.requests import Programme, Sweep

#: From writing a stimulus to its sounding, when nothing sounds: the driver's block under way, the next, and this; our
#: choice.
LEAD_S = 0.01
#: Nobody moves a microphone and answers a question in so short a time; our choice.
UNMOVED_S = 0.3
#: A capture may come so much later than its sound lasts; our choice.
LATE_S = 4.0


@dataclass(frozen=True)
class _Scheduled:
    request: Sweep
    start: int
    plan: stimulus.Layout


def sample_peak(request: Sweep, output_volts: float) -> float:
    """Peak of a stimulus in samples, full scale 1.0.

    Raises
    ------
    BenchSetupError
        If the card cannot give that level.
    """
    peak = request.peak_v / request.path_gain / output_volts
    if not 0 <= peak <= 1:
        raise BenchSetupError(
            f"{request}: needs {peak * output_volts:.3g} V peak at the card's output; allowed by output_volts is "
            f"up to {output_volts:g} V"
        )
    return peak


def prepared(request: Sweep, routing: Routing, ring_frames: int) -> tuple[stimulus.Layout, float, tuple[int, ...]]:
    """Layout, peak in samples, and outputs of a request.

    Raises
    ------
    BenchSetupError
        If it cannot be played on this bench.
    """
    outputs = routing.outputs_of(request.channel)
    peak = sample_peak(request, routing.calibration.output_volts)
    rate_hz = routing.sample_rate_hz
    try:
        plan = request.layout(rate_hz)
    except ValueError as error:
        raise BenchSetupError(f"{request}: {error}") from None
    if capture_frames(plan, False) > ring_frames // 2:
        raise BenchSetupError(f"{request}: too long for one capture; allowed is {ring_frames / 2 / rate_hz:g} s")
    return plan, peak, outputs


class StreamPlayer:
    """A stage of the sound card bench with its stream open."""

    def __init__(
        self,
        audio: AudioProcess,
        routing: Routing,
        ring_frames: int,
        around: Surroundings | None = None,
        microphone: OwnMicrophone | None = None,
    ) -> None:
        self._audio = audio
        self._microphone = microphone
        self._around = around
        self._routing = routing
        self._ring_frames = ring_frames
        self._earliest = round(WAKE_S * routing.sample_rate_hz)
        self._last_stop = -self._earliest
        self._delay_s: float | None = None

    def play(self, requests: Sequence[Sweep]) -> Iterator[Capture]:
        """Play the requests in order without a gap; yield each capture as soon as it is complete.

        A capture is as long as its stimulus and a little more, for the latency of the equipment; the next stimulus has
        begun by then. Stimuli are written ahead as far as the ring reaches, so that the caller may take its time.

        Raises
        ------
        BenchSetupError
            If a request cannot be played on this bench, before anything sounds.
        BenchError
            If the device, its driver or the sound process fails.
        """
        if self._microphone:
            # What is matched by the time of day needs the longer silences.
            requests = [replace(request, spacing=None) for request in requests]
        for request in requests:
            prepared(request, self._routing, self._ring_frames)
        waiting, playing = deque(requests), deque[_Scheduled]()
        try:
            while waiting or playing:
                self._schedule(waiting, playing)
                current = playing[0]
                frames = self._frames(current.plan)
                stop = current.start + frames
                due_s = max(stop - self._audio.done, 0) / self._routing.sample_rate_hz
                self._audio.wait_for(stop, due_s + LATE_S, lambda: self._schedule(waiting, playing))
                capture = self._capture(current, frames, lambda: self._schedule(waiting, playing))
                if self._delay_s is None or capture.flags:
                    self._delay_s = allowed_delay_s(capture)
                playing.popleft()
                self._last_stop = stop
                yield capture
        finally:
            if waiting or playing:
                self._audio.silence()

    def soak(self, programme: Programme, from_s: float = 0.0) -> Generator[Row, None, None]:
        """Play a programme from some second of it on, yielding a row every `every_s`.

        Raises
        ------
        BenchSetupError
            If the programme cannot be played on this bench, before anything sounds.
        BenchError
            If a guarded instrument gives nothing, before anything sounds; if the device, its driver or the sound
            process fails.
        """
        if self._around is None:
            raise BenchSetupError(f"{programme}: this stage of the bench reads no instruments")
        soak = Soak(self._audio, self._routing, self._around, programme, from_s, microphone=self._microphone)
        return soak.rows()

    def hold(self, channel: str, tone: Tone) -> AbstractContextManager[HeldTone]:
        """Let a tone sound on a channel's outputs for as long as the context lasts: see `holding.held`."""
        return held(self._audio, self._routing, channel, tone)

    def _schedule(self, waiting: deque[Sweep], playing: deque[_Scheduled]) -> None:
        """Write the next stimulus if the rings have room for it."""
        if not waiting:
            return
        plan, peak, outputs = prepared(waiting[0], self._routing, self._ring_frames)
        oldest = playing[0].start if playing else self._audio.done
        frames = self._frames(plan)
        if max(self._audio.written, self._audio.done) + frames - oldest > self._ring_frames * 0.9:
            return
        samples = (peak * stimulus.compose(plan)).astype(np.float32)
        start = max(self._audio.written, self._earliest, self._soonest(plan))
        self._audio.write(start, samples, outputs)
        playing.append(_Scheduled(waiting.popleft(), start, plan))

    def _frames(self, plan: stimulus.Layout) -> int:
        """Of a capture, as far as the bench's delay is known."""
        return capture_frames(plan, self._microphone is not None, self._delay_s or LONGEST_DELAY_S)

    def _soonest(self, plan: stimulus.Layout) -> int:
        """Frame at which a stimulus may begin, now.

        It begins with silence, and silence may lie in the past: nothing sounded. But not so far back that
        somebody may have been moving things: no further than the last capture, and only right after it.
        """
        rate_hz, done = self._routing.sample_rate_hz, self._audio.done
        sounding = done + 2 * self._audio.block_frames + round(LEAD_S * rate_hz)
        moved = done - self._last_stop > UNMOVED_S * rate_hz
        return max(sounding - plan.mark_before, done if moved else 0)

    def _capture(self, played: _Scheduled, frames: int, meanwhile: Callable[[], None]) -> Capture:
        samples = self._audio.read(played.start, frames)[list(self._routing.rows)]
        flags = self._audio.flags_between(played.start, played.start + frames)
        inputs, own = self._routing.roles, self._microphone
        if own:
            recorded, theirs = own.recorded(self._audio, played.start, frames, meanwhile)
            samples, inputs, flags = np.vstack((recorded, samples)), (own.role, *inputs), flags + theirs
        return Capture(
            request=played.request,
            samples=samples,
            inputs=inputs,
            sample_rate_hz=self._routing.sample_rate_hz,
            calibration=self._routing.calibration,
            flags=flags,
            other_clock=(own.role,) if own else (),
        )
