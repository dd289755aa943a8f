"""Off the axis: pistons of known size at known angles, and what the simulated bench does of it."""

import numpy as np
import pytest
from captures import BENCH, captured, demo_kit, one_driver_kit, playing
from scipy.special import j1

import checks
from checks import off_axis
from rig.design.kit import Kit, PositionSpec
from rig.files.errors import TableError
from rig.run.schedule import plan
from rig.simulated.bench import SimulatedBench
from rig.verdict.check import listed_checks
from rig.verdict.judge import judge

PLACES = [
    PositionSpec(name="on axis", distance_m=1.0),
    PositionSpec(name="15 degrees", distance_m=1.0, angle_deg=15.0),
    PositionSpec(name="-30 degrees", distance_m=1.0, angle_deg=-30.0),
]
KIT = one_driver_kit(sd_cm2=36.0, band_hz=[150.0, 15000.0]).model_copy(update={"positions": PLACES})
SETTINGS = off_axis.Settings()
DESIGNED_MM = 2e3 * np.sqrt(36e-4 / np.pi)
AIR_M_S = 343.2


def heard(
    diameter_mm: float,
    angles: dict[str, float] | None = None,
    distances: dict[str, float] | None = None,
    noise_v: float = 1e-6,
):
    """Captures in front of a flat piston, each place at the angle and distance that the kit says unless others are."""
    found = []
    for request in off_axis.requests(KIT, SETTINGS):
        place = KIT.position(request.position)
        angle = (angles or {}).get(place.name, place.angle_deg)
        far_m = (distances or {}).get(place.name, place.distance_m)

        def pascal_per_volt(f, angle=angle, far_m=far_m):
            x = np.maximum(np.pi * f / AIR_M_S * diameter_mm * 1e-3 * abs(np.sin(np.deg2rad(angle))), 1e-9)
            return 0.2 * 2 * j1(x) / x / far_m * np.exp(-2j * np.pi * f * far_m / AIR_M_S)

        found.append(captured(request, playing(request, pascal_per_volt), BENCH, noise_v=noise_v))
    return found


def test_sizes_and_differences_are_those_of_the_piston() -> None:
    read = off_axis.read(heard(80.0), SETTINGS, KIT)
    (size,) = read.readings
    assert (size.quantity, size.subject, size.trouble) == ("piston diameter", "only woofer", "")
    assert size.value == pytest.approx(80.0, rel=0.01)
    # One degree to each side, evenly: of a sin(angle), 6.5 % at 15 degrees and 3.0 % at 30, over the root of three.
    each = [np.deg2rad(1.0) / np.tan(np.deg2rad(angle)) / np.sqrt(3) for angle in (15.0, 30.0)]
    assert size.parts["method"] == pytest.approx(80.0 / np.sqrt(each[0] ** -2 + each[1] ** -2), rel=0.05)
    curves = {(c.quantity, c.subject): c for c in read.curves}
    for name, angle in (("15 degrees", 15.0), ("-30 degrees", 30.0)):
        curve = curves["off axis against axis", f"only {name}"]
        inside = curve.valid & (curve.frequency_hz < 9000)
        x = np.pi * curve.frequency_hz[inside] / AIR_M_S * 0.08 * np.sin(np.deg2rad(angle))
        assert curve.value[inside] == pytest.approx(20 * np.log10(np.abs(2 * j1(x) / x)), abs=0.25)
        level = curves["off-axis level", f"only {name}"]
        assert level.on_axis is not None
        assert (level.value - level.on_axis)[curve.valid] == pytest.approx(curve.value[curve.valid])


def test_a_microphone_at_a_wrong_angle_is_no_other_driver() -> None:
    read = off_axis.read(heard(DESIGNED_MM, {"15 degrees": 20.0, "-30 degrees": -35.0}), SETTINGS, KIT)
    assert "the woofer would be 89 mm wide at 15 degrees" in read.readings[0].trouble
    assert all(curve.trouble == read.readings[0].trouble for curve in read.curves)


