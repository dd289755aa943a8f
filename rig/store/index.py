"""The index over the folders of `results/`: a file of SQLite that is opened, and made anew where it is no good.

The folders stay the truth: no verdict, number or history of a unit rests on the index, and whoever deletes it loses
nothing but the time that reading all records takes.
"""

import sqlite3
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TypeVar

import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError

from rig.files.disk import put_in_place, why
from rig.store.catching_up import Emptied, catch_up, refuse_other_tables, writing
from rig.store.index_tables import APPLICATION_ID, TABLES, VERSION

T = TypeVar("T")
Tell = Callable[[str], object]

NAME = "index.sqlite"
#: Added to the name of a file that is no index of ours.
ASIDE = ".set-aside"
#: How long another process may keep the index to itself, s (common practice, no source).
PATIENCE_S = 10.0
#: What SQLite says of a file that another process holds, and of one that is damaged or none of its own.
HELD = (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)
NO_GOOD = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_ERROR)


class _Foreign(Exception):
    """The file is another program's."""


def ask(
    workspace: Path,
    question: Callable[[sa.Connection], T],
    tell: Tell = lambda words: None,
    *,
    everything: bool = False,
) -> T:
    """What the index answers, once it has caught up with the folders.

    Parameters
    ----------
    workspace
        The folder with `results/`.
    question
        Is asked of a connection; may be asked again, of an index made anew.
    tell
        Is told, once, what was the matter with the file of the index, and of work that takes long.
    everything
        Look at every folder, also where nothing says that it has changed.
    """
    results = workspace / "results"
    path = results / NAME
    for _ in range(2) if results.is_dir() else ():
        try:
            return _asked(path, results, question, tell, everything)
        except _Foreign:
            reason = "is no index of kitproof"
        except (DBAPIError, sqlite3.Error) as error:
            reason = _reason(error)
            if _code(error) not in NO_GOOD:
                break
        except OSError as error:
            reason = why(error)
            break
        if not _set_aside(path, reason, tell):
            break
    else:
        return _asked(None, results, question, tell, everything)
    tell(f"{path}: {reason}; the folders are read for this command alone, which may take long")
    return _asked(None, results, question, tell, everything)


def once(tell: Tell) -> Tell:
    """Tells the same words no second time."""
    told: set[str] = set()

    def tell_once(words: str) -> None:
        if words not in told:
            told.add(words)
            tell(words)

    return tell_once


def rebuild(workspace: Path, tell: Tell) -> None:
    """Empty the index and read all folders again."""
    path = workspace / "results" / NAME
    if path.exists():
        engine = _engine(path)
        try:
            with writing(engine) as connection:
                connection.exec_driver_sql("PRAGMA user_version = 0")
        except (DBAPIError, sqlite3.Error):
            pass  # what is wrong with the file is found, and told, when it is asked
        finally:
            engine.dispose()
    ask(workspace, lambda connection: None, tell, everything=True)


def _asked(path: Path | None, results: Path, question: Callable[[sa.Connection], T], tell: Tell, everything: bool) -> T:
    engine = _engine(path)
    try:
        while True:
            _prepare(engine)
            with suppress(Emptied):
                tables = _caught_up(engine, results, tell, everything)
                with engine.connect() as connection:
                    if tables is not None:
                        refuse_other_tables(connection, tables)
                    return question(connection)
    finally:
        engine.dispose()


def _caught_up(engine: sa.Engine, results: Path, tell: Tell, everything: bool) -> int | None:
    """As `catch_up`; None: another process did not let it."""
    try:
        return catch_up(engine, results, tell, everything)
    except DBAPIError as error:
        if _code(error) not in HELD:
            raise
        tell(f"{results / NAME}: another process keeps it to itself; the newest runs may be missing here")
        return None


def _engine(path: Path | None) -> sa.Engine:
    """SQLite on a file, or in memory alone; each transaction is begun by us, since the driver begins them too late."""
    url = sa.URL.create("sqlite", database=str(path) if path else ":memory:")
    engine = sa.create_engine(url, connect_args={"timeout": PATIENCE_S, "isolation_level": None})
    sa.event.listen(engine, "connect", _connected)
    sa.event.listen(engine, "begin", _begin)
    return engine


def _connected(connection: sqlite3.Connection, _: object) -> None:
    # A transaction is whole whatever becomes of this process. Waiting for the disk costs 20 ms and more each time;
    # what a power cut may have taken is looked for after it (`catch_up`).
    connection.execute("PRAGMA synchronous = OFF")


def _begin(connection: sa.Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE" if connection.get_execution_options().get("writes") else "BEGIN")


def _prepare(engine: sa.Engine) -> None:
    """Make the tables where the file is empty, or of another version; refuse what is another program's."""
    with engine.connect() as connection:
        if _is_ready(connection):
            return
    with writing(engine) as connection:
        if not _is_ready(connection):
            for (name,) in connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'table'").all():
                connection.exec_driver_sql(f'DROP TABLE "{name}"')
            TABLES.create_all(connection)
            connection.exec_driver_sql(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.exec_driver_sql(f"PRAGMA user_version = {VERSION}")


def _is_ready(connection: sa.Connection) -> bool:
    ours, version = (connection.exec_driver_sql(f"PRAGMA {key}").scalar() for key in ("application_id", "user_version"))
    is_empty = not connection.exec_driver_sql("SELECT count(*) FROM sqlite_master").scalar()
    if ours != APPLICATION_ID and not is_empty:
        raise _Foreign
    return (ours, version) == (APPLICATION_ID, VERSION)


def _set_aside(path: Path, reason: str, tell: Tell) -> bool:
    """Rename a file that is no good, with what belongs to it; whether that could be done."""
    aside = path.with_name(path.name + ASIDE)
    try:
        for ending in ("-journal", "-wal", "-shm"):
            path.with_name(path.name + ending).unlink(missing_ok=True)
        put_in_place(path, aside)
    except OSError:
        return False
    tell(f"{path}: {reason}; it stands aside as {aside.name}, and the index is made anew")
    return True


def _code(error: Exception) -> int:
    """What SQLite calls an error, without its finer distinctions."""
    origin = error.orig if isinstance(error, DBAPIError) else error
    return getattr(origin, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF


def _reason(error: Exception) -> str:
    return str(error.orig if isinstance(error, DBAPIError) else error)
