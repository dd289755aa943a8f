"""The run: gates before level, repeats of disturbed captures, and outcomes that need evidence."""

import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from simulated_runs import ROOT, simulated

from rig.bench.base import Then
from rig.bench_check import symptoms
from rig.bench_check.bench_finding import BenchFinding
from rig.design.kit import load_kit
from rig.files.errors import BenchError, TableError
from rig.run import sequencer
from rig.run import walk as walk_of_a_run
from rig.run.schedule import with_codes
from rig.run.verify import job, job_of
from rig.values.captures import Capture
from rig.values.requests import Request
from rig.values.run import Captured, Event, Finished, Foretold, Judged, Run, Started
from rig.verdict.check import foretold


def walk(workspace: Path, kit: str, faults: Sequence[str], checks: Sequence[str] = ()) -> list[Event]:
    """A run of the usual plan, or of some of its checks."""
    planned = {"plans": {"some": list(checks)}} if checks else {}
    work = job_of(workspace, load_kit(workspace, kit).model_copy(update=planned))
    serial = work.kit.serial_example
    bench = simulated(workspace, kit, serial, faults)
    return list(sequencer.run(work.schedule, work.checks, work.kit, bench, lambda words: True))


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace with the smallest kit, one box and short sweeps: enough for what a run does with its captures."""
    folder = tmp_path_factory.mktemp("shelf")
    shutil.copytree(ROOT / "tests" / "archive" / "limits", folder / "limits")
    return folder


def run_of(events: Sequence[Event]) -> Run:
    last = events[-1]
    assert isinstance(last, Finished)
    return last.run


def outcomes(run: Run) -> dict[str, str]:
    return {result.name: result.outcome for result in run.results}


@pytest.mark.parametrize("kit", ["booth-two", "rehearsal-three"])
def test_a_good_unit_passes_and_every_request_sounds_once(workspace: Path, kit: str) -> None:
    events = walk(workspace, kit, [])
    run = run_of(events)
    assert outcomes(run) == dict.fromkeys(outcomes(run), "pass"), [
        (v.quantity, v.subject, v.reason) for r in run.results for v in r.verdicts if v.outcome != "pass"
    ]
    requests = [capture.request for capture, _ in run.captures]
    assert len(requests) == len(set(requests))
    # What the room's noise will hide is told of each box behind its ping and before its loud sweep, and kept.
    told = [event.words for event in events if isinstance(event, Foretold)]
    assert run.foretold == tuple(told)
    assert len(told) == len(job(workspace, kit).kit.channels)
    loud = [n for n, e in enumerate(events) if isinstance(e, Captured) and e.capture.request in _loud(workspace, kit)]
    first = next(n for n, event in enumerate(events) if isinstance(event, Foretold))
    assert first < loud[0]


def _loud(workspace: Path, kit: str) -> list[Request]:
    return list(job(workspace, kit).schedule.needs["rub_and_buzz"])


@pytest.mark.parametrize("fault", ["short:left:C1", "open:left:C1", "clips-off"])
def test_a_short_or_open_lead_stops_before_the_amplifier(workspace: Path, fault: str) -> None:
    run = run_of(walk(workspace, "booth-two", [fault], ["leads", "impedance", "ping", "response"]))
    assert run.outcome != "pass"
    assert ("stopped before full level" in run.stopped) == (fault != "open:left:C1")
    assert (outcomes(run)["leads"] == "fail") == (fault == "short:left:C1")
    if run.stopped:
        assert {capture.request.stage for capture, _ in run.captures} == {"leads"}
        assert outcomes(run)["response"] == "void"


@pytest.mark.parametrize(
    "fault", ["swapped:left:right", "dead-microphone", "muted", pytest.param("silent:left", marks=pytest.mark.thorough)]
)
def test_nothing_loud_after_a_ping_that_does_not_pass(workspace: Path, fault: str) -> None:
    run = run_of(walk(workspace, "booth-two", [fault], ["leads", "ping", "response"]))
    loud = [c for c, _ in run.captures if c.request.stage == "playing" and c.request.level_v > 0.1]
    assert loud == []
    assert outcomes(run)["ping"] == ("void" if fault in ("dead-microphone", "muted") else "fail")
    assert run.outcome == outcomes(run)["ping"]


@pytest.mark.parametrize("fault", ["dropped-samples-once=64", "inserted-samples-once=8"])
def test_a_capture_disturbed_once_is_repeated_and_both_are_kept(shelf: Path, fault: str) -> None:
    run = run_of(walk(shelf, "shelf-one", [fault]))
    assert run.outcome == "pass"
    # In silence nothing is lost that matters.
    sweeps = [(capture, troubles) for capture, troubles in run.captures if not capture.request.is_silence]
    first = [troubles for capture, troubles in sweeps if capture.attempt == 1]
    again = [troubles for capture, troubles in sweeps if capture.attempt == 2]
    assert all(first)
    assert not any(again)
    assert len(again) == len(first)


@pytest.mark.parametrize("fault", ["dropped-samples=64", "second-clock=100", "clipping=6", "flagged"])
def test_a_bench_that_is_disturbed_for_good_gives_void_after_two_repeats(shelf: Path, fault: str) -> None:
    run = run_of(walk(shelf, "shelf-one", [fault]))
    assert run.outcome == "void"
    assert max(capture.attempt for capture, _ in run.captures) == 3
    assert "fail" not in outcomes(run).values()


def test_second_looks_that_are_disturbed_each_time_are_repeated_twice_and_no_more(
    shelf: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    usual = sequencer.capture_troubles
    monkeypatch.setattr(
        sequencer, "capture_troubles", lambda capture: usual(capture) if capture.attempt == 1 else ("disturbed",)
    )
    run = run_of(walk(shelf, "shelf-one", ["open:box:C1"]))
    # The look that is doubted, another one, and that one's repeats; nothing that fails is called a pass for it.
    assert max(capture.attempt for capture, _ in run.captures) == 1 + 1 + sequencer.REPEATS
    assert run.outcome == "void"


class DyingBench:
    """A bench that dies after a number of captures."""

    def __init__(self, bench: object, after: int) -> None:
        self.bench, self.left = bench, after

    def describe(self) -> dict[str, object]:
        return {}

    def refuse(self, requests: Sequence[Request]) -> None:
        pass

    def session(self) -> AbstractContextManager[None]:
        return nullcontext()

    def stage(self, name: str) -> "DyingBench":
        self.inner = self.bench.stage(name)
        return self

    def __enter__(self) -> "DyingBench":
        self.player = self.inner.__enter__()
        return self

    def __exit__(self, *what: object) -> None:
        self.inner.__exit__(None, None, None)

    def play(self, requests: Sequence[Request], then: Then | None = None) -> Iterator[Capture]:
        for capture in self.player.play(requests, then):
            self.left -= 1
            if self.left < 0:
                raise BenchError("the sound card is gone")
            yield capture


def test_a_bench_that_dies_voids_what_was_not_judged_and_keeps_what_was(workspace: Path) -> None:
    work = job(workspace, "booth-two")
    bench = DyingBench(simulated(workspace, "booth-two", "BT-0001"), after=5)
    run = run_of(list(sequencer.run(work.schedule, work.checks, work.kit, bench, lambda words: True)))
    assert run.bench_failed
    assert run.outcome == "void"
    assert run.stopped == "the sound card is gone"
    assert outcomes(run)["impedance"] == "pass"
    assert outcomes(run)["response"] == "void"


class DisturbedOnce(DyingBench):
    """A bench that hears a clap behind the first sweep through the amplifier."""

    disturbed: Capture | None = None

    def play(self, requests: Sequence[Request], then: Then | None = None) -> Iterator[Capture]:
        for capture in self.player.play(requests, then):
            if capture.request.stage == "playing" and self.disturbed is None:
                samples = capture.samples.copy()
                samples[capture.inputs.index("microphone"), -4000:-2000:2] += np.float32(0.02)
                capture = self.disturbed = replace(capture, samples=samples)
            yield capture


def test_a_sign_that_a_second_look_does_not_show_is_no_fault_of_the_bench(
    workspace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    work = job(workspace, "booth-two")
    bench = DisturbedOnce(simulated(workspace, "booth-two", "BT-0001"), after=0)

    def seen(kit: object, captures: Sequence[Capture], stage: str) -> list[BenchFinding]:
        bad = any(bench.disturbed is not None and c.samples is bench.disturbed.samples for c in captures)
        return (
            [BenchFinding("inputs exchanged", False, "exchanged", "exchange them")]
            if bad and stage == "playing"
            else []
        )

    monkeypatch.setattr(symptoms, "symptoms_of", seen)
    events = sequencer.run(work.schedule, work.checks, work.kit, bench, lambda words: sequencer.GO_ON not in words)
    run = run_of(list(events))
    assert (run.outcome, run.stopped) == ("pass", "")
    assert max(capture.attempt for capture, _ in run.captures) == 3


class Lorry(DyingBench):
    """A bench that hears a lorry pass by, at some levels, during its first plays of the requests that `hears` tells."""

    def __init__(self, bench: object, hears: Callable[[Request], bool], levels: Sequence[float]) -> None:
        super().__init__(bench, after=0)
        self.hears, self.levels, self.random = hears, list(levels), np.random.default_rng(1)

    def play(self, requests: Sequence[Request], then: Then | None = None) -> Iterator[Capture]:
        for capture in self.player.play(requests, then):
            if capture.request.stage == "playing" and self.levels and self.hears(capture.request):
                samples = capture.samples.copy()
                samples[capture.inputs.index("microphone")] += self.random.normal(
                    0, self.levels.pop(0), samples.shape[1]
                )
                capture = replace(capture, samples=samples)
            yield capture


@pytest.mark.parametrize(
    ("hears", "levels", "most"),
    [
        (lambda request: request.is_silence or request.level_v > 0.5, (0.01, 0.05), 3),
        (lambda request: request.level_v > 0, (0.02, 0.02, 0.02), 5),
    ],
    ids=["silence and the sweep behind it", "three pings"],
)
def test_what_noise_keeps_from_being_read_is_looked_at_again_until_it_is_quiet(
    shelf: Path, hears: Callable[[Request], bool], levels: Sequence[float], most: int
) -> None:
    work = job(shelf, "shelf-one")
    bench = Lorry(simulated(shelf, "shelf-one", work.kit.serial_example), hears, levels)
    run = run_of(list(sequencer.run(work.schedule, work.checks, work.kit, bench, lambda words: True)))
    assert (run.outcome, run.stopped) == ("pass", "")
    assert not bench.levels
    assert max(capture.attempt for capture, _ in run.captures) == most


def test_a_check_without_limits_proves_nothing(tmp_path: Path, shelf: Path) -> None:
    shutil.copytree(shelf / "limits", tmp_path / "limits")
    path = tmp_path / "limits" / "shelf-one" / "kit.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text[: text.index("[limits.polarity]")], encoding="utf-8")
    with pytest.raises(TableError, match=r"limits\.polarity: missing; a check without a limit proves nothing"):
        walk(tmp_path, "shelf-one", [])


def test_a_failing_unit_is_looked_at_twice_and_both_captures_are_kept(workspace: Path) -> None:
    run = run_of(walk(workspace, "booth-two", ["reversed:left:tweeter"], ["leads", "ping", "polarity"]))
    looks = [capture.attempt for capture, _ in run.captures if capture.request.channel == capture.request.at == "left"]
    assert outcomes(run)["polarity"] == "fail"
    assert 2 in looks
    sweeps = [c for c, _ in run.captures if c.request.at == "right" and c.request.level_v > 0.5]
    assert [capture.attempt for capture in sweeps] == [1]


def test_a_second_look_has_the_silences_that_the_room_gave_the_first(
    shelf: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(walk_of_a_run, "tail_s", lambda pings: 0.15)
    work = job(shelf, "shelf-one")
    bench = simulated(shelf, "shelf-one", work.kit.serial_example, ["reversed"])
    coded = with_codes(work.schedule, "one run")
    run = run_of(list(sequencer.run(coded, work.checks, work.kit, bench, lambda words: True)))
    loud = [capture for capture, _ in run.captures if capture.request.level_v > 0.5]
    assert outcomes(run)["polarity"] == "fail"
    assert [capture.attempt for capture in loud] == [1, 2]
    assert [capture.request.spacing.tail_s for capture in loud if capture.request.spacing] == [0.15, 0.15]


def test_two_looks_that_agree_settle_a_fault_even_where_noise_hides_something_else(workspace: Path) -> None:
    """A rub that is loud enough leaves harmonics that noise hides: no further look mends the unit."""
    run = run_of(walk(workspace, "booth-two", ["rub:left"], ["leads", "ping", "rub_and_buzz"]))
    assert outcomes(run)["rub_and_buzz"] == "fail"
    assert max(capture.attempt for capture, _ in run.captures) == 2


def test_a_knock_in_the_room_neither_fails_nor_is_averaged_away(shelf: Path) -> None:
    run = run_of(walk(shelf, "shelf-one", ["knock-once=3"]))
    assert run.outcome == "pass"
    again = {capture.request for capture, _ in run.captures if capture.attempt > 1}
    assert again
    first = [capture for capture, _ in run.captures if capture.attempt == 1]
    assert {capture.request for capture in first} >= again


def test_somebody_who_knocks_through_every_look_is_told_as_a_noise_from_outside(shelf: Path) -> None:
    run = run_of(walk(shelf, "shelf-one", ["knock=1"]))
    assert run.outcome == "void"
    assert "fail" not in outcomes(run).values()
    assert any("noise from outside" in result.reason for result in run.results)


def test_people_who_talk_through_every_look_prove_nothing(shelf: Path) -> None:
    assert run_of(walk(shelf, "shelf-one", ["speech=75"])).outcome == "void"


class WatchedBench(DyingBench):
    """A bench that notes what it is asked to play, what was judged by then, and when it is closed."""

    def __init__(self, bench: object) -> None:
        super().__init__(bench, 1000)
        self.notes: list[str] = []

    @contextmanager
    def session(self) -> Iterator[None]:
        yield
        self.notes.append("closed")

    def play(self, requests: Sequence[Request], then: Then | None = None) -> Iterator[Capture]:
        self.note(requests)
        return super().play(requests, then and (lambda: self.note(then())))

    def note(self, requests: Sequence[Request]) -> Sequence[Request]:
        self.notes += [
            ("silence" if request.is_silence else f"{request.stage} {request.level_v:g} V") for request in requests
        ]
        return requests


class LooseContact(DyingBench):
    """A bench whose leads are a little off at the first look, and shorted from the second on."""

    def __init__(self, bench: object, shorted: object) -> None:
        super().__init__(bench, 1000)
        self.shorted = shorted

    def play(self, requests: Sequence[Request], then: Then | None = None) -> Iterator[Capture]:
        for n, capture in enumerate(self.player.play(requests), self.left):
            if n == 1000:
                samples = capture.samples.copy()
                samples[capture.inputs.index("sense")] *= 0.92
                yield replace(capture, samples=samples)
            else:
                with self.shorted.stage(capture.request.stage) as player:
                    yield from player.play([capture.request])
        self.left += len(requests)


def test_a_gate_that_shares_its_sweep_must_pass_on_every_look_at_it(tmp_path: Path, shelf: Path) -> None:
    shutil.copytree(shelf / "limits", tmp_path / "limits")
    path = tmp_path / "limits" / "shelf-one" / "kit.toml"
    text = path.read_text(encoding="utf-8")
    assert "leads_quiet_v = 0.03" in text
    path.write_text(text.replace("leads_quiet_v = 0.03", "leads_quiet_v = 0.1"), encoding="utf-8")
    work = job(tmp_path, "shelf-one")
    good, shorted = (simulated(tmp_path, "shelf-one", work.kit.serial_example, f) for f in ([], ["short:box:C1"]))
    events = list(sequencer.run(work.schedule, work.checks, work.kit, LooseContact(good, shorted), lambda words: True))
    run = run_of(events)
    assert max(capture.attempt for capture, _ in run.captures) > 1
    assert {capture.request.stage for capture, _ in run.captures} == {"leads"}
    assert run.stopped.startswith("stopped before full level")
    assert run.outcome != "pass"


def test_a_check_that_fails_to_foretell_loses_no_run(shelf: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> list[str]:
        raise ZeroDivisionError("no noise")

    work = job(shelf, "shelf-one")
    rub = next(listed for listed in work.checks if hasattr(listed.check, "foretell"))
    monkeypatch.setattr(rub.check, "foretell", fails)
    (words,) = foretold([rub], work.schedule.requests, [], work.kit)
    assert "ZeroDivisionError: no noise" in words


def test_silence_is_heard_while_the_gate_is_judged_and_nobody_waits_for_the_closing(
    shelf: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    work = job(shelf, "shelf-one")
    bench = WatchedBench(simulated(shelf, "shelf-one", work.kit.serial_example, []))
    looked_for = walk_of_a_run.symptoms_in_all

    def signs(kit, rounds, stage, known):
        bench.notes.append(f"signs at the {stage}")
        return looked_for(kit, rounds, stage, known)

    monkeypatch.setattr(walk_of_a_run, "symptoms_in_all", signs)
    levels = work.kit.levels
    for event in sequencer.run(work.schedule, work.checks, work.kit, bench, lambda words: True):
        if isinstance(event, Captured):
            bench.notes.append("captured")
        elif isinstance(event, Foretold):
            bench.notes.append("foretold")
        elif isinstance(event, Started) and event.request.level_v == work.kit.levels.playing_v:
            bench.notes.append("started")
        elif isinstance(event, Judged):
            bench.notes.append(event.result.name)
    quiet, loud = (f"playing {level_v:g} V" for level_v in (levels.playing_quiet_v, levels.playing_v))
    after = bench.notes[bench.notes.index(quiet) :]
    # The silence is under way before anybody asks what the quiet sweep tells; the loud one is asked for when that is
    # known, while the silence is heard, and what noise hides is told before it.
    assert after[:4] == [quiet, "silence", "captured", "signs at the playing"]
    assert 3 < after.index(loud) < after.index("captured", 3)
    assert after.index("foretold") < after.index("started") < after.index("captured", 3)
    assert bench.notes[-1] == "closed"
    assert {listed.name for listed in work.checks} <= set(bench.notes[: bench.notes.index("closed")])


@pytest.mark.parametrize("broken", ["capture_troubles", "judge_run"])
def test_an_error_that_nobody_foresaw_ends_the_run_void_and_silent(
    shelf: Path, broken: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def break_down(*of: object, **more: object) -> None:
        raise ZeroDivisionError("of a test")

    work = job(shelf, "shelf-one")
    bench = simulated(shelf, "shelf-one", work.kit.serial_example, [])
    left, plain = [], bench.stage

    @contextmanager
    def stage(name: str) -> Iterator[object]:
        try:
            with plain(name) as player:
                yield player
        finally:
            left.append(name)

    monkeypatch.setattr(bench, "stage", stage)
    monkeypatch.setattr(sequencer, broken, break_down)
    run = run_of(list(sequencer.run(work.schedule, work.checks, work.kit, bench, lambda words: True)))
    assert run.outcome == "void"
    assert "ZeroDivisionError: of a test, at line" in run.stopped
    assert left
    assert len(run.captures) == (0 if broken == "capture_troubles" else len(work.schedule.requests))
