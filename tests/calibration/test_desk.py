"""The person and the meter at the bench: what is asked again, and what an instrument says instead."""

from pathlib import Path

import pytest

from rig.bench.settings import BenchSettings
from rig.calibration import desk
from rig.calibration.desk import Guide, asked_over_visa, typed
from rig.files.errors import BenchError, BenchSetupError, Stopped

METER = """
spec: "1.1"
resources:
  USB0::0x1111::0x2222::33::INSTR:
    device: meter
devices:
  meter:
    eom:
      USB INSTR:
        q: "\\n"
        r: "\\n"
    error: ERROR
    dialogues:
      - {{ q: "MEAS:VOLT:AC?", r: "{answer}" }}
"""


def guide(lines):
    said = []
    return Guide(lambda words: lines.pop(0), said.append, lambda words: bool(lines)), said


def bench(folder: Path, answer: str = "+7.07100E-01", unit: str = "volt") -> BenchSettings:
    file = folder / "meter.yaml"
    file.write_text(METER.format(answer=answer), encoding="utf-8")
    instrument = {
        "name": "bench meter",
        "address": "USB0::0x1111::0x2222::33::INSTR",
        "read_termination": "\n",
        "identify_query": "",
        "values": [{"role": "ac volts", "unit": unit, "query": "MEAS:VOLT:AC?"}],
    }
    return BenchSettings(kind="simulated", visa_backend=f"{file}@sim", instruments=[instrument])


@pytest.fixture(autouse=True)
def _impatient(monkeypatch):
    monkeypatch.setattr(desk, "METER_SETTLE_S", 0.2)
    monkeypatch.setattr(desk, "ANSWER_WITHIN_S", 3.0)


def test_the_person_is_asked_until_there_is_a_reading():
    person, said = guide(["", "0,7", "707.1 mV"])
    assert typed(person).volts == pytest.approx(0.7071)
    assert len(said) == 2


def test_a_no_stops():
    person, _ = guide([])
    with pytest.raises(Stopped):
        person.ready("Take the cables off.")


def test_a_meter_is_asked_over_visa(tmp_path):
    person, said = guide([])
    found = asked_over_visa(bench(tmp_path), "ac volts")(person)
    assert found.volts == pytest.approx(0.7071)
    assert found.u_volts == 0
    assert said == ["ac volts: 0.7071 V"]


@pytest.mark.parametrize(("answer", "words"), [("-0.1", "is it on AC volts"), ("OVLD", "answers within")])
def test_a_meter_that_gives_no_reading_is_told(tmp_path, answer, words):
    with pytest.raises(BenchError, match=words):
        asked_over_visa(bench(tmp_path, answer), "ac volts")(guide([])[0])


def test_only_a_role_in_volts_is_a_meter(tmp_path):
    with pytest.raises(BenchSetupError, match="found 'volts'; allowed: a role in volts: ac volts"):
        asked_over_visa(bench(tmp_path), "volts")
    with pytest.raises(BenchSetupError, match="a role in volts: none"):
        asked_over_visa(bench(tmp_path, unit="ampere"), "ac volts")
