import pytest

from rig.circuit.box import Box
from rig.circuit.channel import Branch, Channel
from rig.circuit.driver import Driver
from rig.circuit.notation import parse_element


@pytest.fixture(scope="session")
def woofer() -> Driver:
    return Driver("woofer", 5.6, 45.0, 4.0, 0.45, 0.02, 0.0136, 0.6e-3, 0.7, offset_m=0.018, rolloff_hz=4500.0)


@pytest.fixture(scope="session")
def two_way(woofer: Driver) -> Channel:
    """An invented two-way in a vented box, with second-order low-pass, third-order high-pass and L-pad."""
    tweeter = Driver("tweeter", 5.4, 900.0, 2.0, 1.2, 2e-5, 7e-4, 0.05e-3, 0.8, in_box=False, position_m=(0.0, 0.12))
    low = ("series L1w 0.82 mH (0.35 ohm)", "shunt C1w 20 uF", "shunt R2w 6.8 ohm + C2w 10 uF")
    high = (
        "series C1t 10 uF",
        "shunt L1t 0.39 mH (0.2 ohm)",
        "series C2t 68 uF",
        "series Rs 1.8 ohm",
        "shunt Rp 12 ohm",
    )
    branches = (
        Branch(woofer, tuple(map(parse_element, low))),
        Branch(tweeter, tuple(map(parse_element, high))),
    )
    return Channel("two-way", branches, Box("vented", 0.014, 50.0, 7.0), 0.2)
