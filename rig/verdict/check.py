"""What a check is, for everybody who handles checks without knowing any of them."""

import sys
import traceback
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from types import ModuleType
from typing import Any, Protocol, cast

from rig.design.kit import Kit
from rig.design.trust import RestsOn
from rig.files.disk import read_bytes, why
from rig.files.errors import TableError
from rig.files.tables import Table, checked
from rig.files.trusted import is_trusted
from rig.values.captures import Capture, Untrusted
from rig.values.logs import Log
from rig.values.readings import CheckReadings
from rig.values.requests import Request


class Check(Protocol):
    """A module under `checks/`: a settings schema and two functions."""

    #: The name a kit lists it by.
    NAME: str
    #: What it proves, in a builder's words.
    TITLE: str
    #: True: nothing louder is played unless this check passes.
    GATE: bool
    Settings: type[Table]
    # A check may also have RESTS_ON (`rig.design.trust.RestsOn`; without it its readings rest on every calibration and
    # all of the bench), TERMS: quantity -> what it means, in a builder's words, and foretell(quiet, asked, settings,
    # kit): what the quiet sweeps of a place tell beforehand of those that are asked for there, in words. Its limits
    # may judge what TERMS names, or QUANTITIES where they are called otherwise.

    def requests(self, kit: Kit, settings: Any) -> Sequence[Request]:
        """What it needs from the bench."""
        ...

    def read(self, captures: Sequence[Any], settings: Any, kit: Kit) -> CheckReadings:
        """Readings of the captures (of sweeps) and logs (of programmes): pure, and no limit is known here.

        Raises
        ------
        Untrusted
            If nothing at all can be said.
        """
        ...


class ListedCheck:
    """A check as a kit lists it: the module and the kit's settings for it."""

    def __init__(self, name: str, check: Check, settings: Table) -> None:
        self.name = name
        self.check = check
        self.settings = settings

    @property
    def rests_on(self) -> RestsOn | None:
        """What the check states that its readings rest on; None where it states nothing: on everything."""
        return getattr(self.check, "RESTS_ON", None)

    @property
    def terms(self) -> Mapping[str, str]:
        """What the check's quantities mean; empty where it does not say."""
        return getattr(self.check, "TERMS", {})

    @property
    def quantities(self) -> tuple[str, ...]:
        """What the check reads, as its limits are called; empty where it does not say."""
        return tuple(getattr(self.check, "QUANTITIES", self.terms))

    def requests(self, kit: Kit) -> tuple[Request, ...]:
        """The check's requests under the kit's settings.

        Raises
        ------
        TableError
            If the check fails to name them.
        """
        try:
            return tuple(self.check.requests(kit, self.settings))
        except (TableError, KeyboardInterrupt):
            raise
        except BaseException as error:
            raise TableError(
                f"{kit.folder / 'kit.toml'}: checks.{self.name}: the check {self.check.NAME!r} failed when asked what "
                f"it needs: {error_words(error)}"
            ) from error

    def read(self, captures: Sequence[Capture | Log], kit: Kit) -> CheckReadings:
        """The check's readings under the kit's settings."""
        return self.check.read(captures, self.settings, kit)


def foretold(
    checks: Sequence[ListedCheck], asked: Sequence[Request], quiet: Sequence[Capture], kit: Kit
) -> Iterator[str]:
    """What quiet sweeps of a place tell beforehand of what is asked for there, in words of the checks."""
    for listed in checks:
        if not hasattr(listed.check, "foretell"):
            continue
        own = [request for request in listed.requests(kit) if request in asked]
        try:
            words = [*filter(None, listed.check.foretell(quiet, own, listed.settings, kit))]
        except Untrusted:
            continue
        except BaseException as error:
            words = [
                f"{listed.check.TITLE}: what noise will hide is not known: the check failed: {mistake_words(error)}"
            ]
        yield from words


def mistake_words(error: BaseException) -> str:
    """A mistake in a check as words, for it loses no run: a workspace may bring its own, which may even call sys.exit.

    Raises
    ------
    KeyboardInterrupt
        Which is no mistake of the check.
    """
    if isinstance(error, KeyboardInterrupt):
        raise error
    return error_words(error)


def error_words(error: BaseException) -> str:
    """Kind and message of an error; an error of a check's own may fail to give a message."""
    try:
        return f"{type(error).__name__}: {error}"
    except Exception:
        return type(error).__name__


def unforeseen(error: BaseException) -> str:
    """An error of the rig itself in words, with the line that it came from, for whoever mends it."""
    *_, last = traceback.extract_tb(error.__traceback__)
    return f"an error of the rig itself: {error_words(error)}, at line {last.lineno} of {Path(last.filename).name}"


REQUIRED = ("NAME", "TITLE", "GATE", "Settings", "requests", "read")


def listed_checks(kit: Kit, known: Sequence[Check], plan: str = "") -> list[ListedCheck]:
    """The checks that a kit lists for a plan, in its order, with settings validated; those of other plans too.

    A kit may list one check several times under names of its own, with `check = "<name>"`.

    Raises
    ------
    TableError
        Naming the kit's file, the key, what was found and what is allowed.
    """
    by_name = {check.NAME: check for check in known}
    path = kit.folder / "kit.toml"
    listed = []
    for name, table in kit.checks.items():
        wanted = table.get("check", name)
        if wanted not in by_name:
            raise TableError(f"{path}: checks.{name}: found check {wanted!r}; allowed: {', '.join(sorted(by_name))}")
        values = {key: value for key, value in table.items() if key != "check"}
        check = by_name[wanted]
        listed.append(ListedCheck(name, check, checked(check.Settings, values, path, f"checks.{name}")))
    planned = kit.planned(plan)[1]
    return [check for check in listed if check.name in planned]


def workspace_checks(workspace: Path) -> list[Check]:
    """Checks of the workspace's own, from `<workspace>/checks/*.py`; empty when the folder is the project's.

    Raises
    ------
    TableError
        If nobody has agreed that they run (`kitproof trust`), or a file cannot be run or lacks a part of a check.
    """
    sources = own_sources(workspace)
    if sources and not is_trusted({path.name: source for path, source in sources.items()}):
        raise TableError(
            f"{workspace / 'checks'}: {', '.join(path.name for path in sources)}: a check is a program, and nobody has "
            "agreed on this computer that these run; read them, then: kitproof trust"
        )
    return [_load(path, source) for path, source in sources.items()]


def own_sources(workspace: Path) -> dict[Path, bytes]:
    """The files of the workspace's own checks, as they are now; none when the folder is the project's.

    Raises
    ------
    TableError
        If one cannot be read.
    """
    folder = workspace / "checks"
    if (folder / "__init__.py").exists():
        return {}
    sources = {}
    for path in sorted(folder.glob("*.py")):
        try:
            sources[path] = read_bytes(path)
        except OSError as error:
            raise TableError(f"{path}: cannot be read: {why(error)}") from None
    return sources


def _load(path: Path, source: bytes) -> Check:
    """A check from what was read, so that what runs is what was agreed to."""
    name = f"workspace_check_{path.stem}"
    module = ModuleType(name)
    module.__file__ = str(path)
    sys.modules[name] = module
    try:
        exec(compile(source, path, "exec"), module.__dict__)
    except KeyboardInterrupt:
        raise
    except BaseException as error:
        # A script may also call sys.exit.
        raise TableError(f"{path}: {error_words(error)}") from error
    missing = [part for part in REQUIRED if not hasattr(module, part)]
    if missing:
        raise TableError(f"{path}: a check needs {', '.join(REQUIRED)}; missing: {', '.join(missing)}")
    return cast(Check, module)
