"""The web server of the page: its routes, and who may use them. Whatever changes something goes to the station."""

import asyncio
import json
import mimetypes
import secrets
import socket
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, MutableMapping
from contextlib import suppress
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

import h11
import uvicorn
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from rig.files.disk import parse_json, why
from rig.files.errors import BenchSetupError
from rig.page.connections import MOST_CONNECTIONS, BoundedConnection
from rig.page.drawing import bench_fragment, page
from rig.page.guarding import HEADERS, POLICY, TOKEN_COOKIE, Asked, Rules, refusal
from rig.page.levels_routes import is_here, levels_routes
from rig.page.reading_routes import reading_routes
from rig.page.station import Station
from rig.report import WIRING

HERE = Path(__file__).parent
#: What our own files are. On Windows programs change what the system takes files for, and a script that is taken for
#: plain text is run by no browser.
KINDS = {".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml"}
#: More windows than a bench has people are refused a stream, of other machines half as many (choice of the page).
MOST_WINDOWS = 12
HERE_ONLY = "127.0.0.1"
#: A stream says that it is there so often, so that a window which is gone is noticed (choice of the page).
PULSE_S = 10.0
#: A longer body is nothing that our pages send (choice of the page).
LONGEST_BODY = 4096

Scope = MutableMapping[str, Any]
#: Takes or lets go of what is called at every change.
Listen = Callable[[Callable[[], None]], None]
#: Does what a window asks for; in words why it was not done, where the window itself has to say so.
Change = Callable[[dict[str, Any]], str | None]
Handler = Callable[[Request], Awaitable[Response]]


