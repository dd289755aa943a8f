"""Stored runs judged anew: by the readings in their records where those can tell, and then as from the captures."""

import shutil
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from rig.design.kit import Kit
from rig.design.kit_changes import KitChanges, kit_changes, with_limits
from rig.design.limits import Limit
from rig.files.errors import TableError
from rig.run.rejudging import judge_stored
from rig.run.verify import Job, job, job_of
from rig.store.recorded import recorded_kit
from rig.store.run_json import Record
from rig.values.run import Run
from rig.values.verdicts import CheckResult
from rig.verdict.check import ListedCheck

KIT = "booth-two"
NOTHING: KitChanges = KitChanges(frozenset(), frozenset())


@pytest.fixture(scope="module")
def work(workspace: Path) -> Job:
    return job(workspace, KIT)


def narrower(limit: Limit) -> Limit:
    """A limit that some good readings break."""
    moved = {side: value + by for side, by in (("lower", 0.2), ("upper", -0.3)) if (value := getattr(limit, side))}
    within = [[low, high, minus / 2, plus / 2] for low, high, minus, plus in limit.within]
    return limit.model_copy(update={**moved, "within": within})


def limited(kit: Kit, limits: Mapping[str, Mapping[str, Limit]]) -> Kit:
    return kit.model_copy(update={"limits": {**kit.limits, **limits}})


def verdicts(results: tuple[CheckResult, ...]) -> str:
    """All that is said, to the last bit; a sign that was a whole number comes back as 1.0."""
    found = [
        (result.name, result.outcome, result.reason)
        + tuple(
            sorted((key, float(value) if isinstance(value, (int, float)) else value) for key, value in said.items())
            for said in ({**vars(verdict), "mask": None, "parts": None} for verdict in result.verdicts)
        )
        for result in results
    ]
    return repr(found)


def test_readings_of_a_record_give_what_its_captures_give(work: Job, good_run: tuple[Run, Record]) -> None:
    _, record = good_run
    kit = limited(
        work.kit, {check: {k: narrower(one) for k, one in of.items()} for check, of in work.kit.limits.items()}
    )
    kit = kit.model_copy(update={"decision": kit.decision.model_copy(update={"rule": "guarded"})})
    anew = replace(work, kit=kit)
    changes = kit_changes(recorded_kit(record), kit)
    assert changes == KitChanges(frozenset(), frozenset(kit.checks))
    by_readings = judge_stored(anew, record, work.kit, changes)
    by_captures = judge_stored(anew, record, work.kit, changes, all_again=True)
    assert verdicts(by_readings.results) == verdicts(by_captures.results)
    assert by_readings.outcome == by_captures.outcome == "fail"
    assert len({result.outcome for result in by_readings.results}) == 3
    assert (by_readings.read_again, len(by_captures.read_again)) == ((), len(work.checks))


def test_without_a_change_a_record_says_what_it_said(work: Job, good_run: tuple[Run, Record]) -> None:
    run, record = good_run
    changes = kit_changes(recorded_kit(record), work.kit)
    assert changes == NOTHING
    again = judge_stored(work, record, work.kit, changes)
    assert verdicts(again.results) == verdicts(run.results)
    assert (again.outcome, again.read_again) == (run.outcome, ())


def test_what_another_program_read_is_read_again(work: Job, good_run: tuple[Run, Record]) -> None:
    _, record = good_run
    names = ["leads", "impedance"]
    few = replace(work, checks=[listed for listed in work.checks if listed.name in names])
    former = replace(record, software={"kitproof": "0.0.1"})
    assert judge_stored(few, former, work.kit, NOTHING).read_again == tuple(names)
    gone = replace(former, folder=former.folder / "nowhere")
    assert judge_stored(few, gone, work.kit, NOTHING).read_again == ()
    leads, impedance = few.checks
    own = ListedCheck("leads", cast(Any, SimpleNamespace(**vars(leads.check))), leads.settings)
    mixed = replace(few, checks=[own, impedance])
    assert judge_stored(mixed, record, work.kit, NOTHING).read_again == ("leads",)


def test_what_was_looked_at_twice_is_read_from_both_looks(work: Job, good_run: tuple[Run, Record]) -> None:
    _, record = good_run
    kit = limited(
        work.kit, {"leads": {"lowest impedance": Limit(lower=100.0)}, "ping": {"ping level": Limit(lower=9.0)}}
    )
    twice = replace(record, captures=(*record.captures, replace(record.captures[0], attempt=2)))
    changes = kit_changes(work.kit, kit)
    assert changes.limits == {"leads", "ping"}
    again = judge_stored(replace(work, kit=kit), twice, work.kit, changes)
    assert again.read_again == ("leads",)
    assert [result.outcome for result in again.results if result.name == "ping"] == ["fail"]


def test_a_bench_in_doubt_stays_in_doubt_whatever_the_limits(work: Job, good_run: tuple[Run, Record]) -> None:
    _, record = good_run
    kit = limited(work.kit, {"leads": {"lowest impedance": Limit(lower=1.0)}})
    doubted = replace(record, bench_doubts={"leads": "the clips are exchanged"})
    again = judge_stored(replace(work, kit=kit), doubted, work.kit, kit_changes(work.kit, kit))
    assert again.outcome == "void"
    assert again.results[0].verdicts[0].reason == "the bench is in doubt: the clips are exchanged"
    # Records once did not say.
    unsaid = judge_stored(
        replace(work, kit=kit), replace(record, bench_doubts=None), work.kit, kit_changes(work.kit, kit)
    )
    assert (unsaid.outcome, unsaid.read_again) == ("pass", ("leads",))


