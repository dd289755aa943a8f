"""Where the terminal's words go: text stays text, and whoever looks on, or does not, costs a run nothing."""

import io
import os
import select
import sys
from collections.abc import Iterable
from typing import Any, TextIO

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.text import Text

from rig.files.cells import STEERING
from rig.files.disk import why
from rig.run.interrupts import LOOKS_S


class _PlainConsole(Console):
    """A console on which no text that it is given can steer the terminal."""

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """Lines of text, in which nothing is left that steers."""
        for segment in super().render(renderable, options):
            yield segment if segment.control else Segment(segment.text.translate(STEERING), segment.style)


def open_console(to_stderr: bool = False, **options: Any) -> Console:
    """A console that takes words as they are: square brackets and colons in a name mean nothing."""
    return _PlainConsole(stderr=to_stderr, markup=False, emoji=False, **options)


def say(words: object, to_stderr: bool = False) -> None:
    """Print words as they are, unbroken."""
    open_console(to_stderr).print(Text(str(words)), soft_wrap=True)


def warn(words: object) -> None:
    """Print words as they are on standard error."""
    say(words, to_stderr=True)


def answer_to(asking: Console, question: str) -> str:
    """The line that is typed behind a question.

    One is waited for before it is read: an interrupt that strikes between the two would be seen only when it is there.
    (Windows cannot look whether there is one.)
    """
    asking.print(Text(question), end="", soft_wrap=True)
    while os.name != "nt" and sys.stdin.isatty() and not select.select([sys.stdin], [], [], LOOKS_S)[0]:
        pass
    return asking.input().strip()


def yes_or_no(asking: Console, question: str) -> bool:
    """The answer of the person at the terminal; where nobody can answer any more, no."""
    while True:
        try:
            answer = answer_to(asking, question).lower()
        except (EOFError, OSError):
            return False
        # A bare Enter is not enough: a barcode scanner types one.
        if answer in ("y", "n"):
            return answer == "y"


class _Forgiving(io.RawIOBase):
    """An output that takes everything: what cannot be written (a closed pipe, a full disk) is left out."""

    def __init__(self, raw: Any) -> None:
        self._raw = raw
        #: Why something was left out that somebody waits for; None: nothing was, or whoever read has gone.
        self.error: OSError | None = None
        self.is_written = False

    def writable(self) -> bool:
        return True

    def fileno(self) -> int:
        return int(self._raw.fileno())

    def isatty(self) -> bool:
        return bool(self._raw.isatty())

    def write(self, data: Any) -> int:
        self.is_written = True
        try:
            return int(self._raw.write(data) or len(data))
        except OSError as error:
            if not isinstance(error, BrokenPipeError):
                self.error = self.error or error
            return len(data)


def unwritten() -> str:
    """Why standard output, which a program reads, is not whole: a full disk; empty: it is, or nobody reads it."""
    raw = _flushed()
    return why(raw.error) if isinstance(raw, _Forgiving) and raw.error else ""


def is_written() -> bool:
    """Whether anything was printed on standard output."""
    raw = _flushed()
    # A stream that a program put in its place tells how much it holds, where it is none that is passed on.
    return raw.is_written if isinstance(raw, _Forgiving) else sys.stdout.seekable() and sys.stdout.tell() > 0


def _flushed() -> object:
    sys.stdout.flush()
    return getattr(getattr(sys.stdout, "buffer", None), "raw", None)


def steady_streams() -> None:
    """Make standard output, error and input such that no command ends because of them.

    A stream that is closed leads nowhere (and no file of a record can take its number); what an encoding cannot hold
    is replaced; what cannot be written is left out.
    """
    _open_closed()
    sys.stdout, sys.stderr = _forgiving(sys.stdout, 1), _forgiving(sys.stderr, 2)
    if sys.stdin is None:
        sys.stdin = open(0, encoding="utf-8", errors="replace", closefd=False)  # noqa: SIM115
    elif isinstance(sys.stdin, io.TextIOWrapper) and sys.stdin is sys.__stdin__:
        sys.stdin.reconfigure(errors="replace")


def _open_closed() -> None:
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            # The lowest free number is taken, which is this one.
            os.open(os.devnull, os.O_RDWR)


def _forgiving(stream: TextIO | None, number: int) -> TextIO:
    if stream is None:
        return io.TextIOWrapper(io.FileIO(number, "w", closefd=False), encoding="utf-8", errors="replace")
    # A stream that a program put in its place is that program's business.
    if not isinstance(stream, io.TextIOWrapper) or stream not in (sys.__stdout__, sys.__stderr__):
        return stream
    raw = getattr(stream.buffer, "raw", stream.buffer)
    stream.flush()
    return io.TextIOWrapper(
        io.BufferedWriter(_Forgiving(raw)),
        encoding=stream.encoding,
        errors="replace",
        line_buffering=stream.line_buffering,
        write_through=stream.write_through,
    )
