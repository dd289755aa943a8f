"""`kitproof page`."""

import secrets
import sys
from typing import Annotated

import typer

from rig.commands.common import HERE, BenchFile, By, Workspace
from rig.files.errors import TableError
from rig.page.server import Server
from rig.page.station import Station
from rig.report.languages import languages
from rig.screen.console import say


def page_command(
    *,
    workspace: Workspace = HERE,
    bench: BenchFile = None,
    by: By = "",
    kit: Annotated[str, typer.Option("--kit", help="Take serials of this kit alone; else of every kit here.")] = "",
    port: Annotated[int, typer.Option(min=0, max=65535, help="Where the page is served; 0: any that is free.")] = 8720,
    language: Annotated[str, typer.Option(help="Of the pages' own words: en or de; else the maker's.")] = "",
    host: Annotated[str, typer.Option(help="Address of this machine by which others may read, never change.")] = "",
) -> None:
    """Serve the page at the bench: scan a unit, be led through its run, see its verdict. Ctrl-C ends it."""
    if language and language not in languages():
        raise TableError(f"--language: found {language!r}; allowed: {', '.join(languages())}")
    station = Station(workspace, bench, by, kit, language)
    token = secrets.token_urlsafe(12) if host else ""
    server = Server(station, host, port, token)
    server.start()
    say(f"the page at the bench: {server.address}")
    if host:
        say(f"another machine may read: http://{host}:{server.port}/?token={token}")
    say("Ctrl-C ends it")
    # Whoever starts it from another program waits for the address.
    sys.stdout.flush()
    try:
        station.serve()
    except KeyboardInterrupt:
        say("the page is closed")
    finally:
        server.stop()
