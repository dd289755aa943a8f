"""VISA: opening links to instruments, asking, and turning all that a backend raises into the rig's own words.

The only module that knows PyVISA.
"""

import contextlib
import os
import time
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import pyvisa
from pyvisa.constants import AccessModes, Parity, ResourceAttribute, SerialTermination, StatusCode, StopBits
from pyvisa.highlevel import get_wrapper_class
from pyvisa.resources import MessageBasedResource
from pyvisa.rname import InvalidResourceName, ResourceName

from rig.bench.instrument_settings import InstrumentSettings
from rig.files.errors import BenchSetupError

Manager = pyvisa.ResourceManager

#: A link may take so long to open; our choice.
OPEN_S = 5.0
#: An identity is at its end when nothing more has come for so long; our choice.
IDENTITY_QUIET_S = 0.3
#: A second answer to one question is listened for so long; longer where an instrument has talked unasked; our choice.
SURPLUS_S = 0.02
#: No answer of a reading is longer; our choice.
LONGEST_ANSWER = 1024

RIGHTS = (
    "for a serial port join the group of its device (often dialout); for USB write a udev rule that gives rights to "
    "the device; then plug it in again"
)
PARITIES = {
    "none": Parity.none,
    "odd": Parity.odd,
    "even": Parity.even,
    "mark": Parity.mark,
    "space": Parity.space,
}
#: As bench.toml has them -> as the library has them; by definition.
STOP_BITS = {1: StopBits.one, 2: StopBits.two}


class LinkLost(Exception):
    """A link does not do what it should; the message says what happened and what to do."""


@dataclass(frozen=True)
class Found:
    """What a search of the buses found."""

    #: VISA resource strings, and beside each a better one where the system has one that stays.
    addresses: tuple[tuple[str, str], ...]
    #: What was not searched, and why.
    remarks: tuple[str, ...]


class Link:
    """An open resource that talks as its settings say. Every error of the backend leaves it as `LinkLost`."""

    def __init__(self, resource: MessageBasedResource, settings: InstrumentSettings) -> None:
        self._resource, self._settings = resource, settings
        self._answered = False
        #: Whether it was ever heard to talk without being asked, and how long its slowest answer took.
        self._talks_unasked, self._slowest_s = False, SURPLUS_S

    def say(self, command: str) -> None:
        """Send a command that has no answer."""
        try:
            self._resource.write_raw((command + self._settings.write_termination).encode("utf-8"))
        except Exception as error:
            raise LinkLost(f"{command!r}: {words_of(error, self._settings)}") from error

    def ask(self, query: str) -> bytes:
        """Send a question, unless it is empty, and read its answer."""
        try:
            if self._settings.is_stream:
                self._drain(bool(query))
            if query:
                raw = self._answer(query)
            else:
                # It talks by itself, and draining may have cut what it was about to say.
                self._read()
                raw = self._read()
        except LinkLost:
            raise
        except Exception as error:
            if _is_timeout(error):
                self._clear()
                raise LinkLost(self._unanswered(query)) from error
            raise LinkLost(words_of(error, self._settings)) from error
        self._answered = True
        return raw

    def forget(self) -> None:
        """Have an instrument whose answers come in frames throw away those that nobody read."""
        self._clear()

    def _answer(self, query: str) -> bytes:
        """The one answer to a question. Two of them, and nobody can tell which it is: one may have come unasked."""
        asked_s = time.monotonic()
        self.say(query)
        time.sleep(self._settings.delay_s)
        raw = self._read()
        if self._settings.is_stream:
            self._slowest_s = max(self._slowest_s, time.monotonic() - asked_s)
            # Of an instrument that was heard to talk unasked the true answer may still be on its way.
            surplus = self._comes_within(self._slowest_s if self._talks_unasked else SURPLUS_S)
            if surplus:
                raise LinkLost(
                    f"more than one answer to {query!r}: {raw!r}, and then more from {surplus!r} on: does it talk "
                    "unasked, or repeat the question? Switch that off, or leave query empty to take what it says"
                )
        return raw

    def _comes_within(self, seconds: float) -> bytes:
        """The first byte that comes within so long and is no white space; empty: nothing comes."""
        with self._timeout(seconds):
            try:
                for _ in range(64 * LONGEST_ANSWER):
                    # A line's end may have more characters than `read_termination` names.
                    if not (byte := self._resource.read_bytes(1)).isspace():
                        return byte
            except pyvisa.VisaIOError as error:
                if not _is_timeout(error):
                    raise
        return b""

    def _read(self) -> bytes:
        if self._settings.read_bytes is not None:
            return self._resource.read_bytes(self._settings.read_bytes)
        if self._settings.quiet_s is not None:
            return self._read_until_quiet(self._settings.quiet_s)
        raw = self._resource.read_bytes(LONGEST_ANSWER, break_on_termchar=True)
        if len(raw) >= LONGEST_ANSWER:
            raise LinkLost(f"{LONGEST_ANSWER} bytes without an end: is read_termination right, and the baud rate?")
        return raw

    def _read_until_quiet(self, quiet_s: float) -> bytes:
        raw = bytearray(self._resource.read_bytes(1))
        with self._timeout(quiet_s):
            while len(raw) < LONGEST_ANSWER:
                try:
                    raw += self._resource.read_bytes(1)
                except pyvisa.VisaIOError as error:
                    if _is_timeout(error):
                        return bytes(raw)
                    raise
        raise LinkLost(f"{LONGEST_ANSWER} bytes and never quiet for {quiet_s:g} s: is the baud rate right?")

    def _drain(self, is_asked: bool) -> None:
        """Throw away what came late or unasked: the next answer must be the answer to the next question."""
        for _ in range(64 * LONGEST_ANSWER):
            if not self._comes_within(0.001):
                return
            self._talks_unasked = is_asked
        raise LinkLost("it talks without a pause and without being asked: nothing could be told apart")

    @contextlib.contextmanager
    def _timeout(self, seconds: float) -> Iterator[None]:
        self._resource.timeout = max(1.0, seconds * 1000.0)
        try:
            yield
        finally:
            self._resource.timeout = self._settings.timeout_s * 1000.0

    def _clear(self) -> None:
        # Streams have no clear of their own, and pyvisa-py's never comes back from a socket whose other end is gone.
        if not self._settings.is_stream:
            with contextlib.suppress(Exception):
                self._resource.clear()

    def _unanswered(self, query: str) -> str:
        asked = f"to {query!r} " if query else ""
        words = f"no answer {asked}within {self._settings.timeout_s:g} s"
        if self._answered:
            return words
        end = repr(self._settings.ends_with) if self._settings.ends_with else "the bus's own end"
        return (
            f"{words}, nor any since the link was opened: is it on, does it know the question, and does its answer end "
            f"with {end} (read_termination) and the question with {self._settings.write_termination!r}?"
        )


