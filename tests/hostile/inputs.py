"""Files that a person writes, mutated: kits, masks, curves, bench, microphone, answers; and calibrations."""

from collections.abc import Sequence
from pathlib import Path
from random import Random

from hostile.commands import hold_loss, words_for
from hostile.damage import QUICK, RARE, SLOW_ONE_OF
from hostile.ground import CARD_NAME, INTERRUPTED, KIT, LEARNT, SECOND, Ground
from hostile.harm import as_owner, harm_file
from hostile.mutations import mutated
from hostile.promise import STATUS, bounded, kitproof, recorded, refuse_false_pass, refuse_loss
from rig.calibration.response_file import read_response
from rig.files.errors import BenchSetupError

SERIAL_OF = {KIT: "SO-0107", SECOND: "ST-0001", LEARNT: "SL-0002"}
#: So often something else than a change of its text comes over a file: it is missing, a link, not permitted, ...
HARMED_ONE_OF = 8
#: Would measure with a card that is not there, or not at all.
WITHOUT_CARD = ("instruments", "devices", "bench", "check-bench")


def try_inputs(random: Random, ground: Ground) -> None:
    """Mutate one file that a person wrote, and run what reads it."""
    path = random.choice(_kinds(ground.workspace)[random.choice(("kit", "kit", "kit", "beside", "bench", "other"))])
    if random.randrange(HARMED_ONE_OF):
        path.write_bytes(mutated(random, path.read_bytes()))
    else:
        harm_file(random, path)
    for words in _commands(path, ground, random):
        _run([*words, "--workspace", str(ground.workspace)], ground)
    kit = _kit_of(path, ground)
    listed = random.choice(QUICK if random.randrange(SLOW_ONE_OF) else RARE)
    bench = random.choice(("bench.toml", "card.toml")) if listed.name not in WITHOUT_CARD else ""
    serial = random.choice((SERIAL_OF[kit], ""))
    before = recorded(ground.workspace)
    with as_owner():
        done = kitproof(*words_for(listed, ground, random, serial, kit, bench))
    hold_loss(listed, before, recorded(ground.workspace))
    if listed.name == "verify" and done.out and "--json" in done.words:
        refuse_false_pass(done.document())


def _run(words: Sequence[str], ground: Ground) -> None:
    before = recorded(ground.workspace)
    with as_owner():
        done = kitproof(*words)
    if words[0] == "verify" and done.out:
        document = done.document()
        refuse_false_pass(document)
        assert done.status == STATUS[document["outcome"]] or done.status == 4, done
    may_be_new = words[0] in ("verify", "new", "daily", "resume")
    refuse_loss(before, recorded(ground.workspace), may_be_new, taken_up=words[0] == "resume")


def _kinds(workspace: Path) -> dict[str, list[Path]]:
    kits = [folder for name in SERIAL_OF if (folder := workspace / "limits" / name).is_dir()]
    return {
        "kit": [kit / "kit.toml" for kit in kits],
        "beside": [path for kit in kits for path in sorted(kit.rglob("*")) if path.suffix in (".csv", ".txt", ".json")]
        + [path for kit in kits if (path := kit / "design.toml").exists()],
        "bench": [workspace / "bench.toml", workspace / "card.toml"],
        "other": [workspace / "answers.csv", workspace / "microphone.txt", workspace / "logo.png"]
        + 2 * sorted((workspace / "results" / ".bench").rglob("*.json")),
    }


def _kit_of(path: Path, ground: Ground) -> str:
    return path.relative_to(ground.workspace).parts[1] if path.is_relative_to(ground.workspace / "limits") else KIT


def _commands(path: Path, ground: Ground, random: Random) -> list[list[str]]:
    """What reads a file; what takes long only now and then."""
    kit = _kit_of(path, ground)
    plan = random.choice(("bare", "bare", "bare", "quick", "bench"))
    verify = ["verify", kit, SERIAL_OF[kit], "--json", "--plan", plan]
    rare = random.random()
    if path.name == "answers.csv":
        return [["new", "another", "--from", str(path)], *([["kits", "another"]] if rare < 0.1 else [])]
    if path.name == "microphone.txt":
        if path.is_file() and not path.is_symlink():
            _read_microphone(path)
        return [["calibrate", "microphone", "--yes", "--file", str(path), "--bench", str(path.with_name("card.toml"))]]
    if path.name == "card.toml":
        slow = [["check-bench", kit, "--yes", "--bench", str(path)]] if rare < 0.005 else []
        slow += [["instruments", "--seconds", "0.05", "--json", "--bench", str(path)]] if rare > 0.97 else []
        return [["calibrations", "--json", "--bench", str(path)], *slow]
    if path.is_relative_to(ground.workspace / "limits"):
        slow = [verify] if rare < 0.04 else [["design", kit]] if rare < 0.05 else [["resume", INTERRUPTED, "--close"]]
        return [["kits"], *([["kits", kit]] if rare < 0.3 else []), *(slow if rare < 0.05 or rare > 0.99 else [])]
    slow = [["check-bench", kit, "--yes", "--json"]] if rare < 0.02 else [["daily", kit, "--yes"]]
    if CARD_NAME in path.parts:
        return [["calibrations", "--json", "--all", "--bench", str(ground.workspace / "card.toml")]]
    return [["calibrations", "--json"], *([verify] if rare > 0.9 else slow if rare < 0.04 else [])]


def _read_microphone(path: Path) -> None:
    try:
        with bounded():
            found = read_response(path, 1000.0)
    except BenchSetupError:
        return
    assert abs(found.decibel).max() < 1e3, "a response that no microphone has"
