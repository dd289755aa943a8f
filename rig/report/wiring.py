"""How the bench is wired, drawn from a few symbols: `python -m rig.report.wiring` draws all figures anew."""

from collections.abc import Callable
from pathlib import Path

from rig.drawing.svg import write_svg
from rig.report.symbols import (
    SMALL,
    Sheet,
    arrow,
    block,
    border,
    box_of_drivers,
    card,
    cross_out,
    ground,
    joint,
    loudspeaker,
    microphone,
    new_sheet,
    resistor,
    terminal,
    wire,
    write,
)
from rig.report.wiring_soak import soak

HERE = Path(__file__).parent / "wiring"
#: Numbers and roles of outputs and inputs here and in `playing` are those of the README's bench.toml.
LEADS_CARD = ((84, "output 1: source"), (70, "input 1: drive"), (56, "input 2: sense"), (30, "ground (sleeves)"))


def leads_return(known_load: bool = False) -> Sheet:
    """Sense resistor between the load and ground."""
    title = "Known load: a resistor in place of the box" if known_load else "Leads: sense resistor in the return lead"
    sheet = new_sheet(162, 112, title)
    card(sheet, LEADS_CARD, 22, 98)
    if known_load:
        words = "Sense resistor in the source lead: wired as in that figure, the known resistor where the box stood."
        write(sheet, (6, 101.7), words, size=SMALL)
    box_of_drivers(sheet, known_load)
    wire(sheet, (47.1, 84), (120.9, 84))
    wire(sheet, (60, 84), (60, 70), (47.1, 70))
    wire(sheet, (47.1, 56), (120.9, 56))
    wire(sheet, (86, 56), (86, 30), (47.1, 30))
    resistor(sheet, (86, 49), (86, 37))
    ground(sheet, (66, 30))
    for at in ((60, 84), (86, 56), (66, 30)):
        joint(sheet, at)
    write(sheet, (90, 43), "sense resistor")
    write(sheet, (64, 77), "input 1: voltage at the output")
    write(sheet, (50, 51), "input 2: voltage across\nthe sense resistor", size=SMALL)
    _clips_and_amplifier(sheet, known_load)
    return sheet


def leads_source() -> Sheet:
    """Sense resistor between the output and the load."""
    sheet = new_sheet(162, 112, "Leads: sense resistor in the source lead")
    card(sheet, LEADS_CARD, 22, 98)
    box_of_drivers(sheet, known_load=False)
    wire(sheet, (47.1, 84), (120.9, 84))
    resistor(sheet, (70, 84), (84, 84))
    wire(sheet, (60, 84), (60, 70), (47.1, 70))
    wire(sheet, (100, 84), (100, 56), (47.1, 56))
    wire(sheet, (120.9, 56), (111, 56), (111, 30), (47.1, 30))
    ground(sheet, (66, 30))
    for at in ((60, 84), (100, 84), (66, 30)):
        joint(sheet, at)
    write(sheet, (77, 90), "sense resistor", align="center")
    write(sheet, (64, 70), "input 1: before\nthe resistor", size=SMALL)
    write(sheet, (54, 49.5), "input 2: after the resistor,\nat the load", size=SMALL)
    _clips_and_amplifier(sheet, known_load=False)
    return sheet


def _clips_and_amplifier(sheet: Sheet, known_load: bool) -> None:
    write(sheet, (118, 88.5), "clip", align="right")
    write(sheet, (118, 60.5), "clip", align="right")
    block(sheet, (104, 6), (52, 19), dashed=True)
    words = "the box is not connected" if known_load else "its leads to the box taken off"
    write(sheet, (130, 15.5), f"amplifier: off, unplugged,\n{words}", align="center")


PLAYING_CARD = (
    (104, "output 1: left"),
    (90, "output 2: right"),
    (72, "output 3: loopback_output"),
    (58, "input 4: loopback"),
    (28, "input 3: microphone"),
)


def playing() -> Sheet:
    """Through the kit's own amplifier, with the microphone in front of each box in turn."""
    sheet = new_sheet(190, 132, "Playing: through the amplifier, microphone in front of each box in turn")
    card(sheet, PLAYING_CARD, 18, 118, width=52)
    block(sheet, (84, 76), (32, 42), "amplifier")
    block(sheet, (136, 94), (46, 24), "left box")
    block(sheet, (136, 66), (46, 26), "right box")
    for height, name in ((104, "in left"), (90, "in right")):
        wire(sheet, (59.1, height), (82.9, height))
        terminal(sheet, (84, height), name, "right")
    for height, name in ((104, "+"), (98, "−"), (88, "+"), (82, "−")):
        wire(sheet, (117.1, height), (134.9, height))
        terminal(sheet, (116, height), name)
        terminal(sheet, (136, height), name, "right")
    write(sheet, (126, 109), "speaker leads", align="center", size=SMALL)
    write(sheet, (120, 69.5), "to the amplifier and\nnothing else", align="center", size=SMALL)
    wire(sheet, (59.1, 72), (66, 72), (66, 58), (59.1, 58), dashed=True)
    write(
        sheet, (69, 61), "loopback: a lead from\noutput to input; no loopback\non a card with two outputs", size=SMALL
    )
    loudspeaker(sheet, (159, 99), down=True)
    loudspeaker(sheet, (159, 71), down=True)
    microphone(sheet, (159, 41))
    wire(sheet, (159, 38), (159, 28), (59.1, 28))
    write(sheet, (151, 40), "microphone", align="right")
    arrow(sheet, (174, 44.4), (174, 66))
    write(sheet, (171, 55), "the kit's distance", align="right")
    words = (
        "Sense resistor and clips (inputs 1 and 2): put away.\nNothing of the card touches an output of the amplifier."
    )
    write(sheet, (95, 9), words, align="center")
    return sheet


