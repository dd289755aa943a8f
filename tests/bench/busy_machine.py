"""What a busy machine may do to a run over the sound path, and the one thing that is done about it."""

from collections.abc import Callable
from typing import Any, TypeVar

from rig.files.errors import BenchError

TRIES = 3
#: What the rig refuses to believe is asked for so often: nothing else of a machine that has other things to do.
ASKED = 10

Found = TypeVar("Found")


def believed(probe: Callable[[], Found]) -> Found:
    """What a probing finds, once the driver lost nothing of it."""
    for _ in range(ASKED - 1):
        try:
            return probe()
        except BenchError as error:
            if "the sound driver reported" not in str(error):
                raise
    return probe()


def undisturbed(verify: Callable[[], dict[str, Any]]) -> dict[str, Any]:
    """The document of a run that a busy machine did not disturb, of a few.

    A run is played again only where it is void and the integrity check refused the last attempt at one of its
    captures: nothing was proved then. A pass, a fail, and a void for any other reason stand as they came.
    """
    for _ in range(TRIES - 1):
        document = verify()
        if document["outcome"] != "void" or not was_disturbed(document):
            return document
    return verify()


def was_disturbed(document: dict[str, Any]) -> bool:
    """Whether the last attempt at any capture of a run was refused for what its samples say of the sound path."""
    last: dict[str, list[str]] = {repr(entry["request"]): entry["troubles"] for entry in document["captures"]}
    return any(last.values())
