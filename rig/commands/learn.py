"""`kitproof learn KIT`: design and masks from builds; before a first one masks from the parts' tolerances."""

import json
import sys
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
import typer

from checks.impedance import PHASE
from rig.commands.common import HERE, Workspace, Yes
from rig.design.kit import Kit, load_kit
from rig.design.learnt_design import FILE, LearntDesign, design_toml
from rig.files.disk import read_bytes, why, write_together
from rig.files.errors import RecordError, TableError
from rig.screen.console import open_console, say, yes_or_no
from rig.store import records
from rig.store.homes import now
from rig.store.recorded import read_curve
from rig.store.run_json import CurveEntry, Record
from rig.study.builds import learn_design
from rig.study.learning import (
    Learnt,
    drifts,
    learn,
    mask_file,
    refuse_odd,
    rejects_together,
    share_rejects,
)
from rig.study.learnt_limits import difference, with_learnt_limits
from rig.study.passed_units import FILE as LEARNT_FROM
from rig.study.passed_units import former_and_new, learnt_from, passed_of, refuse_other_sign
from rig.study.spreads import IMPEDANCE, LEVEL, Key, Spread, even_grid, spreads_of_units
from rig.values.readings import Curve, Floats

Source = Literal["builds", "parts", "both"]
#: Units drawn to tell whether builds belong together; our choice.
BELONGING_DRAWS = 3000
#: Curves that are learnt from: check and quantity; our choice.
LEARNT_FROM_CURVES = (IMPEDANCE, (IMPEDANCE[0], PHASE), LEVEL)
#: A mask over less than half an octave says nothing of a channel; our choice.
LEAST_OCTAVES = 0.5


def learn_command(
    kit: str,
    serials: Annotated[list[str] | None, typer.Argument(help="Builds that you vouch for: their newest runs.")] = None,
    *,
    workspace: Workspace = HERE,
    source: Annotated[str, typer.Option("--from", help="builds, parts or both; else what there is.")] = "",
    rejects_percent: Annotated[float, typer.Option("--rejects", help="Good units that all masks may fail, %.")] = 0.5,
    confidence_percent: Annotated[float, typer.Option("--confidence", help="Of masks from a few builds, %.")] = 95.0,
    draws: Annotated[int, typer.Option("--draws", help="Units drawn to see how good ones spread.")] = 10000,
    seed: Annotated[int, typer.Option("--seed", help="The same seed draws the same units.")] = 1,
    update: Annotated[bool, typer.Option("--update", help="Take in units that passed: these or all new.")] = False,
    yes: Yes = False,
) -> None:
    """Learn the design and masks from builds and tolerances, show what they rest on, and write them beside the kit."""
    loaded = load_kit(workspace, kit, with_learnt=False)
    _refuse_out_of_range(rejects_percent, confidence_percent, draws)
    former, new = former_and_new(workspace, loaded, serials or []) if update else (_runs(workspace, kit, serials), [])
    if update and not new:
        say("no unit passed that was not learnt from already: nothing is changed")
        return
    refuse_other_sign(runs := [*former, *new])
    chosen = _source(source, bool(runs), [u for channel in loaded.channels for u in loaded.undescribed(channel.name)])
    made_at = now()
    runs = runs if chosen != "parts" else []
    curves_of = {run.serial: {k: read_curve(run, one) for k, one in _curve_entries(run).items()} for run in runs}
    builds = _builds(loaded, curves_of)
    design = _design(loaded, curves_of, runs, made_at) if runs else None
    shaped = loaded.with_learnt(design) if design else loaded
    if design and not _may_be_learnt(shaped, builds, new, seed, yes):
        return
    spreads = {} if chosen == "builds" else spreads_of_units(shaped, draws, seed)
    passed = [*learnt_from(loaded).passed, *(run.serial for run in new)] if update else []
    learnt = _learnt(loaded, builds, spreads, rejects_percent, confidence_percent, passed)
    about: dict[str, object] = {
        "made_at": made_at,
        **_learnt_of(runs, passed),
        "parts": {"draws": draws, "seed": seed} if spreads else None,
        "rejects_percent": rejects_percent,
        "confidence_percent": confidence_percent,
    }
    _write_and_show(loaded, learnt, about, design, _without_mask(loaded, builds), yes=yes)


def _learnt_of(runs: Sequence[Record], passed: Sequence[str]) -> dict[str, object]:
    """Serial -> run of builds that somebody vouches for, and of units that passed."""
    return {
        "builds": {run.serial: run.run for run in runs if run.serial not in passed},
        "passed": {run.serial: run.run for run in runs if run.serial in passed},
    }


def _may_be_learnt(
    shaped: Kit, builds: Mapping[Key, tuple[Floats, dict[str, Floats]]], new: Sequence[Record], seed: int, yes: bool
) -> bool:
    """Refuse builds that do not belong together; of units that come in because they passed, say which, and ask."""
    spreads = spreads_of_units(shaped, BELONGING_DRAWS, seed, by_tolerances=True)
    if new:
        return _are_to_be_taken_in(new, drifts(builds, spreads, [run.serial for run in new]), yes)
    refuse_odd(builds, spreads)
    return True


