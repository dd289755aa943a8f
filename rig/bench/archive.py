"""The archive as a bench: a record's captures played back, sample for sample."""

from collections.abc import Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext

from rig.bench.base import BenchError
from rig.readings import Capture
from rig.requests import Request, Stage


class ArchiveBench:
    """A bench that gives back what another bench once captured.

    Parameters
    ----------
    captures : the captures of a record, in the order of playing
    origin : where they come from, for the record
    """

    def __init__(self, captures: Iterable[Capture], origin: dict[str, object]) -> None:
        self.captures = list(captures)
        self.origin = origin
        self.given: dict[Request, int] = {}

    def describe(self) -> dict[str, object]:
        """The record that is played back."""
        return {"kind": "archive", "origin": self.origin}

    def session(self) -> AbstractContextManager[None]:
        """Nothing has to be held."""
        return nullcontext()

    @contextmanager
    def stage(self, name: Stage) -> Iterator["ArchiveBench"]:
        """Nothing has to be opened."""
        yield self

    def play(self, requests: Sequence[Request]) -> Iterator[Capture]:
        """The captures of these requests; a request that is asked for again gives its next attempt.

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
