"""The wiring of the heat test: sensors, instruments, and the coil that may be followed through isolated pick-ups."""

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle

from rig.report.symbols import (
    Point,
    block,
    joint,
    loudspeaker,
    microphone,
    new_sheet,
    resistor,
    terminal,
    wire,
    write,
)

#: Size of small letters, in points.
SMALL = 6.5


def soak() -> Figure:
    """Long loud playing: what is watched, and what is only for who follows a coil."""
    figure, axes = new_sheet(210, 222, "Heat: long loud playing, watched by thermometers that the computer reads")
    _sound(axes)
    _boxes(axes)
    _sensors(axes)
    _supply(axes)
    _computer(axes)
    _coil(axes)
    words = (
        "BRIDGED OUTPUTS: both terminals are live and never meet the card's ground; no clip, no probe, no minus lead."
    )
    write(axes, (105, 6), words, align="center", bold=True, size=SMALL)
    return figure


def _sound(axes: Axes) -> None:
    """From the card through the amplifier to the speaker leads, and back by the microphone."""
    block(axes, (6, 152), (46, 54), "sound card")
    for height, name in ((192, "output 1: left"), (178, "output 2: right"), (160, "input 3: microphone")):
        terminal(axes, (52, height), name)
    block(axes, (78, 168), (34, 38), "amplifier")
    for height, name in ((192, "in left"), (178, "in right")):
        wire(axes, (53.1, height), (76.9, height))
        terminal(axes, (78, height), name, "right")
    for height, name in ((198, "+"), (192, "−"), (182, "+"), (176, "−")):
        wire(axes, (113.1, height), (154.9, height))
        terminal(axes, (112, height), name)
        terminal(axes, (156, height), name, "right")
    write(axes, (134, 203), "speaker leads", align="center", size=SMALL)
    wire(axes, (176, 160), (53.1, 160))


def _boxes(axes: Axes) -> None:
    block(axes, (156, 188), (48, 18), "left box")
    block(axes, (156, 170), (48, 16), "right box")
    loudspeaker(axes, (179, 193), down=True)
    loudspeaker(axes, (179, 175), down=True)
    microphone(axes, (179, 160))
    write(axes, (148, 164), "microphone: before, hot and after at one place", align="center", size=SMALL)


def _sensor(axes: Axes, at: Point) -> None:
    axes.add_patch(Circle(at, 1.7, facecolor="#777777", edgecolor="black", linewidth=1.1, zorder=4))


def _sensors(axes: Axes) -> None:
    """One where it gets hot, one in the air of the room."""
    block(axes, (62, 112), (44, 26), "thermometer")
    write(axes, (84, 122), "any with an address:\nLAN, USB or serial", align="center", size=SMALL)
    _sensor(axes, (84, 171))
    wire(axes, (84, 169.3), (84, 138))
    _sensor(axes, (92, 171))
    wire(axes, (92, 169.3), (92, 138))
    write(
        axes, (81, 150), "sensors on the heat sink, beside\nthe chip, and in the air there", align="right", size=SMALL
    )
    _sensor(axes, (32, 125))
    wire(axes, (33.7, 125), (62, 125))
    write(axes, (32, 131), "sensor in the air of the room,", align="center", size=SMALL)
    write(axes, (32, 119), "away from boxes and warm air", align="center", size=SMALL)


def _supply(axes: Axes) -> None:
    block(axes, (150, 112), (54, 26), "supply")
    write(axes, (177, 122), "certified; its current\nmay be read too", align="center", size=SMALL)
    block(axes, (116, 144), (40, 9))
    write(axes, (136, 148.5), "fuse, thermal switch or timer", align="center", size=SMALL)
    wire(axes, (106, 168), (106, 148.5), (116, 148.5))
    wire(axes, (156, 148.5), (177, 148.5), (177, 138))
    write(axes, (128, 140), "cuts it without the computer", align="center", size=SMALL)


def _computer(axes: Axes) -> None:
    block(axes, (62, 88), (142, 14))
    write(
        axes,
        (133, 95),
        "computer: on mains, sleep mode off; its stop is only the second line of defence",
        align="center",
    )
    wire(axes, (84, 112), (84, 102))
    wire(axes, (177, 112), (177, 102), dashed=True)
    wire(axes, (12, 152), (12, 95), (62, 95))


def _coil(axes: Axes) -> None:
    """Where a coil's resistance is followed: two pick-ups that isolate, nothing of the card on the output."""
    axes.add_patch(Rectangle((4, 11), 202, 70, facecolor="none", edgecolor="#777777", linewidth=0.8))
    write(axes, (105, 77), "ONLY IF THE COIL OF ONE CHANNEL IS FOLLOWED", align="center", bold=True)
    block(axes, (10, 40), (26, 31), "amplifier")
    block(axes, (88, 40), (28, 31), "left box")
    loudspeaker(axes, (105, 55))
    for height, name in ((62, "+"), (46, "−")):
        terminal(axes, (36, height), name)
        terminal(axes, (88, height), name, "right")
    wire(axes, (37.1, 62), (86.9, 62))
    wire(axes, (37.1, 46), (86.9, 46))
    resistor(axes, (64, 46), (76, 46))
    write(axes, (70, 51.5), "sense resistor", align="center", size=SMALL)
    for low, name in ((40, "1"), (62, "2")):
        block(axes, (low, 21), (18, 13), dashed=True)
        write(axes, (low + 9, 27.5), f"isolated\npick-up {name}", align="center", size=SMALL)
    wire(axes, (44, 62), (44, 34))
    wire(axes, (52, 46), (52, 34))
    wire(axes, (60, 46), (60, 40), (66, 40), (66, 34))
    wire(axes, (80, 46), (80, 40), (76, 40), (76, 34))
    for at in ((44, 62), (52, 46), (60, 46), (80, 46)):
        joint(axes, at)
    block(axes, (154, 14), (46, 27), "sound card")
    for height, name in ((29, "input 2: sense"), (19, "input 1: drive")):
        terminal(axes, (154, height), name, "right")
    wire(axes, (80, 29), (152.9, 29))
    wire(axes, (49, 21), (49, 16), (120, 16), (120, 19), (152.9, 19))
    words = (
        "isolated pick-up: a differential probe or an isolating\ntransformer, rated for the level. A bridged amplifier "
        "is\nrefused without (isolated = true in bench.toml)."
    )
    write(axes, (121, 57), words, size=SMALL)
