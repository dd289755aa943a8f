"""A disk that is full, as a limit of this process on how long a file may become; the errors are the system's own."""

from collections.abc import Iterator
from contextlib import contextmanager

import pytest


@contextmanager
def full_disk(room: int = 0) -> Iterator[None]:
    """Within it no file can become longer than `room` bytes."""
    resource = pytest.importorskip("resource")
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (room, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
