"""The place for files that benches share: records there stand as they do under `results/`, each whole or not there.

Any place that fsspec knows will do: a folder that every bench sees, or an object store. `run.json` comes last, so that
what was cut off is no record yet, and begins again.
"""

import hashlib
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

from rig.files.disk import parse_json, read_bytes
from rig.store.shared_store import MISSING, StoreError


class SharedFiles:
    """A place for files, by its address; empty: there is none, and nothing is put there.

    Raises
    ------
    StoreError
        If the address is none, or what it takes to get there is not installed.
    """

    def __init__(self, address: str) -> None:
        self.address = address
        if not address:
            return
        try:
            import fsspec

            self._system: Any
            self._system, self._root = fsspec.core.url_to_fs(address)
        except ModuleNotFoundError as error:
            raise StoreError(MISSING.format(name=error.name)) from None
        except (ImportError, ValueError) as error:
            raise StoreError(f"the place for files {address}: {error}") from None

    def put(self, results: Path, path: str, content: bytes) -> None:
        """Put a file there, `content` of `path` under `results`; of a record all that belongs to it before.

        Raises
        ------
        StoreError
            If it cannot be written, or something else stands there under its name.
        """
        if not self.address:
            return
        try:
            if not self._is_there(path, content):
                for name, data in _belonging(results, path, content):
                    self._write(name, data)
                self._write(path, content, beside=True)
        except StoreError:
            raise
        # A file system may raise what it likes.
        except Exception as error:
            reason = getattr(error, "strerror", None) or str(error) or type(error).__name__
            raise StoreError(f"the place for files {self.address}: {path}: {reason}") from None

    def _is_there(self, path: str, content: bytes) -> bool:
        try:
            found = self._system.cat_file(f"{self._root}/{path}")
        except FileNotFoundError:
            return False
        # A note of captures that were taken out may be written anew; nothing else is.
        if found != content and path.endswith("/run.json"):
            raise StoreError(
                f"the place for files {self.address}: {path}: another record stands there under its name; move that "
                "away, then kitproof deliver goes on"
            )
        return bool(found == content)

    def _write(self, path: str, content: bytes, beside: bool = False) -> None:
        place = f"{self._root}/{path}"
        folder, _, name = place.rpartition("/")
        self._system.makedirs(folder, exist_ok=True)
        if not beside:
            self._system.pipe_file(place, content)
            return
        # By its content, so that what a failing disk leaves is what the next delivery puts in its place.
        hidden = f"{folder}/.{name}.{hashlib.sha256(content).hexdigest()[:16]}.new"
        try:
            self._system.pipe_file(hidden, content)
            self._system.mv(hidden, place)
        except Exception:
            with suppress(Exception):
                self._system.rm_file(hidden)
            raise


def _belonging(results: Path, path: str, content: bytes) -> Iterator[tuple[str, bytes]]:
    """The files that a record names, as long as they are what it says."""
    if not path.endswith("/run.json"):
        return
    folder = path.removesuffix("/run.json")
    found = parse_json(content)
    named = found.get("files") if isinstance(found, dict) else None
    for name, sha256 in named.items() if isinstance(named, dict) else ():
        if ".." in name.split("/") or name.startswith("/"):
            continue
        try:
            data = read_bytes(results / folder / name)
        except FileNotFoundError:
            continue  # taken out, or lost: the record there says so as the one here does
        if hashlib.sha256(data).hexdigest() == sha256:
            yield f"{folder}/{name}", data
