"""Text that comes from outside, in every file that is made of it: it stays text, wherever it is read again."""

import csv
import json
import re
from collections.abc import Iterable
from functools import lru_cache
from html.parser import HTMLParser
from pathlib import Path
from random import Random
from xml.etree import ElementTree

from hostile.ground import KIT, Ground
from hostile.promise import kitproof, parsed
from rig.files.cells import FORMULA
from rig.files.disk import is_folder_name

PIECES = (
    *("<b>", "<script>alert(1)</script>", "</style>", "-->", "<!--", "]]>", "&lt;", "&#x3c;", '"', "'", "`"),
    *("=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "=cmd|' /C calc'!A0", "${x}", "{{7*7}}", "{% x %}", "{channel}", "{0}"),
    *("\x1b[2J", "\x1b]0;x\x07", "\x9b2J", "\r", "\x08", "\u202e", "\u2066", "\u200b", "\ufeff", "\uffff"),
    *("e\u0301", "ü ж 中 \U0001f50a", "\u0645\u0631\u062d\u0628\u0627", ";=1+1", "\uff1d1", "javascript:x", "%s%n"),
    *(",", ";", "\n", "|", "$(x)", "; rm x", "\\", "#", "~", "*", "?", ":", "..", "CON", "nul", ". ", "x" * 60),
)
#: What a page may never hold besides what it holds for harmless text.
HARM = (b"/JavaScript", b"/JS", b"/Launch", b"/EmbeddedFile")


def text(random: Random) -> str:
    """Some words from outside."""
    return "".join(random.choice(PIECES) for _ in range(random.randint(1, 3)))


def try_text(random: Random, ground: Ground) -> None:
    """Put text from outside wherever some can stand, make all that is made of it, and read that again."""
    allowed = elements_of_plain(ground)
    _make(ground, *(text(random) for _ in range(7)))
    for path in _made(ground):
        _hold(path, allowed.get(_kind(path), set()))


@lru_cache(maxsize=1)
def elements_of_plain(ground: Ground) -> dict[str, set[tuple[str, ...]]]:
    """Kind of page -> elements with the names of their attributes, where all text is harmless."""
    _make(ground, *(["plain"] * 7))
    found: dict[str, set[tuple[str, ...]]] = {}
    for path in _made(ground):
        if path.suffix in (".html", ".svg"):
            found.setdefault(_kind(path), set()).update(elements(path.read_text(encoding="utf-8")))
    ground.mend()
    return found


def _kind(path: Path) -> str:
    return path.suffix if path.suffix == ".svg" else path.name


def _make(ground: Ground, title: str, revision: str, words: str, serial: str, by: str, batch: str, maker: str) -> None:
    serial = _serial(serial)
    kit = ground.workspace / "limits" / KIT / "kit.toml"
    content = kit.read_text(encoding="utf-8")
    for old, new in (
        (r'title = ".*"', f"title = {_toml(title)}"),
        (r'revision = ".*"', f"revision = {_toml(revision)}"),
        (r"serial_pattern = '.*'", r"serial_pattern = '[^\\]{1,64}'"),
        (r'serial_example = ".*"', f"serial_example = {_toml(serial)}"),
        (r'\[stages\.leads\]\nwords = """\n', f'[stages.leads]\nwords = {_toml(words)}\nunused = """\n'),
    ):
        content, times = re.subn(old, lambda _, new=new: new, content, count=1)
        assert times == 1, old
    content = re.sub(r'unused = """.*?"""\n', "", content, flags=re.DOTALL)
    kit.write_bytes(content.encode())
    bench = ground.workspace / "bench.toml"
    bench.write_bytes(
        bench.read_bytes().replace(b'"Workshop"', _toml(maker).encode()).replace(b'"1 Lane"', _toml(maker).encode())
    )
    at, outside = ("--workspace", str(ground.workspace)), str(ground.outside)
    for command in (
        ("verify", KIT, "--plan", "bare", "--by", by, "--batch", batch, "--fault", "open:box:C1", *at, "--", serial),
        ("rework", "--by", by, *at, "--", serial, words),
        ("results", "--csv", *at),
        ("results", *at),
        ("show", *at, "--", serial),
        ("explain", *at, "--", serial),
        ("label", "--width", "290", "--to", outside, *at, "--", serial),
        ("export", f"{outside}/tables", "--table", "runs", *at),
    ):
        done = kitproof(*command)
        assert done.status in (0, 1, 2) or not words.strip() or not title.strip(), done
        if command[:2] == ("results", "--csv"):
            _hold_cells(csv.reader(done.out.splitlines(keepends=True)))


def _toml(words: str) -> str:
    # What TOML cannot hold even escaped is not put there; JSON's escapes are TOML's.
    return json.dumps(words, ensure_ascii=False).replace("\x7f", "\\u007f")


def _serial(words: str) -> str:
    """As much of it as a serial may be."""
    plain = (sign for sign in words if sign.isascii() and sign.isprintable() and sign not in '/\\<>:"|?*')
    kept = "".join(plain).strip()[:60].rstrip(". ")
    return kept if kept and not kept.startswith(".") and is_folder_name(kept) else f"n{kept}"


def _made(ground: Ground) -> list[Path]:
    places = (ground.workspace / "results", ground.outside)
    return [
        path
        for place in places
        for path in sorted(place.rglob("*"))
        if path.is_file() and path not in ground.whole_files
    ]


def _hold(path: Path, allowed: set[tuple[str, ...]]) -> None:
    assert path.name.isprintable(), path
    assert len(path.name.encode()) <= 255
    content = path.read_bytes()
    if path.suffix in (".html", ".svg"):
        strange = elements(content.decode("utf-8")) - allowed
        assert not strange, f"{path.name}: {strange}"
    if path.suffix == ".svg":
        try:
            ElementTree.fromstring(content)
        except ElementTree.ParseError as error:
            raise AssertionError(f"{path.name}: {error}") from None
    if path.suffix == ".json":
        parsed(content.decode("utf-8"))
    if path.suffix == ".csv" and "kit" not in path.parts:
        _hold_cells(csv.reader(content.decode("utf-8").splitlines(keepends=True)))
    if path.suffix == ".pdf":
        assert content.startswith(b"%PDF")
        assert not [word for word in HARM if word in content], path


def _hold_cells(rows: Iterable[list[str]]) -> None:
    for cell in (cell for row in rows for cell in row):
        # Also where cells end at semicolons.
        for part in re.split(r"[;\t\r\n]", cell):
            try:
                float(part)
            except ValueError:
                assert not part.lstrip(" ").startswith(FORMULA), f"a formula: {cell!r}"


class _Elements(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: set[tuple[str, ...]] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.add((tag, *sorted(name for name, _ in attrs)))
        for name, value in attrs:
            is_address = name in ("href", "src", "xlink:href", "action")
            assert not (is_address and (value or "").strip().lower().startswith("javascript")), value

    def handle_comment(self, data: str) -> None:
        self.found.add(("comment",))


def elements(page: str) -> set[tuple[str, ...]]:
    """Elements of a page with the names of their attributes."""
    reader = _Elements()
    reader.feed(page)
    return reader.found
