"""A sound server for the tests that play through one."""

import contextlib
import os
from collections.abc import Iterator
from unittest import mock

import pytest
import unit_client
from busy_machine import ASKED

from rig.calibration import desk


@pytest.fixture(scope="session")
def sound_path() -> None:
    """Skip where this machine has no sound path, or fail where KITPROOF_REQUIRE_SOUND_PATH=1 says it must have one."""
    lacking = unit_client.missing_parts()
    if not lacking:
        return
    words = f"no sound path on this machine: {lacking} missing"
    if os.environ.get("KITPROOF_REQUIRE_SOUND_PATH") == "1":
        pytest.fail(words)
    pytest.skip(words)


@pytest.fixture(scope="session")
def server_name(sound_path: None) -> Iterator[str]:
    """Name of a running sound server."""
    # Sound cannot wait until another process has done its tests; what is started from here on has the same priority.
    with contextlib.suppress(PermissionError):
        os.setpriority(os.PRIO_PROCESS, 0, -10)
    # A calibration that the driver disturbs is made again, on a busy machine more often than at a bench.
    with unit_client.sound_server(), mock.patch.object(desk, "TRIES", ASKED):
        yield os.environ["JACK_DEFAULT_SERVER"]
