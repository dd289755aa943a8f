"""Whether this computer runs on mains or on its battery: a long test that starts on a battery ends as half a record."""

from pathlib import Path
from typing import Literal

Supply = Literal["mains", "battery", "unknown"]

#: Where Linux lists batteries and mains adapters, one folder each.
SUPPLIES = Path("/sys/class/power_supply")


def power_supply(folder: Path = SUPPLIES) -> Supply:
    """What feeds this computer, as Linux tells it (kernel documentation: ABI/testing/sysfs-class-power).

    A battery that discharges, or a battery with no mains adapter that is on, is "battery"; a computer without a battery
    is on mains. Batteries of mice and headsets do not count. "unknown": this system does not tell.
    """
    if not folder.is_dir():
        return "unknown"
    batteries, adapters_on = [], []
    for supply in folder.iterdir():
        kind = _read_text(supply / "type")
        if kind == "Battery" and _read_text(supply / "scope") != "Device":
            batteries.append(_read_text(supply / "status"))
        elif kind in ("Mains", "USB", "Wireless"):
            adapters_on.append(_read_text(supply / "online") not in ("", "0"))
    if not batteries:
        return "mains"
    if "Discharging" in batteries:
        return "battery"
    if any(adapters_on):
        return "mains"
    # Not discharging, and yet no adapter is on: the two contradict each other, or there is no adapter to be seen.
    return "battery" if adapters_on else "unknown"


def _read_text(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return ""
