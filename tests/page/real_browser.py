"""A real browser for the pages; a module that imports this is skipped where there is none, unless one is required."""

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
if not BROWSER and not os.environ.get("KITPROOF_REQUIRE_BROWSER"):
    pytest.skip("no chromium here", allow_module_level=True)

from playwright.sync_api import Browser, sync_playwright  # noqa: E402


@contextmanager
def launched() -> Iterator[Browser]:
    """A browser that runs as long as this."""
    with sync_playwright() as started:
        found = started.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        yield found
        found.close()
