"""Files that a person writes, mutated: kits, masks, curves, bench, microphone, answers; and calibrations."""

from collections.abc import Sequence
from pathlib import Path
from random import Random

from hostile.ground import INTERRUPTED, KIT, SECOND, Ground
from hostile.mutations import mutated
from hostile.promise import bounded, kitproof, recorded, refuse_false_pass, refuse_loss
from rig.calibration.response_file import read_response
from rig.files.errors import BenchSetupError

SERIAL_OF = {KIT: "SO-0107", SECOND: "ST-0001"}


def try_inputs(random: Random, ground: Ground) -> None:
    """Mutate one file that a person wrote, and run what reads it."""
    path = random.choice(_kinds(ground.workspace)[random.choice(("kit", "kit", "kit", "beside", "bench", "other"))])
    path.write_bytes(mutated(random, path.read_bytes()))
    for words in _commands(path, ground, random):
        _run(words, ground)


def _run(words: Sequence[str], ground: Ground) -> None:
    before = recorded(ground.workspace)
    done = kitproof(*words, "--workspace", str(ground.workspace))
    if words[0] == "verify" and done.out:
        document = done.document()
        refuse_false_pass(document)
        assert done.status == {"pass": 0, "fail": 1, "void": 2}[document["outcome"]] or done.status == 4, done
    may_be_new = words[0] in ("verify", "new", "daily", "resume")
    refuse_loss(before, recorded(ground.workspace), may_be_new, taken_up=words[0] == "resume")


def _kinds(workspace: Path) -> dict[str, list[Path]]:
    kits = [workspace / "limits" / name for name in (KIT, SECOND)]
    return {
        "kit": [kit / "kit.toml" for kit in kits],
        "beside": [path for kit in kits for path in sorted(kit.rglob("*")) if path.suffix in (".csv", ".txt", ".json")]
        + [path for kit in kits if (path := kit / "design.toml").exists()],
        "bench": [workspace / "bench.toml", workspace / "card.toml"],
        "other": [workspace / "answers.csv", workspace / "microphone.txt", workspace / "logo.png"]
        + sorted((workspace / "results" / ".bench").rglob("*.json")),
    }


def _commands(path: Path, ground: Ground, random: Random) -> list[list[str]]:
    """What reads a file; what takes long only now and then."""
    kit = path.relative_to(ground.workspace).parts[1] if path.is_relative_to(ground.workspace / "limits") else KIT
    verify = [
        "verify",
        kit,
        SERIAL_OF[kit],
        "--json",
        "--plan",
        random.choice(("bare", "bare", "bare", "quick", "bench")),
    ]
    rare = random.random()
    if path.name == "answers.csv":
        return [["new", "another", "--from", str(path)], *([["kits", "another"]] if rare < 0.1 else [])]
    if path.name == "microphone.txt":
        _read_microphone(path)
        return []
    if path.name == "card.toml":
        slow = [["check-bench", kit, "--yes", "--bench", str(path)]] if rare < 0.005 else []
        slow += [["instruments", "--seconds", "0.05", "--json", "--bench", str(path)]] if rare > 0.97 else []
        return [["calibrations", "--json", "--bench", str(path)], *slow]
    if path.is_relative_to(ground.workspace / "limits"):
        slow = [verify] if rare < 0.04 else [["design", kit]] if rare < 0.05 else [["resume", INTERRUPTED, "--close"]]
        return [["kits"], *([["kits", kit]] if rare < 0.3 else []), *(slow if rare < 0.05 or rare > 0.99 else [])]
    slow = [["check-bench", kit, "--yes", "--json"]] if rare < 0.02 else [["daily", kit, "--yes"]]
    return [["calibrations", "--json"], *([verify] if rare > 0.9 else slow if rare < 0.04 else [])]


def _read_microphone(path: Path) -> None:
    try:
        with bounded():
            found = read_response(path, 1000.0)
    except BenchSetupError:
        return
    assert abs(found.decibel).max() < 1e3, "a response that no microphone has"
