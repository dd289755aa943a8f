"""Drivers with little of a sheet or none: what follows from what is said, and how well each number is known."""

from dataclasses import replace

import numpy as np
import pytest

from rig.circuit.channel import Channel
from rig.circuit.radiation import microphone_at, pressure_pa
from rig.design.driver_priors import driver_priors
from rig.design.speaker import DriverSpec


def spec(**said: object) -> DriverSpec:
    return DriverSpec.model_validate({"name": "one", "nominal_ohm": 8.0, "band_hz": [60.0, 2000.0]} | said)


def test_the_model_of_a_tweeter_plays_as_loudly_as_its_sheet_says() -> None:
    said = {"band_hz": [3000.0, 16000.0], "size_mm": 25.0, "re_ohm": 5.4, "le_mh": 0.0, "in_box": False}
    dome = spec(fs_hz=700.0, qts=0.7, sensitivity_db=91.5, **said)
    driver = replace(dome.model().driver, sd_m2=1e-5)
    assert driver.qms * driver.qes / (driver.qms + driver.qes) == pytest.approx(0.7)
    # Far above its resonance the mass rules; so small, it sends all that it has to the front.
    pascal = pressure_pa(Channel("x", (replace(dome.model(), driver=driver),)), [70e3], 2.83, microphone_at(1.0))
    assert 20 * np.log10(np.abs(pascal[0]) / 20e-6) == pytest.approx(91.5, abs=0.02)
    assert dome.is_described


@pytest.mark.parametrize("two", [("qms", "qes"), ("qms", "qts"), ("qes", "qts")])
def test_two_qualities_tell_the_third(two: tuple[str, str]) -> None:
    known = {"qms": 4.0, "qes": 0.5, "qts": 4.0 * 0.5 / 4.5}
    priors = driver_priors(8.0, 60.0, 0.165, {name: known[name] for name in two})
    assert priors["qms"].value == pytest.approx(4.0)
    assert priors["qes"].value == pytest.approx(0.5)
    assert 1 / priors["qms"].value + 1 / priors["qes"].value == pytest.approx(1 / known["qts"])


def test_what_a_sheet_says_is_known_better_than_what_the_trade_has() -> None:
    guessed, stated = spec(size_mm=165.0).priors(), spec(size_mm=165.0, fs_hz=45.0, qes=0.4, vas_l=30.0).priors()
    assert set(guessed) == set(stated)
    assert all(stated[name].sigma < guessed[name].sigma for name in ("fs_hz", "qes", "vas_m3"))
    assert stated["vas_m3"].value == pytest.approx(0.030)
    # A louder tenth of a decibel is nothing beside what an unknown resonance leaves open.
    assert guessed["vas_m3"].sigma > 3 * guessed["fs_hz"].sigma
