"""One function over many parts by the workers of a Dask cluster: an archive that one machine cannot hold."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from importlib.metadata import PackageNotFoundError, version
from typing import TypeVar

from rig.files.errors import TableError

Part = TypeVar("Part")
Found = TypeVar("Found")

#: How long a scheduler may take to answer, and its first worker to be there, s; our choice.
PATIENCE_S = 10.0
#: What must be the same everywhere for results that are equal to the last bit; by definition.
SAME = ("kitproof", "numpy", "scipy")


def on_cluster(function: Callable[[Part], Found], parts: Sequence[Part], address: str) -> Iterator[Found]:
    """What `function` gives of each part, in their order, as `rig.files.parallel.in_processes`.

    A worker that is lost changes nothing: its parts are given to others.

    Raises
    ------
    TableError
        If Dask is not installed, no scheduler or worker answers, or a worker has other versions than this process.
    """
    try:
        from distributed import Client, KilledWorker
    except ImportError:
        raise TableError("--dask needs Dask: pip install 'kitproof[cluster]'") from None
    try:
        client = Client(address, timeout=PATIENCE_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        allowed = "the address of a scheduler that runs, such as tcp://127.0.0.1:8786 (dask scheduler prints its own)"
        raise TableError(f"--dask: found {address!r}, where no scheduler answers; allowed: {allowed}") from error
    with client:
        try:
            client.wait_for_workers(1, timeout=PATIENCE_S)
        except TimeoutError:
            begin = f"begin some, one a processor: dask worker {address} --nthreads 1"
            raise TableError(f"--dask: the scheduler at {address} has no worker; {begin}") from None
        _refuse_others(client.run(versions, on_error="return"))
        futures = client.map(function, parts, pure=False)
        try:
            for future in futures:
                yield future.result()
        except KilledWorker as error:
            raise TableError(f"--dask: worker after worker was lost with the same runs: {error}") from None
        finally:
            client.cancel(futures)


def versions() -> dict[str, str]:
    """What computes here -> its version; empty: it is not there."""
    found = {}
    for name in SAME:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = ""
    return found


def _refuse_others(of_workers: Mapping[str, object]) -> None:
    own = versions()
    for worker, found in of_workers.items():
        if found != own:
            raise TableError(f"--dask: the worker {worker} has {found!r}; allowed: the same as here, {own}")