def test_a_stopped_run_passes_under_no_limits(work: Job, good_run: tuple[Run, Record]) -> None:
    _, record = good_run
    kit = limited(work.kit, {"leads": {"lowest impedance": Limit(lower=1.0)}})
    stopped = replace(record, outcome="void", stopped="Ctrl-C")
    again = judge_stored(replace(work, kit=kit), stopped, work.kit, kit_changes(work.kit, kit))
    assert (again.outcome, again.results[0].outcome) == ("void", "pass")


def test_a_change_touches_what_rests_on_it(work: Job) -> None:
    kit = work.kit
    assert kit_changes(kit, kit.model_copy(update={"revision": "D", "plans": {}})) == NOTHING
    settings = {**kit.checks, "leak": {"of_the_search": {"prove_db": -30.0}}}
    assert kit_changes(kit, kit.model_copy(update={"checks": settings})) == KitChanges(frozenset({"leak"}), frozenset())
    colder = kit.model_copy(update={"levels": kit.levels.model_copy(update={"playing_v": 1.0})})
    assert kit_changes(kit, colder) == KitChanges(frozenset(kit.checks), frozenset())
    files = {path: content + b"# " if path.name == "harmonics.csv" else content for path, content in kit.files.items()}
    other_mask = kit.model_copy()
    other_mask._files = files
    assert kit_changes(kit, other_mask) == KitChanges(frozenset(), frozenset({"distortion"}))
    reference = {path: content for path, content in kit.files.items() if path.parent.name != "reference"}
    without = kit.model_copy()
    without._files = reference
    assert kit_changes(kit, without) == KitChanges(frozenset(), frozenset({"response"}))


def tried(folder: Path, text: str) -> Path:
    path = folder / "tried.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_limits_to_be_tried_go_before_the_kits_own(work: Job, tmp_path: Path) -> None:
    (tmp_path / "mine.csv").write_text("frequency_hz,lower,upper\n100,,-60\n1000,,-60\n", encoding="utf-8")
    text = '[limits.impedance]\nfs = { upper = 50.0 }\n[limits.distortion]\n"harmonic 2" = { mask = "mine.csv" }\n'
    kit = with_limits(work.kit, tried(tmp_path, text))
    assert kit.limits["impedance"]["fs"] == Limit(upper=50.0)
    assert kit.limits["impedance"]["Qts"] == work.kit.limits["impedance"]["Qts"]
    assert kit_changes(work.kit, kit) == KitChanges(frozenset(), frozenset({"impedance", "distortion"}))
    job_of(tmp_path, kit)
    whole = (work.kit.folder / "kit.toml").read_text(encoding="utf-8").replace("upper = 52.0", "upper = 48.0")
    assert with_limits(work.kit, tried(tmp_path, whole)).limits["impedance"]["fs"] == Limit(lower=42.0, upper=48.0)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[limit.impedance]\nfs = { upper = 50.0 }", "tried.toml: limit: found 'limit'.*allowed: limits, decision"),
        ("[limits.impedance]\nfs = { uper = 50.0 }", "tried.toml: limits.impedance.fs.uper"),
        ("[limits.impedence]\nfs = { upper = 50.0 }", "tried.toml: limits.impedence"),
        ("[limits]\nimpedance = 3", "tried.toml: limits.impedance"),
        ("limits = 3", "tried.toml: limits"),
        ('[limits.distortion]\n"harmonic 2" = { mask = "none.csv" }', "none.csv: there is no such file"),
        ("fs_hz = 47.0", "is not as the kit has it; allowed to differ: limits, decision"),
    ],
)
def test_limits_to_be_tried_are_checked(work: Job, tmp_path: Path, text: str, words: str) -> None:
    if text.startswith("fs_hz"):
        text = (work.kit.folder / "kit.toml").read_text(encoding="utf-8").replace(text, "fs_hz = 48.0")
    with pytest.raises(TableError, match=words):
        with_limits(work.kit, tried(tmp_path, text))


def test_captures_that_were_taken_out_are_missed_only_where_they_are_asked_for(
    work: Job, good_run: tuple[Run, Record], tmp_path: Path
) -> None:
    from rig.design.kit import ArchiveSpec
    from rig.files.errors import RecordError
    from rig.store.packing import pack_away
    from rig.store.records import read_in_place

    _, record = good_run
    home = tmp_path / "results" / KIT / record.serial
    shutil.copytree(record.folder, home / record.run)
    copy = read_in_place(home / record.run)
    pack_away(copy, ArchiveSpec(captures="dropped"), tmp_path / "packs")
    kit = limited(work.kit, {"leads": {"lowest impedance": Limit(lower=100.0)}})
    changes = kit_changes(work.kit, kit)
    assert judge_stored(replace(work, kit=kit), copy, work.kit, changes).outcome == "fail"
    with pytest.raises(RecordError, match="10 captures were dropped"):
        judge_stored(work, copy, work.kit, KitChanges(frozenset({"leads"}), frozenset()))
