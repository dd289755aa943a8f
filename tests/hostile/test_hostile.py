"""The short run of every try, and that all commands are among those that are tried."""

from random import Random

import pytest

from hostile.commands import all_commands, words_for
from hostile.ground import Ground
from hostile.trials import TRIALS, tries
from rig.cli import COMMANDS

SEED = 1


@pytest.fixture(scope="module")
def ground(tmp_path_factory: pytest.TempPathFactory) -> Ground:
    """One workspace for all tries."""
    return Ground(tmp_path_factory.mktemp("hostile"))


@pytest.mark.parametrize("name", TRIALS)
def test_what_a_bad_day_brings_breaks_no_promise(ground: Ground, name: str) -> None:
    failed = {seed: words for seed, words in tries(name, ground, TRIALS[name][2], SEED) if words}
    assert not failed, f"python tests/hostile/trials.py {name} --count 1 --seed {min(failed)}\n{failed[min(failed)]}"


def test_every_command_has_arguments_to_be_tried_with(ground: Ground) -> None:
    listed = all_commands()
    assert {one.words[0] for one in listed} == set(COMMANDS)
    for one in listed:
        assert words_for(one, ground, Random(SEED))[: len(one.words)] == list(one.words)
