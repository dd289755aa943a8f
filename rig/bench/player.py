"""Plays requests through an open sound process: when each stimulus sounds, and which recording is its own."""

import math
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace

import numpy as np

from rig.bench.base import LONGEST_DELAY_S, Then, allowed_delay_s, cable_role, capture_frames, delay_frames
from rig.bench.holding import HeldTone, Tone, held
from rig.bench.own_microphone import OwnMicrophone
from rig.bench.routing import Routing
from rig.bench.shuttle import Block
from rig.bench.soaking import Soak, Surroundings
from rig.bench.worker import WAKE_S, AudioProcess
from rig.files.errors import BenchSetupError
from rig.signals import marks, stimulus
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
#: A delay is another one when it differs by so much of a period of its marks' lowest frequency; our choice. A cable is
#: that late at the lower edge of what it passes.
SAME_DELAY_PERIODS = 0.05


#: What follows is asked for when so much is left of the last request: it has to be thought over; our choice.
ASKED_EARLY_S = 0.5


@dataclass(frozen=True)
class _Scheduled:
    request: Sweep
    start: int
    plan: stimulus.Layout
    outputs: tuple[int, ...]
    #: Of the marks, in samples.
    mark_peak: float


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


def _is_at(delay: float, row: Block, plan: stimulus.Layout) -> bool:
    """Whether the first mark stands in a row so many samples late."""
    timing = marks.timing_of(row.astype(np.float64), plan, delay)
    same = SAME_DELAY_PERIODS / plan.mark_low_hz * plan.sample_rate_hz
    return timing is not None and abs(timing.delay - delay) <= same


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
        #: Samples by which the stream's first captures came late through a cable, and how much later they come by now.
        self._delay: float | None = None
        self._jumped = 0

    def play(self, requests: Sequence[Sweep], then: Then | None = None) -> Iterator[Capture]:
        """Play the requests in order without a gap; yield each capture as soon as it is complete.

        A capture is as long as its stimulus and a little more, for the latency of the equipment; the next stimulus has
        begun by then. Stimuli are written ahead as far as the ring reaches, so that the caller may take its time. What
        `then` gives while the last of them sounds comes right behind it.

        Raises
        ------
        BenchSetupError
            If a request cannot be played on this bench, before anything sounds.
        BenchError
            If the device, its driver or the sound process fails.
        """
        if self._microphone:
            # What is matched by the time of day needs the longer silences.
            requests, then = [replace(request, spacing=None) for request in requests], None
        for request in requests:
            prepared(request, self._routing, self._ring_frames)
        waiting, playing = deque(requests), deque[_Scheduled]()

        def schedule() -> None:
            nonlocal then
            if then and playing and not waiting and self._ends_soon(playing[-1]):
                asked, then = then, None
                waiting.extend(asked())
            self._schedule(waiting, playing)

        try:
            while waiting or playing:
                schedule()
                current = playing[0]
                frames = self._frames(current.plan)
                stop = current.start + max(self._jumped, 0) + frames
                due_s = max(stop - self._audio.done, 0) / self._routing.sample_rate_hz
                self._audio.wait_for(stop, due_s + LATE_S, schedule)
                capture = self._capture(current, frames, schedule)
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
        new = _Scheduled(waiting.popleft(), start, plan, outputs, peak * plan.mark_peak)
        shared = plan.mark_before + plan.mark_frames
        if playing and self._can_join(playing[-1], new):
            new = replace(new, start=playing[-1].start + playing[-1].plan.mark_after - plan.mark_before)
            self._audio.write(new.start + shared, samples[shared:], outputs)
        else:
            self._audio.write(start, samples, outputs)
            new = replace(new, request=new.request.alone)
        playing.append(new)

    def _can_join(self, last: _Scheduled, new: _Scheduled) -> bool:
        """Whether the mark behind the last stimulus can be the first mark of a new one that asks for it."""
        if not (new.request.spacing and new.request.spacing.joined) or last.outputs != new.outputs:
            return False
        is_same = (last.plan.mark_low_hz, last.plan.mark_high_hz) == (new.plan.mark_low_hz, new.plan.mark_high_hz)
        ends = last.start + last.plan.mark_after + last.plan.mark_frames
        return is_same and math.isclose(last.mark_peak, new.mark_peak, rel_tol=1e-6) and self._sounds_from() < ends

    def _ends_soon(self, last: _Scheduled) -> bool:
        """Whether it is time to ask what follows a stimulus, and not too late."""
        left = last.start + last.plan.mark_after - self._sounds_from()
        return 0 < left < ASKED_EARLY_S * self._routing.sample_rate_hz

    def _frames(self, plan: stimulus.Layout) -> int:
        """Of a capture, as far as the bench's delay is known."""
        delay_s = None if self._delay is None else self._delay / self._routing.sample_rate_hz
        return capture_frames(plan, self._microphone is not None, allowed_delay_s(delay_s))

    def _soonest(self, plan: stimulus.Layout) -> int:
        """Frame at which a stimulus may begin, now.

        It begins with silence, and silence may lie in the past: nothing sounded. But not so far back that
        somebody may have been moving things: no further than the last capture, and only right after it.
        """
        done = self._audio.done
        moved = done - self._last_stop > UNMOVED_S * self._routing.sample_rate_hz
        return max(self._sounds_from() - plan.mark_before, done if moved else 0)

    def _sounds_from(self) -> int:
        """The first frame at which something that is written now is sure to sound."""
        return self._audio.done + 2 * self._audio.block_frames + round(LEAD_S * self._routing.sample_rate_hz)

    def _capture(self, played: _Scheduled, frames: int, meanwhile: Callable[[], None]) -> Capture:
        inputs, own = self._routing.roles, self._microphone
        start = self._first_frame(played, frames, meanwhile)
        # The first capture of a stream tells the delay: it is kept as long as later looks at the same sweep will be.
        frames = min(frames, self._frames(played.plan))
        samples = self._audio.read(start, frames)[list(self._routing.rows)]
        flags = self._audio.flags_between(played.start, max(played.start, start) + frames)
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

    def _first_frame(self, played: _Scheduled, frames: int, meanwhile: Callable[[], None]) -> int:
        """Where a capture begins: its stimulus lies in it where it lay in the stream's first ones.

        A driver that drops or doubles a block need not say so, and whatever comes after that comes earlier or later for
        good. The capture that was sounding has its marks at a wrong distance; those after it are found by their own.
        """
        plan, start = played.plan, played.start + self._jumped
        role = cable_role(self._routing.roles)
        if role is None:
            return start
        row = self._routing.rows[self._routing.roles.index(role)]
        longest = round(LONGEST_DELAY_S * plan.sample_rate_hz)
        heard = self._audio.read(start, frames)[row]
        if self._delay is None:
            self._delay = delay_frames(heard, plan, longest)
        if self._delay is not None and _is_at(self._delay, heard, plan):
            return start
        self._audio.wait_for(start + frames + longest, LATE_S, meanwhile)
        before = min(longest, start)
        around = self._audio.read(start - before, before + frames + longest)[row]
        found = delay_frames(around, plan, before + 2 * longest)
        if found is not None:
            late = found - before
            self._delay = min(max(late, 0.0), longest / 2) if self._delay is None else self._delay
            self._jumped += round(late - self._delay)
        return played.start + self._jumped
