"""What differs between a kit as it was and as it is now, check by check; and a kit with other limits, to try them."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from rig.design.kit import Kit
from rig.design.learnt_design import FILE
from rig.design.limits import Limit, read_masks
from rig.files.errors import TableError
from rig.files.tables import checked, near, read_toml

#: What a file of limits to be tried may hold, if it is no whole kit.toml; by definition.
TRIED = ("limits", "decision")
#: What no reading rests on: what readings are held against, names and words, and what is done before and after a run;
#: settings of checks are looked at one by one.
_BESIDE_READINGS = {
    *("limits", "decision", "checks", "repeatability"),
    *("name", "title", "revision", "serial_pattern", "serial_example", "stages", "plans", "calibrations", "archive"),
}


@dataclass(frozen=True)
class KitChanges:
    """Names of the checks of today's kit that a change of the kit touches."""

    #: Whose readings may differ.
    readings: frozenset[str]
    #: Whose readings are held against something else.
    limits: frozenset[str]


def kit_changes(was: Kit, now: Kit) -> KitChanges:
    """What has changed for the checks of `now` since the kit was as `was`."""
    of_all = _design(was) != _design(now)
    readings = {
        name
        for name, settings in now.checks.items()
        if of_all or was.checks.get(name) != settings or _is_restated(was, now, name)
    }
    limits = {name for name in now.checks if _held_against(was, name) != _held_against(now, name)}
    return KitChanges(frozenset(readings), frozenset(limits))


def _design(kit: Kit) -> object:
    """All of a kit that every reading may rest on, with the files that it names."""
    drivers = [driver for channel in kit.channels for driver in channel.drivers]
    named = [curve.file for driver in drivers for curve in (driver.impedance_curve, driver.level_curve) if curve]
    return kit.model_dump(exclude=_BESIDE_READINGS), _contents(kit, [FILE, *named])


def _is_restated(was: Kit, now: Kit, check: str) -> bool:
    """Whether a repeatability stands within readings that is another one now."""
    before = was.repeatability.get(check)
    return bool(before) and before != now.repeatability.get(check)


def _held_against(kit: Kit, check: str) -> object:
    """All that the readings of a check are held against, with the files that its limits name."""
    limits = kit.limits.get(check, {})
    named = [name for limit in limits.values() for name in (limit.mask, limit.centre) if name]
    if any(limit.around == "reference" for limit in limits.values()):
        named += [name for name in _names(kit) if name.startswith("reference/")]
    return limits, kit.decision, kit.repeatability.get(check, {}), _contents(kit, named)


def _names(kit: Kit) -> dict[str, bytes]:
    return {path.relative_to(kit.folder).as_posix(): content for path, content in kit.files.items()}


def _contents(kit: Kit, names: list[str]) -> dict[str, bytes | None]:
    there = _names(kit)
    return {Path(name).as_posix(): there.get(Path(name).as_posix()) for name in names}


def with_limits(kit: Kit, path: Path) -> Kit:
    """A kit with the limits of a file in place of its own.

    Parameters
    ----------
    kit
    path
        A whole kit.toml with other limits; or `[limits.CHECK]` and `[decision]` alone, where each limit goes before the
        kit's for the same reading and all others stay. Files that its limits name stand beside it, or in the kit.

    Raises
    ------
    TableError
        Naming file and key, what was found, what is allowed.
    """
    given = read_toml(path)
    whole = read_toml(kit.folder / "kit.toml", kit.files[kit.folder / "kit.toml"])
    if "channels" not in given:
        for key in given:
            if key not in TRIED:
                allowed = f"{', '.join(TRIED)}; or a whole kit.toml"
                raise TableError(f"{path}: {key}: found {key!r}{near(key, TRIED)}; allowed: {allowed}")
        given = whole | {"decision": given.get("decision", whole.get("decision", {})), "limits": _merged(whole, given)}
    tried = checked(Kit, given, path)
    kept = {"limits": tried.limits, "decision": tried.decision}
    made = kit.model_copy(update=kept)
    as_tried = tried.model_dump()
    for key, value in made.model_dump().items():
        if value != as_tried[key]:
            raise TableError(f"{path}: {key}: is not as the kit has it; allowed to differ: {', '.join(TRIED)}")
    made._files = {**kit.files, **_beside(path, tried.limits, kit.folder)}
    read_masks(made.limits, made.folder, made.files)
    return made


def _merged(whole: Mapping[str, object], given: Mapping[str, object]) -> dict[str, object]:
    """The limits of a kit, those of another table before them; what is no table is left for the schema to refuse."""
    merged: dict[str, object] = dict(_table(whole.get("limits", {})))
    for check, limits in _table(given.get("limits", {})).items():
        merged[check] = {**_table(merged.get(check, {})), **limits} if isinstance(limits, dict) else limits
    return merged


def _table(found: object) -> dict[str, object]:
    return found if isinstance(found, dict) else {"limits": found}


def _beside(path: Path, limits: Mapping[str, Mapping[str, Limit]], folder: Path) -> dict[Path, bytes]:
    """Files beside another that limits name, each as if it stood in the kit's folder."""
    named = {name for of_check in limits.values() for limit in of_check.values() for name in (limit.mask, limit.centre)}
    return {
        folder / name: (path.parent / name).read_bytes() for name in named if name and (path.parent / name).is_file()
    }
