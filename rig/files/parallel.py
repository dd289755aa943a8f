"""One function over many parts by several processes: what it gives comes in the order of the parts."""

import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from multiprocessing import active_children, get_context, parent_process
from typing import TypeVar

Part = TypeVar("Part")
Found = TypeVar("Found")


def in_processes(function: Callable[[Part], Found], parts: Iterable[Part], workers: int) -> Iterator[Found]:
    """What `function` gives of each part; parts are taken only a little ahead of what is asked for.

    Whatever ends this early (Ctrl-C too) ends the processes at once.

    Parameters
    ----------
    function
        Of a module's top level, or a partial of such; it is imported by each process anew.
    parts
        Of what can be pickled.
    workers
        How many processes.
    """
    others = set(active_children())
    pool = ProcessPoolExecutor(workers, get_context("spawn"), initializer=_begin)
    ahead: deque[Future[Found]] = deque()
    try:
        for part in parts:
            ahead.append(pool.submit(function, part))
            if len(ahead) > 2 * workers:
                yield ahead.popleft().result()
        while ahead:
            yield ahead.popleft().result()
    except BaseException:
        for child in set(active_children()) - others:
            child.terminate()
        raise
    finally:
        pool.shutdown(cancel_futures=True)


def _begin() -> None:
    """Prepare a process: before it loads what computes."""
    # Ctrl-C reaches every process of a terminal; the first of them ends the others.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
