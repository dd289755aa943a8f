"""The chain of a bench: every file that it closed, oldest first, each naming the one before it.

`results/.outbox/<chain>.order` has a line a file: its number, when, its SHA-256, its place under `results/`. Records,
notes of rework and notes of captures that were taken out stand in it; each holds its own `Link` too, so that the
folders stay the truth. A chain has a name of its own: a bench whose folder was lost begins another one, and two benches
that go by one name never write on the same.
"""

import hashlib
import os
import re
import secrets
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from rig.files.disk import naming, put_in_place, read_bytes
from rig.files.errors import RecordError
from rig.files.locks import locked
from rig.store.homes import now, stamp

if TYPE_CHECKING:
    from rig.store.run_json import Link

FOLDER = ".outbox"
SCHEMA = "kitproof order 1"
#: So much of a bench's name stands in the names of its runs; layout.
LONGEST_SLUG = 24
#: The end of an order file that holds its last line whole, bytes: a path has at most some hundred; our choice.
TAIL = 8192
#: Whoever writes a line or puts a file in its place takes no longer; our choice.
WAITS_S = 60.0
#: What order files name, and their times (ns) and sizes (bytes) when they were read.
_kept: dict[Path, tuple[tuple[int, int], dict[bytes, bytes]]] = {}


@dataclass(frozen=True)
class Entry:
    """A line of an order file."""

    number: int
    #: When it was closed, ISO 8601 with zone.
    at: str
    sha256: str
    #: Under `results/`, with slashes.
    path: str

    @property
    def is_run(self) -> bool:
        """Whether it is a record, and no note."""
        return self.path.endswith("/run.json")


def slug(bench: str) -> str:
    """What names of files have of a bench's name."""
    plain = unicodedata.normalize("NFKD", bench).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:LONGEST_SLUG].strip("-") or "bench"


@contextmanager
def next_link(results: Path, bench: str) -> Iterator[tuple["Link | None", Callable[[str, bytes], None]]]:
    """The link that a bench's next file holds; and what is to be called with place and contents before it is put there.

    Where it is not put there after all, it is no link of the chain. A bench without a name keeps no chain.

    Its line ends only when it is there: whoever comes next after a crash sees by the file whether the line counts.

    Raises
    ------
    OSError
        If the order file cannot be written.
    """
    if not bench:
        yield None, lambda path, content: None
        return
    from rig.store.run_json import Link

    with _alone(results):
        order = _order_file(results, bench)
        try:
            last = _last(results, order)
        except RecordError:
            # What is in it can be told from the folders; a run is not held up by it.
            put_in_place(order, order.with_name(order.name + ".set-aside"))
            order, last = _order_file(results, bench), None
        number, before, sha256 = (last.number + 1, last.path, last.sha256) if last else (1, "", "")
        size = order.stat().st_size

        def put_down(path: str, content: bytes) -> None:
            _write(order, _line(Entry(number, now(), hashlib.sha256(content).hexdigest(), path)))

        try:
            yield Link(order.stem, number, before, sha256), put_down
        except BaseException:
            _settle(results, order)
            raise
        if order.stat().st_size > size:
            # The file is there; should the disk be full now, whoever comes next ends its line.
            with suppress(OSError):
                _write(order, "\n")


def order_of(results: Path, bench: str) -> Path:
    """The order file of a bench, which is made where there is none."""
    with _alone(results):
        return _order_file(results, bench)


def orders(results: Path) -> list[Path]:
    """All order files: a workspace may serve several benches, and a bench may have had another name."""
    return sorted((results / FOLDER).glob("*.order"))


def bench_of(order: Path) -> str:
    """Whose chain it is."""
    if not order.is_file():
        # A pipe would be waited for.
        raise OSError(f"{order}: not a plain file")
    with order.open("rb") as file:
        return file.readline(1000).decode("utf-8", "replace").rstrip("\n").partition("\t")[2]


def closed_entries(order: Path) -> list[Entry]:
    """As `read_order`, without the line of a file that is just being put in its place: it may yet be none.

    Raises
    ------
    RecordError
        As `read_order`.
    """
    with _alone(order.parent.parent):
        return read_order(order)


def read_order(path: Path) -> list[Entry]:
    """All lines of an order file, oldest first.

    Raises
    ------
    RecordError
        If a line is none, naming it.
    """
    try:
        lines = read_bytes(path).split(b"\n")[1:-1]
    except OSError as error:
        raise RecordError(f"{path}: cannot be read: {error.strerror or error}") from None
    return [_parsed(path, line, number) for number, line in enumerate(lines, 1)]


def read_closed(path: Path, results: Path) -> bytes:
    """A file under `results/`, as its bench closed it: whatever reads a record or a note reads it so.

    What no order file names (records of former versions, a single record that was copied) is taken as it stands.

    Raises
    ------
    OSError
        As `read_bytes`.
    RecordError
        If it is not what its bench closed.
    """
    content = read_bytes(path)
    name, digest = os.fsencode(path.relative_to(results).as_posix()), hashlib.sha256(content).hexdigest().encode()
    # A note of captures may have been written by two benches, one after the other.
    stated = {digest_then: order for order in orders(results) if (digest_then := _stated(order).get(name))}
    if stated and digest not in stated:
        [order, *_] = stated.values()
        raise RecordError(f"{path} was changed after the run: {FOLDER}/{order.name} has another SHA-256 of it")
    return content


