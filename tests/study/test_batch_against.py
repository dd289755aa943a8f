"""Two batches against each other: a difference that was built in, one that was not, and what few units cannot tell."""

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from stored_batch import Plan, stored_batch
from test_batch import template
from typer.testing import CliRunner

from rig import cli
from rig.commands.batch import other_selection
from rig.files.errors import RecordError, TableError
from rig.statistics.equivalence import Comparison, of_groups, of_pairs
from rig.store.selection import Selection
from rig.study.batch_against import Compared, _judged, _telling, against


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """40 units of shelf-one on two benches in turns, of which the first reads 1.2 dB less."""
    workspace = tmp_path_factory.mktemp("against")
    plan = Plan(40, lot_from=0, drift_from=1, drift_db=-1.2, faulty=0, void=0, per_day=4)
    plan = Plan(**{**vars(plan), "benches": ("bench one", "bench two")})
    list(stored_batch(workspace, template(workspace / "template"), plan))
    return workspace


def test_benches_that_differ_in_level_alone_are_told_so(store: Path) -> None:
    asked = ["batch", "shelf-one", "--workspace", str(store), "--bench", "bench one", "--against", "bench=bench two"]
    done = CliRunner().invoke(cli.app, [*asked, "--margin", "20"])
    assert done.exit_code == 0, done.output
    lines = done.stdout.splitlines()
    assert "20 units against 20" in lines[0]
    assert max(map(len, lines[:-1])) <= 80
    report = Path(lines[-1].removeprefix("figures and tables: "))
    assert "<svg" in report.read_text(encoding="utf-8")
    rows = pd.read_csv(report.with_name("differences.csv")).set_index(["quantity", "subject"])
    level = rows.loc["sensitivity", "box"]
    assert level["verdict"] == "different"
    assert level["lower_90"] < 1.2 < level["upper_90"]
    # Nothing was built into the coils; the limits are 24 % wide there, and 20 % of that is the margin.
    coil = rows.loc["Re", "box woofer"]
    assert coil["verdict"] == "same"
    assert coil["margin"] == pytest.approx(0.2 * 0.24 * 5.64, rel=0.02)


def test_a_batch_is_not_compared_with_itself_nor_with_nothing(store: Path) -> None:
    def compare(other: Selection) -> None:
        against(store, Selection(kit="shelf-one"), other, 0.1, lambda said: None)

    with pytest.raises(TableError, match="both have 20 runs in common"):
        compare(Selection(kit="shelf-one", bench="bench two"))
    with pytest.raises(RecordError, match="no run of"):
        compare(Selection(kit="shelf-one", batch="autumn"))


def test_what_differs_is_asked_for_by_filters() -> None:
    first = Selection(kit="k", bench="one", by=("Ada",))
    assert other_selection(first, ["bench=two"]) == Selection(kit="k", bench="two", by=("Ada",))
    assert other_selection(first, ["by=Ben", "by=jig"]).by == ("Ben", "jig")
    for words in ("bench", "outcome=fail", "bench="):
        with pytest.raises(TableError, match="allowed: one of batch, bench"):
            other_selection(first, [words])


def row(comparison: Comparison, margin: float = 1.0) -> Compared:
    return Compared(("c", "q", "s"), "dB", math.nan, comparison, margin, comparison.difference_p(), "cannot tell")


def test_no_difference_found_is_not_yet_the_same() -> None:
    random = np.random.default_rng(1)
    few = row(of_groups(random.normal(0, 1, 4), random.normal(0, 1, 4)))
    [judged] = _judged([few])
    assert judged.verdict == "cannot tell"
    assert judged.units_needed > 4
    many = row(of_groups(random.normal(0, 1, 60), random.normal(0, 1, 60)))
    assert _judged([many])[0].verdict == "same"
    # A difference that is clear and still within the margin is the same for whoever set the margin.
    assert _judged([row(of_groups(random.normal(0, 0.1, 60), random.normal(0.4, 0.1, 60)))])[0].verdict == "same"
    # What is clear alone is no longer clear among a hundred (Holm).
    one = row(Comparison(2.2, 1.0, 100.0))
    assert _judged([one])[0].verdict == "different"
    assert {found.verdict for found in _judged([one] * 100)} == {"cannot tell"}


def test_a_curve_that_differs_is_told_where_it_does() -> None:
    """And not where its units scatter so much that nothing can be told."""
    scatters, differs, small = Comparison(-0.14, 0.26, 60.0), Comparison(0.5, 0.06, 60.0), Comparison(0.1, 0.01, 60.0)
    points = [(100.0, small, 0.3), (40.0, differs, 0.5), (4700.0, scatters, 0.3)]
    (hz, *_), p = _telling(points)
    assert hz == 40.0
    assert p == pytest.approx(3 * differs.difference_p())
    # A difference that is clear and within the margin does not make a curve another one.
    (hz, *_), p = _telling([points[0], points[2]])
    assert hz == 4700.0
    assert p == 1.0
    assert _telling(points[:1])[0] == points[0]


def test_units_measured_on_both_are_compared_with_themselves() -> None:
    random = np.random.default_rng(2)
    units = random.normal(0, 1, 12)
    again = units + 0.2 + random.normal(0, 0.05, 12)
    assert of_pairs(units, again).difference_p() < 1e-5
    assert of_groups(units, again).difference_p() > 0.3
    assert of_pairs(units, again).pairs == 12
