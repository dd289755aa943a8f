"""How a verdict looks in a terminal: a word and a shape of its own; colour only repeats them."""

from rich.text import Text

#: Circle, square and triangle, as on the certificate.
SHAPES = {"pass": "●", "fail": "■", "void": "▲"}
STYLES = {"pass": "bold blue", "fail": "bold dark_orange", "void": "bold"}


def verdict_text(outcome: str) -> Text:
    """Shape and word of a verdict."""
    return Text(f"{SHAPES[outcome]} {outcome}", style=STYLES[outcome])
