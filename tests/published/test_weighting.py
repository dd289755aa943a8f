"""A weighting against the table and the poles of IEC 61672-1, and a second implementation."""

import numpy as np
import pytest
from reference_csv import numbers, rows

from rig.signals import weighting

TABLE = rows("weighting_a_c_iec61672")


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row["nominal_hz"])
def test_the_table_of_the_standard_is_met_after_rounding(row):
    # Source: IEC 61672-1, table of A and C weighting at nominal frequencies; poles in annex E.
    index, table, exact = numbers(row, "index_n", "a_table_db", "a_calc_db")
    a_db = float(weighting.a_weighting_db(1000 * 10 ** (index / 10)))
    assert a_db == pytest.approx(exact, abs=0.001)
    assert round(a_db, 1) == pytest.approx(table)


def test_the_poles_are_those_of_the_standard():
    # Source: IEC 61672-1, annex E: 20.60, 107.7, 737.9 and 12194 Hz.
    np.testing.assert_allclose(weighting.pole_frequencies_hz(), [20.598997, 107.65265, 737.86223, 12194.217], rtol=1e-6)


def test_another_library_weights_alike():
    import pyfar

    # Source: pyfar, constants.frequency_weighting_curve.
    frequency_hz = np.geomspace(10, 20000, 200)
    theirs = pyfar.constants.frequency_weighting_curve("A", frequency_hz)
    np.testing.assert_allclose(weighting.a_weighting_db(frequency_hz), theirs, atol=0.01)
