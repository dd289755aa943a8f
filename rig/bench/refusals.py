"""What a bench with a sound card could not do later, found out before anything sounds."""

from collections.abc import Callable, Sequence

from rig.bench.connection import refuse_grounded
from rig.bench.observing import shortest_row_s
from rig.bench.player import prepared
from rig.bench.power import Supply, power_supply
from rig.bench.routing import Routing
from rig.bench.settings import BenchSettings
from rig.bench.soaking import AHEAD_S, noise_peak, owners
from rig.bench.surroundings import coil_of
from rig.design.kit import Kit
from rig.files.errors import BenchError, BenchSetupError
from rig.signals.programme import NoiseSource
from rig.values.requests import AT_LEADS, Programme, Request, Stage


def refuse(
    settings: BenchSettings,
    kit: Kit,
    requests: Sequence[Request],
    routing_of: Callable[[Stage], Routing],
    ring_frames: int,
    supply: Supply | None = None,
) -> None:
    """Refuse what cannot be played or watched over.

    Parameters
    ----------
    settings : BenchSettings
    kit : Kit
    requests : sequence of Request
        All of a run.
    routing_of : callable
        Outputs and inputs of a stage.
    ring_frames : int
        So much sound can be written ahead and fetched late.
    supply : Supply, optional
        What feeds this computer; None: ask it.

    Raises
    ------
    BenchSetupError
        Naming the key of bench.toml that is missing or does not fit.
    BenchError
        If a programme would run on this computer's battery.
    """
    if any(request.stage not in AT_LEADS for request in requests):
        # Wherever the amplifier is on, what bench.toml says of the soak may still be connected.
        refuse_grounded(settings, kit)
    for request in requests:
        routing = routing_of(request.stage)
        if not isinstance(request, Programme):
            prepared(request, routing, ring_frames)
            continue
        _refuse_unplayable(request, routing, ring_frames)
        if not request.is_rest:
            _refuse_unwatched(settings, request)
            coil_of(settings, kit)
    loud = [request for request in requests if isinstance(request, Programme) and not request.is_rest]
    if loud and (power_supply() if supply is None else supply) == "battery":
        raise BenchError(
            f"{loud[0]}: this computer runs on its battery, which will not last; plug it in, and switch sleep and "
            "hibernation off for as long as it takes"
        )


def _refuse_unplayable(programme: Programme, routing: Routing, ring_frames: int) -> None:
    rate_hz = routing.sample_rate_hz
    noise_peak(programme, routing.calibration.output_volts)
    shortest_s = shortest_row_s(len(programme.channels))
    longest_s = ring_frames / rate_hz / 2 - AHEAD_S
    if not shortest_s <= programme.every_s <= longest_s:
        raise BenchSetupError(
            f"{programme}: found a row every {programme.every_s:g} s; allowed is {shortest_s:g} s to {longest_s:g} s"
        )
    if programme.is_rest:
        return
    owners(programme, routing.outputs_of)
    try:
        NoiseSource(programme.noise, rate_hz, 0)
    except ValueError as error:
        raise BenchSetupError(f"{programme}: {error}") from None


def _refuse_unwatched(settings: BenchSettings, programme: Programme) -> None:
    """Every guarded role, and the ambient, must have an instrument that gives its unit."""
    units = {value.role: value.unit for instrument in settings.instruments for value in instrument.values}
    wanted = {"ambient": "celsius"} | {guard.role: guard.unit for guard in programme.guard.roles}
    for role, unit in wanted.items():
        if role not in units:
            there = ", ".join(units) or "none"
            raise BenchSetupError(
                f"bench {settings.name!r}: instruments: found the roles {there}; the programme is guarded by "
                f"{role!r} in {unit}, and does not start without it"
            )
        if units[role] != unit:
            raise BenchSetupError(
                f"bench {settings.name!r}: instruments: {role!r}: unit: found {units[role]!r}; the kit's guard needs "
                f"{unit!r}"
            )
