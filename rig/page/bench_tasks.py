"""What a form of the page asks to be done at the bench beside runs: a calibration, the daily check, the bench check.

What is done is what the command line does (`rig.run.bench_jobs`, `rig.calibration.guided`); here a form becomes it.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import cast

from rig.bench.settings import BenchSettings
from rig.bench_check.bench_finding import BenchFinding
from rig.calibration import guided
from rig.calibration.calibrated import IN_CONTROL, OUT_OF_CONTROL
from rig.calibration.daily import Judged
from rig.calibration.desk import Desk, Meter, asked_over_visa, typed
from rig.calibration.guided import WiredStage
from rig.calibration.known_load import MARKED_PERCENT, resistor
from rig.calibration.storage import MicrophoneDetails, Stored, save
from rig.calibration.volts import CALIBRATOR_WITHIN_DB, METER_PERCENT
from rig.design.kit import Kit
from rig.files.errors import BenchSetupError, TableError
from rig.page.front import Front, Place
from rig.page.view import Report, Task, Told, View
from rig.run import opening
from rig.run.bench_jobs import KNOWN_OHM, LEADS_V, STAGES, check_bench, daily_check, has_wiring, made_at_desk, put_down
from rig.screen.bench_table import OUTCOMES, end_words, ordered, steps, sureness
from rig.screen.calibrations import made_rows
from rig.values.requests import Stage
from rig.values.verdicts import Outcome
from rig.verdict.judge import outcome_of

Order = Callable[[Front], None]
Make = Callable[[Desk], Stored]
#: Files that may hold a microphone's own response.
RESPONSES = (".cal", ".csv", ".frd", ".txt")
#: What stands in a form for the person who reads a meter.
BY_EYE = "read"
STATES: Mapping[str, Outcome] = {IN_CONTROL: "pass", OUT_OF_CONTROL: "fail"}


@dataclass(frozen=True)
class Form:
    """What was filled in, by the names of the fields."""

    fields: Mapping[str, str]

    def text(self, name: str) -> str:
        """A field's words; empty where it is not there."""
        return self.fields.get(name, "").strip()

    def number(self, name: str, usual: float | None, low: float, high: float) -> float:
        """A field's number, a decimal comma taken for a point; `usual` where nothing stands there.

        Raises
        ------
        TableError
            If it is none within the bounds.
        """
        text = self.text(name)
        if not text and usual is not None:
            return usual
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = float("nan")
        if not low <= value <= high:
            raise TableError(f"{name}: found {text!r}; allowed: a number from {low:g} to {high:g}")
        return value

    def one_of(self, name: str, allowed: Sequence[str]) -> str:
        """A field's choice.

        Raises
        ------
        TableError
            If it is none of those.
        """
        if (text := self.text(name)) not in allowed:
            raise TableError(f"{name}: found {text!r}; allowed: {', '.join(allowed) or 'none is there'}")
        return text


def asked_for(place: Place, kits: Sequence[Kit], fields: Mapping[str, str]) -> tuple[Task, Order]:
    """What a form asks for, in words for the bench and as what the main thread does.

    Raises
    ------
    KitproofError
        If it is nothing that can be done here.
    """
    form = Form(fields)
    what = form.one_of("task", ("check-bench", "daily", *MAKERS))
    named = {kit.name: kit for kit in kits}
    if what == "check-bench":
        return _bench_check(place, named[form.one_of("kit", list(named))], form)
    if what == "daily":
        of = form.one_of("kit", ["", *named])
        return _daily(place, named.get(of), None if of or not form.text("ohm") else _ohm(form, "ohm"))
    if place.settings is None or place.settings.kind == "simulated":
        raise BenchSetupError("the simulated bench calibrates itself: nothing to do")
    task, make = MAKERS[what](place, place.settings, form)
    return task, _made(place, place.settings, task, make)


