"""Air that a leak lets out fails under its own name, faint or loud; another noise proves nothing of the box."""

import buzzing
import numpy as np
import pytest
from buzzing import Buzz, captured, pink_pa, unit_pa
from captures import one_driver_kit

from checks import leak

KIT = one_driver_kit()


def air(sound_pa, seed=1):
    capture = captured(unit_pa() + sound_pa + pink_pa(np.random.default_rng(seed), 35))
    return leak.air_reading(capture, KIT, leak.Settings())


@pytest.mark.parametrize("both_ways", [False, True])
@pytest.mark.parametrize("level_db", [-42, -30, -15])
def test_blowing_air_is_evidence_of_a_leak_however_loud(level_db, both_ways):
    found = air(buzzing.air_pa(np.random.default_rng(5), level_db, both_ways=both_ways))
    assert found.said.startswith("blowing air")
    assert found.value > 3
    assert not found.trouble


def test_a_tight_box_gives_none():
    found = air(0.0)
    assert (found.value, found.trouble) == (0.0, "")


def test_a_rub_may_drown_a_leak():
    found = air(buzzing.buzz_pa(np.random.default_rng(6), Buzz(-30)))
    assert found.value == 0.0
    assert "something else is heard" in found.trouble
