"""Records of an earlier version: read, undamaged, and judged again to the same verdicts and values."""

import math
import shutil
from pathlib import Path

import pytest

from rig.report.paper import make_certificate, paper_of
from rig.run import sequencer
from rig.run.archive import ArchiveBench
from rig.run.verify import job
from rig.store import records
from rig.values.run import Finished

ARCHIVE = Path(__file__).parents[1] / "archive"
RUNS = sorted(path.parent for path in ARCHIVE.glob("results/*/*/*/run.json"))


def test_the_archive_holds_every_outcome() -> None:
    outcomes = [records.read_record(folder).outcome for folder in RUNS]
    assert sorted(outcomes) == ["fail", "pass", "pass", "pass", "void"]
    assert any(records.read_record(folder).logs for folder in RUNS)
    assert any(records.read_record(folder).rework for folder in RUNS)


@pytest.mark.parametrize("folder", RUNS, ids=lambda path: path.name)
def test_a_stored_record_gives_its_certificate(tmp_path: Path, folder: Path) -> None:
    copy = tmp_path / folder.name
    shutil.copytree(folder, copy)
    record = records.read_record(copy)
    make_certificate(record)
    page = paper_of(record).read_text(encoding="utf-8")
    for result in record.results:
        assert result.title in page
        for curve in result.curves:
            if curve.quantity in ("impedance", "free-field level"):
                assert f">{curve.subject}:" in page
    # Limits are drawn though no mask was kept then.
    assert ('class="upper"' in page) == any(
        math.isfinite(verdict.at_hz) for r in record.results for verdict in r.verdicts
    )
    told = records.damages(record)
    assert not [words for words in told if not words.startswith("the previous record")]


@pytest.mark.parametrize("folder", RUNS, ids=lambda path: path.name)
def test_a_stored_record_is_undamaged_and_judged_as_before(folder: Path) -> None:
    record = records.read_record(folder)
    assert records.damages(record) == []
    then = record
    work = job(ARCHIVE, then.kit.name, then.plan)
    bench = ArchiveBench(records.load_captures(record), {"run": then.run}, records.load_rows(record))
    events = sequencer.run(work.schedule, work.checks, work.kit, bench, lambda words: True)
    now = next(event.run for event in events if isinstance(event, Finished))
    assert now.outcome == then.outcome
    assert [(r.name, r.outcome) for r in now.results] == [(r.check, r.outcome) for r in then.results]
    for was, result in zip(then.results, now.results, strict=True):
        read = {(r.quantity, r.subject): r for r in result.read.readings}
        # These logs hold fewer digits than were judged.
        digits = 1e-4 if was.check == "heat" else 1e-6
        for reading in was.readings:
            found = read[reading.quantity, reading.subject]
            value = found.value
            if reading.quantity == "parts misfit":
                # Noise was left in it then, and is taken off now.
                assert 0 < value < reading.value
                continue
            if was.check == "rub_and_buzz":
                # What rubs is searched for more finely than then; that it is found alike was asked above.
                continue
            if reading.quantity == "worst distortion":
                # The edge of a harmonic is known now: in its lowest octave it is read by up to 0.2 dB more nearly.
                assert value == pytest.approx(reading.value, abs=0.2)
                continue
            # The noise before a stimulus is read where it was heard now, another stretch of the silence: its level
            # scatters, and so, far less, does what is read with it taken off.
            off = {"ping over noise": 2.0, "ping level": 1e-3, "band level": 1e-3}.get(reading.quantity)
            if off is not None:
                assert abs(value - reading.value) <= off * found.uncertainty, reading.quantity
                continue
            assert value == pytest.approx(reading.value, rel=digits, abs=1e-9, nan_ok=True), reading.quantity
