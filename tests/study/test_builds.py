"""What of builds' records is learnt from: channels alike together, and levels only where a channel is heard."""

from pathlib import Path

import numpy as np
from simulated_runs import ROOT
from strangers.designs import DESIGNS
from strangers.kits import write_kit
from strangers.population import unit

from rig.design.kit import load_kit
from rig.study.builds import channels_alike, learn_design
from rig.values.readings import Curve

HZ = np.geomspace(10, 20000, 264)


def test_channels_built_alike_are_one_population() -> None:
    assert [[one.name for one in group] for group in channels_alike(load_kit(ROOT, "rehearsal-three"))] == [
        ["left", "right"],
        ["bass"],
    ]


def test_a_bass_box_is_not_learnt_from_what_is_heard_above_its_band(tmp_path: Path) -> None:
    """Behind its filter other sounds are louder there: levels would move what is said of its own band."""
    design = DESIGNS["bass-box"]
    kit = write_kit(design, tmp_path)
    ohm = unit(design, 3, "ST-9001").impedance_ohm("box", HZ)
    everywhere, above = np.ones(HZ.size, np.bool_), HZ > 400
    curves = [
        Curve("impedance", "box", HZ, np.abs(ohm), "ohm", everywhere, np.full(HZ.size, 1e-3)),
        Curve("phase", "box", HZ, np.degrees(np.angle(ohm)), "degrees", everywhere),
        Curve("free-field level", "box", HZ, np.full(HZ.size, 70.0), "dB SPL", above, np.full(HZ.size, 0.1)),
    ]
    learnt = learn_design(kit, {"ST-9001": curves}, {"ST-9001": "a run"}, "2026-01-01T12:00:00+00:00")
    assert {factor.of for factor in learnt.channels[0].factors} == {"impedance"}
