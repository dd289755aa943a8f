"""Paper is made from a record alone: no name in it can change the page, and no trouble of a drawing costs anything."""

import json
import shutil
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import run_by_hand as example
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from rig import cli
from rig.files.plain import json_bytes
from rig.findings.curves import ExplainedCurve
from rig.report import certificate as certificate_module
from rig.report.certificate import certificate
from rig.report.explanation import draw_explanation
from rig.report.paper import FORMER, PAGE, REPORT
from rig.run.verify import job
from rig.store import records
from rig.values.findings import Finding
from rig.values.readings import CheckReadings, Reading
from rig.values.run import Run

ARCHIVE = Path(__file__).parents[1] / "archive"
PIECES = (
    "<b>",
    "</style>",
    "-->",
    "<!--",
    "'",
    '"',
    "{{",
    "}}",
    "{%",
    "$",
    "\\",
    "\n",
    "&lt;",
    "ü",
    "ж",
    "中",
    "\u202e",
    "}",
)
NAMES = st.lists(st.sampled_from(PIECES) | st.text(max_size=4), min_size=1, max_size=8).map(
    lambda parts: "n" + "".join(parts)
)


class Elements(HTMLParser):
    """Counts elements with the names of their attributes, and keeps the style sheet."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: Counter[tuple[str, ...]] = Counter()
        self.style, self._in_style = "", False
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found[(tag, *(name for name, _ in attrs))] += 1
        self._in_style = tag == "style"

    def handle_endtag(self, tag: str) -> None:
        self._in_style = False

    def handle_comment(self, data: str) -> None:
        self.found["comment",] += 1

    def handle_data(self, data: str) -> None:
        self.style += data if self._in_style else ""


def elements(name: str) -> Elements:
    """The page of a run in which every text that somebody may have written is this one."""
    kit = example.kit()
    kit = kit.model_copy(update={"title": name, "revision": name})
    curve = example.level_curve(name, method=name)
    read = CheckReadings((Reading("Re", name, 5.5, "ohm", trouble=name),), (curve,), remarks=(name,))
    result = example.result("response", name, read, {})
    finding = Finding(name, name, "dead", 0.7, channel=name, where_to_look=name, what_to_measure=name)
    made = example.run(result, stopped=name, captures=((example.capture(), (name,)),))
    run = Run(**{**vars(made), "findings": (finding,), "bench_advice": f"advice: {name}"})
    texts = dict.fromkeys(("serial", "by", "run"), name)
    lists = {"set_aside": (name,), "clock": (name,), "software": {"x": name}}
    record = example.record(bench={"kind": name, "device": name}, **texts, **lists)
    return Elements(certificate(record, run, kit))


@pytest.fixture(scope="module")
def plain() -> Elements:
    return elements("plain")


@given(name=NAMES)
@settings(max_examples=25, deadline=None, derandomize=True)
def test_names_are_text_everywhere_on_the_page(plain: Elements, name: str) -> None:
    found = elements(name)
    assert found.found == plain.found
    # What the sheet's strings hold is escaped: nothing but letters, digits and harmless signs.
    rules = plain.style.count("{"), plain.style.count("}"), plain.style.count('"')
    assert (found.style.count("{"), found.style.count("}"), found.style.count('"')) == rules


def test_a_dollar_sign_in_a_title_is_no_formula(tmp_path: Path) -> None:
    curve = example.impedance_curve("left $x$ $\\frac$")
    finding = Finding("$\\nothing$ is open", "left", "dead", 0.7, channel="left")
    under = ExplainedCurve(curve, np.full(curve.value.shape, 8.0), finding)
    drawn = draw_explanation([[under]], "A kit for $5 and $\\frac$", tmp_path / "x.svg").read_text(encoding="utf-8")
    assert "A kit for $5 and $\\frac$" in drawn
    assert "$\\nothing$ is open" in drawn


@pytest.fixture
def workspace(tmp_path: Path) -> Path:
    shutil.copytree(ARCHIVE, tmp_path, dirs_exist_ok=True)
    return tmp_path


def test_the_certificate_of_a_serial_is_made_again_beside_the_first(workspace: Path) -> None:
    (record,) = records.unit_records(workspace, "SO-0001")
    first = (record.folder / FORMER[-1]).read_bytes()
    done = CliRunner().invoke(cli.app, ["certificate", "SO-0001", "--workspace", str(workspace)])
    assert done.exit_code == 0, done.output
    assert done.output.strip() == str(record.folder / PAGE)
    assert "SO-0001" in (record.folder / REPORT).read_text(encoding="utf-8")
    assert (record.folder / FORMER[-1]).read_bytes() == first
    assert records.damages(record) == []


def test_a_run_is_chosen_by_its_number(workspace: Path) -> None:
    runner, say = CliRunner(), ["certificate", "SO-0002", "--workspace", str(workspace), "--run"]
    folders = [record.folder for record in records.unit_records(workspace, "SO-0002")]
    assert runner.invoke(cli.app, [*say, "1"]).output.strip().startswith(str(folders[0]))
    assert runner.invoke(cli.app, [*say, "2"]).output.strip().startswith(str(folders[1]))
    with pytest.raises(records.RecordError, match="with the number 3"):
        runner.invoke(cli.app, [*say, "3"], catch_exceptions=False)


def test_a_drawing_that_fails_costs_neither_record_nor_exit_status(
    workspace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise ZeroDivisionError("no width")

    monkeypatch.setattr(certificate_module, "curves_svg", fail)
    say = ["verify", "shelf-one", "SO-0001", "--workspace", str(workspace), "--json"]
    done = CliRunner().invoke(cli.app, say)
    document = json.loads(done.stdout)
    assert done.exit_code == {"pass": 0, "fail": 1, "void": 2}[document["outcome"]]
    assert "no certificate could be made: ZeroDivisionError: no width" in done.stderr
    assert "kitproof certificate SO-0001" in done.stderr
    record = records.unit_records(workspace, "SO-0001")[-1]
    assert records.damages(record) == []
    assert not (record.folder / REPORT).exists()

    monkeypatch.undo()
    again = CliRunner().invoke(cli.app, ["certificate", "SO-0001", "--workspace", str(workspace)])
    assert again.exit_code == 0
    assert (record.folder / REPORT).is_file()


def test_the_certificate_says_what_was_odd_about_its_record() -> None:
    odd = {"set_aside": ("rework-001.json cannot be read",), "clock": ("the computer's clock leapt back by 60 s",)}
    page = certificate(example.record(**odd), example.run(example.impedance()), example.kit())
    assert "rework-001.json cannot be read" in page
    assert "clock leapt back by 60 s" in page
    assert "this certificate) with its SHA-256" not in page


def test_judging_again_shows_what_the_run_said_of_its_bench(workspace: Path) -> None:
    (record,) = records.unit_records(workspace, "SO-0001")
    odd = replace(record, bench_advice="The bench looks wrong: no knob is where it was.")
    (record.folder / "run.json").write_bytes(json_bytes(records.document_of(odd)))
    for command in ("rejudge", "show"):
        done = CliRunner().invoke(cli.app, [command, "SO-0001", "--workspace", str(workspace)])
        assert "no knob is where it was" in done.output, command


def test_a_box_that_is_named_box_is_not_named_twice() -> None:
    work = job(ARCHIVE, "shelf-one", "")
    words = [group.words for stage in work.schedule.stages for group in stage.groups]
    assert any("leads of the box, red" in told for told in words)
    assert not any("box box" in told for told in words)
