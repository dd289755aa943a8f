"""Pictures from outside: one is used only where all of it can be drawn. The only importer of Pillow besides labels."""

import io
import warnings

#: With it the page that goes with a unit stays below 150 kB; more points than a printer puts into 50 mm; our choice.
LARGEST_BYTES, MOST_POINTS = 60_000, 4_000_000
ALLOWED = f"a whole PNG or JPEG of up to {LARGEST_BYTES // 1000} kB and {MOST_POINTS // 10**6} million points"


def picture_trouble(content: bytes) -> str:
    """Why a picture cannot be drawn, from its bytes; empty: it can."""
    if len(content) > LARGEST_BYTES:
        return f"{len(content)} bytes"
    from PIL import Image

    try:
        with (
            warnings.catch_warnings(action="ignore"),
            Image.open(io.BytesIO(content), formats=("PNG", "JPEG")) as picture,
        ):
            if picture.width * picture.height > MOST_POINTS:
                return f"{picture.width} by {picture.height} points"
            picture.load()
    # A reader of pictures meets what it never expected: struct.error, zlib.error, SyntaxError and more.
    except Exception as error:
        return f"no such picture, or a part of one ({type(error).__name__})"
    return ""
