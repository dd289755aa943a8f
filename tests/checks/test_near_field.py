"""Cone and port from close by on the simulated bench, whose surfaces are cut into pieces (`rig.simulated.close_up`)."""

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from captures import demo_kit

import checks
from checks import handover, near_field
from rig.circuit.near_field import close_transfer
from rig.design.kit import Kit
from rig.files.errors import TableError
from rig.findings.search import findings
from rig.run.schedule import plan
from rig.simulated.bench import SimulatedBench
from rig.simulated.close_up import close_up_pa
from rig.simulated.physics import driven
from rig.simulated.unit import nominal_unit
from rig.values.captures import Capture, UnfitBench, Untrusted
from rig.values.readings import CheckReadings
from rig.values.requests import Sweep
from rig.values.verdicts import Verdict
from rig.verdict.check import ListedCheck, listed_checks
from rig.verdict.examine import examine
from rig.verdict.judge import judge

BOOTH, REHEARSAL = demo_kit("booth-two"), demo_kit("rehearsal-three")


@lru_cache(maxsize=24)
def captured(kit_name: str, *faults: str) -> tuple[Capture, ...]:
    kit = BOOTH if kit_name == BOOTH.name else REHEARSAL
    wanted = dict.fromkeys(r for name in ("near_field", "handover") for r in of(kit, name))
    with SimulatedBench(kit, kit.serial_example, faults).stage("playing") as player:
        return tuple(player.play(list(wanted)))


def listed(kit: Kit, name: str) -> ListedCheck | None:
    return next((one for one in listed_checks(kit, checks.ALL, "around") if one.name == name), None)


def of(kit: Kit, name: str) -> Sequence[Sweep]:
    """What the check asks for; of the pair that is built alike one box is enough."""
    check = listed(kit, name)
    requests = check.requests(kit) if check else []
    return [r for r in requests if isinstance(r, Sweep) and (kit is not BOOTH or r.channel == "left")]


def read(kit: Kit, name: str, *faults: str, changed: object = lambda capture: capture) -> CheckReadings:
    by_request = {capture.request: capture for capture in captured(kit.name, *faults)}
    return listed(kit, name).read([changed(by_request[request]) for request in of(kit, name)], kit)  # type: ignore


def verdicts(kit: Kit, name: str, *faults: str) -> dict[str, Verdict]:
    found = judge(read(kit, name, *faults), kit.limits[name], kit.folder, name, partial=True, files=kit.files)
    return {f"{verdict.quantity} {verdict.subject}": verdict for verdict in found}


def outcomes(kit: Kit, name: str, *faults: str) -> dict[str, str]:
    return {key: verdict.outcome for key, verdict in verdicts(kit, name, *faults).items()}


def test_a_disc_of_pieces_is_the_exact_piston_before_its_middle() -> None:
    """The bench's quadrature against the closed formula that the check uses, of the satellite's only surface."""
    box, at_hz = nominal_unit(REHEARSAL).box("left"), np.geomspace(20.0, 6000.0, 40)
    surface = REHEARSAL.channel("left").surfaces()["cone"]
    closed = close_transfer([surface], [0.005], at_hz, 343.0)[:, 0, 0] * surface.area_m2
    heard = close_up_pa(box, (0.0, 0.0, 0.005), at_hz, 343.0) / driven(box, at_hz).velocity["cone"]
    # The cone's own roll-off at 17 kHz is not the piston's.
    x = at_hz / 17000.0
    assert heard * (1 - x**2 + 1j * np.sqrt(2) * x) == pytest.approx(closed, rel=2e-4)


@pytest.mark.parametrize("kit", [BOOTH, REHEARSAL], ids=lambda kit: kit.name)
def test_a_good_unit_passes_down_to_the_bass(kit: Kit) -> None:
    assert set(outcomes(kit, "near_field").values()) == {"pass"}
    curves = {c.subject: c for c in read(kit, "near_field").curves if c.quantity == "joined level"}
    for name, lowest_hz, within_db in (("left", 60.0, 1.5), ("bass", 40.0, 1.5)):
        if name in curves:
            curve = curves[name]
            inside = (curve.frequency_hz >= lowest_hz) & (curve.frequency_hz <= min(5000.0, kit.channel(name).band[1]))
            assert curve.valid[inside].all()
            assert np.max(np.abs(curve.value - curve.design)[inside]) < within_db


