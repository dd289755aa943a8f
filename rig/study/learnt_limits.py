"""Learnt masks put into a kit's own `kit.toml`: which limits they take the place of, and what changes in the text."""

import difflib
from collections.abc import Sequence

from rig.design.kit import Kit
from rig.files.toml_edit import edited
from rig.study.learning import mask_file
from rig.study.spreads import Key


def with_learnt_limits(kit: Kit, keys: Sequence[Key]) -> str:
    """The text of kit.toml with a limit for the mask of each curve.

    A limit of all boxes goes where each of them has a mask now: no reading would meet it any more, and every run would
    be void.

    Raises
    ------
    TableError
        If the file cannot be edited.
    """
    changes: dict[tuple[str, ...], dict[str, str] | None] = {}
    for check, quantity, subject in keys:
        changes["limits", check, f"{quantity} {subject}"] = {"mask": mask_file((check, quantity, subject))}
    for check, quantity in dict.fromkeys(key[:2] for key in keys):
        covered = {subject for *of, subject in keys if of == [check, quantity]}
        has_places = len(kit.checks.get(check, {}).get("positions", ())) > 1
        is_met = has_places or any(channel.name not in covered for channel in kit.channels)
        if quantity in kit.limits.get(check, {}) and not is_met:
            changes["limits", check, quantity] = None
    path = kit.folder / "kit.toml"
    return edited(kit.files[path].decode("utf-8-sig"), path, changes)


def difference(before: str, after: str) -> list[str]:
    """What changes from one text to the other, line by line, with two lines around it."""
    lines = difflib.unified_diff(
        before.splitlines(), after.splitlines(), "kit.toml", "kit.toml, learnt", lineterm="", n=2
    )
    return list(lines)
