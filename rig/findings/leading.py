"""What a finding is, and what may lead: told alike on screen, paper, in --json and by `kitproof explain`."""

from collections.abc import Callable, Collection, Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Generic, TypeVar

from rig.values.findings import Finding

T = TypeVar("T", bound=Hashable)

#: A cause, together with those that cannot be told from it, must be this probable to be named first ... (our choice;
#: tests/benchmarks/naming_faults.py)
NAMED_FROM = 0.5
#: ... no more than so many together, ... (our choice; tests/benchmarks/naming_faults.py)
LARGEST_GROUP = 3
#: ... and what is reported besides it must be this probable (our choice; tests/benchmarks/naming_faults.py).
BESIDE_FROM = 0.05
#: No more than so many for one channel: a hint is to be followed; layout.
MOST = 3
UNKNOWN = "unknown"


def in_order(found: Sequence[Finding]) -> tuple[Finding, ...]:
    """What leads before what is also possible, what is known before what is not, the likeliest first."""
    return tuple(sorted(found, key=lambda one: (one.also_possible, one.kind == UNKNOWN, -one.probability)))


@dataclass(frozen=True)
class Group(Generic[T]):
    """A cause, and those that no measurement made tells from it."""

    first: T
    alike: tuple[T, ...]
    #: Of all of them together.
    probability: float
    also_possible: bool


def groups_of(
    likely: Mapping[T, float], alike_of: Callable[[T], Collection[T]], from_: float = NAMED_FROM
) -> list[Group[T]]:
    """Causes in groups of at most `LARGEST_GROUP`, the likeliest first; only that one may lead, and only from `from_`.

    Parameters
    ----------
    likely : mapping
        Cause -> its probability.
    alike_of : callable
        The causes that nothing measured tells from one.
    from_ : float
        So probable a group must be to lead.
    """
    order = sorted(likely, key=lambda cause: -likely[cause])
    found: list[Group[T]] = []
    grouped: set[T] = set()
    for cause in order:
        if cause not in grouped and (likely[cause] >= BESIDE_FROM or not found):
            alike = alike_of(cause)
            same = [o for o in order if o in alike and o not in grouped and o != cause][: LARGEST_GROUP - 1]
            grouped |= {cause, *same}
            together = likely[cause] + sum(likely[other] for other in same)
            found.append(Group(cause, tuple(same), together, also_possible=True))
    found.sort(key=lambda group: -group.probability)
    if found and found[0].probability >= from_:
        found[0] = replace(found[0], also_possible=False)
    return found[:MOST]
