"""`kitproof check-bench` over a real sound path: faults of the wiring made in the unit's own client."""

from dataclasses import replace
from pathlib import Path

import pytest
from hostile.promise import kitproof
from test_sound_path_verify import UNIT, workspace_in
from unit_client import LoadSettings, UnitSettings, WiringSettings, running_unit

pytestmark = pytest.mark.sound_path

#: A room of about 40 dB SPL at the microphone.
ROOM = WiringSettings(room=2e-5)
#: Nothing hangs at the clips.
NO_LOAD = LoadSettings(re_ohm=1e7, le_h=0.0, resonance_ohm=0.0)


@pytest.fixture(scope="module")
def folder(server_name: str, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace whose two inputs were never compared on a known load."""
    return workspace_in(tmp_path_factory.mktemp("check"))


def told(folder: Path, stage: str, unit: UnitSettings) -> dict[str, dict]:
    """What is told to be wrong, by what it is."""
    with running_unit(unit):
        done = kitproof("check-bench", "path-two", "--stage", stage, "--json", "--yes", "--workspace", str(folder))
    document = done.document()
    assert {one["stage"] for one in document["told"]} == {stage}
    wrong = {one["what"]: one for one in document["told"] if one["is_right"] is False}
    assert done.status == (1 if wrong else 0)
    return wrong


def wired(**changes: float | bool) -> UnitSettings:
    return replace(UNIT, wiring=replace(ROOM, **changes))


def test_nothing_is_wrong_with_a_good_bench(folder: Path) -> None:
    assert told(folder, "playing", wired()) == {}


@pytest.mark.parametrize(
    ("what", "changes"),
    [
        pytest.param("microphone silent", {"microphone": 0.0}, marks=pytest.mark.thorough),
        pytest.param("loopback missing", {"loopback": 0.0}, marks=pytest.mark.thorough),
        pytest.param("output silent", {"output": 0.0}, marks=pytest.mark.thorough),
        ("inputs exchanged", {"exchanged": True}),
        pytest.param("output level", {"output": 0.5}, marks=pytest.mark.thorough),
        pytest.param("hum", {"hum": 2e-3}, marks=pytest.mark.thorough),
    ],
)
def test_faults_while_playing_are_told(folder: Path, what: str, changes: dict[str, float]) -> None:
    found = told(folder, "playing", wired(**changes))
    assert set(found) == {what}
    assert found[what]["what_to_do"]


@pytest.mark.parametrize(
    ("what", "unit"),
    [
        ("no current", replace(UNIT, load=NO_LOAD)),
        pytest.param("inputs exchanged", wired(exchanged=True), marks=pytest.mark.thorough),
        pytest.param("hum", wired(hum=2e-3), marks=pytest.mark.thorough),
    ],
)
def test_faults_at_the_leads_are_told(folder: Path, what: str, unit: UnitSettings) -> None:
    # The unit's load is no driver in a box of this kit: whether it is the design's is another test's business.
    assert set(told(folder, "leads", unit)) - {"input gains", "sense resistor"} == {what, "known load"}
