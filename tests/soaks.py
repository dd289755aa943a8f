"""Programmes and rows made by hand, in closed form, for the tests of the soak."""

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from math import exp, inf
from pathlib import Path

from rig.signals.noise_shape import Noise
from rig.values.logs import Row
from rig.values.requests import COLD_PART, COLD_S, Guard, Programme, RoleGuard

SINK = RoleGuard("heat sink", "celsius", upper=75.0, rise_k=50.0, rate_k_per_min=8.0)
SUPPLY = RoleGuard("supply", "ampere", upper=3.0)
GUARD = Guard((SINK, SUPPLY), 30.0, 5.0, 3.0, (0.7, 1.6))
PROGRAMME = Programme("soak", ("left", "right"), "left", "on axis", 3.0, 20.0, Noise(), 7200.0, 30.0, 5.0, GUARD)

#: A short programme, a row each second, some hundred times faster than the clock.
HEAT = """
[checks.heat]
level_v = 3.0
seconds = 300.0
every_s = 1.0
guard = { roles = [{ role = "heat sink", upper = 90.0 }] }
"""

Change = Callable[[float], dict[str, float]]


def nothing(seconds: float) -> dict[str, float]:
    """No change."""
    return {}


def rows(
    programme: Programme = PROGRAMME,
    rise_k: float = 30.0,
    tau_s: float = 900.0,
    change: Change = nothing,
    until_s: float = inf,
) -> Iterator[Row]:
    """Rows of a heat sink that rises in one exponential to `rise_k`, read to 0.1 K; `change` replaces values."""
    heat_k, seconds = 0.0, 0.0
    while seconds < min(programme.seconds, until_s):
        seconds += programme.every_s
        rising = min(max((seconds - COLD_S) / programme.ramp_s, 0.0), 1.0)
        state = "cold" if seconds <= COLD_S else "ramp" if rising < 1 else "playing"
        level_v = programme.level_v * (COLD_PART if state == "cold" else max(rising, COLD_PART))
        power = (level_v / programme.level_v) ** 2
        heat_k += (rise_k * power - heat_k) * (1 - exp(-programme.every_s / tau_s))
        values = {
            "celsius.ambient": 22.0,
            "celsius.heat sink": round(22.0 + heat_k, 1),
            "ampere.supply": 0.2 + 1.2 * power,
            "coil_ohm.left": 5.6 * (1 + 0.12 * power),
            "coil_ohm_u.left": 0.02,
        }
        values |= {f"drive_v.{channel}": level_v for channel in programme.channels}
        values |= {f"gain_db.{channel}.{band}": -12.0 for channel in programme.channels for band in (125, 1000)}
        yield Row(seconds, f"2026-01-01T{10 + int(seconds // 3600):02d}:00:00+00:00", state, values | change(seconds))


def without(row: Row, *names: str) -> Row:
    """A row without some of its values."""
    return replace(row, values={name: value for name, value in row.values.items() if name not in names})


def shorten_heat(workspace: Path) -> None:
    """Give the stored archive's kit a heat plan of some minutes."""
    kit = workspace / "limits" / "shelf-one" / "kit.toml"
    text = kit.read_text(encoding="utf-8")
    begin, end = text.index("[checks.heat]"), text.index("[limits.leads]")
    text = text[:begin] + HEAT + "\n[checks.lasting_change]\nrest_seconds = 20.0\n\n" + text[end:]
    # So short a programme leads nowhere yet.
    text = re.sub(r'^"(steady rise .*|rise amplifier air)" = .*\n', "", text, flags=re.MULTILINE)
    kit.write_text(text, encoding="utf-8")
