"""The live levels as a page: the inputs' meters, and the room's noise beside what a kit bears."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.routing import Route

from rig.bench.shuttle import Block
from rig.drawing.panels import Line, Panel, curve_axes, figure
from rig.drawing.svg import LIMIT, MEASURED
from rig.files.errors import KitproofError
from rig.page.drawing import page
from rig.page.guarding import is_equal, is_this_machine
from rig.page.live_levels import Heard
from rig.page.station import Station

if TYPE_CHECKING:
    from rig.run.room_before import RoomBefore
    from rig.run.verify import Job

#: Height of the room's figure in the drawing's units; layout.
TALL = 300
#: Sends what a window shows whenever it changes: takes what listens, what leaves, and what shows.
Stream = Callable[..., Response]


@dataclass
class Room:
    """The room beside a kit as one window shows it; worked out anew only when more was heard."""

    work: "Job | None"
    why: str = ""
    _of: Block | None = field(default=None, repr=False)
    found: "RoomBefore | None" = None

    def take(self, heard: Heard) -> None:
        """Work out what the microphone's last seconds mean."""
        if heard.samples is None or heard.samples is self._of or self.work is None or heard.calibration is None:
            return
        self._of = heard.samples
        places = [n for n, one in enumerate(heard.inputs) if "microphone" in one.roles]
        # Of what is no sound the levels say so.
        if places and np.all(np.isfinite(row := heard.samples[places[-1]])):
            from rig.run.room_before import room_before

            self.found = room_before(self.work, row, heard.sample_rate_hz, heard.calibration)


def room_of(station: Station, kit: str) -> Room:
    """What the room is held against: the kit, by its usual plan, or by the first that plays anything."""
    from rig.run.verify import job

    plans = next((one.plans for one in station.kits if one.name == kit), {})
    try:
        jobs = [job(station.workspace, kit, plan) for plan in plans or [""]] if kit else []
    except KitproofError as error:
        return Room(None, str(error))
    return Room(next((one for one in jobs if any(stage.name == "playing" for stage in one.schedule.stages)), None))


def is_here(request: Request) -> bool:
    """Whether it is asked for on this machine."""
    return request.client is not None and is_this_machine(request.client.host)


def levels_fragment(heard: Heard, room: Room, language: str) -> str:
    """What a window shows of what is heard."""
    from rig.bench_check.loudness import room_words

    found = room.found
    drawing = Markup(room_figure(found)) if found else ""
    words = room_words(found.noise) if found else ""
    return page("levels_view.html", language, heard=heard, room=room, figure=drawing, words=words)


def room_figure(room: "RoomBefore") -> str:
    """The microphone's spectrum beside the highest noise that the kit bears, as SVG."""
    noise = room.noise
    across, up = curve_axes(noise.mids_hz, [noise.level_db, noise.limit_db], "dB SPL")
    lines = (
        Line(noise.mids_hz, noise.limit_db, "the most that this kit's full level still stands out of", LIMIT),
        Line(noise.mids_hz, noise.level_db, "the room now, in thirds of an octave", MEASURED),
    )
    return figure([Panel("Noise of the room", across, up, lines=lines)], height=TALL)


def levels_routes(station: Station, key: str, stream: Stream) -> list[Route]:
    """Routes of the page; `stream` sends its fragments for as long as its window is there."""

    def kit_of(request: Request) -> str:
        names = [kit.name for kit in station.kits]
        asked = request.query_params.get("kit", "")
        unit = station.view.unit
        return asked if asked in names else unit.kit if unit else next(iter(names), "")

    def levels(request: Request) -> Response:
        names = [kit.name for kit in station.kits]
        return HTMLResponse(
            page("levels.html", station.language, key=key, kits=names, kit=kit_of(request), is_here=is_here(request))
        )

    async def events(request: Request) -> Response:
        # It opens the microphone: for a page of ours on this machine alone, whatever else a browser shows.
        if not is_here(request) or not is_equal(request.query_params.get("key", ""), key):
            return PlainTextResponse("only the levels page, on the bench's own computer, opens the inputs", 403)
        room = await run_in_threadpool(room_of, station, kit_of(request))

        def shown() -> dict[str, object]:
            heard = station.levels.heard
            room.take(heard)
            return {"html": levels_fragment(heard, room, station.language)}

        return stream(request, station.levels.listen, station.levels.leave, shown)

    return [Route("/levels", levels), Route("/levels/events", events)]
