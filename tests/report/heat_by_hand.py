"""Logs and results of long loud playing, made by hand."""

from dataclasses import replace
from math import inf

import run_by_hand as example
from soaks import PROGRAMME, Change, nothing, rows

import checks.heat
from rig.design.soak import SoakTable
from rig.values.logs import Log, Row
from rig.values.requests import Programme
from rig.values.verdicts import CheckResult
from rig.verdict.guard import GuardWatch

#: The log's one thermometer is on the heat sink.
LIMITS = {key: limit for key, limit in example.kit().limits["heat"].items() if "amplifier air" not in key}
#: Well inside the kit's limits.
RISE_K = 24.0
SETTINGS = SoakTable.model_validate(
    {"level_v": 3.0, "seconds": 7200.0, "guard": {"roles": [{"role": "heat sink", "upper": 75.0}]}}
)
REST = replace(PROGRAMME, level_v=0.0, seconds=1800.0, moment="rest")


def log_of(shown: list[Row], programme: Programme = PROGRAMME, may_stop: bool = True) -> Log:
    """The log of rows as the guard leaves it, cut where it stops."""
    # Nobody looks ahead here, which would take most of the time.
    watch = GuardWatch(programme, _fitted_at_s=inf)
    for row in shown:
        _, stop = watch.add(row)
        if stop and may_stop:
            break
    return watch.log()


def log(change: Change = nothing, rise_k: float = RISE_K) -> Log:
    """The log of a programme."""
    return log_of(list(rows(rise_k=rise_k, change=change)))


def rest_log() -> Log:
    """Half an hour of cooling down."""
    shown = [
        Row(5.0 * n, "2026-01-01T13:00:00+00:00", "rest", {"celsius.heat sink": 60 - n / 10, "celsius.ambient": 22.0})
        for n in range(1, 361)
    ]
    return log_of(shown, REST)


def heat(of: Log) -> CheckResult:
    """The log read and judged by the check."""
    return example.result("heat", "Heat", checks.heat.read([of], SETTINGS, example.kit()), LIMITS)
