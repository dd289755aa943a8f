"""The routes of the page, without a browser: what they refuse, and what an answer lets a browser do."""

import asyncio
import hashlib
import json
import mimetypes
import threading
from pathlib import Path

import pytest
from simulated_runs import ROOT
from starlette.testclient import TestClient
from stored_runs import stored_runs

from rig.files.errors import RecordError
from rig.page import reading_routes
from rig.page.guarding import KEY_HEADER, Rules
from rig.page.server import LONGEST_BODY, _stream, app
from rig.page.station import Station
from rig.store.selection import Selection

HOST = "127.0.0.1:8720"
KEY = {"origin": f"http://{HOST}", KEY_HEADER: "k3y"}


@pytest.fixture(scope="module")
def station() -> Station:
    station = Station(ROOT)
    station.listen("one", lambda: None)
    return station


@pytest.fixture
def client(station: Station) -> TestClient:
    return client_of(station)


def client_of(station: Station) -> TestClient:
    """A browser on this computer."""
    return TestClient(app(station, Rules(frozenset({HOST}), "k3y")), base_url=f"http://{HOST}", client=("127.0.0.1", 1))


def test_no_page_lets_anything_from_elsewhere_in(client: TestClient) -> None:
    answer = client.get("/")
    assert answer.status_code == 200
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy
    assert answer.headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize("path", ["/do/go", "/do/stop", "/do/scan", "/do/task"])
def test_nothing_is_changed_by_reading(client: TestClient, path: str) -> None:
    assert client.get(path, headers=KEY).status_code == 405


@pytest.mark.parametrize("body", [b"", b"[]", b"null", b"{", b'"x"', b"\xff", b"[" * 3000])
def test_what_is_no_object_is_refused(client: TestClient, body: bytes) -> None:
    assert client.post("/do/scan", content=body, headers=KEY).status_code == 400


def test_a_body_that_is_too_long_is_refused(client: TestClient) -> None:
    body = json.dumps({"text": "x" * LONGEST_BODY})
    assert client.post("/do/scan", content=body, headers=KEY).status_code == 413


def test_texts_from_outside_stay_texts(client: TestClient, station: Station) -> None:
    sent = {"window": "one", "question": 0, "text": "<script>alert(1)</script>"}
    assert client.post("/do/scan", json=sent, headers=KEY).status_code == 200
    from rig.page.drawing import bench_fragment

    shown = bench_fragment(station.view, "en", "one", None)
    assert "<script>" not in shown
    assert "&lt;script&gt;" in shown


