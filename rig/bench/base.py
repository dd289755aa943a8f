"""What every bench offers, and the errors that all benches share."""

from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager
from typing import Protocol

from rig.readings import Capture
from rig.requests import Request, Stage

#: A capture goes on so long beyond the stimulus, whose own last tenth of a second is silent: together the longest
#: delay that the equipment may have.
CAPTURE_ALLOWANCE_S = 0.1


class BenchError(Exception):
    """The bench could not do it (exit status 4). The message says what happened and what to do."""


class BenchSetupError(Exception):
    """The bench is described wrongly (exit status 3). The message names file, key, what was found, what is allowed."""


class Player(Protocol):
    """A stage of the bench with its stream open."""

    def play(self, requests: Sequence[Request]) -> Iterator[Capture]:
        """Play the requests in order without a gap; yield each capture as soon as it is complete.

        While the caller works on a capture the next one is already sounding.
        """
        ...


class Bench(Protocol):
    """The equipment: sound card, simulated unit, or archive."""

    def describe(self) -> dict[str, object]:
        """Equipment, identities and settings for the record (plain JSON values)."""
        ...

    def session(self) -> AbstractContextManager[object]:
        """Hold the equipment for a whole run, so that nothing has to be opened between its stages."""
        ...

    def stage(self, name: Stage) -> AbstractContextManager[Player]:
        """Open the bench for one stage; on leaving, the output is silent."""
        ...
