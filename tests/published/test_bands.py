"""Band frequencies against IEC 61260-1 and a second implementation."""

import numpy as np
import pytest
from reference_csv import numbers, rows

from rig.signals import bands

TABLE = rows("third_octave_bands_iec61260")


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row["nominal_hz"])
def test_one_third_octave_bands_are_those_of_the_standard(row):
    # Source: IEC 61260-1:2014, 5.4 to 5.6 and annex A; nominal frequencies ISO 266.
    index, nominal, mid, lower, upper = numbers(
        row, "index_x", "nominal_hz", "exact_mid_hz", "lower_edge_hz", "upper_edge_hz"
    )
    found = bands.mid_band_hz(int(index), 3)
    assert found == pytest.approx(mid, rel=5e-6)
    assert bands.band_edges_hz(found, 3) == pytest.approx((lower, upper), rel=1e-5)
    assert bands.nominal_hz(found) == pytest.approx(nominal)


def test_octave_bands_are_every_third_of_them():
    # Source: as above; the column that marks the centres of octave bands.
    octaves = [float(row["nominal_hz"]) for row in TABLE if row["is_octave_band_centre"] == "1"]
    found = bands.nominal_hz(bands.mid_bands_hz(11, 22500, 1))
    np.testing.assert_allclose(found, octaves)


@pytest.mark.parametrize("fraction", [1, 2, 3, 6, 12, 24])
def test_another_library_finds_the_same_exact_frequencies(fraction):
    import pyfar

    # Source: pyfar, constants.fractional_octave_frequencies_exact (IEC 61260-1:2014).
    theirs, lower, upper = pyfar.constants.fractional_octave_frequencies_exact(fraction, (50, 10000))
    ours = bands.mid_bands_hz(float(lower[0]), float(upper[-1]), fraction)
    np.testing.assert_allclose(ours, theirs, rtol=1e-9)
    np.testing.assert_allclose(bands.band_edges_hz(ours, fraction), (lower, upper), rtol=1e-9)
