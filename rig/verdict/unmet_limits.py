"""Limits that no reading of their check can ever meet, and checks without limits: told when a kit is loaded."""

import difflib
from collections.abc import Iterator, Sequence

from rig.design.kit import Kit
from rig.design.speaker import PORT
from rig.files.errors import TableError
from rig.values.names import AGAINST
from rig.verdict.check import ListedCheck


def refuse_unmet(kit: Kit, listed: Sequence[ListedCheck]) -> None:
    """TableError with a line for each limit whose reading no check gives, and for each check without a limit."""
    wrong = [words for check in listed for words in _unmet(kit, check)]
    if wrong:
        raise TableError("\n".join(f"{kit.folder / 'kit.toml'}: {words}" for words in wrong))


def _unmet(kit: Kit, listed: ListedCheck) -> Iterator[str]:
    limits = kit.limits.get(listed.name, {})
    if not limits:
        yield f"limits.{listed.name}: missing; a check without a limit proves nothing, and every run would be void"
    # A workspace's own check need not say what it reads.
    quantities = listed.quantities
    for key in limits if quantities else ():
        of_key = [one for one in quantities if key == one or key.startswith(f"{one} ")]
        subject = key.removeprefix(max(of_key, key=len)).strip() if of_key else ""
        # What watches over a soak has names of its own.
        known = subjects(kit) if not hasattr(listed.settings, "guard") else [subject]
        if of_key and (not subject or subject in known):
            continue
        there = [*quantities, *(f"{one} {whose}" for one in quantities for whose in known)]
        allowed = f"what it reads ({', '.join(quantities)}), alone or of one of: {', '.join(known)}"
        found = f"nothing is read that is called so{nearest(key, there)}"
        yield f'limits.{listed.name}."{key}": {found}; allowed: {allowed}'


def subjects(kit: Kit) -> list[str]:
    """All that readings may be of: boxes, drivers, places, pairs."""
    found = []
    for channel in kit.channels:
        own = [channel.name, *(f"{channel.name} {name}" for name in [*(d.name for d in channel.drivers), PORT])]
        found += [*own, *(f"{one} {place.name}" for one in own for place in kit.positions)]
    names = [channel.name for channel in kit.channels]
    found += [f"{a}{between}{b}" for a in names for b in names if a != b for between in (AGAINST, " to ")]
    return found


def nearest(word: str, known: Sequence[str]) -> str:
    """A hint at the known word that looks most like this one, whatever its capitals; empty if none does."""
    by_look = {one.casefold(): one for one in reversed(known)}
    found = difflib.get_close_matches(word.casefold(), list(by_look), n=1)
    return f" (did you mean {by_look[found[0]]!r}?)" if found else ""
