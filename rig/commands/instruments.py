"""`kitproof instruments`: which instruments there are, what each answers, and what the log would make of it."""

import json
import math
import time
from collections.abc import Mapping, Sequence
from typing import Annotated

import typer

from rig.bench.answers import Answer
from rig.bench.instrument_settings import InstrumentSettings
from rig.bench.settings import bench_settings
from rig.commands.common import HERE, AsJson, BenchFile, Workspace
from rig.files.errors import BENCH, BenchSetupError
from rig.screen.console import warn

#: Polled fast here: a person waits; our choice.
EVERY_S = 0.2


def instruments_command(
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    search: Annotated[
        bool, typer.Option("--search", help="List what is on the buses, as tables for bench.toml.")
    ] = False,
    seconds: Annotated[float, typer.Option("--seconds", help="Longest wait for all values.")] = 10.0,
    as_json: AsJson = False,
) -> None:
    """Ask the instruments of bench.toml, and show what each says and what would be logged of it."""
    settings = bench_settings(workspace, bench)
    backend = settings.visa_backend if settings else "@py"
    if search:
        _search(backend, as_json)
        return
    if settings is None or not settings.instruments:
        raise BenchSetupError(
            f"{bench or workspace / 'bench.toml'}: there are no [[instruments]]; kitproof instruments --search lists "
            "what is on the buses and how to write it down"
        )
    identities, answers = _asked(settings.instruments, backend, seconds)
    if as_json:
        print(json.dumps(document(settings.instruments, identities, answers)))
    else:
        from rig.screen.instrument_table import show

        show(settings.instruments, identities, answers)
    if missing := [role for role, answer in answers.items() if answer.is_missing]:
        for role in missing:
            warn(f"no value of {role!r}: {answers[role].trouble}")
        raise typer.Exit(BENCH)


def _search(backend: str, as_json: bool) -> None:
    from rig.bench.visa import search
    from rig.screen.instrument_table import show_found

    found = search(backend)
    if as_json:
        addresses = [{"address": address, "lasting": lasting} for address, lasting in found.addresses]
        print(json.dumps({"addresses": addresses, "remarks": list(found.remarks)}))
    else:
        show_found(found)


def _asked(
    settings: Sequence[InstrumentSettings], backend: str, seconds: float
) -> tuple[dict[str, str], dict[str, Answer]]:
    from rig.bench.instrument_threads import Instruments
    from rig.bench.visa import identity

    identities = {one.name: identity(one, backend) for one in settings if one.identify_query}
    until = time.monotonic() + seconds
    with Instruments(settings, backend, EVERY_S) as instruments:
        answers = instruments.latest()
        while any(answer.is_missing for answer in answers.values()) and time.monotonic() < until:
            time.sleep(0.05)
            answers = instruments.latest()
    return identities, answers


def document(
    settings: Sequence[InstrumentSettings], identities: Mapping[str, str], answers: Mapping[str, Answer]
) -> dict[str, object]:
    """Identities and answers as plain JSON values; a missing value is null."""
    return {
        "instruments": [
            {
                "name": one.name,
                "address": one.address,
                "identity": identities.get(one.name, ""),
                "values": [_plain(value.role, answers[value.role]) for value in one.values],
            }
            for one in settings
        ]
    }


def _plain(role: str, answer: Answer) -> dict[str, object]:
    return {
        "role": role,
        "value": None if answer.is_missing else answer.value,
        "unit": answer.unit,
        "answer": answer.text,
        "took_s": None if math.isnan(answer.took_s) else answer.took_s,
        "trouble": answer.trouble,
    }
