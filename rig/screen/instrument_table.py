"""Instruments in a terminal: what each says, what would be logged of it, and what a search found."""

import math
from collections.abc import Mapping, Sequence

from rich.table import Table
from rich.text import Text

from rig.bench.answers import Answer
from rig.bench.instrument_settings import InstrumentSettings
from rig.bench.visa import Found
from rig.screen.console import open_console
from rig.screen.listings import two_columns

#: What a new instrument's table begins with; framing depends on its kind of address.
STREAM_LINES = 'read_termination = "\\n"\nwrite_termination = "\\n"\n'
SERIAL_LINES = "baud_rate = 9600\n"


def show(
    instruments: Sequence[InstrumentSettings], identities: Mapping[str, str], answers: Mapping[str, Answer]
) -> None:
    """Print every instrument with its identity, and every role with its value, its raw answer and its trouble."""
    console = open_console()
    console.print(two_columns("instrument", "at, and who it says it is", _who(instruments, identities)))
    table = Table()
    for name in ("role", "value", "its answer", "took", "remark"):
        table.add_column(name, no_wrap=name == "value", overflow="fold")
    for one in instruments:
        for value in one.values:
            answer = answers[value.role]
            shown = "missing" if answer.is_missing else f"{answer.value:.6g} {answer.unit}"
            took = "" if math.isnan(answer.took_s) else f"{answer.took_s:.2f} s"
            table.add_row(Text(value.role), Text(shown), Text(repr(answer.text)), took, Text(answer.trouble))
    console.print(table)


def _who(instruments: Sequence[InstrumentSettings], identities: Mapping[str, str]) -> list[tuple[str, str]]:
    return [(one.name, f"{one.address}\n{identities.get(one.name) or '(not asked)'}") for one in instruments]


def show_found(found: Found) -> None:
    """Print the addresses that a search found as tables for bench.toml, then what was not searched."""
    console = open_console()
    if not found.addresses:
        console.print("nothing found")
    for number, (address, lasting) in enumerate(found.addresses, 1):
        if lasting != address:
            console.print(f"# {address}, by the name that stays when it is plugged in again")
        console.print(toml_of(lasting, number), highlight=False, soft_wrap=True)
    console.print(
        "Plain sockets (TCPIP::host::port::SOCKET) cannot be searched for: write the address that the instrument shows."
    )
    for remark in found.remarks:
        console.print(f"- {remark}", soft_wrap=True)


def toml_of(address: str, number: int) -> str:
    """The beginning of an instrument's table in bench.toml."""
    lines = STREAM_LINES if address.upper().startswith("ASRL") or address.upper().endswith("SOCKET") else ""
    lines += SERIAL_LINES if address.upper().startswith("ASRL") else ""
    return (
        f'[[instruments]]\nname = "instrument {number}"\naddress = "{address}"\n{lines}'
        '[[instruments.values]]\nrole = "heat sink"\nunit = "celsius"\nquery = "..."\n'
    )
