"""The database that benches share: reached, or said in words why it is not; nobody waits for it.

Passwords are in no settings: libpq takes one from the environment or `~/.pgpass`, or it stands in a file of its own.
"""

import logging
import os
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from getpass import getuser
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import sqlalchemy as sa
from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from sqlalchemy.pool import NullPool

from rig.files.disk import read_text, why
from rig.files.errors import BENCH, RecordError
from rig.store.index_tables import runs
from rig.store.shared_tables import REVISION, SHARED, deliveries

if TYPE_CHECKING:
    from rig.bench.store_settings import StoreSettings

T = TypeVar("T")

# A connection that breaks is told of once, as an error of ours, and not by the driver's log too.
logging.getLogger("psycopg").addHandler(logging.NullHandler())

#: How long a server may take to answer at all, s; libpq knows no less than 2 (our choice).
PATIENCE_S = 2
#: How long one question, or one delivery, may take once it does, s (our choice).
ANSWER_S = 60
#: A connection that is dead is given up after so long, s (our choice).
SILENCE_S = 10
#: Whether whoever asks may do with a table what no bench should.
MAY_CHANGE = "SELECT has_table_privilege(:name, 'UPDATE, DELETE, TRUNCATE')"
MISSING = "{name} is missing, which the store needs; pip install 'kitproof[store]'"


class StoreError(RecordError):
    """The store cannot do what was asked; the message says why, and holds no password."""

    exit_status = BENCH


def ask_store(settings: "StoreSettings", question: Callable[[sa.Connection], T]) -> T:
    """What the store answers to a question that is asked of a connection to it.

    Raises
    ------
    StoreError
        If it cannot be reached, has no tables of this version, or refuses.
    """
    with connected(settings) as connection:
        refuse_other_tables(connection)
        return question(connection)


@contextmanager
def connected(settings: "StoreSettings", user: str = "") -> Iterator[sa.Connection]:
    """A connection to the store, as another user where one is named; each transaction is begun by the caller.

    Raises
    ------
    StoreError
        As `ask_store`, but for its tables.
    """
    try:
        engine = _engine(settings, user)
    except ModuleNotFoundError as error:
        raise StoreError(MISSING.format(name=error.name)) from None
    try:
        with engine.connect() as connection:
            yield connection
    except SQLAlchemyError as error:
        raise _refused(error, settings) from None
    finally:
        engine.dispose()


def place_of(settings: "StoreSettings") -> str:
    """The store's address as it is told to people."""
    url = sa.make_url(settings.url)
    host = url.host or url.query.get("host") or "this computer"
    return f"{url.database} on {host}"


def user_of(settings: "StoreSettings") -> str:
    """Whom the database knows the bench as; nobody is named: as the user of this computer is called."""
    return sa.make_url(settings.url).username or getuser()


def state_words(connection: sa.Connection) -> tuple[list[str], list[str]]:
    """What the store holds and how it is reached, in lines; and those of its chains that are not whole."""
    driver: Any = connection.connection.dbapi_connection
    count = {
        "runs": sa.select(sa.func.count(runs.c.id)),
        "benches": sa.select(sa.func.count(sa.distinct(deliveries.c.bench))),
        "files": sa.select(sa.func.count()).select_from(deliveries),
        "lost": sa.select(sa.func.count()).select_from(deliveries).where(deliveries.c.lost != ""),
    }
    of = {what: connection.scalar(asked) for what, asked in count.items()}
    broken = [
        f"chain {chain}: number {number}, {path}, does not follow the one before it"
        for chain, number, path in connection.execute(_broken())
    ]
    lost = f"; of {of['lost']} nothing but the name, they were lost or changed at their bench" if of["lost"] else ""
    may = [table for table in sorted(SHARED.tables) if connection.scalar(sa.text(MAY_CHANGE), {"name": table})]
    return [
        f"  {'with' if driver.pgconn.ssl_in_use else 'without'} TLS, tables of version {revision(connection)}",
        f"  {of['runs']} runs, {of['benches']} benches, {of['files']} files of runs and notes{lost}",
        *([f"  this bench may change or delete what stands in {', '.join(may)}: kitproof store --make"] if may else []),
        *([f"  {words}" for words in broken] or ["  every chain is whole"]),
    ], broken


