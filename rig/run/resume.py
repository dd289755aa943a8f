"""Going on with a run that was interrupted: what is on the disk is played back, then the bench goes on.

Something may have been moved since at the place where it was cut off, so that place is measured anew, from its quiet
sweeps on; what was recorded there before is kept and counts for nothing. Not so in the soak, which nothing is measured
twice in: it goes on where it was, with a gap.
"""

from collections.abc import Generator, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import replace
from datetime import datetime
from itertools import groupby, pairwise

from rig.bench.base import Bench, BenchEnds, Player, Then
from rig.files.plain import json_bytes
from rig.run.archive import ArchiveBench
from rig.run.journal import Interrupted
from rig.store.recordings import log_of
from rig.values.captures import BEFORE_CUT, NOT_HOT, Calibration, Capture
from rig.values.logs import Row
from rig.values.requests import Programme, Request, Stage, Sweep
from rig.values.run import Run
from rig.verdict.examine import capture_troubles

#: Said of the log of a programme that was cut off, where the run did not come to it again.
NOT_TAKEN_UP = "the programme was interrupted and not taken up again"


class ResumedBench:
    """A bench that gives back what an interrupted run has on the disk, and goes on from there.

    Parameters
    ----------
    before : the interrupted run
    live : the bench to go on with; None: the run is only to be closed
    """

    def __init__(self, before: Interrupted, live: Bench | None) -> None:
        self.before, self.live = before, live
        #: Whether a programme was played on: what follows it follows at once.
        self.went_on = False
        #: Whether the run has come to the place where it was cut off.
        self.is_at_cut = False
        self.archive = ArchiveBench(before.captures, {"interrupted": before.folder.name}, before.logs)

    def describe(self) -> dict[str, object]:
        """The bench, and that the run was interrupted."""
        about = self.live.describe() if self.live else {"kind": "closed"}
        return {**about, "interrupted": {"captures": len(self.before.captures), "asked": self.before.asked}}

    def refuse(self, requests: Sequence[Request]) -> None:
        """As the bench that goes on."""
        if self.live:
            self.live.refuse(requests)

    def session(self) -> AbstractContextManager[object]:
        """As the bench that goes on."""
        return self.live.session() if self.live else nullcontext()

    @contextmanager
    def stage(self, name: Stage) -> Iterator["ResumedPlayer"]:
        """A stage of the bench that goes on, with what is on the disk before it."""
        with self.live.stage(name) if self.live else nullcontext() as player:
            yield ResumedPlayer(self, player)

    @property
    def closing(self) -> BenchEnds:
        """What ends the run when it is only to be closed."""
        return BenchEnds("the run was interrupted and has been closed")


class ResumedPlayer:
    """A stage of a resumed run."""

    def __init__(self, bench: ResumedBench, player: Player | None) -> None:
        self._bench, self._player = bench, player

    def play(self, requests: Sequence[Sweep], then: Then | None = None) -> Iterator[Capture]:
        """Captures from the disk where there are any, live ones of the others: a former version may have asked for them
        in another order. Of a request that was cut off before, all from before that come first. Nobody is asked for
        more.

        Raises
        ------
        BenchEnds
            When the run is only to be closed and more is asked than there is; when more is asked of a place that was
            done than there is; or when the bench is not as it was.
        """
        archive, is_soak = self._bench.archive, requests[0].stage == "soak"
        if self._player and self._bench.is_at_cut and not is_soak:
            for request in requests:
                while archive.holds(request):
                    (capture,) = archive.play([request])
                    yield _before_cut(capture)
        for is_held, some in groupby(requests, archive.holds):
            if is_held:
                for request in some:
                    yield from self._stored(request)
            elif self._player is None:
                raise self._bench.closing
            elif not (self._bench.is_at_cut or is_soak):
                # The microphone or the clips are elsewhere by now: whatever sounded would be taken for that place's.
                raise BenchEnds("a place that was done before the interruption lacks a capture: measure the unit anew")
            else:
                yield from self._live(self._player, list(some))

    def _stored(self, request: Sweep) -> Iterator[Capture]:
        """The next capture of a request from the disk, and those before it that an earlier interruption set aside."""
        while self._bench.archive.holds(request):
            (capture,) = self._bench.archive.play([request])
            yield capture
            if BEFORE_CUT not in capture.flags:
                return

    def _live(self, player: Player, requests: Sequence[Sweep]) -> Iterator[Capture]:
        before = {one.request.stage: _in_force(one.calibration) for one in self._bench.before.captures}
        for capture in player.play(requests):
            now = _in_force(capture.calibration)
            if before.get(capture.request.stage, now) != now:
                raise BenchEnds("the run was interrupted, and the bench has been calibrated anew or changed since")
            late = capture.request.moment == "hot" and not self._bench.went_on
            yield replace(capture, flags=(*capture.flags, NOT_HOT)) if late else capture

    def soak(self, programme: Programme, from_s: float = 0.0) -> Generator[Row, None, None]:
        """The rows from the disk, then the rest of the programme; the time between is a gap and counts.

        Raises
        ------
        BenchEnds
            When the run is only to be closed.
        """
        rows = self._bench.before.logs.get(programme, [])
        yield from rows
        gaps_s, position_s = 0.0, from_s
        if rows:
            gaps_s = gap_s(rows) + max(_since(rows[-1].clock), 0.0)
            position_s = rows[-1].seconds - gap_s(rows)
        if position_s >= programme.seconds - programme.every_s or (rows and rows[-1].guard):
            return
        if self._player is None:
            raise self._bench.closing
        self._bench.went_on = not programme.is_rest
        live = self._player.soak(programme, position_s)
        try:
            for n, row in enumerate(live):
                if n == 0 and rows:
                    words = f"interrupted for {gaps_s - gap_s(rows):.0f} s, then resumed"
                    row = replace(row, state="gap", event="; ".join(filter(None, (words, row.event))))
                yield replace(row, seconds=row.seconds + gaps_s)
        finally:
            live.close()


def with_left_over(run: Run, bench: ResumedBench) -> Run:
    """A resumed run with what is on the disk that it did not come to again: it counts for nothing, and is not lost."""
    there = {id(one.samples) for one, _ in run.captures}
    left = [_before_cut(one) for one in bench.before.captures if id(one.samples) not in there]
    captures = [(one, capture_troubles(one)) for one in left]
    again = {log.request for log, _ in run.logs}
    rows_of = {programme: rows for programme, rows in bench.before.logs.items() if rows and programme not in again}
    logs = [(log_of(programme, rows), (NOT_TAKEN_UP,)) for programme, rows in rows_of.items()]
    return replace(run, captures=(*captures, *run.captures), logs=(*run.logs, *logs))


def _before_cut(capture: Capture) -> Capture:
    return replace(capture, flags=tuple(dict.fromkeys((*capture.flags, BEFORE_CUT))))


def gap_s(rows: Sequence[Row]) -> float:
    """How long a programme has been interrupted in all: the part of each gap that is no row's own time."""
    every_s = min((after.seconds - before.seconds for before, after in pairwise(rows)), default=0.0)
    return sum(after.seconds - before.seconds - every_s for before, after in pairwise(rows) if after.state == "gap")


def _in_force(calibration: Calibration) -> bytes:
    """What of a calibration bears on readings, to be compared: not when it was made, nor the air, which moves."""
    load = calibration.known_load and replace(calibration.known_load, made_at="")
    return json_bytes(replace(calibration, known_load=load, air_celsius=None, made_at={}, doubts={}))


def _since(clock: str) -> float:
    then = datetime.fromisoformat(clock)
    return (datetime.now(then.tzinfo) - then).total_seconds()
