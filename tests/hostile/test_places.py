"""Other locales, zones and scripts, and a file system that knows no capitals."""

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

from hostile.ground import ARCHIVE, KIT, ODD
from hostile.promise import kitproof
from rig.store.records import damages, unit_records

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
