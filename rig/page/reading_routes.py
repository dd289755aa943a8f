"""The routes of what can only be read: units, their curves, sounds and reports."""

import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from rig.bench.settings import BenchSettings
from rig.drawing.panels import LEFT, WIDTH, column_width
from rig.files.disk import read_text, where_and_why
from rig.files.errors import KitproofError, RecordError
from rig.page.drawing import page
from rig.page.guarding import REPORT_POLICY
from rig.page.reading import FILTERS, listed, number_of, report_file, run_of, selection_of, sound_file, unit_page
from rig.page.station import Station
from rig.store.homes import now
from rig.store.run_json import Record

if TYPE_CHECKING:
    from rig.store.selection import Selection


def reading_routes(station: Station, key: str) -> list[Route]:
    """Routes that show what is stored; `key` goes into each page for its stop button."""
    workspace = station.workspace
    kits = [kit.name for kit in station.kits]

    def units(request: Request) -> Response:
        asked = _asked(request)
        found = listed(workspace, asked, kits)
        # Of the same list, another page of it.
        same = urlencode({name: value for name, value in asked.items() if name in FILTERS and value})
        return HTMLResponse(
            page("units.html", station.language, key=key, listed=found, asked=asked, kits=kits, same=same)
        )

    def unit(request: Request) -> Response:
        names = request.path_params
        found = unit_page(workspace, names["kit"], names["serial"], request.query_params.get("curve", ""))
        # The drawing is our own; every name in it was escaped when it was drawn.
        drawing = Markup(found.figure)
        across = {"left": LEFT / WIDTH, "width": column_width(1) / WIDTH}
        return HTMLResponse(page("unit.html", station.language, key=key, unit=found, figure=drawing, **across))

    def report(request: Request) -> Response:
        record = _run_of(workspace, request)
        report_file(record)
        return HTMLResponse(page("report.html", station.language, key=key, serial=record.serial))

    run = "/runs/{kit}/{serial}/{run}"
    pages: dict[str, Callable[[Request], Response]] = {
        "/batch": lambda request: HTMLResponse(batch_page(station, key, _asked(request))),
        "/calibrations": lambda request: HTMLResponse(calibrations_page(station, key)),
        "/units": units,
        "/units/{kit}/{serial}": unit,
        f"{run}/report": report,
        f"{run}/sheet": lambda request: report_sheet(workspace, request),
        f"{run}/sounds/{{number}}": lambda request: sound(workspace, request),
    }
    return [Route(path, _or_why_not(make, station, key)) for path, make in pages.items()]


def report_sheet(workspace: Path, request: Request) -> Response:
    """A report as it was written, for the frame in its page."""
    if request.headers.get("sec-fetch-dest") == "document":
        # Alone it would have no stop: no script runs in it.
        return RedirectResponse("report")
    path = report_file(_run_of(workspace, request))
    return HTMLResponse(read_text(path), headers={"content-security-policy": REPORT_POLICY})


def sound(workspace: Path, request: Request) -> Response:
    """One of a record's sounds; as audio whatever its file is called: no record brings a page or a script along."""
    path = sound_file(_run_of(workspace, request), number_of(request.path_params["number"], -1))
    return FileResponse(path, media_type="audio/flac" if path.suffix == ".flac" else "audio/wav")


def _asked(request: Request) -> dict[str, str]:
    return {name: request.query_params.get(name, "") for name in (*FILTERS, "page")}


#: One batch is studied at a time.
_STUDYING = threading.Lock()


def studied(station: Station, selection: "Selection") -> str:
    """The report of a batch, as `kitproof batch` makes it; nothing is written.

    Raises
    ------
    KitproofError
        If no run is asked for, another batch is being studied, or the bench is at work: a processor that is busy may
        lose sound.
    """
    from rig.report.batch_report import body
    from rig.study.batch_study import study

    if station.is_under_way:
        raise RecordError("the bench is at work, which a study would disturb: ask again when it is done")
    problems: list[str] = []
    if not _STUDYING.acquire(blocking=False):
        raise RecordError("another batch is being studied: ask again in half a minute")
    try:
        found = study(station.workspace, selection, problems.append)
    finally:
        _STUDYING.release()
    return body(found, tuple(dict.fromkeys(problems)), now())


def batch_page(station: Station, key: str, asked: Mapping[str, str]) -> str:
    """A batch's report, or a form to ask for one."""
    kits, report, problem = [kit.name for kit in station.kits], "", ""
    try:
        # Our own report; every name in it was escaped when it was made.
        report = Markup(studied(station, selection_of(asked, kits))) if asked["kit"] else ""
    except (KitproofError, OSError) as error:
        problem = where_and_why(error)
    return page("batch.html", station.language, key=key, asked=asked, kits=kits, report=report, problem=problem)


def calibrations_page(station: Station, key: str) -> str:
    """The bench's calibrations with their age, and forms for what can be done at it."""
    from rig.page.bench_tasks import choices
    from rig.run.bench_jobs import calibrations_of
    from rig.screen.calibrations import listed_cells

    settings = station.settings or BenchSettings(kind="simulated")
    shown, held = calibrations_of(station.workspace, settings, None)
    return page(
        "calibrations.html",
        station.language,
        key=key,
        rows=[(*listed_cells(one, held), remark) for one, remark in shown],
        damaged=[one.words for one in held.damaged],
        kits=[kit.name for kit in station.kits],
        is_card=settings.kind == "soundcard",
        choices=choices(station.place, settings, shown),
    )


def _run_of(workspace: Path, request: Request) -> Record:
    """The record of the run that a path names."""
    return run_of(workspace, **{name: request.path_params[name] for name in ("kit", "serial", "run")})


def _or_why_not(make: Callable[[Request], Response], station: Station, key: str) -> Callable[[Request], Response]:
    """A route that shows what keeps a page from being there."""

    def handle(request: Request) -> Response:
        try:
            return make(request)
        except (KitproofError, OSError) as error:
            return HTMLResponse(page("trouble.html", station.language, key=key, words=where_and_why(error)), 404)

    return handle
