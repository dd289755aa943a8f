"""Other locales, zones and scripts, and a file system that knows no capitals."""

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from hostile.ground import ARCHIVE, KIT, ODD
from hostile.promise import kitproof
from rig.bench.settings import load_bench_file
from rig.design.kit import load_kit
from rig.files.disk import is_folder_name
from rig.files.errors import BenchSetupError, RecordError
from rig.store.records import damages, reserve, unit_records

ROOT = Path(__file__).parents[2]


def test_a_run_in_another_locale_zone_and_script(tmp_path: Path) -> None:
    workspace = tmp_path / ODD
    shutil.copytree(ARCHIVE / "limits", workspace / "limits")
    words = ("verify", KIT, "SO-0001", "--plan", "bare", "--json")
    plain = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "PYTHONIOENCODING": "ascii"}
    done = subprocess.run(
        [sys.executable, "-X", "warn_default_encoding", "-W", "default::EncodingWarning", "-m", "rig", *words],
        cwd=workspace,
        env={**os.environ, **plain, "TZ": "Asia/Kathmandu", "PYTHONPATH": str(ROOT), "COLUMNS": "40"},
        capture_output=True,
        timeout=600,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    # No file is opened in the locale's encoding (cp1252 on many a Windows).
    assert not [
        line
        for line in done.stderr.decode("utf-8", "replace").splitlines()
        if "EncodingWarning" in line and str(ROOT / "rig") in line
    ]
    document = json.loads(done.stdout)
    assert document["started_at"].endswith("+05:45")
    [record] = unit_records(workspace, "SO-0001")
    assert (record.outcome, damages(record)) == ("pass", [])


def test_where_capitals_are_not_told_apart_no_unit_answers_for_another(tmp_path: Path) -> None:
    shutil.copytree(ARCHIVE, tmp_path, dirs_exist_ok=True)
    kit, home = tmp_path / "limits" / KIT / "kit.toml", tmp_path / "results" / KIT
    kit.write_text(re.sub(r"'SO-", "'[Ss][Oo]-", kit.read_text(encoding="utf-8")), encoding="utf-8")
    # One folder under both names, as such a file system has it.
    (home / "so-0002").symlink_to("SO-0002")
    at = ("--workspace", str(tmp_path))
    for command in (("show", "so-0002"), ("label", "so-0002"), ("certificate", "so-0002"), ("rejudge", "so-0002")):
        done = kitproof(*command, *at)
        assert done.status == 3, done
        assert "stands in another's folder" in done.err
    assert kitproof("verify", KIT, "so-0002", "--plan", "bare", *at).status == 0
    assert json.loads(kitproof("show", "so-0002", "--json", *at).out)["serial"] == "so-0002"
    done = kitproof("show", "SO-0002", *at)
    assert done.status == 3, done
    assert [record.serial for record in unit_records(tmp_path, "SO-0002")] == ["SO-0002", "SO-0002"]


def test_a_new_serial_that_differs_by_capitals_alone_is_refused(tmp_path: Path) -> None:
    """Copied to a disk that knows no capitals both would be in one folder."""
    shutil.copytree(ARCHIVE, tmp_path, dirs_exist_ok=True)
    kit = tmp_path / "limits" / KIT / "kit.toml"
    kit.write_text(re.sub(r"'SO-", "'[Ss][Oo]-", kit.read_text(encoding="utf-8")), encoding="utf-8")
    kit_now = load_kit(tmp_path, KIT)
    with pytest.raises(RecordError, match="found 'so-0002'; allowed: 'SO-0002', which is there already"):
        reserve(tmp_path, kit_now, "so-0002")
    assert reserve(tmp_path, kit_now, "so-0009").is_dir()


@pytest.mark.parametrize("name", ["a\nb", "a\tb", "a\u202eb", "a\u200bb", "x" * 201, ""])
def test_a_bench_whose_name_would_break_its_chain_is_refused(tmp_path: Path, name: str) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(f'kind = "simulated"\nname = {json.dumps(name)}\n', encoding="utf-8")
    with pytest.raises(BenchSetupError, match="name: found"):
        load_bench_file(path)


@pytest.mark.parametrize(
    ("name", "may_be"),
    [
        *(
            (name, False)
            for name in ("CON", "con.txt", "COM1", "com9 .x", "COM\u00b9", "LPT\u00b3.a", "CONIN$", "conout$")
        ),
        *((name, False) for name in ("SO-1.", "SO-1 ", "a:b", "a|b", "a?b", 'a"b', "a\tb")),
        *((name, True) for name in ("SO-1", "COM-1", "COM10", "CONTROL", "nulls", "a.b", "\u00fc 1")),
    ],
)
def test_what_no_folder_may_be_called_on_windows(name: str, may_be: bool) -> None:
    assert is_folder_name(name) == may_be
