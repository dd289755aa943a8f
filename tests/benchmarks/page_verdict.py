"""From the last sample of a run to its verdict on the page, as a browser paints it.

    python tests/benchmarks/page_verdict.py --kit booth-two --units 3

Units of the simulated bench are walked at true speed in front of a real Chromium: the last sample is when the bench
hands over the last capture, the verdict is there when the frame that shows it has been painted. Both by the clock of
one machine; where that is busy with other things, the processor time that the rig itself took tells more. The bench's
own computing (a simulated unit) is done while its captures "sound", so it is not in it.
"""

import argparse
import os
import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT)]

from playwright.sync_api import Page, sync_playwright

from rig.page import server
from rig.page.station import Station
from rig.run.interrupts import interrupt
from rig.simulated.playback import SimulatedPlayer
from rig.values.captures import Capture
from rig.values.requests import Sweep

SEEN = """
new MutationObserver(() => {
  if (!document.querySelector('.verdict')) { window.seen = 0; return; }
  if (!window.seen) requestAnimationFrame(() => requestAnimationFrame(() => { window.seen ||= Date.now(); }));
}).observe(document, { subtree: true, childList: true });
"""


def main() -> None:
    """Print for each unit how long its verdict took to be seen."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--kit", default="booth-two")
    parser.add_argument("--units", type=int, default=3)
    parser.add_argument("--fault", default="", help="built into every unit")
    asked = parser.parse_args()
    handed_s = [0.0]
    work_s = [0.0, 0.0]
    plain, drawn = SimulatedPlayer.play, server.bench_fragment

    def drawing(*of: object) -> str:
        html = drawn(*of)
        if 'class="verdict' in html and not work_s[1]:
            work_s[1] = time.process_time()
        return html

    server.bench_fragment = drawing

    def timed(self: SimulatedPlayer, requests: Sequence[Sweep]) -> Iterator[Capture]:
        for capture in plain(self, requests):
            handed_s[0], work_s[:] = time.time(), [time.process_time(), 0.0]
            yield capture

    SimulatedPlayer.play = timed  # type: ignore[method-assign]
    with tempfile.TemporaryDirectory() as folder:
        workspace = Path(folder)
        shutil.copytree(ROOT / "limits" / asked.kit, workspace / "limits" / asked.kit)
        faults = f'faults = ["{asked.fault}"]\n' if asked.fault else ""
        (workspace / "bench.toml").write_text(f'kind = "simulated"\n[simulated]\nfaster = 1\n{faults}', "utf-8")
        station = Station(workspace)
        served = server.Server(station)
        served.start()
        main_thread = threading.get_ident()

        def act() -> None:
            try:
                with sync_playwright() as started:
                    browser = started.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
                    page = browser.new_page(viewport={"width": 1366, "height": 768})
                    page.add_init_script(SEEN)
                    page.goto(served.address)
                    example = station.kits[0].serial_example
                    for n in range(asked.units):
                        walk(page, f"{example[:-1]}{n + 1}")
                        took_s = page.evaluate("window.seen") / 1000 - handed_s[0]
                        words = f"{example[:-1]}{n + 1} {station.view.result.outcome}: {took_s:.2f} s by the clock, "
                        words += f"{work_s[1] - work_s[0]:.2f} s of the rig's own processor time"
                        print(f"{words}; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors", flush=True)
                        while station.is_under_way:
                            time.sleep(0.05)
            finally:
                interrupt(main_thread)

        threading.Thread(target=act, daemon=True).start()
        try:
            station.serve()
        except KeyboardInterrupt:
            served.stop()


def walk(page: Page, serial: str) -> None:
    """One unit from its scan to its verdict by keys."""
    page.set_default_timeout(120_000)
    page.wait_for_selector(".desk")
    page.keyboard.type(serial)
    page.keyboard.press("Enter")
    page.wait_for_selector(".phase-chosen")
    hold(page)
    shown = ""
    while True:
        page.wait_for_selector(".phase-asking, .phase-done")
        if page.locator(".phase-done").count():
            page.wait_for_function("window.seen > 0")
            return
        step = page.locator(".step").inner_text()
        if step != shown:
            page.wait_for_timeout(500)
            hold(page)
            shown = step
        page.wait_for_timeout(100)


def hold(page: Page) -> None:
    """A key held for a second and a little."""
    page.keyboard.down("Space")
    page.wait_for_timeout(1150)
    page.keyboard.up("Space")


if __name__ == "__main__":
    main()