def _are_to_be_taken_in(new: Sequence[Record], drifted: Sequence[str], yes: bool) -> bool:
    """Say which units are to be taken in and whether the population has drifted, and ask."""
    say(f"units that passed, to be learnt from: {', '.join(f'{run.serial} (run {run.run})' for run in new)}")
    for words in drifted:
        say(words)
    if drifted:
        say("The population has drifted: is it a new batch of drivers or parts? Then begin anew with builds of it.")
    if yes:
        return True
    if not sys.stdin.isatty():
        raise TableError("nobody can answer at this terminal; --yes takes them in")
    return yes_or_no(open_console(), "take them in? type y to do so, n to leave everything as it is: ")


def _write_and_show(
    kit: Kit,
    learnt: Sequence[Learnt],
    about: dict[str, object],
    design: LearntDesign | None,
    without: Sequence[str],
    *,
    yes: bool,
) -> None:
    written = write_masks(kit.folder, learnt, about, design)
    from rig.report.masks import draw_masks
    from rig.screen.learnt_masks import show, show_design

    try:
        figure = draw_masks(learnt, kit.folder / "learnt.svg")
    except OSError as error:
        raise RecordError(f"{kit.folder / 'learnt.svg'}: could not be drawn: {why(error)}") from None
    if design:
        show_design(design)
    show(learnt, written, figure, rejects_together(learnt), without)
    _edit_kit(kit, [one.key for one in learnt], yes)


def _edit_kit(kit: Kit, keys: Sequence[Key], yes: bool) -> None:
    """Show what the learnt masks change in kit.toml, ask, and write it, the former one kept."""
    from rig.screen.learnt_masks import show_difference

    path = kit.folder / "kit.toml"
    before, after = kit.files[path].decode(), with_learnt_limits(kit, keys)
    if not (lines := difference(before, after)):
        return
    show_difference(lines)
    if not yes and not sys.stdin.isatty():
        say("kit.toml is left as it is, for nobody can answer at this terminal; --yes writes it")
        return
    if not yes and not yes_or_no(open_console(), "write it? type y to do so, n to leave kit.toml as it is: "):
        return
    try:
        if read_bytes(path) != kit.files[path]:
            raise TableError(f"{path}: was changed meanwhile; it is left as it is: learn again")
        kept = _keep_former(kit.folder, [path.name])
        write_together({path: after})
    except OSError as error:
        raise RecordError(f"{path}: could not be written: {why(error)}") from None
    say(f"{path} is written; the former one is kept in {kept}")


def _design(
    kit: Kit, curves_of: Mapping[str, Mapping[Key, Curve]], runs: Sequence[Record], made_at: str
) -> LearntDesign:
    """What the builds share."""
    curves = {serial: held.values() for serial, held in curves_of.items()}
    return learn_design(kit, curves, {run.serial: run.run for run in runs}, made_at)


def _runs(workspace: Path, kit: str, serials: Sequence[str] | None) -> list[Record]:
    runs, serials = [], serials or []
    for serial in serials:
        found = next((r for r in records.newest_first(workspace, serial, kit) if _curve_entries(r)), None)
        if found is None:
            raise RecordError(f"no record of {serial!r} with an impedance or level curve in {workspace / 'results'}")
        runs.append(found)
    if len(set(serials)) != len(serials):
        raise RecordError(f"found {', '.join(serials)}; allowed: each build once")
    return runs


def _source(asked: str, has_builds: bool, unknown: Sequence[str]) -> Source:
    chosen = asked or ("both" if has_builds else "parts")
    if chosen not in ("builds", "parts", "both"):
        raise TableError(f"--from: found {asked!r}; allowed: builds, parts, both")
    if chosen != "parts" and not has_builds:
        raise TableError(f"--from {chosen}: no builds are named; name their serials behind the kit")
    if chosen == "parts" and unknown:
        what = f"the kit says too little of {' and '.join(dict.fromkeys(unknown))} to draw units from"
        raise TableError(f"{what}: name a build that you vouch for, or describe the drivers (fs, Q, level) in kit.toml")
    return chosen  # type: ignore[return-value]


def _refuse_out_of_range(rejects_percent: float, confidence_percent: float, draws: int) -> None:
    for option, value, low, high in (
        ("--rejects", rejects_percent, 0.01, 20),
        ("--confidence", confidence_percent, 50, 99.9),
        ("--draws", draws, 200, 1_000_000),
    ):
        if not low <= value <= high:
            raise TableError(f"{option}: found {value:g}; allowed: {low:g} to {high:g}")


def _curve_entries(run: Record) -> dict[Key, CurveEntry]:
    """Of the curves that are learnt from."""
    return {
        (result.check, entry.quantity, entry.subject): entry
        for result in run.results
        for entry in result.curves
        if (result.check, entry.quantity) in LEARNT_FROM_CURVES
    }


