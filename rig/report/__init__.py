"""What is printed of a run: certificate and figures. Holds no physics."""

from pathlib import Path

#: Where the figures of a bench's wiring are.
WIRING = Path(__file__).parent / "wiring"
