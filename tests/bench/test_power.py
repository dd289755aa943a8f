"""Mains or battery, from folders like those of Linux."""

import pytest

from rig.bench.power import power_supply


def supply(folder, name, **files):
    (folder / name).mkdir()
    for file, text in files.items():
        (folder / name / file).write_text(f"{text}\n")


MAINS_ON = ("AC", {"type": "Mains", "online": "1"})
MAINS_OFF = ("AC", {"type": "Mains", "online": "0"})
DISCHARGING = ("BAT0", {"type": "Battery", "status": "Discharging"})
FULL = ("BAT0", {"type": "Battery", "status": "Full"})
MOUSE = ("hid-mouse", {"type": "Battery", "scope": "Device", "status": "Discharging"})


@pytest.mark.parametrize(
    ("supplies", "expected"),
    [
        ([], "mains"),
        ([MOUSE], "mains"),
        ([MAINS_ON, FULL], "mains"),
        ([MAINS_ON, FULL, MOUSE], "mains"),
        ([MAINS_OFF, DISCHARGING], "battery"),
        # An adapter too weak: it is on, and the battery empties all the same.
        ([MAINS_ON, DISCHARGING], "battery"),
        ([MAINS_OFF, FULL], "battery"),
        ([DISCHARGING], "battery"),
        ([FULL], "unknown"),
        ([("BAT0", {"type": "Battery"})], "unknown"),
    ],
)
def test_what_feeds_the_computer(tmp_path, supplies, expected):
    for name, files in supplies:
        supply(tmp_path, name, **files)
    assert power_supply(tmp_path) == expected


def test_a_system_that_does_not_tell(tmp_path):
    assert power_supply(tmp_path / "missing") == "unknown"
