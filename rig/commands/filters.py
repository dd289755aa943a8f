"""Which runs: the same options for every command that looks at many."""

from collections.abc import Callable
from functools import wraps
from inspect import Parameter, signature
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from rig.store.selection import TO, Selection

if TYPE_CHECKING:
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


def with_filters(command: Callable[..., None]) -> Callable[..., None]:
    """A command whose `selection` is asked for as options; one that it has of its own (a kit as argument) stays its."""
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
