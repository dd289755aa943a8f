"""The page in a real browser: a run by key strokes alone, storms of scans, windows that come and go, stop, access."""

import contextlib
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import pytest
import real_browser  # noqa: F401  (before what needs one: it skips all of this where there is none)

# isort: split
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Locator, Page, expect
from simulated_runs import ROOT, simulated

from rig.page.station import STOPS_S
from rig.run.verify import job, verify

#: All of it by one worker, which begins with it: the most of it waits for keys that are held.
pytestmark = pytest.mark.slow

WIDE, NARROW = {"width": 1366, "height": 768}, {"width": 683, "height": 384}
#: Longer than any machine takes; a test that waits so long has failed.
PATIENCE_MS = 180_000


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """booth-two with a plan that takes a few seconds, and a unit that has been measured."""
    root = tmp_path_factory.mktemp("workspace")
    kit = Path(shutil.copytree(ROOT / "limits" / "booth-two", root / "limits" / "booth-two"))
    text = (kit / "kit.toml").read_text(encoding="utf-8")
    (kit / "kit.toml").write_text(text.replace("[plans]\n", '[plans]\nshort = ["leads"]\n'), encoding="utf-8")
    bench = 'kind = "simulated"\nname = "try"\n[simulated]\nfaster = 4\nfaults = ["dead:left:woofer"]\n'
    (root / "bench.toml").write_text(bench, encoding="utf-8")
    of_unit = simulated(root, "booth-two", "BT-0105")
    verify(root, job(root, "booth-two", "short"), "BT-0105", of_unit, lambda words: True, lambda event: None)
    return root


@pytest.fixture(scope="module")
def address(workspace: Path) -> Iterator[str]:
    command = [sys.executable, "-m", "rig", "page", "--workspace", str(workspace), "--port", "0"]
    server = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)
    assert server.stdout
    found = re.search(r"http://\S+", server.stdout.readline())
    assert found
    yield found[0]
    # Ended by Ctrl-C, with nothing left behind. Right behind a stop it is taken for that, and pressed once more, unless
    # the page is closing.
    while server.poll() is None:
        server.send_signal(signal.SIGINT)
        with contextlib.suppress(subprocess.TimeoutExpired):
            server.wait(timeout=STOPS_S + 1)
        with contextlib.suppress(OSError), urlopen(found[0], timeout=PATIENCE_MS / 1000):
            continue
        server.wait(timeout=PATIENCE_MS / 1000)
    server.stdout.close()
    assert server.returncode == 0


@pytest.fixture
def page(browser: Browser, address: str) -> Iterator[Page]:
    """A window at the bench, which answers, with no unit before it."""
    with browser.new_context(viewport=WIDE) as context:
        window = context.new_page()
        window.set_default_timeout(PATIENCE_MS)
        window.goto(address)
        window.wait_for_selector(".desk")
        if window.locator(".watching").count():
            window.get_by_role("button", name="Answer here").click()
            window.wait_for_selector(".watching", state="detached")
        window.keyboard.press("Escape")
        window.wait_for_selector(".phase-idle, .phase-chosen, .phase-done")
        if not window.locator(".phase-idle").count():
            scan(window, "KPSKIP")
        window.wait_for_selector(".phase-idle")
        yield window


def scan(window: Page, text: str) -> None:
    window.keyboard.type(text)
    window.keyboard.press("Enter")


def hold(window: Page) -> None:
    """Press a key for as long as it takes, by the page's own clock."""
    window.keyboard.down("Space")
    while window.evaluate("held && !held.done"):
        window.wait_for_timeout(20)
    window.keyboard.up("Space")


def walk(window: Page) -> Locator:
    """Answer every question by a held key until there is a verdict."""
    while True:
        window.wait_for_selector(".phase-asking, .phase-done")
        if window.locator(".phase-done").count():
            # The verdict is there before its record is.
            window.get_by_role("link", name="Report of this run").wait_for()
            return window.locator(".verdict")
        fits(window)
        step = window.locator(".step").inner_text()
        window.wait_for_timeout(500)
        hold(window)
        expect(window.locator(".desk")).not_to_contain_text(step, timeout=PATIENCE_MS)


def fits(window: Page) -> None:
    """Nothing has to be scrolled to at the bench."""
    assert window.evaluate("document.documentElement.scrollHeight") <= WIDE["height"]


def violations(window: Page) -> list[Any]:
    return [one["id"] for one in Axe().run(window).response["violations"]]


def test_a_whole_run_by_keys_alone(page: Page, workspace: Path) -> None:
    scan(page, "BT-0101")
    page.wait_for_selector(".phase-chosen")
    assert violations(page) == []
    hold(page)
    page.wait_for_selector(".phase-asking")
    assert violations(page) == []
    verdict = walk(page)
    assert "FAIL" in verdict.inner_text().upper()
    assert page.locator(".because").inner_text().strip()
    box = verdict.bounding_box()
    assert box
    assert box["height"] > 0.4 * WIDE["height"]
    assert violations(page) == []
    assert len(list((workspace / "results" / "booth-two" / "BT-0101").glob("[!.]*"))) == 1


