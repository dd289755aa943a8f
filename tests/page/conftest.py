"""What tests of the pages share."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture(scope="module")
def browser() -> "Iterator[Browser]":
    """A real browser, for modules that import `real_browser`, which skips them where there is none."""
    from real_browser import launched

    with launched() as found:
        yield found
