"""Faults that show in the heat of a long loud programme: their names, words and places."""

from dataclasses import dataclass
from typing import Literal

#: Where such a fault can sit: nowhere in particular, the box of the amplifier board, a driver, an instrument's role.
HeatTarget = Literal["whole", "board", "driver", "role"]

#: What stands for a blank in a role: "silent-sensor:heat-sink".
BLANK = "-"
#: Roles that are listed; an instrument of any other may fail as well.
ROLES = ("heat-sink", "ambient")


@dataclass(frozen=True)
class HeatKind:
    """A kind of fault that only a programme shows."""

    #: With {it} and {amount} to fill in.
    words: str
    target: HeatTarget
    amount: float | None = None


HEAT_KINDS: dict[str, HeatKind] = {
    "unbonded": HeatKind("the heat sink is not bonded: it takes {amount} % of the heat that it should", "whole", 1.0),
    "covered": HeatKind(
        "the cooling vent of the {it} box, where the amplifier board sits, is covered: {amount} % of its flow is left",
        "board",
        25.0,
    ),
    "fails-open": HeatKind("{it} burns out when {amount} of the programme has passed", "driver", 0.5),
    "silent-sensor": HeatKind(
        "the instrument at the {it} answers no more when {amount} of the programme has passed", "role", 0.5
    ),
    "garbage": HeatKind(
        "the instrument at the {it} answers nonsense when {amount} of the programme has passed", "role", 0.5
    ),
    "warming": HeatKind("the room warms by {amount} K an hour", "whole", 4.0),
}