def test_enter_alone_and_short_presses_start_nothing(page: Page, workspace: Path) -> None:
    scan(page, "BT-0102")
    page.wait_for_selector(".phase-chosen")
    for key in ("Enter", "Enter", "Space", "a", "Backspace"):
        page.keyboard.press(key)
    page.keyboard.down("Enter")
    page.wait_for_timeout(1200)
    page.keyboard.up("Enter")
    assert page.locator(".phase-chosen").count() == 1
    assert not (workspace / "results" / "booth-two" / "BT-0102").exists()


def test_a_storm_of_scans_starts_nothing(page: Page, workspace: Path) -> None:
    for n in range(100):
        scan(page, f"BT-{n:04d}" if n % 3 else "KPGO")
    scan(page, "BT-0103")
    expect(page.locator(".serial")).to_have_text("BT-0103", timeout=PATIENCE_MS)
    assert page.locator(".phase-chosen").count() == 1
    assert not list((workspace / "results").glob("*/*/.unfinished*"))


def test_reload_second_window_and_stop(page: Page, browser: Browser, address: str) -> None:
    scan(page, "BT-0104")
    page.wait_for_selector(".phase-chosen")
    hold(page)
    page.wait_for_selector(".phase-asking")
    step = page.locator(".step").inner_text()
    page.reload()
    page.wait_for_selector(".phase-asking")
    assert page.locator(".step").inner_text() == step
    assert page.locator(".watching").count() == 0
    with browser.new_context(viewport=NARROW) as context:
        second = context.new_page()
        second.set_default_timeout(PATIENCE_MS)
        second.goto(address)
        second.wait_for_selector(".watching")
        assert second.locator(".step").inner_text() == step
        assert violations(second) == []
        hold(second)
        assert second.locator(".step").inner_text() == step
        second.keyboard.press("Escape")
        second.wait_for_selector(".phase-done")
    page.wait_for_selector(".phase-done")
    assert "VOID" in page.locator(".verdict").inner_text().upper()


def test_what_was_measured_can_be_read(page: Page, address: str) -> None:
    page.get_by_role("link", name="Units").click()
    assert violations(page) == []
    page.get_by_role("link", name="BT-0105").first.click()
    page.wait_for_selector(".history")
    assert violations(page) == []
    figure = page.locator("[data-cursor]")
    if figure.count():
        figure.focus()
        page.keyboard.press("ArrowRight")
        assert " Hz; " in page.locator(".reading").inner_text()
    answer = page.request.post(f"{address}do/stop", data={})
    assert answer.status == 403


def test_levels_and_a_check_of_the_bench_by_keys(page: Page, address: str) -> None:
    page.goto(f"{address}levels")
    page.wait_for_selector(".meters")
    page.wait_for_selector(".room")
    assert violations(page) == []
    fits(page)
    page.goto(f"{address}calibrations")
    assert violations(page) == []
    page.get_by_label("Stage").select_option("leads")
    page.get_by_label("Known resistor").fill("x")
    page.keyboard.press("Enter")
    expect(page.locator(".why").first).to_contain_text("ohm: found 'x'", timeout=PATIENCE_MS)
    page.get_by_label("Known resistor").fill("")
    page.keyboard.press("Enter")
    page.wait_for_selector(".phase-chosen")
    page.keyboard.press("Enter")
    assert page.locator(".phase-chosen").count() == 1
    hold(page)
    page.wait_for_selector(".phase-asking")
    page.wait_for_timeout(500)
    hold(page)
    page.wait_for_selector(".phase-done")
    assert "fit to measure" in page.locator(".verdict").inner_text()
    assert "right leads: " in page.locator(".told").inner_text()
    assert violations(page) == []


def test_a_report_stops_the_sound_wherever_the_keys_go(page: Page, browser: Browser, address: str) -> None:
    scan(page, "BT-0106")
    page.wait_for_selector(".phase-chosen")
    hold(page)
    page.wait_for_selector(".phase-asking")
    page.keyboard.press("Escape")
    page.get_by_role("link", name="Report of this run").wait_for()
    way = page.get_by_role("link", name="Report of this run").get_attribute("href")
    with browser.new_context(viewport=WIDE) as context:
        second = context.new_page()
        second.set_default_timeout(PATIENCE_MS)
        for n, alone in enumerate(("report", "sheet")):
            second.goto(f"{address[:-1]}{way}".replace("/report", f"/{alone}"))
            heading = second.frame_locator("iframe").get_by_role("heading").first
            heading.wait_for()
            fits(second)
            scan(page, f"BT-010{7 + n}")
            page.wait_for_selector(".phase-chosen")
            hold(page)
            page.wait_for_selector(".phase-asking")
            heading.click()
            assert second.evaluate("document.activeElement.tagName") == "IFRAME"
            second.keyboard.press("Escape")
            page.wait_for_selector(".phase-done")
            page.get_by_role("link", name="Report of this run").wait_for()