def app(station: Station, rules: Rules) -> Any:
    """The whole application, guarded.

    Parameters
    ----------
    station : what all windows share
    rules : who may ask for what
    """
    windows: set[str] = set()
    for suffix, kind in KINDS.items():
        mimetypes.add_type(kind, suffix)

    async def bench(request: Request) -> Response:
        return HTMLResponse(page("bench.html", station.language, key=rules.key))

    def stream(request: Request, listen: Listen, leave: Listen, shown: Callable[[], dict[str, object]]) -> Response:
        if len(windows) >= (MOST_WINDOWS if is_here(request) else MOST_WINDOWS // 2):
            return PlainTextResponse("more windows are open than a bench has people: close some", 503)
        return StreamingResponse(_stream(listen, leave, shown, windows), media_type="text/event-stream")

    async def events(request: Request) -> Response:
        # A window on another machine only looks on: it has no name, so that none of this one waits for it to answer.
        window = request.query_params.get("window", "")[:64] if is_here(request) else ""

        def shown() -> dict[str, object]:
            view = station.view
            return {
                "html": bench_fragment(view, station.language, window, station.settings),
                "phase": view.phase,
                "question": view.question.number if view.question and view.phase == "asking" else 0,
                "answers": view.answering == window,
            }

        return stream(request, lambda tell: station.listen(window, tell), station.leave, shown)

    routes = [
        Route("/", bench),
        Route("/events", events),
        *reading_routes(station, rules.key),
        *levels_routes(station, rules.key, stream),
        *(Route(f"/do/{name}", _changing(change), methods=["POST"]) for name, change in _changes(station).items()),
        Mount("/static", StaticFiles(directory=HERE / "static")),
        Mount("/wiring", StaticFiles(directory=WIRING)),
    ]
    return _Guarded(Starlette(routes=routes), rules)


def _changes(station: Station) -> dict[str, Change]:
    """What a window can ask for, by name; each takes the words that the window sent."""

    def text(sent: dict[str, Any], name: str) -> str:
        return str(sent.get(name, ""))

    def number(sent: dict[str, Any]) -> int:
        found = sent.get("question")
        return found if isinstance(found, int) else -1

    return {
        "scan": lambda sent: station.scan(text(sent, "text"), text(sent, "window"), number(sent)),
        "go": lambda sent: station.go(text(sent, "window"), number(sent)),
        "skip": lambda sent: station.skip(text(sent, "window")),
        "plan": lambda sent: station.plan(text(sent, "window"), text(sent, "plan")),
        "rework": lambda sent: station.rework(text(sent, "window"), text(sent, "words")),
        "take-over": lambda sent: station.take_over(text(sent, "window")),
        "task": lambda sent: station.choose_task(
            text(sent, "window"), {name: value for name, value in sent.items() if isinstance(value, str)}
        ),
        "stop": lambda sent: station.stop(),
    }


def _changing(change: Change) -> Handler:
    """A route that does what a window asks for; by threads of its own, which no page that takes long keeps busy."""

    async def handle(request: Request) -> Response:
        body = b""
        try:
            async for piece in request.stream():
                body += piece
                if len(body) > LONGEST_BODY:
                    return PlainTextResponse("too long", 413)
        except ClientDisconnect:
            return PlainTextResponse("cut off", 400)
        try:
            sent = parse_json(body)
        except ValueError:
            sent = None
        if not isinstance(sent, dict):
            return PlainTextResponse("found no JSON object; allowed: one", 400)
        return JSONResponse({"why_not": await asyncio.to_thread(change, sent) or ""})

    return handle


async def _stream(
    listen: Listen, leave: Listen, shown: Callable[[], dict[str, object]], windows: set[str]
) -> AsyncIterator[str]:
    """What a window shows, at once and at every change, until the window is gone."""
    loop, changed = asyncio.get_running_loop(), asyncio.Event()
    mine = secrets.token_hex(4)

    def tell() -> None:
        loop.call_soon_threadsafe(changed.set)

    windows.add(mine)
    listening = asyncio.ensure_future(asyncio.to_thread(listen, tell))
    try:
        await asyncio.shield(listening)
        changed.set()
        while True:
            try:
                await asyncio.wait_for(changed.wait(), PULSE_S)
            except TimeoutError:
                yield ": still here\n\n"
                continue
            changed.clear()
            yield f"data: {json.dumps(await asyncio.to_thread(shown))}\n\n"
    finally:
        windows.discard(mine)
        # A window may be gone before it was taken in: it leaves only then.
        listening.add_done_callback(lambda _: leave(tell))


class _Guarded:
    """The application behind its rules; every answer carries the headers that a browser keeps to."""

    def __init__(self, inner: Any, rules: Rules) -> None:
        self._inner, self._rules = inner, rules

    async def __call__(self, scope: Scope, receive: Any, send: Any) -> None:
        """Serve one request, or refuse it."""
        if scope["type"] != "http":
            await self._inner(scope, receive, send)
            return
        request = Request(scope)
        token = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("token", [""])[0]
        client = request.client.host if request.client else ""
        asked = Asked(request.method, client, request.headers, request.cookies, token)
        refused = refusal(asked, self._rules)

        async def with_headers(message: MutableMapping[str, Any]) -> None:
            if message["type"] == "http.response.start":
                present = {name for name, _ in message["headers"]}
                headers = {**HEADERS, "content-security-policy": POLICY}
                if token and not refused:
                    headers["set-cookie"] = f"{TOKEN_COOKIE}={self._rules.token}; HttpOnly; SameSite=Strict; Path=/"
                message["headers"] = [
                    *message["headers"],
                    *((n.encode(), v.encode()) for n, v in headers.items() if n.encode() not in present),
                ]
            with suppress(h11.LocalProtocolError):
                # What else it sent was no request, and that has been answered: nobody reads more.
                await send(message)

        inner = PlainTextResponse(refused[1], refused[0]) if refused else self._inner
        await inner(scope, receive, with_headers)


class Server:
    """The page while it is served, in a thread of its own, so that the main thread measures.

    Parameters
    ----------
    station : what all windows share
    host : address of this machine by which others may read; empty: none may
    port : where it listens; 0: any that is free
    token : what another machine shows; empty: none may read
    """

    def __init__(self, station: Station, host: str = "", port: int = 0, token: str = "") -> None:
        self._sockets = [_bound(HERE_ONLY, port)]
        self.port: int = self._sockets[0].getsockname()[1]
        if host:
            self._sockets.append(_bound(host, self.port))
        names = [HERE_ONLY, "localhost", *([host] if host else [])]
        rules = Rules(frozenset(f"{name}:{self.port}" for name in names), secrets.token_urlsafe(16), token)
        config = uvicorn.Config(
            app(station, rules),
            log_level="error",
            access_log=False,
            lifespan="off",
            http=BoundedConnection,
            ws="none",
            # Who asks is who is connected, whatever a header says.
            proxy_headers=False,
            server_header=False,
            # So many are taken at a time: more than are open at most would be before the first was closed again.
            backlog=MOST_CONNECTIONS // 4,
            timeout_graceful_shutdown=1,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, kwargs={"sockets": self._sockets}, daemon=True)
        self.address = f"http://{HERE_ONLY}:{self.port}/"

    def start(self) -> None:
        """Begin to serve."""
        self._thread.start()

    def stop(self) -> None:
        """End it."""
        self._server.should_exit = True
        self._thread.join(timeout=3)


def _bound(host: str, port: int) -> socket.socket:
    try:
        return socket.create_server((host, port))
    except OSError as error:
        raise BenchSetupError(
            f"the page cannot be served at {host}, port {port}: {why(error)}; --port takes another"
        ) from None