@pytest.mark.parametrize(
    "path",
    [
        "/units/booth-two/..%2f..%2fetc",
        "/units/..%2f..%2f/BT-0001",
        "/runs/booth-two/BT-0001/..%2f..%2f..%2fREADME.md/report",
        "/runs/booth-two/BT-0001/none/sounds/0",
        "/static/..%2f..%2fserver.py",
        "/units/%3Cscript%3E/BT-0001",
        "/runs/booth-two/BT-0001/none/sounds/" + "9" * 5000,
    ],
)
def test_no_path_leads_elsewhere(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 404
    assert "<script>" not in answer.text.replace('<script src="/static/page.js"></script>', "")


def test_a_host_of_another_name_is_refused(client: TestClient) -> None:
    assert client.get("/", headers={"host": "evil.example"}).status_code == 421


@pytest.mark.parametrize(
    ("client_host", "asked"), [("127.0.0.1", ""), ("127.0.0.1", "?key=other"), ("192.0.2.9", "?key=k3y&token=t0ken")]
)
def test_only_our_own_page_on_this_machine_opens_the_inputs(station: Station, client_host: str, asked: str) -> None:
    rules = Rules(frozenset({HOST}), "k3y", "t0ken")
    client = TestClient(app(station, rules), base_url=f"http://{HOST}", client=(client_host, 1))
    assert client.get(f"/levels/events{asked}").status_code == 403
    assert not station.levels.is_listening


def test_a_form_that_cannot_be_done_is_told_why(client: TestClient, station: Station) -> None:
    answer = client.post("/do/task", json={"window": "one", "task": "<b>"}, headers=KEY)
    assert "task: found '<b>'" in answer.json()["why_not"]
    assert station.view.task is None


def test_a_number_that_no_page_has_is_the_first(client: TestClient) -> None:
    assert client.get("/units", params={"page": "9" * 5000}).status_code == 200


def test_a_script_is_a_script_whatever_the_system_takes_it_for(
    station: Station, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on a Windows where some program has registered .js as plain text."""
    mimetypes.init()
    monkeypatch.setitem(mimetypes.types_map, ".js", "text/plain")
    assert client_of(station).get("/static/page.js").headers["content-type"].startswith("text/javascript")


@pytest.fixture
def stored(tmp_path: Path) -> tuple[TestClient, Path]:
    """A page over one record that came from elsewhere, and the record's folder."""
    [run] = stored_runs(tmp_path, 1)
    return client_of(Station(tmp_path)), run


def test_a_report_that_leads_out_of_its_record_is_not_shown(stored: tuple[TestClient, Path]) -> None:
    client, run = stored
    (run.parent / "private.html").write_text("private", encoding="utf-8")
    (run / "report.html").symlink_to("../private.html")
    for page in ("report", "sheet"):
        answer = client.get(f"/runs/{run.parent.parent.name}/{run.parent.name}/{run.name}/{page}")
        assert (answer.status_code, "private" in answer.text) == (404, False)


def test_a_record_from_elsewhere_brings_no_page_and_no_script_along(stored: tuple[TestClient, Path]) -> None:
    client, run = stored
    content = b"fetch('/do/go')"
    said = json.loads((run / "run.json").read_bytes())
    sound = {"quantity": "buzz", "subject": "left", "file": "sounds/it.js", "scale": 1.0, "sample_rate_hz": 48000}
    said["results"][0]["sounds"] = [sound]
    said["files"]["sounds/it.js"] = hashlib.sha256(content).hexdigest()
    (run / "sounds").mkdir()
    (run / "sounds" / "it.js").write_bytes(content)
    (run / "run.json").write_text(json.dumps(said), encoding="utf-8")
    answer = client.get(f"/runs/{run.parent.parent.name}/{run.parent.name}/{run.name}/sounds/0")
    assert (answer.status_code, answer.content) == (200, content)
    # A browser runs no audio as a script where it may not guess.
    assert (answer.headers["content-type"], answer.headers["x-content-type-options"]) == ("audio/wav", "nosniff")


def test_a_window_elsewhere_looks_on_and_takes_no_place_of_those_here() -> None:
    station = Station(ROOT)
    station.listen("", lambda: None)
    assert station.view.answering is None
    station.listen("here", lambda: None)
    assert station.view.answering == "here"


def test_a_window_that_is_gone_before_it_was_taken_in_leaves_nothing_behind() -> None:
    """Its place would stay taken, it might be the one that answers, and for levels the inputs would stay open."""
    begun, may_end = threading.Event(), threading.Event()
    windows: set[str] = set()
    open_now: list[object] = []

    def listen(tell: object) -> None:
        begun.set()
        may_end.wait()
        open_now.append(tell)

    async def gone_at_once() -> None:
        left = asyncio.Event()

        def leave(tell: object) -> None:
            open_now.remove(tell)
            left.set()

        window = asyncio.ensure_future(anext(_stream(listen, leave, dict, windows)))
        await asyncio.to_thread(begun.wait)
        window.cancel()
        await asyncio.wait([window])
        may_end.set()
        await asyncio.wait_for(left.wait(), 10)

    asyncio.run(gone_at_once())
    assert not windows
    assert not open_now


def test_one_batch_is_studied_at_a_time_and_nobody_waits_for_it(station: Station) -> None:
    with reading_routes._STUDYING, pytest.raises(RecordError, match="another batch is being studied"):
        reading_routes.studied(station, Selection(kit="booth-two"))
