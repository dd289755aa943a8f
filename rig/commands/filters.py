"""Which runs: the same options for every command that looks at many."""

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from functools import wraps
from inspect import Parameter, signature
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rig.files.errors import KitproofError, TableError
from rig.store.selection import TO, Selection

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from rig.design.kit import Kit


def _option(words: str, kind: Any = str) -> Any:
    return Annotated[kind, typer.Option(help=words)]


#: Each filter as an option; its default is none.
OPTIONS: dict[str, tuple[Any, object]] = {
    "kit": (_option("Only of this kit."), ""),
    "serial": (
        _option("Only this unit, or units such as BT-0100..BT-0199; again.", list[str] | None),
        None,
    ),
    "since": (_option("Only runs that began on this day or later, such as 2026-03-01."), ""),
    "until": (_option("Only runs that began on this day or before."), ""),
    "outcome": (_option("Only pass, fail or void."), ""),
    "check": (_option("Only runs in which this check did not pass."), ""),
    "finding": (_option("Only runs with a finding of this kind, or with these words in it."), ""),
    "plan": (_option("Only runs by this plan of the kit."), ""),
    "bench": (_option("Only runs on this bench."), ""),
    "by": (_option("Only runs by this person or jig; again.", list[str] | None), None),
    "batch": (_option("Only units of this lot."), ""),
}


#: Filters by a name that runs have, each one name.
NAMES = {"plan", "check", "bench", "batch"}


def with_filters(command: Callable[..., None]) -> Callable[..., None]:
    """A command whose `selection` is asked for as options; one that it has of its own (a kit as argument) stays its.

    The command has a `workspace`; a name that no run and no kit there has is refused.
    """
    own = signature(command).parameters
    options = [
        Parameter(name, Parameter.KEYWORD_ONLY, default=default, annotation=kind)
        for name, (kind, default) in OPTIONS.items()
        if name not in own
    ]

    @wraps(command)
    def with_selection(**given: Any) -> None:
        found = {name: given[name] for name in OPTIONS if given.get(name) is not None}
        lists = {name: tuple(value) for name, value in found.items() if isinstance(value, list)}
        selection = Selection(**{**found, **lists})
        # What a command asks for itself, it refuses itself.
        others: dict[str, Any] = dict.fromkeys(own.keys() & NAMES, "")
        refuse_unknown_names(given["workspace"], replace(selection, **others))
        command(**{name: value for name, value in given.items() if name in own}, selection=selection)

    kept = [one.replace(kind=Parameter.KEYWORD_ONLY) for name, one in own.items() if name != "selection"]
    with_selection.__signature__ = signature(command).replace(parameters=[*kept, *options])  # type: ignore[attr-defined]
    with_selection.__annotations__ = {one.name: one.annotation for one in (*kept, *options)}
    return with_selection


def refuse_bad_serials(kit: "Kit", selection: Selection) -> None:
    """Refuse serials, and ends of ranges, that are none of a kit.

    Raises
    ------
    RecordError
        Saying what was found and what is allowed.
    """
    from rig.store.records import refuse_bad_serial

    for asked in selection.serial:
        for serial in [asked] if "/" in asked else asked.split(TO):
            refuse_bad_serial(kit, serial)


def refuse_unknown_names(workspace: Path, selection: Selection) -> None:
    """Refuse a plan, check, bench, person or lot that no run has, which would find nothing without a word.

    A plan or a check that a kit of the workspace has may have no run yet; where there is no run, no name is wrong; and
    a workspace that shares a store with other benches does not know all names of benches, persons and lots.

    Raises
    ------
    TableError
        Which filter, what was found, what there is.
    """
    if not any((selection.plan, selection.check, selection.bench, selection.by, selection.batch)):
        return
    from rig.store.index import ask

    unknown, known = ask(workspace, lambda connection: _unknown(connection, selection), _silent)
    if not unknown:
        return
    from rig.bench.store_settings import store_of

    is_alone = store_of(workspace) is None
    for name, value in unknown.items():
        if not is_alone and name in ("bench", "by", "batch"):
            continue
        names = sorted({*known[name], *_of_kits(workspace, name)})
        if names and value not in names:
            raise TableError(f"--{name}: found {value!r}; there is: {', '.join(names)}")


def _unknown(connection: "Connection", selection: Selection) -> tuple[dict[str, str], dict[str, list[str]]]:
    from rig.store.selection import known_names, unknown_names

    unknown = unknown_names(connection, selection)
    return unknown, {name: known_names(connection, name) for name in unknown}


def _silent(words: str) -> None:
    """The listing that follows tells what is the matter with the index."""


def _of_kits(workspace: Path, name: str) -> set[str]:
    """Names of plans, or of checks, that kits of the workspace have."""
    from rig.design.kit import kit_names, load_kit

    found: set[str] = set()
    for kit in kit_names(workspace) if name in ("plan", "check") else ():
        with suppress(KitproofError):
            loaded = load_kit(workspace, kit)
            found |= set(loaded.plans if name == "plan" else loaded.checks)
    return found


def refuse_unknown_kit(workspace: Path, kit: str) -> None:
    """Refuse a kit that there is neither a file nor a record of.

    Raises
    ------
    TableError
        Which kits there are.
    """
    if kit and not (workspace / "results" / kit).is_dir():
        from rig.design.kit import load_kit

        load_kit(workspace, kit)