def test_where_both_fields_hold_they_meet() -> None:
    steps = {r.subject: r for r in read(REHEARSAL, "near_field").readings}
    # The bass box has nothing to say where the gate begins to.
    assert set(steps) == {"left", "right"}
    assert all(abs(step.value) < 0.3 and 1.0 < step.uncertainty < 3.5 for step in steps.values())


@pytest.mark.parametrize(("kit", "box"), [(BOOTH, "left"), (REHEARSAL, "bass")], ids=["booth-two", "rehearsal-three"])
def test_a_blocked_port_fails_and_nothing_else(kit: Kit, box: str) -> None:
    found = outcomes(kit, "near_field", f"blocked-port:{box}")
    assert {key for key, outcome in found.items() if outcome != "pass"} == {
        f"near-field level {box} port",
        f"joined level {box}",
    }
    assert found[f"near-field level {box} port"] == found[f"joined level {box}"] == "fail"


def test_a_leak_takes_the_port_s_level() -> None:
    found = verdicts(BOOTH, "near_field", "leak:left=2")["near-field level left port"]
    assert found.outcome == "fail"
    assert "too low" in found.reason
    assert 45 < found.at_hz < 65


def test_a_microphone_too_far_from_the_cone_is_void_and_says_so() -> None:
    found = verdicts(BOOTH, "near_field", "far-microphone=30")
    assert {verdict.outcome for verdict in found.values()} == {"void"}
    assert "the microphone was too far from the cone" in found["joined level left"].reason


def test_places_in_the_wrong_order_are_void_and_said() -> None:
    with pytest.raises(Untrusted, match="left: the places at woofer and port look exchanged"):
        read(BOOTH, "near_field", "exchanged-places")


def test_noise_hides_and_fails_nothing() -> None:
    found = outcomes(BOOTH, "near_field", "loud-room=75")
    assert found["joined level left"] == "void"
    assert "fail" not in found.values()


def without_loopback(capture: Capture) -> Capture:
    row = capture.inputs.index("microphone")
    return replace(capture, samples=capture.samples[[row]], inputs=("microphone",))


def test_cone_and_port_do_not_add_up_without_a_loopback_and_a_closed_box_needs_none() -> None:
    with pytest.raises(Untrusted, match="adds up by its timing, which only a loopback tells"):
        read(BOOTH, "near_field", changed=without_loopback)
    closed = [c for c in captured("rehearsal-three") if c.request.channel == "left"]
    settings = near_field.Settings(join_within_db=2.0)
    joined = near_field.read([without_loopback(c) for c in closed], settings, REHEARSAL).curves[-1]
    inside = (joined.frequency_hz > 100) & (joined.frequency_hz < 5000)
    assert np.max(np.abs(joined.value - joined.design)[inside]) < 1.0


def test_uncertainty_grows_with_the_place_over_the_size_and_where_cone_and_port_cancel() -> None:
    held = [c for c in captured("rehearsal-three") if c.request in of(REHEARSAL, "near_field")]
    by_place = {}
    for within_mm in (2.0, 8.0):
        settings = near_field.Settings(placed_within_mm=within_mm, join_within_db=2.0)
        read_ = near_field.read(held, settings, REHEARSAL)
        by_place[within_mm] = {c.subject: c for c in read_.curves if c.quantity == "near-field level"}
    placed = {}
    for name in ("left cone", "bass bass"):
        at = int(np.searchsorted(by_place[2.0][name].frequency_hz, 120.0))
        wide, narrow = (by_place[mm][name].parts["method"][at] for mm in (8.0, 2.0))
        placed[name] = np.sqrt((wide**2 - narrow**2) / (8.0**2 - 2.0**2))
    # A millimetre of 33.9 mm, and of 65.1: over the root of three, in decibels.
    assert placed["left cone"] == pytest.approx(8.686 / 34.2 / np.sqrt(3), rel=0.01)
    assert placed["bass bass"] == pytest.approx(8.686 / 65.3 / np.sqrt(3), rel=0.01)
    joined = next(c for c in read(REHEARSAL, "near_field").curves if c.subject == "bass" and c.quantity[0] == "j")
    below, above = (int(np.searchsorted(joined.frequency_hz, hz)) for hz in (27.0, 60.0))
    assert joined.parts["method"][below] > 2 * joined.parts["method"][above]


