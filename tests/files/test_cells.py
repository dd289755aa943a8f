"""A table that was made of others' words is text, in a spreadsheet and on a terminal."""

import io

import pytest

from rig.files.cells import write_csv


@pytest.mark.parametrize(
    ("cell", "written"),
    [
        ("=1+1", "'=1+1"),
        ("\x0b@SUM(A1)", "'@SUM(A1)"),
        ("lot\x1b[2J\x9b2J 3\x07\u202e", "lot[2J2J 3"),
        (-1.5, "-1.5"),
        (None, '""'),
    ],
)
def test_a_cell_is_no_formula_and_steers_no_terminal(cell: object, written: str) -> None:
    file = io.StringIO()
    write_csv(file, ["by"], [[cell]])
    assert file.getvalue() == f"by\n{written}\n"
