"""What builds teach of a driver in its box, against a published chain of parameters and the published coil."""

import numpy as np
import pytest
from reference_csv import rows

from rig.circuit.box import Box
from rig.circuit.builds_model import Build
from rig.circuit.channel import Branch, Channel
from rig.circuit.driver import Driver
from rig.circuit.population_fit import learn_population
from rig.design.learnt_design import LearntChannel, learnt_channel

# source: definitions of Thiele (1971) and Small (1972); see the table.
CHAIN = {row["quantity"]: float(row["value"]) for row in rows("driver_parameter_chain")}
HZ = 10 * 2 ** (np.arange(0, 12 * 10.9) / 12)
BOX_M3 = 5e-3
#: Inductance at 1 kHz and exponent.
LE_H, EXPONENT = 0.4e-3, 0.65
#: What the sheet is off; Vas and the mass with it, as a batch with another suspension.
OFF = {"re_ohm": 1.03, "fs_hz": 0.92, "qms": 1.2, "qes": 0.88, "vas_m3": 1.15, "le_h": 1.2}


def by_hand() -> np.ndarray:
    """Impedance of the driver in a closed box from mass, compliance, losses and force factor.

    The coil is K (j omega)^n (W. M. Leach, "Loudspeaker Voice-Coil Inductance Losses", JAES 50 (2002)).
    """
    s = 2j * np.pi * HZ
    at_1_khz = 2 * np.pi * 1000
    coil = at_1_khz ** (1 - EXPONENT) * LE_H * s**EXPONENT
    air_n_m = CHAIN["rho0"] * CHAIN["c0"] ** 2 * (CHAIN["sd"] * 1e-4) ** 2 / BOX_M3
    force = s * CHAIN["mms"] * 1e-3 + CHAIN["rms"] + (1 / CHAIN["cms"] + air_n_m) / s
    return np.asarray(CHAIN["re"] + coil + CHAIN["bl"] ** 2 / force)


@pytest.fixture(scope="module")
def learnt() -> LearntChannel:
    """Three builds alike, against a sheet that is off."""
    true = {name: CHAIN[name.partition("_")[0]] for name in ("re_ohm", "fs_hz", "qms", "qes")}
    true |= {"vas_m3": CHAIN["vas"] * 1e-3, "le_h": LE_H}
    sheet = Driver("d", **{name: OFF[name] * value for name, value in true.items()}, sd_m2=90e-4, le_exponent=0.75)
    channel = Channel("c", (Branch(sheet),), Box("closed", BOX_M3, leakage_q=100.0))
    build = Build(by_hand(), np.full(HZ.size, 1e-3), ())
    return learnt_channel(["c"], channel, learn_population(channel, HZ, [], [build] * 3), [])


@pytest.mark.parametrize(
    ("what", "truth", "within"),
    [
        ("re_ohm", CHAIN["re"], 0.02),
        ("fs_hz", CHAIN["fs"], 0.05),
        ("vas_l", CHAIN["vas"], 0.15),
        ("qms", CHAIN["qms"], 0.1),
        ("qes", CHAIN["qes"], 0.05),
        ("mms_kg", CHAIN["mms"] * 1e-3, 0.1),
        ("cms_m_n", CHAIN["cms"], 0.15),
        ("rms_n_s_m", CHAIN["rms"], 0.15),
        ("bl_t_m", CHAIN["bl"], 0.05),
        ("le_mh", LE_H * 1e3, 0.1),
        ("le_exponent", EXPONENT, 0.1),
    ],
)
def test_builds_teach_what_a_driver_is_made_of(learnt: LearntChannel, what: str, truth: float, within: float) -> None:
    """Within two of the stated standard uncertainties; and no further than a useful answer may be."""
    (found,) = (value for value in (*learnt.values, *learnt.made_of) if (value.of, value.what) == ("d", what))
    assert abs(np.log(found.value / truth)) < 2 * found.u_percent / 100
    assert found.value == pytest.approx(truth, rel=within)


def test_what_the_box_hides_is_told(learnt: LearntChannel) -> None:
    """An impedance in the box alone does not tell the resonance in free air from the suspension."""
    bound = {frozenset((one, other)) for one, other, _ in learnt.bound}
    assert frozenset(("d fs_hz", "d vas_l")) in bound or frozenset(("d vas_l", "box volume_l")) in bound
