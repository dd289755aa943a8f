"""Records and the files beside them, damaged in every way; all that reads, and the next run of the unit."""

import builtins
import io
import json
import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from random import Random
from typing import Any
from unittest import mock

from hostile.commands import EDITS_KIT, ELSEWHERE, SLOW, Listed, all_commands, changed_by, words_for
from hostile.ground import KIT, OF_BEFORE, OF_TODAY, Ground
from hostile.mutations import mutated_bytes, mutated_text
from hostile.promise import Done, contents, kitproof, recorded, refuse_false_pass, refuse_loss

LISTED = [one for one in all_commands() if one.name not in ELSEWHERE]
#: What answers for one unit comes more often than what lists, or looks at no record.
QUICK = [one for one in LISTED if one.name not in SLOW for _ in range(5 if one.takes("serial") else 1)]
RARE = [one for one in LISTED if one.name in SLOW]
#: A try runs a slow command, and the next run of the unit, once in so many.
SLOW_ONE_OF, NEXT_RUN_ONE_OF = 12, 20


def try_damage(random: Random, ground: Ground) -> None:
    """Damage files of the store, run commands that read it, and now and then the next run of that unit."""
    targets = [_target(random, ground) for _ in range(random.choice((1, 1, 1, 2)))]
    whole = contents(ground.workspace / "results")
    hidden = [path for path in targets if _damage(random, path, ground)]
    changed = {name for name, what in contents(ground.workspace / "results").items() ^ whole.items()}
    results = ground.workspace / "results"
    changed |= {path.relative_to(results).as_posix() for path in hidden if path.is_relative_to(results)}
    with unreadable(hidden) if hidden else nullcontext():
        for _ in range(2):
            listed = random.choice(QUICK if random.randrange(SLOW_ONE_OF) else RARE)
            _read(listed, random, ground, changed, random.choice([_serial(path, ground) for path in targets]))
        if random.randrange(NEXT_RUN_ONE_OF) == 0:
            _next_run(random.choice([_serial(path, ground) for path in targets]), ground)


def _serial(path: Path, ground: Ground) -> str:
    parts = path.relative_to(ground.workspace).parts
    return parts[2] if parts[:2] == ("results", KIT) and len(parts) > 2 else OF_BEFORE


def _read(listed: Listed, random: Random, ground: Ground, changed: set[str], serial: str) -> None:
    before = recorded(ground.workspace)
    words = words_for(listed, ground, random, serial)
    done = kitproof(*words)
    after = recorded(ground.workspace)
    after = {name: what for name, what in after.items() if name in before or not changed_by(listed, name)}
    if listed.name == EDITS_KIT:
        before, after = ({k: v for k, v in of.items() if k != f"limits/{KIT}/kit.toml"} for of in (before, after))
    refuse_loss(before, after, taken_up=listed.name == "resume")
    if listed.name in ("verify", "show") and "--json" in words and done.status < 3:
        refuse_false_pass(done.document()) if listed.name == "verify" else _hold_show(done, words[1], ground, changed)
    if listed.name == "rejudge" and done.status == 0 and "--all" not in words:
        newest = _newest(ground, words[1])
        assert not any(name.startswith(f"{newest}/captures") for name in changed), f"judged what is damaged: {changed}"
    if listed.name == "label" and done.status == 0 and words[1] == OF_TODAY:
        # What no chain of a bench names, such as records of former versions, may have been changed unseen.
        newest = _newest(ground, words[1])
        assert f"{newest}/run.json" not in changed, f"a label of a record that is damaged: {changed}"


def _newest(ground: Ground, serial: str) -> str:
    """Where the newest run of a unit was, whatever became of it, below results/."""
    home = ground.workspace / "results" / KIT / serial
    runs = [path.name for path in home.iterdir() if path.is_dir() and not path.name.startswith((".", "foreign"))]
    return f"{KIT}/{serial}/{max(runs, key=lambda name: name.split('-')[3:4])}" if runs else "none"


def _hold_show(done: Done, serial: str, ground: Ground, changed: set[str]) -> None:
    """`show` says that all is what it was only of the newest record, and only if it is."""
    document: dict[str, Any] = done.document()
    newest = _newest(ground, serial)
    if done.status == 0:
        kept = {f"{newest}/{name}" for name in document["files"]}
        kept |= {f"{newest}/run.json"} if serial == OF_TODAY else set()
        assert not kept & changed, (newest, changed)


