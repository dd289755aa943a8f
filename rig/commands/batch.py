"""`kitproof batch KIT`: how a batch went: yields, what fails, room in the limits, what changed on the way."""

import json
from dataclasses import asdict, replace
from pathlib import Path
from typing import Annotated

import typer

from rig.bench.store_settings import store_of
from rig.commands.common import HERE, AsJson, Workspace
from rig.commands.filters import refuse_unknown_kit, refuse_unknown_names, with_filters
from rig.files.errors import TableError
from rig.store.homes import now
from rig.store.selection import Selection

#: What a second batch may differ in from the first.
DIFFER_IN = ("batch", "bench", "by", "serial", "since", "until", "plan")
#: Differences up to this part of the limits' width are none, in percent; our choice.
MARGIN_PERCENT = 10.0


@with_filters
def batch_command(
    kit: Annotated[str, typer.Argument(help="The kit whose units are looked at.")],
    *,
    workspace: Workspace = HERE,
    against: Annotated[
        list[str] | None,
        typer.Option(
            help="Compare with the runs that differ in this filter, such as bench=attic or batch=spring; again."
        ),
    ] = None,
    margin: Annotated[
        float,
        typer.Option(min=0.1, max=100.0, help="With --against: what is no difference, in % of the limits' width."),
    ] = MARGIN_PERCENT,
    as_json: AsJson = False,
    selection: Selection,
) -> None:
    """Tell how a batch went: what passes at the first try, what fails, room in the limits, what changed on the way."""
    refuse_unknown_kit(workspace, kit)
    selection = replace(selection, kit=kit)
    problems: list[str] = []
    if store_of(workspace):
        problems.append("of this workspace's own runs; those that other benches stored are not among them")
    if against:
        other = other_selection(selection, against)
        refuse_unknown_names(workspace, other)
        _compare(workspace, selection, other, margin / 100, problems, as_json=as_json)
        return
    from rig.report.batch_report import page
    from rig.study.batch_study import study
    from rig.study.batch_tables import tables_of, write_report
    from rig.study.batch_words import document

    found = study(workspace, selection, problems.append)
    report = write_report(workspace, kit, page(found, problems, now()), tables_of(found))
    if as_json:
        print(json.dumps(document(found) | {"problems": problems, "report": str(report)}))
    else:
        from rig.screen.batch_page import show

        show(found, problems, report)


def other_selection(selection: Selection, asked: list[str]) -> Selection:
    """The selection that differs from another one in some filters, each as NAME=VALUE.

    Raises
    ------
    TableError
        If one is none.
    """
    changed: dict[str, list[str]] = {}
    for words in asked:
        name, is_given, value = words.partition("=")
        if not (is_given and value and name in DIFFER_IN):
            allowed = f"one of {', '.join(DIFFER_IN)}, then = and a value, such as bench=attic"
            raise TableError(f"--against: found {words!r}; allowed: {allowed}")
        changed.setdefault(name, []).append(value)
    many = {name: tuple(values) for name, values in changed.items() if name in ("by", "serial")}
    return replace(selection, **{name: values[-1] for name, values in changed.items()} | many)  # type: ignore[arg-type]


def _compare(
    workspace: Path, selection: Selection, other: Selection, margin: float, problems: list[str], *, as_json: bool
) -> None:
    """The second batch against the first, on the screen or as one document; and its report."""
    from rig.report.against_page import page
    from rig.screen.against_table import cells, show
    from rig.study.batch_against import against, row_of, rows_table, sentence
    from rig.study.batch_tables import write_report

    found = against(workspace, selection, other, margin, problems.append)
    first, second = (_filters(one) for one in (selection, other))
    table = [[one.key[0], *cells(one)] for one in found.rows]
    text = page(found, (first, second), [*found.first.remarks, *problems], now(), table)
    report = write_report(workspace, f"{selection.kit}-against", text, {"differences": rows_table(found)})
    if as_json:
        about: dict[str, object] = {"first": first, "second": second, "margin": margin, "pairs": found.pairs}
        about |= {"units": [len(found.first.units), len(found.second.units)], "words": sentence(found)}
        about["rows"] = [row_of(one) for one in found.rows]
        print(json.dumps(about | {"problems": problems, "report": str(report)}))
    else:
        show(found, problems, report)


def _filters(selection: Selection) -> str:
    """A selection in words."""
    given = {name: value for name, value in asdict(selection).items() if value and name != "kit"}
    shown = (f"{name} {', '.join(value) if isinstance(value, tuple) else value}" for name, value in given.items())
    return "; ".join(shown) or "all runs"