def _builds(kit: Kit, curves_of: Mapping[str, Mapping[Key, Curve]]) -> dict[Key, tuple[Floats, dict[str, Floats]]]:
    """Of each curve that a mask can be made for: the mask's frequencies, and every build's curve on them."""
    found = {}
    for key in ((*kind, channel.name) for channel in kit.channels for kind in (IMPEDANCE, LEVEL)):
        held = {serial: curves[key] for serial, curves in curves_of.items() if key in curves}
        if len(held) < len(curves_of):
            raise RecordError(f"{' '.join(key)}: not every build has this curve")
        grid = mask_grid(kit, key, list(held.values()))
        if grid is not None:
            found[key] = grid, {serial: on_grid(grid, one) for serial, one in held.items()}
    return found


def _without_mask(kit: Kit, builds: Mapping[Key, object]) -> list[str]:
    """Curves that no mask can be made for, in words."""
    keys = [(*kind, channel.name) for channel in kit.channels for kind in (IMPEDANCE, LEVEL)]
    return [f"{key[1]} {key[2]}" for key in keys if key not in builds]


def _learnt(
    kit: Kit,
    builds: Mapping[Key, tuple[Floats, dict[str, Floats]]],
    spreads: Mapping[Key, Spread],
    rejects_percent: float,
    confidence_percent: float,
    passed: Sequence[str],
) -> list[Learnt]:
    """One mask for each channel's impedance and level, each with its share of the rejects."""
    rejects, made = rejects_percent / 100, []
    for key, (grid, held) in builds.items():
        unit = "ohm" if key[:2] == IMPEDANCE else "dB SPL"
        cut = passed_of(kit, key, grid, passed) if passed else None
        confidence = confidence_percent / 100
        made.append(learn(key, unit, grid, held, spreads.get(key), rejects=rejects, confidence=confidence, passed=cut))
    return share_rejects(made, rejects)


def mask_grid(kit: Kit, key: Key, curves: Sequence[Curve]) -> Floats | None:
    """The frequencies of a mask: where every build can be trusted, or where the channel is swept; None: nowhere.

    A short gate trusts a level from some hundred hertz on, where a bass box plays no more.
    """
    spec = kit.sweeps.leads if key[:2] == IMPEDANCE else kit.sweeps.playing
    low, high = float(spec.start_hz), float(spec.stop_hz)
    # The model knows nothing of breaking cones: above its top octave nothing is learnt from the parts.
    if key[:2] == LEVEL:
        low, high = max(low, kit.channel(key[2]).band[0]), min(high, kit.channel(key[2]).band[1])
    for one in curves:
        trusted = one.frequency_hz[one.valid]
        if not trusted.size:
            return None
        low, high = max(low, float(trusted[0])), min(high, float(trusted[-1]))
    if high < low * 2**LEAST_OCTAVES:
        return None
    return even_grid(low, high)


def on_grid(grid: Floats, one: Curve) -> Floats:
    """A curve at a mask's frequencies, shape of `grid`."""
    trusted = one.valid
    return np.asarray(np.interp(np.log(grid), np.log(one.frequency_hz[trusted]), one.value[trusted]))


def write_masks(
    folder: Path, learnt: Sequence[Learnt], about: dict[str, object], design: LearntDesign | None = None
) -> list[Path]:
    """Write masks and design beside the kit, the former ones kept in a folder with their date.

    Raises
    ------
    RecordError
        If they cannot be written.
    """
    names = [mask_file(one.key) for one in learnt]
    try:
        _keep_former(folder, [*names, LEARNT_FROM, "learnt.svg", *([FILE] if design else [])])
        facts = [
            {
                "mask": name,
                "rests_on": one.words,
                "expected_rejects_percent": 100 * one.rejects if one.rejects == one.rejects else None,
            }
            for name, one in zip(names, learnt, strict=True)
        ]
        text = json.dumps({**about, "masks": facts}, indent=1)
        contents = {folder / name: _mask_table(one) for name, one in zip(names, learnt, strict=True)}
        of_design = {folder / FILE: design_toml(design)} if design else {}
        write_together({**contents, **of_design, folder / LEARNT_FROM: text + "\n"})
    except OSError as error:
        raise RecordError(f"{folder}: the masks could not be written: {why(error)}") from None
    return [folder / name for name in names]


def _keep_former(folder: Path, names: Sequence[str]) -> Path:
    """Copy the files that are there into a folder with their date; which."""
    kept = folder / f"masks-of-{datetime.now():%Y-%m-%dT%H%M%S}"
    former = [folder / name for name in names if (folder / name).exists()]
    if former:
        kept.mkdir(exist_ok=True)
        write_together({kept / path.name: read_bytes(path) for path in former})
    return kept


def _mask_table(one: Learnt) -> str:
    """Each point as far out as the curve between it and its neighbours needs, since masks go in straight lines."""
    figures = 3 if one.unit == "ohm" else 1
    rows = [
        f"{f:.1f},{low:.{figures}f},{high:.{figures}f}\n"
        for f, low, high in zip(one.frequency_hz, one.lower, one.upper, strict=True)
    ]
    return "frequency_hz,lower,upper\n" + "".join(rows)
