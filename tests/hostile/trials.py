"""All tries by name, many of each from one seed: a short run in the tests, a long one by hand.

python tests/hostile/trials.py inputs --count 10000 --seed 1
"""

import argparse
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from importlib import import_module
from pathlib import Path
from random import Random
from typing import Any

#: Of each: the module and function of a try, and how many the tests run.
TRIALS: Mapping[str, tuple[str, str, int]] = {
    "inputs": ("hostile.inputs", "try_inputs", 20),
    "text": ("hostile.outside_text", "try_text", 1),
    "clocks": ("hostile.clocks", "try_clocks", 1),
    "captures": ("hostile.captures", "try_captures", 12),
    "damage": ("hostile.damage", "try_damage", 8),
    "kills": ("hostile.kills", "try_kills", 2),
    "page": ("hostile.page_requests", "try_page", 2),
    "crowds": ("hostile.crowds", "try_crowds", 1),
    "outputs": ("hostile.outputs", "try_outputs", 2),
    "disks": ("hostile.disks", "try_disks", 2),
    "hangs": ("hostile.hangs", "try_hangs", 2),
    "at once": ("hostile.at_once", "try_at_once", 1),
    "instruments": ("hostile.lying_instruments", "try_instruments", 2),
    "sound": ("hostile.sound_devices", "try_sound_devices", 1),
}
#: What goes through all there is, one by one.
EACH = {"disks": ("hostile.each_write", "each_write"), "outputs": ("hostile.outputs", "each_output")}


def trial(name: str) -> Callable[[Random, Any], None]:
    """The function of a try."""
    module, function, _ = TRIALS[name]
    found: Callable[[Random, Any], None] = getattr(import_module(module), function)
    return found


def tries(name: str, ground: Any, count: int, seed: int) -> Iterator[tuple[int, str]]:
    """Try so many times, each from a seed of its own, on a ground that is whole; each seed, and why it fails, or ""."""
    attempt = trial(name)
    for each in range(seed, seed + count):
        words = ""
        try:
            attempt(Random(each), ground)
        except AssertionError as error:
            words = str(error) or type(error).__name__
        yield each, words
        ground.mend()


def main() -> None:
    """The command line."""
    from hostile.ground import Ground

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("trial", choices=TRIALS)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=float("inf"), help="begin no try after so many")
    parser.add_argument(
        "--each", nargs="*", help="of disks: each kind of write of these commands, or of all; of outputs: each line"
    )
    asked = parser.parse_args()
    ends: Counter[str] = Counter()
    # One that was begun in the background ignores Ctrl-C, and so would all that it tries.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    # Some make other surroundings first.
    getattr(import_module(TRIALS[asked.trial][0]), "begin", lambda: None)()
    with tempfile.TemporaryDirectory(prefix="hostile-") as folder:
        ground = Ground(Path(folder), with_learnt=True)
        began_s, ends_s = time.process_time(), time.monotonic() + 60.0 * asked.minutes
        tried = 0
        all_tries = tries(asked.trial, ground, asked.count, asked.seed)
        if asked.each is not None:
            module, function = EACH[asked.trial]
            all_tries = getattr(import_module(module), function)(ground, asked.each)
        for seed, words in all_tries:
            tried += 1
            if words:
                print(f"--seed {seed} --count 1:\n{words}\n", flush=True)
                ends[words.splitlines()[-1][:120]] += 1
            if time.monotonic() > ends_s:
                break
        took_s = time.process_time() - began_s
    for end, times in ends.most_common():
        print(f"{times:5d}  {end}")
    # Some say what they did to whom.
    done: Counter[object] = getattr(import_module(TRIALS[asked.trial][0]), "counts", Counter())
    print("; ".join(f"{what}: {times}" for what, times in sorted(done.items(), key=str)))
    print(f"{asked.trial}: {tried} tries, {ends.total()} failed, {took_s:.0f} s of processor time")
    sys.exit(bool(ends))


if __name__ == "__main__":
    root = Path(__file__).parents[2]
    sys.path[:0] = [str(root), str(root / "tests"), str(root / "tests" / "bench")]
    main()
