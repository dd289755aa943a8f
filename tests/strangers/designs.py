"""The designs: what the builder's kit says of each, and what of it no kit can say.

All sheets are invented. A kit's `vented` box stands for the passive radiator as well, and `none` for the open baffle.
"""

from dataclasses import dataclass, field
from typing import Literal

from strangers.driver import Hidden, Sheet

WOOFER_13 = Sheet(8, 5.9, 0.60, 52, 4.0, 0.42, 11.0, 86, breakup_hz=5500)
WOOFER_17 = Sheet(8, 6.0, 0.70, 38, 5.0, 0.40, 30.0, 132, breakup_hz=4500)
OPEN_20 = Sheet(8, 5.8, 0.60, 45, 5.0, 0.80, 60.0, 215, breakup_hz=4000)
BASS_20 = Sheet(4, 3.2, 1.10, 32, 5.0, 0.42, 35.0, 215, breakup_hz=2500)
MIDRANGE_10 = Sheet(8, 5.8, 0.30, 180, 3.0, 0.90, 0.9, 50, breakup_hz=7500)
FULL_RANGE_8 = Sheet(4, 3.5, 0.12, 95, 3.8, 0.62, 1.7, 36, breakup_hz=9000)
FULL_RANGE_12 = Sheet(8, 6.2, 0.25, 75, 4.0, 0.60, 6.0, 80, breakup_hz=7000)
TWEETER_25 = Sheet(6, 5.3, 0.04, 820, 2.6, 1.15, 0.0135, 6.6, breakup_hz=25000)
TWEETER_28 = Sheet(8, 5.8, 0.05, 650, 2.0, 1.00, 0.020, 7.5, breakup_hz=23000)

PLAIN_CONE = Hidden()
SMALL_CONE = Hidden(creep=0.10, surround=(0.06, 0.10, 1300.0, 4.0), rim=(0.20, 0.40, 5.0))
HARD_CONE = Hidden(creep=0.07, surround=(0.05, 0.08, 950.0, 4.0), rim=(0.22, 0.45, 9.0))
DOME = Hidden(creep=0.02, surround=(0.0, 0.0, 1.0, 1.0), rim=(0.15, 0.30, 5.0), chamber=0.45)
FLUID_DOME = Hidden(creep=0.02, surround=(0.0, 0.0, 1.0, 1.0), rim=(0.15, 0.30, 5.0), chamber=0.35, fluid=0.7)
OWN_POT = Hidden(creep=0.05, surround=(0.06, 0.08, 1600.0, 4.0), rim=(0.20, 0.40, 5.0), chamber=0.7)


@dataclass(frozen=True)
class Fitted:
    """One driver in its place."""

    name: str
    sheet: Sheet
    #: Where it is the one that is heard.
    band_hz: tuple[float, float]
    network: tuple[str, ...] = ()
    up_mm: float = 0.0
    behind_mm: float = 0.0
    polarity: Literal["normal", "reversed"] = "normal"
    in_box: bool = True
    hidden: Hidden = PLAIN_CONE


@dataclass(frozen=True)
class Design:
    """One design of a box with its drivers."""

    name: str
    title: str
    kind: Literal["closed", "vented", "passive", "open"]
    drivers: tuple[Fitted, ...]
    volume_l: float = 10.0
    tuning_hz: float = 50.0
    #: Width, and height above and below the microphone's axis.
    baffle_m: tuple[float, float, float] = (0.20, 0.08, 0.26)
    depth_m: float = 0.25
    port_radius_mm: float = 22.0
    passive_cm2: float = 0.0
    #: Of the pipe or the passive radiator on the front.
    port_up_mm: float = -200.0
    #: Corner of a fourth-order Linkwitz-Riley low-pass before the amplifier.
    lowpass_hz: float | None = None
    #: It is stepped through time instead of solved over frequency.
    stepped: bool = False
    #: From where its level is judged, and up to where; and the band that levels are aligned in.
    judged_hz: tuple[float, float] = (60.0, 15000.0)
    aligned_hz: tuple[float, float] = (500.0, 5000.0)
    positions: tuple[tuple[str, float], ...] = field(default=(("on axis", 0.0),))


def _woofer(sheet: Sheet, upto_hz: float, *network: str, hidden: Hidden = PLAIN_CONE) -> Fitted:
    low = 60.0 if sheet is not OPEN_20 else 100.0
    return Fitted("woofer", sheet, (low, upto_hz), network, up_mm=-130.0, behind_mm=18.0, hidden=hidden)


