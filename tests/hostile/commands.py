"""Every command with arguments, taken from the command line itself: a new one is covered at once."""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from random import Random
from typing import Any

import typer

from hostile.ground import KIT, SERIALS, Ground
from hostile.promise import refuse_loss
from rig.cli import app

#: What is not called here: it serves until somebody ends it, or runs three whole units in a folder of its own.
ELSEWHERE = {"page", "demo"}
#: Takes more than a tenth of a second each time (rejudge: all captures; verify, check-bench: a simulated bench; ...).
SLOW = {
    "rejudge",
    "batch",
    "certificate",
    "export",
    "verify",
    "check-bench",
    "design",
    "learn",
    "resume",
    "daily",
    "bench",
}
#: Adds to what a person made, or a unit has: below these places files may come.
WRITERS: Mapping[str, tuple[str, ...]] = {
    "verify": ("results/",),
    "resume": ("results/",),
    "rework": ("results/",),
    "daily": ("results/",),
    "archive": ("results/", "packs/"),
    "reference": ("limits/",),
    "learn": ("limits/",),
    "new": ("limits/",),
}
#: Edits a kit, when its user has agreed to what it shows.
EDITS_KIT, KEPT_ASIDE = "learn", re.compile(r"(?<=/)masks-of-[^/]+/")


@dataclass(frozen=True)
class Listed:
    """A command with its parameters, as the command line has them."""

    name: str
    words: tuple[str, ...]
    params: tuple[Any, ...]

    def takes(self, argument: str) -> bool:
        """Whether it has an argument of this name."""
        return any(param.name == argument for param in self.params)

    def has(self, option: str) -> bool:
        """Whether it takes an option."""
        return any(option in param.opts for param in self.params)


def all_commands() -> tuple[Listed, ...]:
    """Every command, those of groups too."""
    return tuple(_of(typer.main.get_command(app), ()))


def _of(group: Any, words: tuple[str, ...]) -> Iterator[Listed]:
    for name in group.list_commands(None):
        command = group.get_command(None, name)
        if hasattr(command, "list_commands"):
            yield from _of(command, (*words, name))
        else:
            yield Listed((*words, name)[0], (*words, name), tuple(command.params))


#: Name of an argument -> what it may be, of a ground.
def _values(ground: Ground, random: Random, serial: str, kit: str) -> dict[str, list[str]]:
    serial = serial or random.choice(SERIALS)
    return {
        "kit": [kit],
        "serial": [serial],
        "unit_or_kit": [random.choice((serial, kit))],
        "serials": list({serial, *random.sample(SERIALS, random.randint(0, 2))}),
        "words": ["resoldered C3 left"],
        "fingerprint": ["0" * 16],
        "folder": [str(ground.outside / "folder")],
        "to": [str(ground.outside / "codes.pdf")],
        "name": ["another-kit"],
        "ohm": ["8.2"],
        "role": ["drive"],
    }


#: Options that a command would wait, search buses, or draw thousands of units without.
OPTIONS: Mapping[str, tuple[str, ...]] = {
    "label": ("--to", "{outside}"),
    "archive": ("--older-than", "1", "--to", "{outside}/packs", "--yes"),
    "calibrate sense": ("--load", "8.2"),
    "learn": ("--draws", "300", "--yes"),
    "instruments": ("--seconds", "0.1"),
    "verify": ("--plan", "bare", "--yes"),
    "bench": ("--simulated",),
    "new": ("--from", "{workspace}/limits/shelf-one/harmonics.csv"),
    "resume": ("--yes",),
}


def words_for(
    listed: Listed, ground: Ground, random: Random, serial: str = "", kit: str = KIT, bench: str = ""
) -> list[str]:
    """A call of a command in a ground's workspace, of this unit where one is asked for, else of any; at this bench.

    Raises
    ------
    AssertionError
        If it has a parameter that nobody has said a value for.
    """
    known = _values(ground, random, serial, kit)
    given = []
    for param in listed.params:
        if param.param_type_name == "argument" and (param.required or param.name == "to" or random.random() < 0.5):
            assert param.name in known, (
                f"kitproof {' '.join(listed.words)}: say in {__name__} what {param.name!r} may be"
            )
            given += known[param.name]
    options = OPTIONS.get(" ".join(listed.words), ())
    given += [option.format(outside=ground.outside, workspace=ground.workspace) for option in options]
    needed = [
        p.name for p in listed.params if p.required and p.param_type_name == "option" and p.opts[0] not in options
    ]
    assert not needed, f"kitproof {' '.join(listed.words)}: say in {__name__} what {needed} may be"
    given += [
        option for option in ("--json", "--yes", "--all", "--rebuild") if listed.has(option) and random.random() < 0.5
    ]
    given += ["--bench", str(ground.workspace / bench)] if bench and listed.has("--bench") else []
    given = list(dict.fromkeys(given)) if listed.name != "calibrate" else given
    return [*listed.words, *given, *(("--workspace", str(ground.workspace)) if listed.has("--workspace") else ())]


def hold_loss(listed: Listed, before: Mapping[str, str], after: Mapping[str, str]) -> None:
    """A command lost and changed nothing, and added nothing but where it may."""
    if listed.name == EDITS_KIT:
        # What it replaces in a kit's folder it keeps in another one there.
        kept = {(KEPT_ASIDE.sub("", name), what) for name, what in after.items() if KEPT_ASIDE.search(name)}
        before = {name: what for name, what in before.items() if after.get(name) == what or (name, what) not in kept}
    after = {name: what for name, what in after.items() if name in before or not _is_changed_by(listed, name)}
    refuse_loss(before, after, taken_up=listed.name == "resume")


def _is_changed_by(listed: Listed, name: str) -> bool:
    """Whether a command may add to this place."""
    return name.startswith(WRITERS.get(listed.name, ()))
