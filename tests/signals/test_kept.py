"""Results that are kept by the values of arrays."""

import numpy as np
import pytest

from rig.signals.kept import kept_by_value


def test_equal_arrays_are_computed_once_and_changed_ones_anew() -> None:
    asked = []

    @kept_by_value(4)
    def doubled(values, times, *, over=1.0):
        asked.append(values.copy())
        return times * values / over, "words"

    values = np.arange(3.0)
    first, _ = doubled(values, 2)
    assert doubled(values.copy(), 2)[0] is first
    values[0] = 5.0
    assert doubled(values, 2)[0] == pytest.approx([10.0, 2.0, 4.0])
    assert first == pytest.approx([0.0, 2.0, 4.0])
    assert doubled(values.astype(np.float32), 2)[0].dtype == np.float32
    assert doubled(values, 2, over=2.0)[0] == pytest.approx(values)
    assert len(asked) == 4


def test_what_is_shared_cannot_be_changed() -> None:
    found = kept_by_value(4)(lambda values: 1.0 * values)(np.ones(2))
    with pytest.raises(ValueError, match="read-only"):
        found[0] = 2.0
