"""What a scanner's line, or one that was typed, means: a code of the bench, a unit's serial, or neither. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from rig.design.kit import Kit

Action = Literal["go", "stop", "rework", "skip"]
#: The codes of the bench and what they do. Their letters lie on the same keys of all usual keyboards, so that a scanner
#: set to another country's keyboard types them all the same.
CODES: dict[str, Action] = {"KPGOON": "go", "KPSTOP": "stop", "KPREDO": "rework", "KPSKIP": "skip"}
#: What the codes do, as their printed sheet and the page say it.
ACTION_WORDS: dict[Action, str] = {
    "go": "go on",
    "stop": "stop the sound and the run",
    "rework": "note a rework",
    "skip": "lay this unit aside",
}
#: A longer line is no scan of anything here (choice of the page).
LONGEST_SCAN = 128
#: A keyboard of another country than the scanner's, by what it makes of the letters and signs of serials.
EXCHANGED = {
    "German": str.maketrans("yzYZ-_ß?", "zyZY/?-_"),
    "French": str.maketrans("aqzwAQZW", "qawzQAWZ"),
}


@dataclass(frozen=True)
class Scan:
    """What a line means: something to do, a unit's kit, or in words why it is neither."""

    action: Action | None = None
    kit: Kit | None = None
    serial: str = ""
    words: str = ""


def read_scan(text: str, kits: Sequence[Kit]) -> Scan:
    """Tell what a scanned or typed line means.

    Parameters
    ----------
    text : the line without its end
    kits : whose serials are known here
    """
    text = text.strip()
    shown = repr(text[:LONGEST_SCAN])
    if not text:
        return Scan(words="an empty line was scanned: nothing was done")
    if len(text) > LONGEST_SCAN:
        return Scan(
            words=f"scanned {shown} and more, {len(text)} characters: too long for any serial, nothing was done"
        )
    if text in CODES:
        return Scan(action=CODES[text])
    of = [kit for kit in kits if kit.is_serial(text)]
    if len(of) == 1:
        return Scan(kit=of[0], serial=text)
    if of:
        names = ", ".join(kit.name for kit in of)
        return Scan(words=f"{shown} is a serial of several kits ({names}): start the page with --kit and one of them")
    return Scan(words=f"scanned {shown}: {_hint(text, kits)}; nothing was done")


def _hint(text: str, kits: Sequence[Kit]) -> str:
    """Why a line is nothing that is known here, as far as can be guessed."""
    if text.upper() != text and _is_known(text.upper(), kits):
        return "the same in capitals is known; is Caps Lock on, or the scanner set to small letters?"
    for keyboard, table in EXCHANGED.items():
        if _is_known(text.translate(table), kits):
            return f"a scanner and a computer set to different keyboards (one of them {keyboard})? Set both alike"
    begun = [code for code in CODES if len(text) > 1 and (code.startswith(text) or code.endswith(text))]
    if begun:
        return "half a code of the bench; scan it again"
    examples = ", ".join(f"{kit.serial_example} ({kit.name})" for kit in kits)
    return f"no serial of a kit here and no code of the bench; a serial looks like {examples}"


def _is_known(text: str, kits: Sequence[Kit]) -> bool:
    return text in CODES or any(kit.is_serial(text) for kit in kits)


def refuse_codes_as_serials(kits: Sequence[Kit]) -> list[str]:
    """Kits whose serials cannot be told from a code of the bench, in words."""
    return [
        f"{kit.folder / 'kit.toml'}: serial_pattern: fits {code}, the bench's code to {ACTION_WORDS[action]}; "
        "allowed on the page: a pattern that does not"
        for kit in kits
        for code, action in CODES.items()
        if kit.is_serial(code)
    ]
