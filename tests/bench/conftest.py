"""A sound server for the tests that play through one."""

import os
from collections.abc import Iterator

import pytest
import unit_client


@pytest.fixture(scope="session")
def server_name() -> Iterator[str]:
    """A running sound server, or the reason why there is none."""
    lacking = unit_client.missing_parts()
    if lacking:
        if os.environ.get("KITPROOF_REQUIRE_SOUND_PATH") == "1":
            pytest.fail(f"no sound path on this machine: {lacking} missing")
        pytest.skip(f"no sound path on this machine: {lacking} missing")
    with unit_client.sound_server():
        yield os.environ["JACK_DEFAULT_SERVER"]