def _next_run(serial: str, ground: Ground) -> None:
    before = recorded(ground.workspace)
    done = kitproof("verify", KIT, serial, "--plan", "bare", "--json", "--workspace", str(ground.workspace))
    if done.status == 3 and "/.outbox/lock: a record could not be written there" in done.err:
        # Who may not lock it is told before anything sounds, and nothing is left of the run.
        assert recorded(ground.workspace) == before
        assert "stage:" not in done.err
        return
    assert done.status == 0, f"the next run does not work: {done}"
    refuse_false_pass(document := done.document())
    assert json.loads((Path(document["folder"]) / "run.json").read_bytes())["outcome"] == "pass"
    refuse_loss(before, recorded(ground.workspace), may_be_new=True)


def _target(random: Random, ground: Ground) -> Path:
    """A file of the store: as often a helper as a record's, and of those each kind as often."""
    results = ground.workspace / "results"
    kinds: dict[str, list[Path]] = {}
    for path in sorted((*results.rglob("*"), *(ground.workspace / "packs").rglob("*"))):
        if path.is_file() and not path.is_symlink():
            kind = "/".join(
                (path.parent.name if path.parent.parent.parent.parent == results else "", path.suffix, path.name[:7])
            )
            kinds.setdefault(kind, []).append(path)
    return random.choice(kinds[random.choice(sorted(kinds))])


def _damage(random: Random, path: Path, ground: Ground) -> bool:
    """Damage one file, or its folder; whether it may not be read any more."""
    if not path.is_file():
        return False
    kind = random.choice(KINDS)
    if kind is None:
        return True
    kind(random, path)
    return False


def _text(random: Random, path: Path) -> None:
    text = path.read_bytes().decode("utf-8", "surrogateescape")
    path.write_bytes(mutated_text(random, text).encode("utf-8", "replace"))


def _bytes(random: Random, path: Path) -> None:
    path.write_bytes(mutated_bytes(random, path.read_bytes()))


def _gone(random: Random, path: Path) -> None:
    path.unlink()


def _folder(random: Random, path: Path) -> None:
    path.unlink()
    path.mkdir()


def _pipe(random: Random, path: Path) -> None:
    path.unlink()
    os.mkfifo(path)


def _link(random: Random, path: Path) -> None:
    to = random.choice(
        ("/dev/zero", "/dev/full", "/", "..", path.name, "nowhere", "/etc/passwd", "../../../..", "moved")
    )
    if to == "moved":
        path.rename(path.with_name("foreign-moved"))
        to = "foreign-moved"
    else:
        path.unlink()
    path.symlink_to(to)


def _future(random: Random, path: Path) -> None:
    """As a later version may write it."""
    try:
        found = json.loads(path.read_bytes())
        found["schema"] = random.choice((found.get("schema"), f"{found.get('schema')}0", "kitproof run 2", None))
        found["of a later version"] = {"a": [1, None]}
    except (ValueError, TypeError, AttributeError):
        return _bytes(random, path)
    path.write_text(json.dumps(found), encoding="utf-8")
    return None


def _foreign(random: Random, path: Path) -> None:
    """Another file of the same kind in its place."""
    others = [
        other
        for other in sorted(path.parent.parent.parent.rglob(f"*{path.suffix}"))
        if other.is_file() and other != path
    ]
    if others:
        content = random.choice(others).read_bytes()
        path.write_bytes(content)


def _moved_folder(random: Random, path: Path) -> None:
    """The folder that it stands in is copied beside, under another name."""
    if path.parent.name.count("-") > 3:
        name = random.choice(
            ("foreign", "2099-01-01T000000Z-099-ffff", ".unfinished-2026-01-01T000000Z-050-aaaa", "x" * 200)
        )
        if not path.parent.with_name(name).exists():
            shutil.copytree(path.parent, path.parent.with_name(name), symlinks=True)


def _old(random: Random, path: Path) -> None:
    os.utime(path, ns=(0, random.choice((0, 2**40, 2**62))))


#: None: it is not permitted to read it.
KINDS: tuple[Callable[[Random, Path], None] | None, ...] = (
    *(_text, _text, _text, _bytes, _bytes, _gone, _folder, _pipe, _link, _future, _foreign, _moved_folder, _old, None),
)


@contextmanager
def unreadable(paths: list[Path]) -> Iterator[None]:
    """Within it opening these files is not permitted, as for a user without the right to (root has every right)."""
    names = {os.fspath(path) for path in paths}
    opened, os_opened = io.open, os.open

    def refuse(path: object) -> None:
        if isinstance(path, str | os.PathLike) and os.fspath(path) in names:
            raise PermissionError(13, "Permission denied", os.fspath(path))

    def _open(file: Any, *rest: Any, **named: Any) -> Any:
        refuse(file)
        return opened(file, *rest, **named)

    def _os_open(path: Any, *rest: Any, **named: Any) -> int:
        refuse(path)
        return os_opened(path, *rest, **named)

    patches = (mock.patch.object(io, "open", _open), mock.patch.object(builtins, "open", _open))
    with patches[0], patches[1], mock.patch.object(os, "open", _os_open):
        yield