@contextlib.contextmanager
def opened(manager: Manager, settings: InstrumentSettings) -> Iterator[Link]:
    """A link to an instrument, closed on leaving.

    Raises
    ------
    LinkLost
        If it does not open.
    """
    try:
        resource = manager.open_resource(settings.address, AccessModes.no_lock, int(OPEN_S * 1000))
    except Exception as error:
        raise LinkLost(words_of(error, settings)) from error
    try:
        if not isinstance(resource, MessageBasedResource):
            raise LinkLost(f"{settings.address} is nothing that answers questions")
        try:
            _set_up(resource, settings)
        except Exception as error:
            raise LinkLost(words_of(error, settings)) from error
        yield Link(resource, settings)
    finally:
        with contextlib.suppress(Exception):
            resource.close()


def _set_up(resource: MessageBasedResource, settings: InstrumentSettings) -> None:
    resource.timeout = settings.timeout_s * 1000.0
    if settings.is_serial:
        serial: dict[str, object] = {
            "baud_rate": settings.baud_rate,
            "data_bits": settings.data_bits,
            "parity": PARITIES.get(settings.parity or ""),
            "stop_bits": STOP_BITS.get(settings.stop_bits or 0),
            "end_input": None if settings.ends_with else SerialTermination.none,
        }
        for name, value in serial.items():
            if value is not None:
                setattr(resource, name, value)
    if settings.ends_with:
        resource.read_termination = settings.ends_with
    with contextlib.suppress(Exception):
        # Idle links are dropped by routers on the way; not every bus and backend has this.
        resource.set_visa_attribute(ResourceAttribute.tcpip_keepalive, True)


def _is_timeout(error: Exception) -> bool:
    return isinstance(error, pyvisa.VisaIOError) and error.error_code == StatusCode.error_timeout


def words_of(error: Exception, settings: InstrumentSettings) -> str:
    """What happened and what to do, for the errors of VISA, of the system and of what lies between."""
    text = " ".join(str(error).split()) or type(error).__name__
    if isinstance(error, pyvisa.VisaIOError) and error.error_code == StatusCode.error_resource_not_found:
        return f"{settings.address}: nothing is there: is it on and plugged in, and is the address right?"
    if isinstance(error, PermissionError) or "permission denied" in text.lower() or "access denied" in text.lower():
        return f"{settings.address}: this user may not open it: {RIGHTS} ({text})"
    if isinstance(error, ConnectionError | TimeoutError) or "could not connect" in text:
        return (
            f"{settings.address}: the other end does not answer or has gone: is it on, and the address right? ({text})"
        )
    return f"{settings.address}: {text}"


