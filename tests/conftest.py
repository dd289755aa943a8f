"""Workspaces and runs that several tests look at."""

import os
import shutil
import signal
import sys
from pathlib import Path

import rig  # noqa: F401  (before numpy: it says how many threads that may start)

# isort: split
import hypothesis
import pytest
from simulated_runs import ROOT, verified

from rig.files.trusted import HOME_VARIABLE
from rig.store.run_json import Record
from rig.values.run import Run

# What is compiled is kept, or each of the many processes that tests start compiles everything anew: 2 s for scipy.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
# Where a script starts the tests in the background Ctrl-C is ignored, and no stop would end anything.
signal.signal(signal.SIGINT, signal.default_int_handler)
# How long an example takes says something about the machine only.
hypothesis.settings.register_profile("house", deadline=None)
hypothesis.settings.load_profile("house")


@pytest.fixture(scope="session", autouse=True)
def _own_home(tmp_path_factory: pytest.TempPathFactory) -> None:
    """What is agreed to in a test is kept apart from what the user of this computer agreed to."""
    os.environ[HOME_VARIABLE] = str(tmp_path_factory.mktemp("home"))


@pytest.fixture(scope="session")
def workspace(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace with the demo kits and results of its own."""
    folder = tmp_path_factory.mktemp("workspace")
    shutil.copytree(ROOT / "limits", folder / "limits")
    return folder


@pytest.fixture(scope="session")
def good_run(workspace: Path) -> tuple[Run, Record]:
    """A good unit of booth-two."""
    return verified(workspace, "booth-two", "BT-0001")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """One worker more than there are cores: sound is played in its own time, and a core is free while it lasts."""
    return (os.cpu_count() or 1) + 1


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what is marked thorough, unless it is asked for; begin with what lasts long on any machine."""
    if not os.environ.get("KITPROOF_THOROUGH"):
        left_out = [item for item in items if item.get_closest_marker("thorough")]
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if not item.get_closest_marker("thorough")]
    workers = getattr(config, "workerinput", {"workercount": 1})["workercount"]
    items[:] = _in_the_order_of_workers(items, workers)


def _in_the_order_of_workers(items: list[pytest.Item], workers: int) -> list[pytest.Item]:
    """Tests in the order in which `--dist worksteal` deals them out: equal pieces of the list, one a worker.

    Who has done with his takes from the ends of the others' pieces, so what stands in front is never left over for the
    last. The first begins with the sound, which is played by one at a time; the others with what else takes long, all
    of a file by one of them.
    """
    others = max(workers - 1, 1)
    fronts: list[list[pytest.Item]] = [[] for _ in range(others + 1)]
    files: list[Path] = []
    rest = []
    for item in items:
        if item.get_closest_marker("sound_path"):
            fronts[0].append(item)
        elif item.get_closest_marker("slow"):
            if item.path not in files:
                files.append(item.path)
            fronts[1 + files.index(item.path) % others].append(item)
        else:
            rest.append(item)
    ordered: list[pytest.Item] = []
    for n in range(workers):
        size = (len(items) - len(ordered)) // (workers - n)
        front = fronts[n] if workers > 1 else [*fronts[0], *fronts[1]]
        fill = max(size - len(front), 0)
        ordered += front + rest[:fill]
        del rest[:fill]
    return ordered
