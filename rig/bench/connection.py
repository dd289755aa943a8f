"""How the card may be connected to an amplifier: what is asked before a stage, and what is refused.

Both terminals of a bridged output swing against ground. An input of the card has its screen at ground, and the card's
ground is the amplifier's by the cable that feeds it: across such an output it shorts half of the bridge.
"""

from rig.bench.settings import BenchSettings, SoakSettings
from rig.design.kit import Kit
from rig.files.errors import BenchSetupError
from rig.values.requests import AT_LEADS, Stage

BRIDGED = (
    "This amplifier is bridged: neither of its output terminals is at ground, not the minus ones either. A clip, a "
    "probe or a cable's screen of the card at any of them shorts it, and two minus terminals must never be joined."
)
#: Of what else reads volts: a mains instrument's input may have its screen at earth as the card's has.
EARTHED_INSTRUMENTS = (
    " Nor may an instrument's input be at them whose minus is earthed, as an oscilloscope's is; ask its manual."
)
#: Before something is calibrated, when no kit says whether its amplifier is bridged.
CARD_ALONE = (
    "Switch the amplifier off and take its cables off the card's outputs; no input of the card is at an amplifier or "
    "at the leads of a box."
)


def connection_words(kit: Kit, settings: BenchSettings | None, stage: Stage) -> str:
    """What must be true of the connection before a stage begins, to be agreed to by the person at the bench.

    Parameters
    ----------
    settings : BenchSettings, optional
        None or of the simulated bench: nothing of a card is connected to anything.
    """
    bridged = f" {BRIDGED}" if kit.amplifier.bridged else ""
    if bridged and settings and settings.instruments and stage not in AT_LEADS:
        bridged += EARTHED_INSTRUMENTS
    if stage in AT_LEADS:
        return (
            "Connected like this? The amplifier is switched off and unplugged, both leads of the box are off it, and "
            f"the clips touch nothing but these leads.{bridged}"
        )
    wiring = settings.soak if settings and stage == "soak" else None
    if wiring is None or not wiring.has_sense:
        return (
            "Connected like this? The sense resistor and all clips are off; of the card nothing but its outputs is "
            f"connected to the amplifier, and these to its inputs.{bridged}"
        )
    if wiring.isolated:
        how = "through a differential probe or an isolating transformer that is made for this voltage, and no other way"
    else:
        how = "with their screens at the terminal that is at ground, after a meter has shown 0 ohm from it to the card"
    return (
        f"Connected like this? The inputs drive and sense are at the leads of {wiring.sense_channel} while the "
        f"amplifier is on: {how}.{bridged}"
    )


def refuse_grounded(settings: BenchSettings, kit: Kit) -> None:
    """Refuse a card's own inputs at the outputs of a bridged amplifier.

    Raises
    ------
    BenchSetupError
        If the soak's inputs drive and sense are not isolated and the kit's amplifier is bridged.
    """
    wiring = settings.soak
    if isinstance(wiring, SoakSettings) and wiring.has_sense and not wiring.isolated and kit.amplifier.bridged:
        raise BenchSetupError(
            f"bench {settings.name!r}: soak.isolated: found false; allowed with the inputs drive and sense on a "
            "bridged amplifier: true, once a differential probe or an isolating transformer stands between it and the "
            "card. Neither of its outputs is at ground, and the card would short one"
        )
