"""Only a void run whose captures the integrity check refused is played again; a verdict never is."""

import pytest
from busy_machine import TRIES, undisturbed


def run(outcome: str, *troubles: list[str]) -> dict:
    """A run with so many attempts at one sweep."""
    return {"outcome": outcome, "captures": [{"request": {"at": "left"}, "troubles": words} for words in troubles]}


LOST = ["drive: 64 samples lost"]


@pytest.mark.parametrize(
    ("document", "times"),
    [
        (run("void", LOST, LOST, LOST), TRIES),
        # Disturbed once and then well: whatever the run came to, it stands.
        (run("void", LOST, []), 1),
        (run("void", []), 1),
        (run("fail", LOST, LOST), 1),
        (run("pass", []), 1),
    ],
)
def test_a_run_is_played_again_only_where_the_sound_path_was_disturbed(document: dict, times: int) -> None:
    made = []
    assert undisturbed(lambda: made.append(1) or document) is document
    assert len(made) == times