def _tweeter(sheet: Sheet, from_hz: float, *network: str, reversed_: bool = False, fluid: bool = False) -> Fitted:
    hidden = FLUID_DOME if fluid else DOME
    polarity: Literal["normal", "reversed"] = "reversed" if reversed_ else "normal"
    return Fitted("tweeter", sheet, (from_hz, 16000.0), network, polarity=polarity, in_box=False, hidden=hidden)


DESIGNS: dict[str, Design] = {
    design.name: design
    for design in (
        Design(
            "closed-two",
            "Closed two-way, second order, fluid in the tweeter's gap",
            "closed",
            (
                _woofer(WOOFER_13, 1300.0, "series L1 0.82 mH (0.3 ohm)", "shunt C1 8.2 uF"),
                _tweeter(
                    TWEETER_25,
                    3800.0,
                    "series C2 5.6 uF",
                    "shunt L2 0.33 mH (0.2 ohm)",
                    "series R1 3.3 ohm",
                    fluid=True,
                ),
            ),
            volume_l=9.0,
        ),
        Design(
            "vented-two",
            "Vented two-way, second and third order",
            "vented",
            (
                _woofer(
                    WOOFER_13, 1300.0, "series L1 1.0 mH (0.3 ohm)", "shunt C1 6.8 uF", "shunt R1 6.8 ohm + C2 12 uF"
                ),
                _tweeter(
                    TWEETER_28,
                    3500.0,
                    "series C3 5.6 uF",
                    "shunt L2 0.33 mH (0.2 ohm)",
                    "series C4 15 uF",
                    "series R2 3.3 ohm",
                ),
            ),
            volume_l=8.0,
            tuning_hz=54.0,
            positions=(("on axis", 0.0), ("30 degrees", 30.0)),
        ),
        Design(
            "first-two",
            "Vented two-way, first order, padded tweeter",
            "vented",
            (
                _woofer(WOOFER_17, 1300.0, "series L1 1.0 mH (0.3 ohm)", "shunt R1 6.8 ohm + C1 15 uF"),
                _tweeter(TWEETER_28, 4500.0, "series C2 4.7 uF", "series R2 3.3 ohm", "shunt R3 10 ohm", fluid=True),
            ),
            volume_l=18.0,
            tuning_hz=42.0,
            port_radius_mm=30.0,
            baffle_m=(0.22, 0.10, 0.32),
            depth_m=0.28,
        ),
        Design(
            "fourth-two",
            "Closed two-way, fourth order",
            "closed",
            (
                _woofer(
                    WOOFER_13,
                    1500.0,
                    "series L1 1.2 mH (0.35 ohm)",
                    "shunt C1 15 uF",
                    "series L2 0.56 mH (0.25 ohm)",
                    "shunt C2 4.7 uF",
                    hidden=HARD_CONE,
                ),
                _tweeter(
                    TWEETER_25,
                    3500.0,
                    "series C3 4.7 uF",
                    "shunt L3 0.47 mH (0.25 ohm)",
                    "series C4 12 uF",
                    "shunt L4 1.0 mH (0.4 ohm)",
                    "series R1 2.7 ohm",
                    reversed_=True,
                ),
            ),
            volume_l=10.0,
        ),
        Design(
            "skew-two",
            "Closed two-way, first order below and third above",
            "closed",
            (
                _woofer(WOOFER_17, 1200.0, "series L1 0.82 mH (0.3 ohm)", "shunt R1 6.8 ohm + C1 22 uF"),
                _tweeter(
                    TWEETER_28,
                    4000.0,
                    "series C2 5.6 uF",
                    "shunt L2 0.27 mH (0.2 ohm)",
                    "series C3 15 uF",
                    "series R2 4.7 ohm",
                ),
            ),
            volume_l=20.0,
            baffle_m=(0.22, 0.10, 0.32),
            stepped=True,
        ),
        Design(
            "three-way",
            "Closed three-way",
            "closed",
            (
                Fitted(
                    "woofer",
                    WOOFER_17,
                    (50.0, 250.0),
                    ("series L1 3.9 mH (0.4 ohm)", "shunt C1 68 uF"),
                    up_mm=-260.0,
                    behind_mm=20.0,
                ),
                Fitted(
                    "midrange",
                    MIDRANGE_10,
                    (700.0, 2000.0),
                    (
                        "series C2 39 uF",
                        "shunt L2 4.7 mH (0.6 ohm)",
                        "series L3 0.47 mH (0.2 ohm)",
                        "shunt C3 4.7 uF",
                    ),
                    up_mm=-110.0,
                    behind_mm=12.0,
                    polarity="reversed",
                    in_box=False,
                    hidden=OWN_POT,
                ),
                _tweeter(
                    TWEETER_25,
                    5000.0,
                    "series C4 3.9 uF",
                    "shunt L4 0.27 mH (0.2 ohm)",
                    "series R1 2.2 ohm",
                    reversed_=True,
                ),
            ),
            volume_l=22.0,
            baffle_m=(0.24, 0.10, 0.40),
            depth_m=0.30,
        ),
        Design(
            "full-range",
            "Vented full-range driver without a network",
            "vented",
            (Fitted("cone", FULL_RANGE_12, (80.0, 12000.0), hidden=SMALL_CONE),),
            volume_l=9.0,
            tuning_hz=62.0,
            judged_hz=(60.0, 12000.0),
            baffle_m=(0.18, 0.09, 0.22),
            port_up_mm=-150.0,
        ),
        Design(
            "contour-one",
            "Closed full-range driver with a coil and a resistor against the baffle's lift",
            "closed",
            (
                Fitted(
                    "cone",
                    FULL_RANGE_8,
                    (150.0, 14000.0),
                    ("series C1 470 uF +- 10 %", "series L1 0.75 mH (0.3 ohm) | R1 2.7 ohm"),
                    hidden=SMALL_CONE,
                ),
            ),
            volume_l=2.2,
            baffle_m=(0.13, 0.07, 0.12),
            depth_m=0.15,
            judged_hz=(90.0, 12000.0),
            stepped=True,
        ),
        Design(
            "notch-one",
            "Closed full-range driver with a trap for its break-up",
            "closed",
            (
                Fitted(
                    "cone",
                    FULL_RANGE_12,
                    (100.0, 12000.0),
                    ("series L1 0.22 mH (0.15 ohm) | C1 4.7 uF | R1 10 ohm",),
                    hidden=Hidden(creep=0.08, surround=(0.06, 0.10, 1500.0, 4.0), rim=(0.2, 0.4, 8.0)),
                ),
            ),
            volume_l=7.0,
            judged_hz=(80.0, 12000.0),
        ),
        Design(
            "passive-two",
            "Two-way with a passive radiator, second order",
            "passive",
            (
                _woofer(WOOFER_13, 1300.0, "series L1 1.0 mH (0.3 ohm)", "shunt C1 10 uF"),
                _tweeter(TWEETER_28, 3800.0, "series C2 6.8 uF", "shunt L2 0.33 mH (0.2 ohm)", "series R1 3.3 ohm"),
            ),
            volume_l=8.0,
            tuning_hz=48.0,
            passive_cm2=132.0,
            baffle_m=(0.20, 0.08, 0.44),
            port_up_mm=-310.0,
        ),
        Design(
            "open-two",
            "Two-way on an open baffle, second order",
            "open",
            (
                _woofer(OPEN_20, 1000.0, "series L1 1.5 mH (0.3 ohm)", "shunt C1 15 uF"),
                _tweeter(TWEETER_28, 3500.0, "series C2 8.2 uF", "shunt L2 0.39 mH (0.2 ohm)", "series R1 2.2 ohm"),
            ),
            baffle_m=(0.36, 0.12, 0.40),
            depth_m=0.12,
            judged_hz=(100.0, 15000.0),
        ),
        Design(
            "bass-box",
            "Vented bass box behind an electronic filter",
            "vented",
            (Fitted("bass", BASS_20, (30.0, 120.0)),),
            volume_l=30.0,
            tuning_hz=36.0,
            port_radius_mm=38.0,
            baffle_m=(0.30, 0.20, 0.25),
            depth_m=0.40,
            lowpass_hz=120.0,
            judged_hz=(30.0, 200.0),
            aligned_hz=(40.0, 120.0),
        ),
        Design(
            "level-two",
            "Vented two-way whose impedance is made level",
            "vented",
            (
                _woofer(
                    WOOFER_17, 1200.0, "series L1 1.2 mH (0.35 ohm)", "shunt C1 12 uF", "shunt R1 6.8 ohm + C2 15 uF"
                ),
                _tweeter(
                    TWEETER_25,
                    3800.0,
                    "series C3 5.6 uF",
                    "shunt L2 0.39 mH (0.2 ohm)",
                    "series R2 2.2 ohm",
                    "shunt L3 1.0 mH (0.5 ohm) + C4 33 uF + R3 5.6 ohm",
                ),
            ),
            volume_l=20.0,
            tuning_hz=40.0,
            port_radius_mm=30.0,
            baffle_m=(0.22, 0.10, 0.32),
        ),
    )
}
