"""The wiring of the heat test: sensors, instruments, and the coil that may be followed through isolated pick-ups."""

from rig.report.symbols import (
    SMALL,
    Sheet,
    block,
    border,
    joint,
    loudspeaker,
    microphone,
    new_sheet,
    resistor,
    sensor,
    terminal,
    wire,
    write,
)


def soak() -> Sheet:
    """Long loud playing: what is watched, and what is only for who follows a coil."""
    sheet = new_sheet(210, 222, "Heat: long loud playing, watched by thermometers that the computer reads")
    _sound(sheet)
    _boxes(sheet)
    _sensors(sheet)
    _supply(sheet)
    _computer(sheet)
    _coil(sheet)
    words = (
        "BRIDGED OUTPUTS: both terminals are live and never meet the card's ground; no clip, no probe, no minus lead."
    )
    write(sheet, (105, 6), words, align="center", bold=True, size=SMALL)
    return sheet


def _sound(sheet: Sheet) -> None:
    """From the card through the amplifier to the speaker leads, and back by the microphone."""
    block(sheet, (6, 152), (46, 54), "sound card")
    for height, name in ((192, "output 1: left"), (178, "output 2: right"), (160, "input 3: microphone")):
        terminal(sheet, (52, height), name)
    block(sheet, (78, 168), (34, 38), "amplifier")
    for height, name in ((192, "in left"), (178, "in right")):
        wire(sheet, (53.1, height), (76.9, height))
        terminal(sheet, (78, height), name, "right")
    for height, name in ((198, "+"), (192, "−"), (182, "+"), (176, "−")):
        wire(sheet, (113.1, height), (154.9, height))
        terminal(sheet, (112, height), name)
        terminal(sheet, (156, height), name, "right")
    write(sheet, (134, 203), "speaker leads", align="center", size=SMALL)
    wire(sheet, (176, 160), (53.1, 160))


def _boxes(sheet: Sheet) -> None:
    block(sheet, (156, 188), (48, 18), "left box")
    block(sheet, (156, 170), (48, 16), "right box")
    loudspeaker(sheet, (179, 193), down=True)
    loudspeaker(sheet, (179, 175), down=True)
    microphone(sheet, (179, 160))
    write(sheet, (148, 164), "microphone: before, hot and after at one place", align="center", size=SMALL)


def _sensors(sheet: Sheet) -> None:
    """One where it gets hot, one in the air of the room."""
    block(sheet, (62, 112), (44, 26), "thermometer")
    write(sheet, (84, 122), "any with an address:\nLAN, USB or serial", align="center", size=SMALL)
    sensor(sheet, (84, 171))
    wire(sheet, (84, 169.3), (84, 138))
    sensor(sheet, (92, 171))
    wire(sheet, (92, 169.3), (92, 138))
    write(
        sheet, (81, 150), "sensors on the heat sink, beside\nthe chip, and in the air there", align="right", size=SMALL
    )
    sensor(sheet, (32, 125))
    wire(sheet, (33.7, 125), (62, 125))
    write(sheet, (32, 131), "sensor in the air of the room,", align="center", size=SMALL)
    write(sheet, (32, 119), "away from boxes and warm air", align="center", size=SMALL)


def _supply(sheet: Sheet) -> None:
    block(sheet, (150, 112), (54, 26), "supply")
    write(sheet, (177, 122), "certified; its current\nmay be read too", align="center", size=SMALL)
    block(sheet, (116, 144), (40, 9))
    write(sheet, (136, 148.5), "fuse, thermal switch or timer", align="center", size=SMALL)
    wire(sheet, (106, 168), (106, 148.5), (116, 148.5))
    wire(sheet, (156, 148.5), (177, 148.5), (177, 138))
    write(sheet, (128, 140), "cuts it without the computer", align="center", size=SMALL)


def _computer(sheet: Sheet) -> None:
    block(sheet, (62, 88), (142, 14))
    write(
        sheet,
        (133, 95),
        "computer: on mains, sleep mode off; its stop is only the second line of defence",
        align="center",
    )
    wire(sheet, (84, 112), (84, 102))
    wire(sheet, (177, 112), (177, 102), dashed=True)
    wire(sheet, (12, 152), (12, 95), (62, 95))


def _coil(sheet: Sheet) -> None:
    """Where a coil's resistance is followed: two pick-ups that isolate, nothing of the card on the output."""
    border(sheet, (4, 11), (202, 70))
    write(sheet, (105, 77), "ONLY IF THE COIL OF ONE CHANNEL IS FOLLOWED", align="center", bold=True)
    block(sheet, (10, 40), (26, 31), "amplifier")
    block(sheet, (88, 40), (28, 31), "left box")
    loudspeaker(sheet, (105, 55))
    for height, name in ((62, "+"), (46, "−")):
        terminal(sheet, (36, height), name)
        terminal(sheet, (88, height), name, "right")
    wire(sheet, (37.1, 62), (86.9, 62))
    wire(sheet, (37.1, 46), (86.9, 46))
    resistor(sheet, (64, 46), (76, 46))
    write(sheet, (70, 51.5), "sense resistor", align="center", size=SMALL)
    for low, name in ((40, "1"), (62, "2")):
        block(sheet, (low, 21), (18, 13), dashed=True)
        write(sheet, (low + 9, 27.5), f"isolated\npick-up {name}", align="center", size=SMALL)
    wire(sheet, (44, 62), (44, 34))
    wire(sheet, (52, 46), (52, 34))
    wire(sheet, (60, 46), (60, 40), (66, 40), (66, 34))
    wire(sheet, (80, 46), (80, 40), (76, 40), (76, 34))
    for at in ((44, 62), (52, 46), (60, 46), (80, 46)):
        joint(sheet, at)
    block(sheet, (154, 14), (46, 27), "sound card")
    for height, name in ((29, "input 2: sense"), (19, "input 1: drive")):
        terminal(sheet, (154, height), name, "right")
    wire(sheet, (80, 29), (152.9, 29))
    wire(sheet, (49, 21), (49, 16), (120, 16), (120, 19), (152.9, 19))
    words = (
        "isolated pick-up: a differential probe or an isolating\ntransformer, rated for the level. A bridged amplifier "
        "is\nrefused without (isolated = true in bench.toml)."
    )
    write(sheet, (121, 57), words, size=SMALL)
