"""Where requests go and what comes back, in one stage of a bench with a sound card."""

from collections.abc import Callable
from dataclasses import dataclass

from rig.values.captures import Calibration


@dataclass(frozen=True)
class Routing:
    """The card's outputs and inputs in one stage."""

    #: Kit's channel -> outputs of the card; one stimulus may go to several (loopback).
    outputs_of: Callable[[str], tuple[int, ...]]
    #: Roles of the inputs of this stage, and the rows of the recording that they are.
    roles: tuple[str, ...]
    rows: tuple[int, ...]
    calibration: Calibration
    sample_rate_hz: float