def _stated(order: Path) -> Mapping[bytes, bytes]:
    """Path -> SHA-256 of the files that an order file names, both as it has them; none where it cannot be read.

    It is kept until the file changes: of 100,000 records it takes 0.1 s and 30 MB.
    """
    try:
        seen = order.stat()
        state = (seen.st_mtime_ns, seen.st_size)
        if order not in _kept or _kept[order][0] != state:
            found = re.findall(rb"\t([0-9a-f]{64})\t([^\n]+)\n", read_bytes(order))
            _kept[order] = (state, {path: sha256 for sha256, path in found})
        return _kept[order][1]
    except OSError:
        return {}


def chain_problems(results: Path) -> list[str]:
    """What the chains of a store name and its folders have not or have otherwise, in words; and bad order files."""
    problems = []
    for order in orders(results):
        try:
            entries = closed_entries(order)
        except (RecordError, BlockingIOError) as error:
            problems.append(str(error))
            continue
        for path in dict.fromkeys(entry.path for entry in entries):
            try:
                read_closed(results / path, results)
            except FileNotFoundError:
                problems.append(f"{results / path}: is missing; {order.name} names it")
            except (OSError, RecordError) as error:
                problems.append(str(error))
    return problems


def names_in(results: Path) -> set[str]:
    """What the order files of a store name, each by its place under `results/`."""
    return {os.fsdecode(path) for order in orders(results) for path in _stated(order)}


def enter(results: Path, order: Path, found: Callable[[], Iterable[str]]) -> None:
    """Enter files that are found, such as those of former versions, behind those that stand in an order file.

    They are looked for while nobody else writes in one; what cannot be read is left out.
    """
    with _alone(results):
        _settle(results, order)
        number = len(read_order(order))
        for path in list(found()):
            with suppress(OSError):
                content = read_bytes(results / path)
                number += 1
                _write(order, _line(Entry(number, now(), hashlib.sha256(content).hexdigest(), path)) + "\n")


@contextmanager
def _alone(results: Path) -> Iterator[None]:
    """Nobody else writes in an order file meanwhile."""
    folder = results / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    with locked(folder / "lock", waits_s=WAITS_S):
        yield


def _order_file(results: Path, bench: str) -> Path:
    for known in orders(results):
        # What cannot be read, such as a folder of that name, is no chain to go on with; `chain_problems` names it. What
        # nothing can be added to is proved by as before.
        with suppress(OSError):
            if bench_of(known) == bench:
                with known.open("ab"):
                    return known
    path = results / FOLDER / f"{slug(bench)}-{secrets.token_hex(4)}.order"
    _write(path, f"{SCHEMA}\t{bench}\n")
    return path


def _last(results: Path, order: Path) -> Entry | None:
    """The last line."""
    _settle(results, order)
    size, tail = _tail(order)
    lines = tail.split(b"\n")[:-1]
    if not lines or (size <= TAIL and len(lines) == 1):
        return None
    return _parsed(order, lines[-1])


def _settle(results: Path, order: Path) -> None:
    """End a line that was begun where its file is there; else cut it off: a crash came between the two."""
    size, tail = _tail(order)
    begun = tail[tail.rfind(b"\n") + 1 :]
    if not begun:
        return
    with suppress(RecordError, OSError):
        entry = _parsed(order, begun)
        if hashlib.sha256(read_bytes(results / entry.path)).hexdigest() == entry.sha256:
            _write(order, "\n")
            return
    os.truncate(order, size - len(begun))


def _tail(order: Path) -> tuple[int, bytes]:
    """Size of an order file, and its end."""
    with order.open("rb") as file:
        size = file.seek(0, os.SEEK_END)
        file.seek(max(0, size - TAIL))
        return size, file.read()


def _parsed(order: Path, line: bytes, number: int | None = None) -> Entry:
    parts = line.decode("utf-8", "replace").split("\t")
    is_entry = len(parts) == 4 and parts[0].isdecimal() and re.fullmatch(r"[0-9a-f]{64}", parts[2])
    if not is_entry or not stamp(parts[1]) or number not in (None, int(parts[0])):
        allowed = "number, time, SHA-256 and path of a file; moved away, it is made anew from the folders"
        raise RecordError(f"{order}: line {number or 'last'}: found {line[:80]!r}; allowed: {allowed}")
    return Entry(int(parts[0]), *parts[1:])


def _line(entry: Entry) -> str:
    """A line of an order file, without its end."""
    return f"{entry.number}\t{entry.at}\t{entry.sha256}\t{entry.path}"


def _write(path: Path, text: str) -> None:
    """Append to a file, and wait until the disk has it."""
    with naming(path), path.open("ab") as file:
        file.write(text.encode())
        file.flush()
        os.fsync(file.fileno())
