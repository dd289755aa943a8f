"""Figures and papers on a disk that is full: the former one stays, none is half there, and the error names it."""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest
from full_disk import full_disk

from rig.drawing.pdf import write_pdf
from rig.drawing.svg import write_svg
from rig.page.scans import CODES
from rig.report.label import write_code_sheet

DRAWING = '<svg viewBox="0 0 9 9"></svg>'
AT = datetime(2026, 3, 4, tzinfo=UTC)


@pytest.mark.parametrize(
    "draw",
    [
        lambda path: write_svg(path, DRAWING),
        lambda path: write_pdf(path, [DRAWING], "one", AT),
        lambda path: write_code_sheet(path, {"go on": next(iter(CODES))}, AT),
    ],
    ids=["svg", "pdf", "codes"],
)
def test_the_former_paper_stays_where_the_new_one_finds_no_room(tmp_path: Path, draw: Callable[[Path], Path]) -> None:
    path = tmp_path / "paper"
    former = draw(path).read_bytes()
    with full_disk(100), pytest.raises(OSError, match="File too large") as told:
        draw(path)
    assert told.value.filename == str(path)
    assert [one.name for one in tmp_path.iterdir()] == ["paper"]
    assert path.read_bytes() == former
