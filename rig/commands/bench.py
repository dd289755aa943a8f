"""`kitproof bench`: describe a bench by asking, listening and playing; write bench.toml, and go on to calibrating."""

from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import Annotated

import typer

from rig.bench.devices import Device
from rig.bench.probing import Probe, card_probe
from rig.bench.settings import BenchSettings, DeviceSettings
from rig.calibration.desk import Guide
from rig.calibration.first_wiring import Answers, asked_answers, asked_number, bench_toml, find_wiring
from rig.commands.calibrate import at_the_terminal
from rig.commands.check_bench import only_kit
from rig.commands.common import HERE, OnlyKit, Workspace
from rig.design.kit import Kit, load_kit
from rig.files.disk import why, write_together
from rig.files.errors import BenchSetupError, Stopped
from rig.files.tables import checked, read_toml
from rig.run.bench_jobs import KNOWN_OHM
from rig.run.under_way import at_bench
from rig.screen.console import say

#: The simulated card's, for `--simulated`.
SIMULATED = Device("simulated", "simulated card", 4, 4, 48000.0)
#: In this order: a new output calibration voids the loopback's.
CALIBRATIONS = {
    "output": "volts at the output: a meter on AC volts",
    "input loopback": "the loopback's input against that output",
    "loopback": "the card itself: response, latency, noise",
    "microphone": "the microphone: a sound calibrator of 94 dB",
    "sense": "the bare leads: open, on each other, and with a known resistor",
}


def bench_command(
    kit: OnlyKit = "",
    workspace: Workspace = HERE,
    to: Annotated[Path | None, typer.Option("--to", help="Another file than the workspace's bench.toml.")] = None,
    simulated: Annotated[
        bool, typer.Option("--simulated", help="Try it: no card, nothing sounds or is written.")
    ] = False,
) -> None:
    """Find out how a sound card is wired, by asking, listening and playing quietly; write bench.toml; calibrate."""
    path = to or workspace / "bench.toml"
    if path.exists() and not simulated:
        raise BenchSetupError(
            f"{path}: is there already, and nothing is overwritten; move it away, or name another file with --to"
        )
    loaded = load_kit(workspace, kit or only_kit(workspace))
    guide = at_the_terminal()
    if simulated:
        from rig.simulated.card import SimulatedCard

        card = SimulatedCard(tuple(channel.name for channel in loaded.channels))
        described(loaded, guide, [SIMULATED], lambda answers: nullcontext(card))
        say("Of the simulated card nothing is written.")
        return
    from rig.bench.soundcard import connected_devices

    with at_bench(workspace, "finding out how the card is wired"):
        text = described(loaded, guide, connected_devices(), _opened)
    settings = write_bench_file(path, text)
    say(f"written: {path}")
    go_on_to_calibrate(guide, workspace, path, settings)


def described(
    kit: Kit,
    guide: Guide,
    devices: list[Device],
    opened: Callable[[Answers], AbstractContextManager[Probe]],
) -> str:
    """The bench.toml of a bench, once the person at it agrees to what was heard.

    Raises
    ------
    BenchError
        If no wiring of a bench is heard, or the card fails.
    Stopped
        If the person says no.
    """
    answers = asked_answers(guide, devices)
    with opened(answers) as probe:
        leads, playing = find_wiring(probe, kit, answers, guide)
    text = bench_toml(answers, leads, playing)
    guide.say(f"\nThis is what was heard:\n\n{text}")
    if not guide.confirm("Is it so? It will be written as it stands."):
        raise Stopped("nothing was written")
    return text


def _opened(answers: Answers) -> AbstractContextManager[Probe]:
    device, own = answers.device, answers.microphone_device
    rate_hz = device.sample_rate_hz

    def settings(one: Device) -> DeviceSettings:
        return DeviceSettings(
            host_api=one.host_api, name=one.name, inputs=one.inputs, outputs=one.outputs, sample_rate_hz=rate_hz
        )

    return card_probe(settings(device), settings(own) if own else None)


def write_bench_file(path: Path, text: str) -> BenchSettings:
    """Write a bench.toml where there is none, once it is seen to be one.

    Raises
    ------
    TableError
        If it would not be one.
    BenchSetupError
        If a file is there already, or it cannot be written.
    """
    settings = checked(BenchSettings, read_toml(path, text.encode()), path)
    if path.exists():
        raise BenchSetupError(f"{path}: was written by somebody else meanwhile; nothing is overwritten")
    try:
        write_together({path: text})
    except OSError as error:
        raise BenchSetupError(f"{path}: could not be written: {why(error)}") from None
    return settings


def go_on_to_calibrate(guide: Guide, workspace: Path, path: Path, settings: BenchSettings) -> None:
    """Go on to the calibrations, one after the other, as far as the person at the bench wants to."""
    has_loopback = settings.playing is not None and settings.playing.loopback_output is not None
    wanted = [
        name
        for name in CALIBRATIONS
        if ("loopback" not in name or has_loopback) and (name != "sense" or settings.leads is not None)
    ]
    guide.say("The volts are a start. Calibrate in this order; each says what to do:")
    for name in wanted:
        guide.say(f"  kitproof calibrate {name:16} {CALIBRATIONS[name]}")
    for name in wanted:
        if not guide.confirm(f"Go on to kitproof calibrate {name} now?"):
            guide.say("That can be done at any time.")
            return
        _make(name, guide, workspace, path)


def _make(name: str, guide: Guide, workspace: Path, path: Path) -> None:
    from rig.commands import calibrate

    match name:
        case "output":
            calibrate.output(workspace=workspace, bench=path)
        case "input loopback":
            calibrate.input_command("loopback", workspace=workspace, bench=path)
        case "loopback":
            calibrate.loopback(workspace=workspace, bench=path)
        case "microphone":
            calibrate.microphone(workspace=workspace, bench=path)
        case "sense":
            load_ohm = asked_number(guide, "ohms of the known resistor (8.2); Enter: there is none", *KNOWN_OHM)
            if load_ohm is None:
                guide.say("Without one no impedance is judged: kitproof calibrate sense --load OHMS, when you have it.")
            else:
                calibrate.sense([load_ohm], workspace=workspace, bench=path)
