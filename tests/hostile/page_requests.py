"""Requests to the page that no window of ours sends: any method, path, host, origin, key, query and body."""

import json
import traceback
from pathlib import Path
from random import Random
from urllib.parse import quote

from starlette.testclient import TestClient

from hostile.ground import KIT, OF_TODAY, SERIALS, Ground, newest_folder
from hostile.mutations import mutated_bytes, mutated_text
from hostile.promise import recorded, refuse_loss
from rig.page.guarding import KEY_HEADER, Rules
from rig.page.server import app
from rig.page.station import Station

HOST = "127.0.0.1:8720"
HOSTS = (
    HOST,
    HOST,
    HOST,
    "evil.example:8720",
    "127.0.0.1",
    "localhost.evil.example",
    "127.0.0.1:8720.evil.example",
    "",
)
ORIGINS = (f"http://{HOST}", f"http://{HOST}", f"https://{HOST}", "null", "http://evil.example", f"http://{HOST}.evil")
KEYS = ("k3y", "k3y", "", "k3y ", "K3Y", "x" * 9999)
CLIENTS = ("127.0.0.1", "127.0.0.1", "::1", "192.0.2.9", "nonsense")
METHODS = ("GET", "GET", "GET", "POST", "POST", "POST", "HEAD", "PUT", "DELETE", "OPTIONS", "TRACE", "BREW")
CHANGES = ("scan", "go", "skip", "plan", "rework", "take-over", "task", "stop")
VALUES = (OF_TODAY, KIT, "", "one", 0, -1, 2**70, 1.5, None, True, [], {"a": []}, "x" * 3000, "\x00\x1b[2J", "ж\ud800")
FIELDS = ("text", "window", "question", "plan", "words", "task", "kit", "serial", "load_ohm", "role", "by")
#: Requests of one try, to one page.
EACH = 40


def try_page(random: Random, ground: Ground) -> None:
    """Many requests to one page: each is answered, none breaks it, and none from elsewhere changes anything."""
    station = Station(ground.workspace)
    station.listen("one", lambda: None)
    served = app(station, Rules(frozenset({HOST}), "k3y", "t0ken"))
    before = recorded(ground.workspace)
    for _ in range(EACH):
        _ask(random, ground, station, served)
    assert not station.levels.is_listening
    assert station.view.phase not in ("playing", "asking"), station.view
    refuse_loss(before, recorded(ground.workspace), may_be_new=False)


def read_page(workspace: Path, serial: str, run: str) -> dict[str, str]:
    """Ask a page for all that it reads of records: each is answered, whatever is damaged; path -> the answer."""
    answers = {}
    served = app(Station(workspace), Rules(frozenset({HOST}), "k3y", "t0ken"))
    asking = TestClient(served, base_url=f"http://{HOST}", client=("127.0.0.1", 1))
    of_unit, of_run = f"/units/{KIT}/{serial}", f"/runs/{KIT}/{serial}/{run}"
    for path in ("/units", of_unit, f"{of_run}/report", f"{of_run}/sounds/0", "/batch", "/calibrations"):
        try:
            answer = asking.get(path)
        except Exception:
            raise AssertionError(f"the page's {path}\n{traceback.format_exc()[-3000:]}") from None
        assert answer.status_code < 500, f"the page's {path}: {answer.status_code} {answer.text[:500]}"
        assert "Traceback" not in answer.text, path
        answers[path] = answer.text
    return answers


def _ask(random: Random, ground: Ground, station: Station, served: object) -> None:
    method, path, host = random.choice(METHODS), _path(random, ground), random.choice(HOSTS)
    client, origin, key = random.choice(CLIENTS), random.choice((None, *ORIGINS)), random.choice(KEYS)
    headers = {"host": host, KEY_HEADER: key} | ({"origin": origin} if origin else {})
    is_ours = (host, client) in ((HOST, "127.0.0.1"), (HOST, "::1")) and origin in (None, f"http://{HOST}")
    may_change = is_ours and origin is not None and key == "k3y"
    if path.startswith(("/events", "/levels/events")) and method in ("GET", "HEAD") and is_ours:
        return  # a stream goes on for ever
    asking = TestClient(served, base_url=f"http://{HOST}", client=(client, 1))  # type: ignore[arg-type]
    shown, told = station.view, f"{method} {path[:300]!r} {headers} from {client}"
    try:
        answer = asking.request(method, path, headers=headers, content=_body(random), follow_redirects=False)
    except Exception:
        raise AssertionError(f"{told}\n{traceback.format_exc()[-3000:]}") from None
    assert answer.status_code < 500, f"{told}: {answer.status_code} {answer.text[:500]}"
    assert "Traceback" not in answer.text, told
    if not is_ours:
        assert answer.status_code >= 400, f"{told}: {answer.status_code}"
    if not may_change or method != "POST":
        assert station.view is shown, f"{told}: changed {station.view}"


def _path(random: Random, ground: Ground) -> str:
    run = newest_folder(ground.workspace, OF_TODAY).name
    routes = (
        *(
            "/",
            "/events",
            "/units",
            "/batch",
            "/calibrations",
            "/levels",
            "/levels/events",
            "/static/page.js",
            "/wiring/",
        ),
        *(f"/units/{KIT}/{random.choice(SERIALS)}", f"/runs/{KIT}/{OF_TODAY}/{run}/report"),
        f"/runs/{KIT}/{OF_TODAY}/{run}/sounds/{random.choice((0, 1, -1, 10**30, 'x'))}",
    )
    path = random.choice((*routes, *(f"/do/{name}" for name in CHANGES for _ in range(2))))
    if random.random() < 0.3:
        path = "/" + quote(mutated_text(random, path)[:500].encode("utf-8", "replace"), safe="/%?&=.")
    asked = {
        random.choice(("kit", "serial", "since", "page", "window", "token", "curve", "kind", "key", "outcome")): str(
            random.choice(VALUES)
        )
        for _ in range(random.randrange(3))
    }
    query = "&".join(f"{name}={quote(value.encode('utf-8', 'replace'))}" for name, value in asked.items())
    return f"{path}?{query}" if query else path


def _body(random: Random) -> bytes:
    sent = {random.choice(FIELDS): random.choice(VALUES) for _ in range(random.randrange(5))}
    content = json.dumps(sent if random.random() < 0.9 else random.choice(VALUES)).encode()
    return random.choice(
        (content, content, content, mutated_bytes(random, content), b"[" * 3000, b"9" * 5000, b"9" * 4000)
    )
