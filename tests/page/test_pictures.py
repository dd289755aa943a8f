"""The main pages as they look, held against pictures that were looked at; coarsely, for fonts differ between machines.

`python tests/page/test_pictures.py` takes them anew: look at each of them before it is kept.
"""

import io
import sys
from pathlib import Path

import numpy as np
import pytest
import scipy
from numpy.typing import NDArray
from PIL import Image

ROOT = Path(__file__).parents[2]
sys.path.append(str(ROOT))
from real_browser import launched  # noqa: E402  (first: it skips all of this where there is no browser)

# isort: split
from playwright.sync_api import Browser, Page  # noqa: E402

import checks  # noqa: E402
from rig.page.server import Server  # noqa: E402
from rig.page.station import Station  # noqa: E402
from rig.page.view import Light, Question, Result, Unit, View  # noqa: E402

KEPT = Path(__file__).parent / "pictures"
WIDE, LARGE = (1366, 768), (1920, 1080)
#: Pixels of a picture that become one of the pixels that are compared.
COARSE = 8
#: So many of those, across and down, make a tile; it is drawn on where its mean differs so much, of 255, from the page.
TILE, DRAWN = 4, 3.0
#: In another font words stand so many tiles away at most.
MOVED = 2
#: Another font loses up to 12 tiles, a panel that is not there 21 at least.
MOST = 15
#: Name of a picture -> what is shown, where, in which language, at which size, and whether dark.
PICTURES = {
    "asking": ("asking", "/", "en", WIDE, False),
    "asking-large": ("asking", "/", "en", LARGE, False),
    "asking-german": ("asking", "/", "de", WIDE, False),
    "verdict": ("verdict", "/", "en", WIDE, False),
    "verdict-large": ("verdict", "/", "en", LARGE, False),
    "verdict-dark": ("verdict", "/", "en", WIDE, True),
    "units": ("idle", "/units", "en", WIDE, False),
    "calibrations": ("idle", "/calibrations", "en", WIDE, False),
}


def view_of(moment: str) -> View:
    """What the bench shows of a unit that is made up."""
    if moment == "idle":
        return View()
    titles = [check.TITLE for check in (checks.leads, checks.response, checks.rub_and_buzz, checks.distortion)]
    lights = [Light(title, title, "pass" if n < 2 else None) for n, title in enumerate(titles)]
    unit = Unit("booth-two", "Booth Two", "BT-0001", "full")
    if moment == "asking":
        question = Question(7, "Microphone at woofer of the left box, 0.5 m away.", "All boxes play, quietly.")
        return View("asking", unit, checks=tuple(lights), stage="playing", place="woofer", question=question)
    lights = [Light(title, title, "fail" if n == 2 else "pass") for n, title in enumerate(titles)]
    failed = ("Rub and buzz: left: 6.2 dB over its limit at 84 Hz",)
    finding = ("Probably", [("the woofer of the left box rubs", [("look at", "its surround and its leads")])])
    result = Result("fail", "Not within its limits.", failed, 0, (finding,), "", "", "booth-two/BT-0001/1")
    return View("done", unit, checks=tuple(lights), result=result)


def taken(browser: Browser, workspace: Path, name: str, style: str = "") -> Image.Image:
    """A picture of a page, grey; `style` is laid over it."""
    moment, path, language, (width, height), dark = PICTURES[name]
    station = Station(workspace, language=language)
    server = Server(station)
    server.start()
    try:
        scheme = "dark" if dark else "light"
        with browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme) as context:
            window = context.new_page()
            window.goto(f"{server.address}{path[1:]}")
            if path == "/":
                _show(window, station, moment)
            if style:
                # As a policy forbids it to a page: from outside.
                window.evaluate("(rule) => document.styleSheets[0].insertRule(rule)", style)
            return Image.open(io.BytesIO(window.screenshot())).convert("L")
    finally:
        server.stop()


def _show(window: Page, station: Station, moment: str) -> None:
    window.wait_for_selector(".desk")
    view = view_of(moment)
    with station._lock:
        station._show(View(**{**vars(view), "answering": station.view.answering}))
    window.wait_for_selector(f".phase-{view.phase}")


def drawn(picture: Image.Image) -> NDArray[np.bool_]:
    """Which tiles of a picture are drawn on."""
    small = picture.convert("L").resize((picture.width // COARSE, picture.height // COARSE), Image.Resampling.BOX)
    grey = np.asarray(small, dtype=np.float64)
    rows, columns = (length // TILE for length in grey.shape)
    ink = np.abs(grey - np.median(grey))[: rows * TILE, : columns * TILE]
    return ink.reshape(rows, TILE, columns, TILE).mean(axis=(1, 3)) > DRAWN


def lost(a: Image.Image, b: Image.Image) -> int:
    """How many tiles are drawn on in one of two pictures with nothing anywhere near in the other."""
    one, other = drawn(a), drawn(b)
    near = np.ones((2 * MOVED + 1, 2 * MOVED + 1))
    return int(sum(np.sum(x & ~scipy.ndimage.binary_dilation(y, near)) for x, y in ((one, other), (other, one))))


@pytest.fixture(scope="module")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("pictures")
    (folder / "limits").symlink_to(ROOT / "limits")
    return folder


@pytest.mark.parametrize("name", PICTURES)
def test_a_page_looks_as_it_was_looked_at(browser: Browser, workspace: Path, name: str) -> None:
    assert lost(taken(browser, workspace, name), Image.open(KEPT / f"{name}.png")) < MOST


@pytest.mark.parametrize(("name", "gone"), [("asking", "figure"), ("asking", ".goes"), ("verdict", ".checks")])
def test_a_panel_that_is_gone_is_seen(browser: Browser, workspace: Path, name: str, gone: str) -> None:
    without = taken(browser, workspace, name, f"{gone} {{ visibility: hidden !important; }}")
    assert lost(without, Image.open(KEPT / f"{name}.png")) > MOST


def test_another_font_is_no_other_page(browser: Browser, workspace: Path) -> None:
    in_serifs = taken(browser, workspace, "calibrations", "html { font-family: serif !important; }")
    assert lost(in_serifs, Image.open(KEPT / "calibrations.png")) < MOST


def main() -> None:
    """Take all pictures anew."""
    KEPT.mkdir(exist_ok=True)
    with launched() as browser:
        for name in PICTURES:
            taken(browser, ROOT, name).quantize(16).save(KEPT / f"{name}.png", optimize=True)


if __name__ == "__main__":
    main()
