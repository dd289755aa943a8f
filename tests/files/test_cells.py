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
        # Where numbers have a comma, cells end at a semicolon; quotes within one are no quotes there.
        ("lot 3;=cmd|' /C calc'!A0", "lot 3;'=cmd|' /C calc'!A0"),
        ("lot 3\t @SUM(A1)", "lot 3\t' @SUM(A1)"),
        ("3,\n=1+1", '"3,\n\'=1+1"'),
        ("  =1+1", "'  =1+1"),
        ("\uff1d1+1", "'\uff1d1+1"),
        ("a - b; c", "a - b; c"),
        (-1.5, "-1.5"),
        (None, '""'),
    ],
)
def test_a_cell_is_no_formula_and_steers_no_terminal(cell: object, written: str) -> None:
    file = io.StringIO()
    write_csv(file, ["by"], [[cell]])
    assert file.getvalue() == f"by\n{written}\n"