@pytest.mark.parametrize("moved", [{"15 degrees": 30.0, "-30 degrees": -15.0}, {"on axis": 15.0, "15 degrees": 0.0}])
def test_places_in_the_wrong_order(moved: dict[str, float]) -> None:
    trouble = off_axis.read(heard(DESIGNED_MM, moved), SETTINGS, KIT).readings[0].trouble
    assert "do not fit together" in trouble
    assert trouble.endswith("they look exchanged") == ("on axis" not in moved)


def test_a_microphone_further_away_is_a_shift_and_no_other_size() -> None:
    read = off_axis.read(heard(DESIGNED_MM, distances={"15 degrees": 1.05}), SETTINGS, KIT)
    assert read.readings[0].trouble == ""
    assert read.readings[0].value == pytest.approx(DESIGNED_MM, rel=0.01)


def test_a_driver_that_hardly_beams_has_no_size() -> None:
    small = one_driver_kit(sd_cm2=36.0, band_hz=[60.0, 1500.0]).model_copy(update={"positions": PLACES})
    assert off_axis.read(heard(DESIGNED_MM), SETTINGS, small).readings == ()


def test_a_kit_without_such_a_place_is_told() -> None:
    alone = KIT.model_copy(update={"positions": PLACES[:1]})
    with pytest.raises(TableError, match=r"no place with an angle_deg; allowed: a place off the axis"):
        off_axis.requests(alone, SETTINGS)


BOOTH = demo_kit("booth-two")


def outcomes(kit: Kit, *faults: str) -> dict[str, set[str]]:
    """Outcome -> quantities and subjects of it, of a simulated unit."""
    listed = next(one for one in listed_checks(kit, checks.ALL, "around") if one.name == "off_axis")
    with SimulatedBench(kit, kit.serial_example, faults).stage("playing") as player:
        read = listed.read(list(player.play(listed.requests(kit))), kit)
    found: dict[str, set[str]] = {}
    for verdict in judge(read, kit.limits["off_axis"], kit.folder, "off_axis", files=kit.files):
        found.setdefault(verdict.outcome, set()).add(f"{verdict.quantity} {verdict.subject}")
    return found


@pytest.mark.parametrize("kit", [BOOTH, demo_kit("rehearsal-three")], ids=lambda kit: kit.name)
def test_a_good_unit_passes(kit: Kit) -> None:
    assert list(outcomes(kit)) == ["pass"]


def test_a_dome_of_another_size_fails_by_its_size_and_its_box_alone() -> None:
    found = outcomes(BOOTH, "beaming:left:tweeter=1.4")
    assert "piston diameter left tweeter" in found["fail"]
    assert "off axis against axis left 30 degrees" in found["fail"]
    assert not [name for name in found["fail"] if "right" in name]
    assert "void" not in found


@pytest.mark.parametrize("fault", ["turned-microphone=5", "turned-microphone=-5", "exchanged-places"])
def test_wrong_angles_and_a_wrong_order_are_void(fault: str) -> None:
    assert list(outcomes(BOOTH, fault)) == ["void"]


def test_the_person_at_the_bench_is_told_where_the_microphone_goes() -> None:
    schedule = plan(BOOTH, listed_checks(BOOTH, checks.ALL, "around"))
    words = {(group.at, group.position): group.words for group in schedule.stages[-1].groups}
    assert "0.5 m" in words["left", "15 degrees"]
    assert "15 degrees to the right of the axis as you look at the box" in words["left", "15 degrees"]
    turned = BOOTH.model_copy(update={"positions": [mirrored(place) for place in BOOTH.positions]})
    words = {g.position: g.words for g in plan(turned, listed_checks(turned, checks.ALL, "around")).stages[-1].groups}
    assert "15 degrees to the left of the axis" in words["15 degrees"]


def mirrored(place: PositionSpec) -> PositionSpec:
    return place.model_copy(update={"angle_deg": -place.angle_deg})


def test_noise_of_the_room_is_part_of_the_difference() -> None:
    quiet = off_axis.read(heard(DESIGNED_MM), SETTINGS, KIT)
    noisy = off_axis.read(heard(DESIGNED_MM, noise_v=1e-4), SETTINGS, KIT)
    a, b = (next(c for c in one.curves if c.quantity == "off axis against axis") for one in (quiet, noisy))
    middle = a.frequency_hz.size // 2
    assert b.parts["noise"][middle] > 30 * a.parts["noise"][middle]
