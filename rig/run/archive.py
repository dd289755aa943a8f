"""The archive as a bench: a record's captures played back, sample for sample."""

from collections.abc import Generator, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext

from rig.bench.base import Then
from rig.files.errors import BenchError
from rig.values.captures import Capture
from rig.values.logs import Row
from rig.values.requests import Programme, Request, Stage, Sweep


class ArchiveBench:
    """A bench that gives back what another bench once captured.

    Parameters
    ----------
    captures : the captures of a record, in the order of playing
    logs : the rows of its programmes
    origin : where they come from, for the record
    """

    def __init__(
        self,
        captures: Iterable[Capture],
        origin: dict[str, object],
        logs: Mapping[Programme, Sequence[Row]] | None = None,
    ) -> None:
        self.captures = list(captures)
        self.logs = logs or {}
        self.origin = origin
        self.given: dict[Sweep, int] = {}

    def describe(self) -> dict[str, object]:
        """The record that is played back."""
        return {"kind": "archive", "origin": self.origin}

    def refuse(self, requests: Sequence[Request]) -> None:
        """Nothing sounds: what is missing shows when it is asked for."""

    def session(self) -> AbstractContextManager[None]:
        """Nothing has to be held."""
        return nullcontext()

    @contextmanager
    def stage(self, name: Stage) -> Iterator["ArchiveBench"]:
        """Nothing has to be opened."""
        yield self

    def play(self, requests: Sequence[Sweep], then: Then | None = None) -> Iterator[Capture]:
        """The captures of these requests; one that is asked for again gives its next attempt. Nobody is asked for more.

        Raises
        ------
        BenchError
            If the record holds no (further) capture for a request: the kit asks for other sounds now.
        """
        for request in requests:
            attempts = [capture for capture in self.captures if capture.request == request]
            turn = self.given.get(request, 0)
            if turn >= len(attempts):
                raise BenchError(f"the record holds no capture number {turn + 1} for: {request}")
            self.given[request] = turn + 1
            yield attempts[turn]

    def holds(self, request: Sweep) -> bool:
        """Whether there is another capture for a request."""
        return sum(capture.request == request for capture in self.captures) > self.given.get(request, 0)

    def soak(self, programme: Programme, from_s: float = 0.0) -> Generator[Row, None, None]:
        """The rows of a programme from some second on.

        Raises
        ------
        BenchError
            If the record holds no log of it.
        """
        if programme not in self.logs:
            raise BenchError(f"the record holds no log of: {programme}")
        yield from (row for row in self.logs[programme] if row.seconds >= from_s)