def _made(place: Place, settings: BenchSettings, task: Task, make: Make) -> Order:
    def order(front: Front) -> None:
        one = made_at_desk(place.workspace, settings, front.guide(), make, task.title)
        front.close()
        save(place.workspace, one)
        front.change(reported(Report("pass", f"Made and put down: {task.title}", rows=tuple(made_rows(one)))))

    return order


def reported(report: Report) -> Callable[[View], View]:
    """Shows what a task came to."""
    return lambda view: replace(view, phase="done", question=None, sounding=None, report=report)


def _loopback(place: Place, settings: BenchSettings, form: Form) -> tuple[Task, Make]:
    stage = _stage(settings, form)
    words = "The sound card from output to input: response, latency, noise, distortion. The amplifier stays off."
    task = Task(f"loopback, {stage}", words)
    return task, lambda desk: guided.calibrate_loopback(desk, stage, None, guided.OPENINGS)


def _output(place: Place, settings: BenchSettings, form: Form) -> tuple[Task, Make]:
    stage, meter, percent = _stage(settings, form), _meter(settings, form), _percent(form, METER_PERCENT)
    task = Task(f"volts at the output, {stage}", "A tone sounds, first quietly, then at half of full scale; a meter.")
    return task, lambda desk: guided.calibrate_output(desk, stage, meter or typed, meter_percent=percent)


def _input(place: Place, settings: BenchSettings, form: Form) -> tuple[Task, Make]:
    role = form.one_of("role", input_roles(settings))
    meter, percent = _meter(settings, form), _percent(form, METER_PERCENT)
    task = Task(f"volts at the input {role}", "A tone from the card's output, joined with this input.")
    return task, lambda desk: guided.calibrate_input(desk, role, meter, meter_percent=percent)


def _microphone(place: Place, settings: BenchSettings, form: Form) -> tuple[Task, Make]:
    level_db = float(form.one_of("level", ("94", "114")))
    within_db = form.number("within", CALIBRATOR_WITHIN_DB, 0, 3)
    name = form.one_of("file", ["", *response_files(place)])
    file = place.workspace / name if name else None
    task = Task("microphone", f"A sound calibrator of {level_db:g} dB on the microphone; nothing is played.")
    return task, lambda desk: guided.calibrate_microphone(desk, level_db, within_db, guided.MOUNTINGS, file)


def _sense(place: Place, settings: BenchSettings, form: Form) -> tuple[Task, Make]:
    percent = _percent(form, MARKED_PERCENT)
    names = [name for name in ("first", "second") if name == "first" or form.text(name)]
    loads = [resistor(_ohm(form, name), percent) for name in names]
    task = Task("sense resistor, clips and cables", "Clips open, clips on each other, and one or two known resistors.")
    return task, lambda desk: guided.calibrate_sense(desk, loads, LEADS_V)


#: Name in the form -> what makes the calibration.
MAKERS: Mapping[str, Callable[[Place, BenchSettings, Form], tuple[Task, Make]]] = {
    "loopback": _loopback,
    "output": _output,
    "input": _input,
    "microphone": _microphone,
    "sense": _sense,
}


def wired_stages(settings: BenchSettings) -> list[str]:
    """The stages that bench.toml has a wiring of its own for."""
    return [name for name in ("playing", "leads", "soak") if getattr(settings, name) is not None]


def input_roles(settings: BenchSettings) -> list[str]:
    """The inputs of the card that a known voltage can be put on."""
    wirings = [wiring for wiring in (settings.leads, settings.playing) if wiring]
    return sorted({role for wiring in wirings for role in settings.own_inputs(wiring)})


def meters(settings: BenchSettings) -> list[str]:
    """Roles of the instruments that read volts."""
    return [value.role for one in settings.instruments for value in one.values if value.unit == "volt"]


def response_files(place: Place) -> list[str]:
    """Files beside bench.toml that may hold a microphone's own response."""
    return sorted(path.name for path in place.workspace.iterdir() if path.suffix.lower() in RESPONSES)


