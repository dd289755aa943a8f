"""The commands: exit statuses, what is printed, and that --json prints one document and nothing else."""

import json
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest
from stored_records import all_records

from rig import cli
from rig.__main__ import main as run_as_module
from rig.store import records


def kitproof(monkeypatch: pytest.MonkeyPatch, *words: str) -> int:
    """Run a command in this process; its exit status."""
    monkeypatch.setattr(sys, "argv", ["kitproof", *words])
    with pytest.raises(SystemExit) as left:
        cli.main()
    code = left.value.code
    assert isinstance(code, int)
    return code


@pytest.fixture
def folder(tmp_path: Path, workspace: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A workspace of its own, which the commands run in."""
    shutil.copytree(workspace / "limits", tmp_path / "limits")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_command_that_a_script_starts_in_the_background_can_be_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        monkeypatch.setattr(cli, "app", lambda **_: signal.raise_signal(signal.SIGINT))
        assert kitproof(monkeypatch, "verify") == 2
    finally:
        signal.signal(signal.SIGINT, before)


def test_verify_results_show_and_rejudge_agree(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    fault = ("--fault", "reversed:left:tweeter")
    assert kitproof(monkeypatch, "verify", "booth-two", "BT-0002", "--json", *fault) == 1
    document = json.loads(capsys.readouterr().out)
    assert document["outcome"] == "fail"
    record = Path(document["folder"])
    assert (record / "report.html").read_text(encoding="utf-8").startswith("<!")
    reversed_ones = [
        verdict["subject"]
        for result in document["results"]
        for verdict in result["verdicts"]
        if verdict["quantity"] == "driver polarity" and verdict["outcome"] == "fail"
    ]
    assert reversed_ones == ["left tweeter"]

    assert kitproof(monkeypatch, "rejudge", "BT-0002") == 1
    assert "then: fail; by today's limits: fail" in capsys.readouterr().out
    assert len(all_records(folder)[0]) == 1

    assert kitproof(monkeypatch, "show", "BT-0002") == 0
    shown = capsys.readouterr().out
    assert "fail" in shown
    assert "every file is what it was" in shown

    assert kitproof(monkeypatch, "results", "--outcome", "fail", "--json") == 0
    assert [entry["serial"] for entry in json.loads(capsys.readouterr().out)] == ["BT-0002"]
    assert kitproof(monkeypatch, "results", "--outcome", "pass", "--json") == 0
    assert json.loads(capsys.readouterr().out) == []

    (record / "captures" / "001.flac").write_bytes(b"changed")
    (record / "captures" / "002.flac").unlink()
    assert kitproof(monkeypatch, "show", "BT-0002") == 2
    shown = " ".join(capsys.readouterr().out.split())
    assert "captures/001.flac was changed after the run; captures/002.flac is missing" in shown


def test_a_bench_that_gives_nothing_leaves_with_4_and_no_record(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert kitproof(monkeypatch, "verify", "booth-two", "BT-0001", "--json", "--fault", "unplugged") == 4
    printed = capsys.readouterr()
    assert printed.out == ""
    assert "the sound device is gone" in printed.err
    assert all_records(folder) == ([], [])
    assert records.unfinished(folder) == []


@pytest.mark.parametrize("in_the_way", ["booth-two", ".outbox"])
def test_where_nothing_can_be_written_nothing_sounds(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], in_the_way: str
) -> None:
    (folder / "results").mkdir()
    (folder / "results" / in_the_way).write_text("in the way", encoding="utf-8")
    assert kitproof(monkeypatch, "verify", "booth-two", "BT-0001") == 3
    printed = capsys.readouterr()
    assert "a record could not be written there" in printed.err
    assert "stage:" not in printed.err
    assert "pass" not in printed.out


def test_a_junk_record_is_told_and_hides_no_other(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert kitproof(monkeypatch, "verify", "booth-two", "BT-0001", "--json", "--fault", "clips-off") == 2
    junk = folder / "results" / "booth-two" / "BT-0009" / "x"
    junk.mkdir(parents=True)
    (junk / "run.json").write_text("{", encoding="utf-8")
    capsys.readouterr()
    assert kitproof(monkeypatch, "results", "--json") == 0
    printed = capsys.readouterr()
    assert [entry["serial"] for entry in json.loads(printed.out)] == ["BT-0001"]
    assert "not valid JSON" in printed.err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["verify", "booth-too", "BT-0001"], "kits there: booth-two, rehearsal-three"),
        (["verify", "booth-two", "BT-1"], "for example BT-0001"),
        (["verify", "booth-two", ""], "for example BT-0001"),
        (["verify", "booth-two", "../../x"], "for example BT-0001"),
        (["verify", "booth-two", "BT-0001", "--fault", "broken"], "there is no such kind"),
        (["verify", "booth-two", "BT-0001", "--bench", "other.toml"], "other.toml: there is no such file"),
        (["verify", "booth-two"], "serial"),
        (["verify", "booth-two", "BT-0001", "--loud"], "--loud"),
        (["prove"], "prove"),
        (["results", "--outcome", "maybe"], "allowed: pass, fail, void"),
        (["show", "BT-0001"], "no record of 'BT-0001'"),
        (["faults", "x"], "kits there"),
    ],
)
@pytest.mark.usefixtures("folder")
def test_wrong_usage_leaves_with_3_and_says_what_is_allowed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], words: list[str], told: str
) -> None:
    assert kitproof(monkeypatch, *words) == 3
    printed = capsys.readouterr()
    assert told in printed.err
    assert printed.out == ""


def test_a_mistake_in_a_kit_is_listed_with_the_kits(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert kitproof(monkeypatch, "kits") == 0
    path = folder / "limits" / "booth-two" / "kit.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("supply_v", "suply_v"), encoding="utf-8")
    capsys.readouterr()
    assert kitproof(monkeypatch, "kits") == 3
    printed = capsys.readouterr()
    assert "did you mean 'supply_v'?" in " ".join(printed.out.replace("│", "").split())
    assert "did you mean 'supply_v'?" in printed.err


def test_without_a_person_a_real_bench_asks_for_yes(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "bench.toml").write_text(
        'kind = "soundcard"\nname = "x"\n[device]\nhost_api = "none"\nname = "none"\ninputs = 2\noutputs = 2\n',
        encoding="utf-8",
    )
    assert kitproof(monkeypatch, "verify", "booth-two", "BT-0001") in (3, 4)
    assert capsys.readouterr().err


def test_everything_but_a_sound_card_works_without_portaudio(folder: Path, tmp_path: Path) -> None:
    hidden = tmp_path / "hidden"
    hidden.mkdir()
    # What the library does on a machine without PortAudio: its import raises OSError.
    (hidden / "sounddevice.py").write_text("raise OSError('PortAudio library not found')", encoding="utf-8")
    root = Path(cli.__file__).parent.parent

    def run(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "rig", *words],
            cwd=folder,
            env={"PYTHONPATH": f"{hidden}:{root}", "PATH": ""},
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )

    assert run("results").returncode == 0
    assert run("kits").returncode == 0
    told = run("devices")
    assert told.returncode == 4
    assert "libportaudio2" in told.stderr


def test_ctrl_c_ends_any_command_with_a_word(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def struck(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("rig.commands.index.ask", struck)
    assert kitproof(monkeypatch, "index") == 2
    assert capsys.readouterr() == ("", "stopped\n")


def test_a_command_that_is_stopped_before_it_begins_tells_a_program_so_in_one_document(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def struck(**_: object) -> None:
        raise KeyboardInterrupt

    def struck_later(**_: object) -> None:
        print('{"outcome": "pass"}')
        raise KeyboardInterrupt

    monkeypatch.setattr(cli, "app", struck)
    assert kitproof(monkeypatch, "verify", "--json") == 2
    told = capsys.readouterr()
    assert (json.loads(told.out)["outcome"], told.err) == ("void", "stopped\n")
    monkeypatch.setattr(cli, "app", struck_later)
    assert kitproof(monkeypatch, "verify", "--json") == 2
    assert json.loads(capsys.readouterr().out) == {"outcome": "pass"}


def test_ctrl_c_while_the_commands_are_loaded_is_no_traceback(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Loading(ModuleType):
        def __getattr__(self, name: str) -> object:
            raise KeyboardInterrupt

    monkeypatch.setitem(sys.modules, "rig.cli", Loading("rig.cli"))
    monkeypatch.setattr(sys, "argv", ["kitproof", "verify", "--json"])
    with pytest.raises(SystemExit) as left:
        run_as_module()
    told = capsys.readouterr()
    assert (left.value.code, json.loads(told.out)["outcome"], told.err) == (2, "void", "stopped\n")
