"""Making the tables on the server, and who may do what there: a bench reads and adds, and changes nothing."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import sqlalchemy as sa

from rig.store.shared_store import MISSING, StoreError
from rig.store.shared_tables import SHARED

if TYPE_CHECKING:
    from alembic.config import Config


def bring_up(connection: sa.Connection) -> None:
    """Make the tables, or bring those of an older version up to this one's, as the user of this connection.

    Raises
    ------
    StoreError
        If alembic is not installed.
    """
    config = _config()
    from alembic import command

    config.attributes["connection"] = connection
    command.upgrade(config, "head")


def grant(connection: sa.Connection, users: Sequence[str]) -> None:
    """Let users read and add, and nothing else, whatever they were allowed before.

    Raises
    ------
    StoreError
        If the server knows one of them not, or one could do more all the same.
    """
    for user in users:
        row = connection.execute(sa.text("SELECT rolsuper FROM pg_roles WHERE rolname = :user"), {"user": user}).first()
        if row is None:
            raise StoreError(f"the server knows no user {user!r}; whoever keeps it says first: {create_user(user)}")
        if row.rolsuper or _owns(connection, user):
            raise StoreError(
                f"{user!r} may do anything in this database, so nothing can be kept from it; allowed: for benches "
                f"a user of their own: {create_user('bench')}"
            )
        for words in grants(connection, user):
            connection.exec_driver_sql(words)


def grants(connection: sa.Connection, user: str) -> list[str]:
    """What is said to the server so that a user may read and add, and nothing else."""
    quoted = connection.dialect.identifier_preparer.quote_identifier
    tables = ", ".join(quoted(name) for name in sorted(SHARED.tables))
    name = quoted(user)
    return [
        f"REVOKE ALL ON {tables}, alembic_version FROM {name}, PUBLIC",
        f"GRANT INSERT, SELECT ON {tables} TO {name}",
        f"GRANT SELECT ON alembic_version TO {name}",
    ]


def create_user(user: str) -> str:
    """What makes a user, as it is said to people."""
    return f'CREATE ROLE "{user}" LOGIN PASSWORD ...'


def _owns(connection: sa.Connection, user: str) -> bool:
    """Whether a table here is this user's own."""
    owned = sa.text("SELECT count(*) FROM pg_tables WHERE tablename = ANY(:names) AND tableowner = :user")
    return bool(connection.scalar(owned, {"names": sorted(SHARED.tables), "user": user}))


def _config() -> "Config":
    try:
        from alembic.config import Config
    except ModuleNotFoundError as error:
        raise StoreError(MISSING.format(name=error.name)) from None
    config = Config()
    config.set_main_option("script_location", "rig.store:migrations")
    config.set_main_option("path_separator", "os")
    return config