def choices(place: Place, settings: BenchSettings, shown: Sequence[tuple[Stored, str]]) -> dict[str, object]:
    """What the forms let choose from."""
    return {
        "stages": wired_stages(settings),
        "roles": input_roles(settings),
        "meters": meters(settings),
        "files": response_files(place),
        "response": response_in_force(shown),
        "meter_percent": f"{METER_PERCENT:g}",
        "calibrator_within_db": f"{CALIBRATOR_WITHIN_DB:g}",
        "load_percent": f"{MARKED_PERCENT:g}",
    }


def response_in_force(shown: Sequence[tuple[Stored, str]]) -> str:
    """Name of the file that the microphone's response was last read from; empty: there was none."""
    details = [one.details for one, _ in shown if one.kind == "microphone"]
    response = details[-1].response if details and isinstance(details[-1], MicrophoneDetails) else None
    return response.source if response else ""


def _stage(settings: BenchSettings, form: Form) -> WiredStage:
    return cast(WiredStage, form.one_of("stage", wired_stages(settings)))


def _meter(settings: BenchSettings, form: Form) -> Meter | None:
    role = form.one_of("meter", ["", BY_EYE, *meters(settings)])
    return typed if role == BY_EYE else asked_over_visa(settings, role) if role else None


def _percent(form: Form, usual: float) -> float:
    return form.number("percent", usual, 0.001, 20)


def _ohm(form: Form, name: str) -> float:
    return form.number(name, None, *KNOWN_OHM)


def _bench_check(place: Place, kit: Kit, form: Form) -> tuple[Task, Order]:
    load = _ohm(form, "ohm") if form.text("ohm") else None
    wanted = form.one_of("stage", ["", *STAGES])
    stages = [name for name in STAGES if wanted in ("", name) and has_wiring(place.settings, name)]

    def order(front: Front) -> None:
        bench = opening.open_bench(place.workspace, place.settings, kit, kit.serial_example)

        def show(stage: Stage, findings: Sequence[BenchFinding]) -> None:
            wrong = [one.words for one in findings if one.is_right is False] or ["nothing is wrong here"]
            front.say(f"{stage}: {'; '.join(wrong)}")

        findings, stopped = check_bench(
            place.workspace, kit, place.settings, bench, stages, load_ohm=load, guide=front.guide(), show=show
        )
        front.close()
        front.change(reported(bench_report(findings, stopped)))

    words = f"Listens, and plays quietly; tells what is right and wrong with wiring and levels. Kit: {kit.name}."
    return Task("check of the bench", words), order


def bench_report(findings: Mapping[str, Sequence[BenchFinding]], stopped: str) -> Report:
    """What a check of the bench came to."""
    told = [
        Told(OUTCOMES[one.is_right], sureness(one), f"{stage}: {one.words}", " ".join(steps(one)))
        for stage, found in findings.items()
        for one in (*ordered(found), *(one for one in found if one.is_right))
    ]
    is_wrong = any(one.outcome == "fail" for one in told)
    outcome: Outcome = "fail" if is_wrong else "void" if stopped else "pass"
    return Report(outcome, " ".join(filter(None, [end_words(findings, stopped), stopped])), tuple(told))


def _daily(place: Place, kit: Kit | None, ohm: float | None) -> tuple[Task, Order]:
    settings = place.settings or BenchSettings(kind="simulated")

    def order(front: Front) -> None:
        judged = daily_check(place.workspace, settings, front.guide(), kit, ohm)
        front.close()
        put_down(place.workspace, settings, judged)
        front.change(reported(daily_report(judged)))

    of = f"the reference build of {kit.name}" if kit else "the known resistor"
    return Task("daily check", f"Measures {of}, and holds it against the days before."), order


def daily_report(judged: Sequence[Judged]) -> Report:
    """What a daily check came to."""
    told = tuple(
        Told(
            STATES.get(one.state, "void"),
            one.state,
            f"{one.point.of}: {one.point.value:.5g} {one.point.unit}",
            one.words,
        )
        for one in judged
    )
    return Report(outcome_of([one.outcome for one in told]), "The daily check is put down.", told)