def _broken() -> sa.Select[Any]:
    """Deliveries that say another file before them than the one that is there, or that follow none."""
    chain, number = deliveries.c.chain, deliveries.c.number
    lined = sa.select(
        chain,
        number,
        deliveries.c.path,
        deliveries.c.before_sha256.label("says"),
        sa.func.lag(deliveries.c.sha256).over(partition_by=chain, order_by=number).label("stands"),
        sa.func.lag(number, 1, 0).over(partition_by=chain, order_by=number).label("before"),
    ).subquery()
    is_other = sa.and_(lined.c.says != "", lined.c.says.is_distinct_from(lined.c.stands))
    odd = sa.or_(is_other, lined.c.number != lined.c.before + 1)
    return sa.select(lined.c.chain, lined.c.number, lined.c.path).where(odd)


def refuse_other_tables(connection: sa.Connection) -> None:
    """Refuse a database whose tables are not this version's.

    Raises
    ------
    StoreError
        Saying what is there, and what to do.
    """
    found = revision(connection)
    if found != REVISION:
        what = "has no tables of kitproof" if not found else f"has tables of version {found}; this kitproof: {REVISION}"
        newer = found > REVISION
        advice = "install a newer kitproof" if newer else "whoever keeps the database runs kitproof store --make once"
        raise StoreError(f"the store {what}; {advice}")


def revision(connection: sa.Connection) -> str:
    """Which migration its tables are of; empty: it has none."""
    if connection.scalar(sa.text("SELECT to_regclass('alembic_version')")) is None:
        return ""
    return connection.scalar(sa.text("SELECT version_num FROM alembic_version")) or ""


def _engine(settings: "StoreSettings", user: str) -> sa.Engine:
    url = sa.make_url(settings.url).set(drivername="postgresql+psycopg")
    known = {
        "connect_timeout": PATIENCE_S,
        "sslmode": settings.tls,
        "application_name": "kitproof",
        "keepalives_idle": SILENCE_S // 2,
        "keepalives_interval": 2,
        "keepalives_count": 3,
        "tcp_user_timeout": SILENCE_S * 1000,
        "options": f"-c statement_timeout={ANSWER_S * 1000} -c idle_in_transaction_session_timeout={ANSWER_S * 1000}",
    }
    if settings.tls_root:
        known["sslrootcert"] = settings.tls_root
    # It is the bench's own user's.
    if settings.password_file and not user:
        known["password"] = _password(Path(settings.password_file))
    # What was to be written is in no message, and no connection outlives its use.
    return sa.create_engine(
        url.set(username=user) if user else url, poolclass=NullPool, connect_args=known, hide_parameters=True
    )


def _password(path: Path) -> str:
    try:
        open_to_others = os.name != "nt" and path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO)
        found = read_text(path).strip()
    except OSError as error:
        raise StoreError(f"{path}: the password of the store: {why(error)}") from None
    except UnicodeDecodeError:
        raise StoreError(f"{path}: the password of the store: not UTF-8 text") from None
    if open_to_others:
        raise StoreError(f"{path}: others may read the password of the store; chmod 600 {path.name} first")
    return found


def _refused(error: SQLAlchemyError, settings: "StoreSettings") -> StoreError:
    origin = error.orig if isinstance(error, DBAPIError) else error
    lines = [line.strip() for line in str(origin).splitlines() if line.strip()]
    reason = lines[0].removeprefix("connection failed: ") if lines else type(origin).__name__
    has_answered = getattr(origin, "sqlstate", None) is not None
    return StoreError(
        f"the store {place_of(settings)} {'refused' if has_answered else 'could not be reached'}: {reason}"
    )