def test_a_box_without_all_its_places_is_told_before_anything_sounds() -> None:
    without = [place for place in BOOTH.positions if place.near != "port"]
    kit = BOOTH.model_copy(update={"positions": without})
    with pytest.raises(TableError, match=r"found none close to the port of the left box.*one with near = 'port'"):
        near_field.requests(kit, near_field.Settings())
    far = BOOTH.model_copy(update={"positions": BOOTH.positions[:3]})
    with pytest.raises(TableError, match="found no place with near; allowed: one at least"):
        near_field.requests(far, near_field.Settings())


def test_the_person_at_the_bench_is_told_where_close_is() -> None:
    schedule = plan(BOOTH, listed_checks(BOOTH, checks.ALL, "around"))
    words = {(group.at, group.position): group.words for group in schedule.stages[-1].groups}
    assert "5 mm in front of the dust cap of the woofer, 125 mm below the axis" in words["left", "at the woofer"]
    assert (
        "in the middle of the port's mouth, level with the box's front, 245 mm below" in words["right", "at the port"]
    )
    sweeps = {request.position: request.level_v for request in schedule.requests if request.stage == "playing"}
    assert sweeps["at the port"] == BOOTH.levels.near_v


def test_a_good_handover_passes() -> None:
    assert set(outcomes(REHEARSAL, "handover").values()) == {"pass"}


@pytest.mark.parametrize(
    ("fault", "quantity", "value", "within"),
    [
        ("reversed:bass", "handover polarity", -1.0, 0.0),
        ("late:bass=5", "handover delay", 5.0, 0.3),
        ("late:bass=-3", "handover delay", -3.0, 0.3),
        ("quiet:bass=6", "handover level", -6.0, 0.6),
    ],
)
def test_a_bass_box_that_is_wrong_fails_by_what_is_wrong(
    fault: str, quantity: str, value: float, within: float
) -> None:
    read_ = {(r.quantity, r.subject): r for r in read(REHEARSAL, "handover", fault).readings}
    for other in ("left", "right"):
        assert read_[quantity, f"bass to {other}"].value == pytest.approx(value, abs=within)
    found = outcomes(REHEARSAL, "handover", fault)
    for named in ("handover polarity", "handover delay", "handover level"):
        assert found[f"{named} bass to left"] == ("fail" if named == quantity else "pass")
    # Coming early it adds up as loud somewhere else in the band.
    assert found["handover sum bass to left"] == ("pass" if value == -3.0 else "fail")


def test_without_a_loopback_nothing_is_said_of_a_handover() -> None:
    with pytest.raises(UnfitBench, match="a common time zero alone, which a loopback"):
        read(REHEARSAL, "handover", changed=without_loopback)
    with pytest.raises(UnfitBench, match="a common time zero alone, which a loopback"):
        read(REHEARSAL, "handover", changed=lambda c: replace(c, other_clock=("microphone",)))


def test_a_crossing_of_no_channel_is_told() -> None:
    settings = handover.Settings(crossings=[{"low": "bas", "high": "left", "band_hz": [60.0, 240.0]}])
    with pytest.raises(TableError, match="found channel 'bas'; allowed: left, right, bass"):
        handover.requests(REHEARSAL, settings)


def named(kit: Kit, name: str, *faults: str) -> list[str]:
    check = listed(kit, name)
    assert check is not None
    found = {capture.request: capture for capture in captured(kit.name, *faults)}
    result = examine(check, of(kit, name), found, dict.fromkeys(found, ()), kit, partial=True)
    return [finding.words for finding in findings(kit, [result])]


def test_what_other_places_show_is_named_and_nothing_else() -> None:
    assert named(BOOTH, "near_field", "blocked-port:left") == ["the port of left is blocked"]
    [leak] = named(BOOTH, "near_field", "leak:left=2")
    assert leak.startswith("the port of left gives ")
    assert "less than designed: the box leaks" in leak
    late = named(REHEARSAL, "handover", "late:bass=5")
    assert [words.split(" ms ")[0].split(".")[0] for words in late] == ["bass comes 5", "bass comes 5"]
    assert "bass or left is connected the wrong way round" in " ".join(named(REHEARSAL, "handover", "reversed:bass"))
    assert named(BOOTH, "near_field") == []
