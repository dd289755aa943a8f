"""What is read beside the sound while a programme plays, on a bench with a sound card."""

from __future__ import annotations

from collections import deque
from contextlib import AbstractContextManager, nullcontext
from typing import TYPE_CHECKING

from rig.bench.observing import coil_model, observed
from rig.bench.routing import Routing
from rig.bench.settings import BenchSettings
from rig.bench.soaking import Surroundings
from rig.design.kit import Kit
from rig.files.errors import BenchSetupError
from rig.signals.coil import CoilModel
from rig.signals.power_gain import BlockPowers
from rig.values.requests import COLD_S

if TYPE_CHECKING:
    from rig.bench.instrument_threads import Instruments


def instruments_of(settings: BenchSettings) -> AbstractContextManager[Instruments | None]:
    """The instruments of a bench, to be opened; None where it has none."""
    if not settings.instruments:
        return nullcontext()
    # Only here: a bench without instruments needs no VISA.
    from rig.bench.instrument_threads import Instruments

    return Instruments(settings.instruments, settings.visa_backend)


def surroundings(
    settings: BenchSettings, kit: Kit, routing: Routing, instruments: Instruments | None, cold_s: float = COLD_S
) -> Surroundings:
    """What is read beside the sound, with the instruments that are open.

    Raises
    ------
    BenchSetupError
        If the channel whose coil is to be followed has none that can be.
    """
    coil, past = coil_of(settings, kit), deque[BlockPowers]()
    # What a device of its own heard comes first.
    roles = ("microphone", *routing.roles) if settings.microphone_device else routing.roles
    return Surroundings(
        observe=lambda piece: observed(piece, roles, routing.calibration, routing.sample_rate_hz, coil, past),
        latest=instruments.latest if instruments else dict,
        addresses={
            value.role: f"{instrument.name} at {instrument.address}"
            for instrument in settings.instruments
            for value in instrument.values
        },
        cold_s=cold_s,
    )


def coil_of(settings: BenchSettings, kit: Kit) -> CoilModel | None:
    """The coil that is followed in the soak; None where none is.

    Raises
    ------
    BenchSetupError
        If the kit has no such channel, or the channel no coil that can be followed.
    """
    wiring = settings.soak
    if wiring is None or wiring.sense_channel is None:
        return None
    names = [channel.name for channel in kit.channels]
    key = f"bench {settings.name!r}: soak.sense_channel: found {wiring.sense_channel!r}"
    if wiring.sense_channel not in names:
        raise BenchSetupError(f"{key}; allowed: {', '.join(names)}")
    try:
        return coil_model(kit.model(wiring.sense_channel))
    except ValueError as error:
        raise BenchSetupError(f"{key}: {error}") from None