def bridged() -> Sheet:
    """What must never be connected to a bridged output, and what the rig does instead."""
    sheet = new_sheet(190, 156, "Bridged outputs: both terminals are live, neither is ground")
    for x, y, width, words in (
        (4, 76, 89, "NEVER: the sound card on the outputs"),
        (97, 76, 89, "NEVER: two minus terminals joined"),
        (4, 4, 182, "INSTEAD: what the rig does"),
    ):
        border(sheet, (x, y), (width, 68))
        write(sheet, (x + 3, y + 62), words, size=8.5, bold=True)
    _never_grounded(sheet, 4, 76)
    _never_joined(sheet, 97, 76)
    _leads_off(sheet, 4, 4)
    _bymicrophone(sheet, 95, 4)
    return sheet


def _output(sheet: Sheet, x: float, y: float) -> None:
    """A bridged output with its two live terminals at x + 26, y and y + 16."""
    block(sheet, (x, y - 6), (26, 34), "amplifier")
    terminal(sheet, (x + 26, y + 16), "+ live")
    terminal(sheet, (x + 26, y), "− live")


def _never_grounded(sheet: Sheet, x: float, y: float) -> None:
    _output(sheet, x + 5, y + 24)
    block(sheet, (x + 60, y + 18), (25, 34), "sound card")
    terminal(sheet, (x + 60, y + 40), "input", "right")
    terminal(sheet, (x + 60, y + 24), "ground", "right")
    wire(sheet, (x + 32.1, y + 40), (x + 58.9, y + 40))
    wire(sheet, (x + 32.1, y + 24), (x + 58.9, y + 24))
    for height in (40, 24):
        cross_out(sheet, (x + 45, y + height))
    wire(sheet, (x + 72, y + 18), (x + 72, y + 11), (x + 18, y + 11), (x + 18, y + 18), dashed=True)
    words = "the grounds already meet at the amplifier's input:\nthe lead shorts half of the bridge"
    write(sheet, (x + 44.5, y + 6), words, align="center", size=SMALL)


def _never_joined(sheet: Sheet, x: float, y: float) -> None:
    for shift, name in ((5, "channel 1"), (58, "channel 2")):
        block(sheet, (x + shift, y + 18), (26, 34), name)
    for height, name in ((40, "+ live"), (24, "− live")):
        terminal(sheet, (x + 31, y + height), name)
        terminal(sheet, (x + 58, y + height), name, "right")
    wire(sheet, (x + 32.1, y + 24), (x + 56.9, y + 24))
    cross_out(sheet, (x + 44.5, y + 24))
    words = "each terminal swings on its own:\njoined, one output drives the other"
    write(sheet, (x + 44.5, y + 8), words, align="center", size=SMALL)


def _leads_off(sheet: Sheet, x: float, y: float) -> None:
    """Impedance: the box on the clips, the amplifier apart."""
    block(sheet, (x + 5, y + 18), (21, 34), "amplifier", dashed=True)
    write(sheet, (x + 15.5, y + 33), "off,\nunplugged", align="center", size=SMALL)
    block(sheet, (x + 36, y + 18), (18, 34), "box")
    block(sheet, (x + 66, y + 18), (22, 34), "sound card")
    write(sheet, (x + 78.5, y + 32), "and sense\nresistor", align="center", size=SMALL)
    for height, name in ((40, "+"), (24, "−")):
        terminal(sheet, (x + 54, y + height), name)
        terminal(sheet, (x + 66, y + height))
        wire(sheet, (x + 55.1, y + height), (x + 64.9, y + height))
    words = "impedance: leads off the amplifier"
    write(sheet, (x + 44.5, y + 8), words, align="center")


def _bymicrophone(sheet: Sheet, x: float, y: float) -> None:
    """Sound: nothing but the box on the amplifier, the card hears by microphone."""
    block(sheet, (x + 3, y + 18), (21, 34), "amplifier")
    block(sheet, (x + 36, y + 33), (24, 20), "box")
    for height, name in ((42, "+"), (36, "−")):
        terminal(sheet, (x + 24, y + height), name)
        terminal(sheet, (x + 36, y + height), name, "right")
        wire(sheet, (x + 25.1, y + height), (x + 34.9, y + height))
    loudspeaker(sheet, (x + 51, y + 38), down=True)
    microphone(sheet, (x + 51, y + 23))
    block(sheet, (x + 66, y + 18), (22, 34), "sound card")
    wire(sheet, (x + 54, y + 23), (x + 64.9, y + 23))
    terminal(sheet, (x + 66, y + 23), "input", "right")
    words = "sound: by the microphone, out of the air"
    write(sheet, (x + 44.5, y + 8), words, align="center")


FIGURES: dict[str, Callable[[], Sheet]] = {
    "leads-return": leads_return,
    "leads-source": leads_source,
    "known-load": lambda: leads_return(known_load=True),
    "playing": playing,
    "bridged": bridged,
    "soak": soak,
}


def draw_all(folder: Path) -> list[Path]:
    """Draw every figure into a folder, which is made if it is not there; returns the files."""
    folder.mkdir(parents=True, exist_ok=True)
    sheets = {name: draw() for name, draw in FIGURES.items()}
    return [write_svg(folder / f"{name}.svg", sheet.svg(), sheet.width) for name, sheet in sheets.items()]


if __name__ == "__main__":
    draw_all(HERE)