def manager_of(backend: str) -> Manager:
    """The manager of a backend. There is one for each backend, shared by all who ask.

    Raises
    ------
    BenchSetupError
        If the backend is not there.
    """
    try:
        return pyvisa.ResourceManager(backend)
    except Exception as error:
        # The backends raise what they please: ValueError, OSError, plain Exception.
        text = " ".join(str(error).split())
        raise BenchSetupError(
            f"visa_backend: found {backend!r}, which does not open ({text[:200]}); allowed: '@py', or another backend "
            f"that is installed (pip install pyvisa-{backend.rpartition('@')[2] or 'NAME'}), or the path of a library"
        ) from None


def full_address(one: InstrumentSettings, backend: str) -> str:
    """An address with all that VISA lets out ("TCPIP::" is "TCPIP0::").

    Raises
    ------
    BenchSetupError
        If it is no address, or the backend lacks the library for its bus.
    """
    try:
        name = ResourceName.from_string(one.address)
    except InvalidResourceName as error:
        raise BenchSetupError(f"instrument {one.name!r}: address: found {one.address!r}: {error}") from None
    missing = _missing_buses(backend).get(f"{name.interface_type} {name.resource_class}")
    if missing:
        raise BenchSetupError(f"instrument {one.name!r}: address {one.address}: {missing}")
    return str(name)


def _missing_buses(backend: str) -> dict[str, str]:
    """Kinds of address that the backend cannot do for want of a library, and which: the bus is silently absent else."""
    try:
        debug_info = get_wrapper_class(backend.rpartition("@")[2] or "ivi").get_debug_info()
    except Exception:
        # Not every backend has this; then the attempt to open will tell.
        return {}
    if not isinstance(debug_info, dict):
        return {}
    issues = {key: lines for key, lines in debug_info.items() if isinstance(lines, list)}
    packages = {"ASRL": "pyserial", "USB": "pyusb"}
    missing = {}
    for key, lines in issues.items():
        if lines and str(lines[0]).startswith("Please install"):
            package = packages.get(key.split()[0])
            missing[key] = f"pip install {package}" if package else str(lines[0])
    return {key: f"this bus needs a library that is not installed: {words}" for key, words in missing.items()}


def search(backend: str = "@py") -> Found:
    """What the backend finds on its buses. Plain sockets cannot be found, only named.

    Raises
    ------
    BenchSetupError
        If the backend is not there.
    """
    manager = manager_of(backend)
    remarks = [f"{key}: {words}" for key, words in sorted(_missing_buses(backend).items()) if key.endswith("INSTR")]
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            addresses: Sequence[str] = manager.list_resources("?*")
        except Exception as error:
            addresses = ()
            remarks.append(f"the search failed: {' '.join(str(error).split())}")
    # A socket that the library leaves to be collected is no business of whoever searches.
    warned = [one.message for one in caught if not issubclass(one.category, ResourceWarning)]
    remarks += sorted({" ".join(str(message).split()) for message in warned})
    remarks += [f"{node}: this user may not open it: {RIGHTS}" for node in _closed_nodes(Path("/dev"))]
    with contextlib.suppress(Exception):
        manager.close()
    return Found(tuple((address, lasting_address(address)) for address in sorted(addresses)), tuple(remarks))


def _closed_nodes(devices: Path) -> list[Path]:
    nodes = [node for pattern in ("ttyUSB*", "ttyACM*", "usbtmc*") for node in sorted(devices.glob(pattern))]
    return [node for node in nodes if not os.access(node, os.R_OK | os.W_OK)]


def lasting_address(address: str, by_id: Path = Path("/dev/serial/by-id")) -> str:
    """The same serial port by a name that stays when it is plugged in again; else the address itself."""
    interface, _, rest = address.partition("::")
    if interface.startswith("ASRL/") and by_id.is_dir():
        node = Path(interface.removeprefix("ASRL")).resolve()
        for link in sorted(by_id.iterdir()):
            if link.resolve() == node:
                return f"ASRL{link}::{rest}"
    return address


def identity(one: InstrumentSettings, backend: str = "@py") -> str:
    """Ask an instrument once who it is: what came, its ends written out ("\\n"); or in brackets why nothing did.

    On a stream all that comes is taken, so that an answer is seen even where `read_termination` is wrong.

    Raises
    ------
    BenchSetupError
        If the backend is not there, or can do nothing with the address.
    """
    manager = manager_of(backend)
    freely = {"read_termination": None, "read_bytes": None, "quiet_s": IDENTITY_QUIET_S}
    talked = one.model_copy(update=freely) if one.is_stream else one
    try:
        full_address(one, backend)
        with opened(manager, talked) as link:
            return link.ask(one.identify_query).decode("latin-1").encode("unicode_escape").decode("ascii")
    except LinkLost as lost:
        return f"({lost})"
    finally:
        with contextlib.suppress(Exception):
            manager.close()
