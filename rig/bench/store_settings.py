"""What `[store]` of bench.toml says: the database and the place for files that several benches share."""

import os
from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import parse_qsl, urlsplit

from pydantic import Field, field_validator, model_validator

from rig.files.errors import BenchSetupError, TableError
from rig.files.tables import Misfit, Table, checked, read_toml

SCHEMES = ("postgresql+psycopg", "postgresql")
URL = "postgresql+psycopg://USER@HOST/DATABASE"
PASSWORD = (
    "none here, since bench.toml is copied and shown around: the environment (PGPASSWORD), ~/.pgpass, or a file of its "
    "own that password_file names"
)


class StoreSettings(Table):
    """Where the benches of a workshop put what they measured."""

    url: str
    #: A folder, or another place that fsspec knows; empty: files stay at the bench.
    files: str = ""
    #: Holds the password and nothing else.
    password_file: str = ""
    #: As libpq calls it: TLS where the server offers it, always, or always and with its name proved.
    tls: Literal["prefer", "require", "verify-full"] = "prefer"
    #: Certificate of who vouches for the server, for "verify-full"; empty: those that the system trusts.
    tls_root: str = ""

    @field_validator("url")
    @classmethod
    def _no_password(cls, url: str) -> str:
        try:
            parts = urlsplit(url)
            query = dict(parse_qsl(parts.query))
            has_password = parts.password is not None or "password" in query
        except ValueError:
            # What was found is not repeated: it may hold a password.
            raise Misfit("", "no address of a database", URL) from None
        if has_password:
            raise Misfit("", "a password in it", PASSWORD)
        if others := query.keys() - {"host", "port"}:
            raise Misfit("", f"{min(others)} in it", f"{URL}, and of options ?host=... alone")
        if parts.scheme not in SCHEMES or parts.path in ("", "/"):
            raise Misfit("", repr(url), URL)
        return url

    @field_validator("files")
    @classmethod
    def _no_secret(cls, files: str) -> str:
        if "@" in files.partition("://")[2].partition("/")[0] and ":" in files.partition("://")[2].partition("@")[0]:
            raise Misfit("", "a password in it", "a place without one; what signs in stands where fsspec looks for it")
        return files

    @model_validator(mode="after")
    def _root_is_asked_for(self) -> "StoreSettings":
        if self.tls_root and self.tls != "verify-full":
            raise Misfit("tls_root", repr(self.tls_root), 'with tls = "verify-full" alone')
        return self


class StoreOfBench(Table):
    """What the store needs of bench.toml."""

    name: Annotated[str, Field(min_length=1)]
    store: StoreSettings


def bench_file(workspace: Path, file: Path | None = None) -> Path | None:
    """`file`, or the workspace's bench.toml; None where there is neither."""
    usual = workspace / "bench.toml"
    # What stands there in its place, such as a link that leads nowhere, is told: it never means that there is none.
    return file or (usual if os.path.lexists(usual) else None)


def store_of(workspace: Path, file: Path | None = None) -> StoreOfBench | None:
    """The store of a workspace's bench, without the rest of bench.toml; None: it has none.

    Raises
    ------
    BenchSetupError
        If `[store]` is wrong, or bench.toml cannot be read.
    """
    path = bench_file(workspace, file)
    if path is None:
        return None
    try:
        found = read_toml(path)
        if "store" not in found:
            return None
        known = checked(StoreOfBench, {key: found[key] for key in ("name", "store") if key in found}, path)
    except TableError as error:
        raise BenchSetupError(str(error)) from None
    return known.model_copy(update={"store": beside(path, known.store)})


def beside(path: Path, store: StoreSettings) -> StoreSettings:
    """The settings with names of files counted from the folder of bench.toml."""
    names = {key: str(path.parent / name) for key in ("password_file", "tls_root") if (name := getattr(store, key))}
    return store.model_copy(update=names)
