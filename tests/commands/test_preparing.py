"""What is made ready while the first question is read: where that fails, it is told in words before anything sounds."""

from pathlib import Path

import pytest
from rich.console import Console
from simulated_runs import ROOT

from rig.commands import verify
from rig.files.errors import BENCH, BenchError
from rig.run import rehearsal
from rig.run.verify import job


def broken(*_: object) -> None:
    raise ImportError("no such library")


@pytest.fixture(scope="module")
def work():
    return job(ROOT, "booth-two")


def test_what_cannot_be_loaded_ends_the_run_before_anything_sounds(work, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(rehearsal, "load_what_computes", broken)
    (tmp_path / "limits").symlink_to(ROOT / "limits")
    with pytest.raises(BenchError, match="ImportError: no such library\nNothing was played") as told:
        verify.verify_command("booth-two", "BT-0001", workspace=tmp_path, yes=True)
    assert told.value.exit_status == BENCH
    assert not [path for path in tmp_path.glob("results/*/*/*") if path.is_dir()]


def test_what_can_be_done_without_is_told_and_the_run_goes_on(work, monkeypatch, capfd) -> None:
    monkeypatch.setattr(verify, "kit_warnings", broken)
    ask = verify._prepared(work, lambda words: True, Console(width=200), False)
    assert ask("Go on?")
    out, err = capfd.readouterr()
    assert "warning: not all could be looked at before the run: ImportError: no such library" in out
    assert err == ""
