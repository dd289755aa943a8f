"""What the person at the bench is told in each stage where a kit says nothing of its own."""

from rig.values.requests import Stage

#: Stage -> once, when it begins; and before each box or place.
STAGE_WORDS: dict[Stage, dict[str, str]] = {
    "leads": {
        "words": "Bare leads. Switch the amplifier off and unplug it from its supply. Take the speaker leads of all "
        "boxes off the amplifier board: nothing but the clips may be on them. Turn the source for the clips down until "
        "the rig asks for it.",
        "each": "Clip on to the leads of the {channel} box, red to the marked lead. Keep the box on its back, cone and "
        "port free.",
    },
    "playing": {
        "words": "Playing. Take the clips off and put the sense resistor away. Connect the speaker leads to the "
        "amplifier, marked lead to the plus terminal, then plug the supply in and switch on. Both terminals of a "
        "bridged output are live: no clip, no probe and no ground of the sound card may touch them. The sweeps are as "
        "loud as shouting: stay at arm's length or more from the boxes and wear hearing protection when many units are "
        "to be measured.",
        "each": "Set the {channel} box against the jig's stops, microphone {position} at the stop for {distance}, "
        "level with the middle of its upper driver.",
    },
    "soak": {
        "words": "Heat. Hold all sensors together in the air of the room for ten minutes first: they must agree within "
        "what the kit says. Then one goes on the heat sink beside the chip and one into the air of the room away from "
        "the boxes. Nobody stays in the room without hearing protection.",
        "each": "Leave the boxes where they are for the whole time; microphone {position} of the {channel} box, "
        "{distance} away.",
    },
    "after": {
        "words": "Bare leads once more. Switch the amplifier off and unplug it, take the leads off the board and put "
        "the sense resistor back. Touch no heat sink before it has cooled.",
        "each": "Clip on to the leads of the {channel} box, red to the marked lead, the box as it stood at the first "
        "time.",
    },
}
