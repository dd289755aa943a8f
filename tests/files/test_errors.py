import sys

import pytest

from rig import cli
from rig.files.errors import (
    BenchError,
    BenchSetupError,
    Disagree,
    FaultError,
    KitproofError,
    PaperError,
    RecordError,
    Stopped,
    TableError,
)

STATUS = {
    KitproofError: 3,
    TableError: 3,
    RecordError: 3,
    Disagree: 3,
    PaperError: 3,
    BenchSetupError: 3,
    FaultError: 3,
    BenchError: 4,
    Stopped: 2,
}


@pytest.mark.parametrize("kind", STATUS, ids=lambda kind: kind.__name__)
def test_what_is_told_ends_in_one_line_and_in_the_exit_status_of_its_kind(
    kind: type[KitproofError], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fail(standalone_mode: bool) -> None:
        raise kind("bench.toml: name: found 1; allowed: words")

    monkeypatch.setattr(cli, "app", fail)
    monkeypatch.setattr(sys, "argv", ["kitproof", "kits"])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == STATUS[kind]
    printed = capsys.readouterr()
    assert printed.err == "bench.toml: name: found 1; allowed: words\n"
    assert printed.out == ""
