"""What came back from the bench for a programme: rows of a log."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, TypeVar

from rig.files.plain import Bools, Floats, Number
from rig.values.requests import Programme

T = TypeVar("T")

#: How the place of a coil's temperature begins; its channel follows.
OF_COIL = "coil "


def of_quantity(columns: Mapping[str, T], quantity: str) -> dict[str, T]:
    """The columns of one quantity, by what they are of: a channel, the role of an instrument, a place, a band."""
    start = f"{quantity}."
    return {name.removeprefix(start): column for name, column in columns.items() if name.startswith(start)}


def gains_of(columns: Mapping[str, T]) -> dict[tuple[str, float], T]:
    """Gains from the leads to the microphone, by channel and octave in Hz."""
    split = {of.rpartition("."): column for of, column in of_quantity(columns, "gain_db").items()}
    return {(channel, float(hz)): column for (channel, _, hz), column in split.items()}


@dataclass(frozen=True)
class Row:
    """One row of a log: what was measured over the last few seconds. What is missing is NaN or absent, never stale."""

    #: Since the programme began, by a clock that nobody sets; gaps of an interrupted soak count.
    seconds: float
    #: ISO 8601 with zone.
    clock: str
    #: "cold", "ramp", "playing", "rest"; "gap" on the first row after an interruption.
    state: str
    #: Column -> value. Columns are `<quantity>.<subject>`: "celsius.heat sink", "drive_v.left", "level_db.63",
    #: "gain_db.left.63", "coil_ohm.left", "coil_ohm_u.left".
    values: dict[str, float]
    #: Role of an instrument -> its answer as it came.
    answers: dict[str, str] = field(default_factory=dict)
    #: What happened on the bench in this row, in words; empty: nothing.
    event: str = ""
    #: Why the programme ended with this row before its time; empty: it did not.
    guard: str = ""
    #: As of a `Calibration`: a soak may go on with another one than it began with.
    doubts: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Stop:
    """Why a programme ended before its time."""

    #: "fail": the unit left what it must keep to; "void": nothing can be said of it any more; "settled": all is known.
    kind: Literal["fail", "void", "settled"]
    words: str
    #: Seconds of the programme.
    seconds: Number


@dataclass(frozen=True, eq=False)
class Log:
    """What came back for a programme: its rows as columns."""

    request: Programme
    #: Shape (rows,).
    seconds: Floats
    states: tuple[str, ...]
    #: Column -> shape (rows,), NaN where there was nothing.
    columns: dict[str, Floats]
    #: (seconds, words) of the rows with an event.
    events: tuple[tuple[float, str], ...] = ()
    stopped: Stop | None = None
    #: ISO 8601 with zone, of the first row.
    began_at: str = ""
    #: Those of all its rows.
    doubts: Mapping[str, str] = field(default_factory=dict)

    def column(self, name: str) -> Floats:
        """A column, shape (rows,); NaN all along where there is no such column."""
        import numpy as np

        return self.columns.get(name, np.full(self.seconds.size, np.nan))

    def is_state(self, state: str) -> Bools:
        """Whether each row is in this state, shape (rows,)."""
        import numpy as np

        return np.array([found == state for found in self.states], dtype=np.bool_)


@dataclass(frozen=True)
class Outlook:
    """Where a guarded temperature is going, in kelvin above ambient."""

    role: str
    rise_k: float
    #: Predicted steady state and its standard uncertainty; NaN while too little was seen.
    steady_k: float = float("nan")
    steady_u_k: float = float("nan")
