"""Code about the code: who may import whom, one importer a vendor library, sizes, and what stands at the top level."""

import ast
import functools
import importlib
import inspect
import itertools
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

import checks

ROOT = Path(__file__).parent.parent
SOURCES = sorted([*(ROOT / "rig").rglob("*.py"), *(ROOT / "checks").glob("*.py")])

#: The rooms from the top of the house to its ground: each may import itself and what stands below it.
ROOMS = (
    ("rig.__main__",),
    ("rig.cli",),
    ("rig.commands",),
    ("rig.page",),
    ("rig.screen",),
    ("rig.report",),
    ("rig.study",),
    ("rig.run",),
    ("rig.calibration",),
    ("rig.store",),
    ("rig.simulated",),
    ("rig.bench",),
    ("rig.findings",),
    ("rig.bench_check",),
    ("checks",),
    ("rig.verdict",),
    ("rig.design",),
    ("rig.values",),
    ("rig.drawing",),
    ("rig.files", "rig.signals", "rig.circuit", "rig.statistics"),
)
#: Besides: a bench knows no check, and what is simulated nothing of what is sought.
NEVER = {
    ("rig.bench", "checks"),
    ("rig.bench", "rig.findings"),
    ("rig.bench", "rig.bench_check"),
    ("rig.simulated", "checks"),
    ("rig.simulated", "rig.findings"),
    ("rig.simulated", "rig.bench_check"),
}
#: Who opens a bench.
OPENS_A_BENCH = ("rig.run.opening", "rig.commands")

#: Vendor library -> the only place that imports it.
ONE_IMPORTER = {
    "sounddevice": "rig.bench.sound_process",
    "pyvisa": "rig.bench.visa",
    "matplotlib": "nobody: rig.drawing draws",
    "fpdf": "rig.drawing.pdf",
    "ttf_opensans": "rig.drawing.pdf",
    "fontTools": "rig.drawing.pdf",
    "rich": ("rig.screen", "rig.commands"),
    "typer": ("rig.cli", "rig.commands"),
    "jinja2": ("rig.report", "rig.page"),
    "tomlkit": "rig.files.toml_edit",
    "starlette": "rig.page",
    "uvicorn": "rig.page",
    "soundfile": "rig.store.recordings",
    "sqlalchemy": ("rig.store", "rig.study.tables", "rig.commands"),
    "pandas": "rig.study",
    "networkx": "rig.study.box_pairs",
    "distributed": "rig.study.cluster",
    "alembic": ("rig.store.store_making", "rig.store.migrations"),
    "fsspec": "rig.store.shared_files",
}


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    if parts[-1] == "__init__" and parts[0] != "checks":
        parts = parts[:-1]
    return ".".join(parts)


@functools.cache
def tree_of(path: Path) -> ast.Module:
    """A file, parsed once for all that is asked of it."""
    return ast.parse(path.read_text(encoding="utf-8"))


@functools.cache
def nodes_of(path: Path) -> tuple[ast.AST, ...]:
    """All that stands in a file, at whatever depth."""
    return tuple(ast.walk(tree_of(path)))


@functools.cache
def imported(path: Path) -> set[str]:
    names = set()
    for node in nodes_of(path):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            # `from rig import records` imports rig.records; `from rig.judge import judge` imports rig.judge.
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                is_module = (ROOT / Path(*whole.split("."))).with_suffix(".py").exists()
                is_package = (ROOT / Path(*whole.split("."))).is_dir()
                names.add(whole if is_module or is_package else node.module)
    return names


def under(name: str, prefix: str) -> bool:
    return name == prefix or name.startswith(prefix + ".")


def room_of(name: str) -> tuple[int, str]:
    """Floor from the top, and name, of the room that a module stands in."""
    return next((floor, room) for floor, rooms in enumerate(ROOMS) for room in rooms if under(name, room))


def test_a_room_imports_only_what_stands_below_it() -> None:
    wrong = []
    for path in SOURCES:
        name = module_name(path)
        if name == "rig":
            continue
        floor, room = room_of(name)
        for other in imported(path):
            if under(other, "rig") or under(other, "checks"):
                below, wanted = room_of(other)
                if wanted != room and below <= floor:
                    wrong.append(f"{name} imports {other}, which does not stand below it")
                if (room, wanted) in NEVER:
                    wrong.append(f"{name} may not import {other}")
                if wanted == "rig.simulated" != room and not any(under(name, opener) for opener in OPENS_A_BENCH):
                    wrong.append(f"{name} imports the simulated bench")
    assert wrong == []


def names_imported(path: Path, package: str) -> list[tuple[str, str]]:
    """Module and name of everything that a file takes from a package."""
    nodes = [node for node in nodes_of(path) if isinstance(node, ast.ImportFrom)]
    return [(node.module, alias.name) for node in nodes if under(node.module or "", package) for alias in node.names]


def test_simulated_units_share_no_formula_with_what_judges_them() -> None:
    """Of the lumped model they take the data (classes, constants), and what air is; nothing that computes."""
    for path in (ROOT / "rig" / "simulated").glob("*.py"):
        for module, name in names_imported(path, "rig.circuit"):
            taken = getattr(importlib.import_module(module), name)
            computes = inspect.isroutine(taken) or inspect.ismodule(taken)
            assert module == "rig.circuit.units" or not computes, f"{path.name} uses {module}.{name}"


def test_no_two_files_share_a_name() -> None:
    # Checks, commands and what notebooks import are called as a kit and a user call them.
    names = [path.name for path in SOURCES if path.parent.name not in ("checks", "commands")]
    names.remove("tables.py")  # rig.study.tables, for notebooks
    names = [name for name in names if name != "__init__.py"]
    assert sorted({name for name in names if names.count(name) > 1}) == []


def test_vendor_libraries_have_one_importer() -> None:
    wrong = []
    for path in SOURCES:
        name = module_name(path)
        for other in imported(path):
            places = ONE_IMPORTER.get(other.split(".")[0], name)
            wanted = (places,) if isinstance(places, str) else places
            if not any(under(name, place) for place in wanted):
                wrong.append(f"{name} imports {other}; only {wanted} may")
    assert wrong == []


def test_stored_files_are_read_in_the_one_way_that_waits_for_no_pipe() -> None:
    """By `disk.read_bytes` and `disk.read_text`: anything may stand in the place of a record's file."""
    stored = [path for path in SOURCES if path.parent.name in ("store", "study", "run", "page")]
    assert len(stored) > 50
    found = [
        f"{module_name(path)}, line {node.lineno}"
        for path in stored
        for node in nodes_of(path)
        if isinstance(node, ast.Attribute) and node.attr in ("read_bytes", "read_text")
    ]
    assert found == []


def test_nothing_is_kept_without_a_bound_but_of_languages_types_and_the_font() -> None:
    """However many units one process measures, what it keeps of them has a size."""
    unbounded = [
        module_name(path)
        for path in SOURCES
        for node in nodes_of(path)
        if (isinstance(node, ast.alias) and node.name == "cache")
        or (isinstance(node, ast.Attribute) and ast.unparse(node) == "functools.cache")
        or (isinstance(node, ast.keyword) and ast.unparse(node) == "maxsize=None")
    ]
    assert sorted(unbounded) == ["rig.drawing.pdf", "rig.files.plain", "rig.page.drawing", "rig.report.languages"]


def test_no_import_cycles() -> None:
    graph = {module_name(path).removesuffix(".__init__"): set() for path in SOURCES}
    for path in SOURCES:
        name = module_name(path).removesuffix(".__init__")
        graph[name] = {other for other in imported(path) if other in graph and other != name}
    done: set[str] = set()

    def visit(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, f"import cycle: {' -> '.join((*trail, name))}"
        if name not in done:
            for other in sorted(graph[name]):
                visit(other, (*trail, name))
            done.add(name)

    for name in graph:
        visit(name, ())


def without_docstrings(node: ast.AST, lines: int) -> int:
    """How many of so many lines are left without those of docstrings."""
    for inner in ast.walk(node):
        if isinstance(inner, ast.FunctionDef | ast.ClassDef | ast.Module) and inner.body:
            first = inner.body[0]
            if (
                isinstance(first, ast.Expr)
                and isinstance(first.value, ast.Constant)
                and isinstance(first.value.value, str)
            ):
                lines -= first.end_lineno - first.lineno + 1
    return lines


#: Functions and files over the size; this list may only shrink.
GRANDFATHERED: set[str] = set()


def test_sizes() -> None:
    sizes, most = {}, {}
    for path in SOURCES:
        lines = path.read_text(encoding="utf-8").count("\n")
        sizes[module_name(path)] = without_docstrings(tree_of(path), lines)
        most[module_name(path)] = 400
        for node in nodes_of(path):
            if isinstance(node, ast.FunctionDef):
                name = f"{module_name(path)}.{node.name}"
                sizes[name] = max(without_docstrings(node, node.end_lineno - node.lineno + 1), sizes.get(name, 0))
                most[name] = 40
    assert {name: size for name, size in sizes.items() if size > most[name] and name not in GRANDFATHERED} == {}


#: Arguments that a function takes by their place: more are told apart by name alone.
MOST_BY_PLACE = 6
#: Types that no cache is looked up by: it would hold them long after their run, or compare them byte by byte.
NO_KEYS = ("Array", "Floats", "Complex", "Singles", "Capture", "bytes")


def test_many_arguments_are_named_and_caches_are_looked_up_by_values() -> None:
    wrong = []
    for path in SOURCES:
        for node in nodes_of(path):
            if isinstance(node, ast.FunctionDef):
                by_place = [arg for arg in node.args.posonlyargs + node.args.args if arg.arg not in ("self", "cls")]
                if len(by_place) > MOST_BY_PLACE:
                    wrong.append(f"{module_name(path)}.{node.name}: name some of its arguments")
                is_cache = any("cache" in ast.unparse(one) for one in node.decorator_list)
                keys = [ast.unparse(arg.annotation) for arg in by_place if is_cache and arg.annotation]
                if any(name in key for key in keys for name in NO_KEYS):
                    wrong.append(f"{module_name(path)}.{node.name}: a cache that is looked up by {keys}")
    assert wrong == []


#: Called by others than this code: the command line and its help, and what migrates tables.
CALLED_FROM_OUTSIDE = {"_options", "input_command", "__all__", "upgrade", "revision", "down_revision"}


def names_used(node: ast.AST, but: str) -> set[str]:
    """Names that a definition uses, in code or in words such as a quoted type; not its own, nor those of docstrings."""
    used = set()
    for inner in ast.walk(node):
        if isinstance(inner, ast.Name) and isinstance(inner.ctx, ast.Load):
            used.add(inner.id)
        elif isinstance(inner, ast.Attribute):
            used.add(inner.attr)
        elif isinstance(inner, ast.Constant) and isinstance(inner.value, str) and "\n" not in inner.value:
            used |= set(re.findall(r"\w+", inner.value))
    return used - {but}


def test_what_nobody_uses_is_not_there() -> None:
    # Of all that stands at the top of a file: what the tests alone use belongs to them.
    defined, used = {}, set()
    for path in SOURCES:
        for node in tree_of(path).body:
            targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
            names = [target.id for target in targets if isinstance(target, ast.Name)]
            names += [node.name] if isinstance(node, ast.FunctionDef | ast.ClassDef) else []
            defined |= dict.fromkeys(names, module_name(path))
            if not (isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)):
                used |= names_used(node, getattr(node, "name", ""))
    pages = " ".join(path.read_text(encoding="utf-8") for path in (ROOT / "rig").rglob("*.html"))
    unused = {name for name in defined if name not in used and not re.search(rf"\b{name}\b", pages)}
    assert {f"{defined[name]}.{name}" for name in unused - CALLED_FROM_OUTSIDE} == set()


def is_number(value: ast.expr) -> bool:
    """Whether a constant is a number, or some of them: nothing but digits and signs in it."""
    kinds = [type(node.value) for node in ast.walk(value) if isinstance(node, ast.Constant)]
    return bool(kinds) and all(kind in (int, float) for kind in kinds)


#: What says where a number is from: a published source by its year or its number, a benchmark that is there, ...
SOURCE = re.compile(r"\b(19|20)\d\d\b|\b(ISO|IEC|AES|JAES|JCGM|GUM|AIAG)\b|tests/benchmarks/(\w+)\.py")
#: ... or that there is none.
NO_SOURCE = re.compile(
    "common practice|from memory|by definition|our choice|choice of the page|numerical|made up|layout", re.IGNORECASE
)


def numbers_with_comments(path: Path) -> Iterator[tuple[ast.Assign, str]]:
    """Each number at the top of a file, with the comment `#:` above it, or above the lines that it stands among."""
    lines = path.read_text(encoding="utf-8").splitlines()
    for node in tree_of(path).body:
        if isinstance(node, ast.Assign) and is_number(node.value):
            named = node.targets[0].elts if isinstance(node.targets[0], ast.Tuple) else node.targets
            if all(isinstance(one, ast.Name) and one.id.isupper() for one in named):
                above = list(itertools.takewhile(str.strip, reversed(lines[: node.lineno - 1])))
                comments = itertools.dropwhile(lambda line: not line.startswith("#:"), above)
                own = list(itertools.takewhile(lambda line: line.startswith("#:"), comments))
                yield node, " ".join(line.removeprefix("#: ") for line in reversed(own))


def lacks_of_numbers(path: Path) -> Iterator[str]:
    """What the numbers at the top of a file do not say of themselves by a comment `#:` above them."""
    for node, comment in numbers_with_comments(path):
        place = f"{module_name(path)}:{node.lineno}"
        if not comment:
            yield f"{place} has no comment"
        elif not SOURCE.search(comment) and not NO_SOURCE.search(comment):
            yield f"{place} does not say where it is from"
        benchmark = re.search(r"tests/benchmarks/(\w+\.py)", comment)
        if benchmark and not (ROOT / benchmark[0]).exists():
            yield f"{place}: {benchmark} is not there"
    for node, behind in itertools.pairwise(tree_of(path).body):
        is_string = isinstance(behind, ast.Expr) and isinstance(behind.value, ast.Constant)
        if isinstance(node, ast.Assign) and is_number(node.value) and is_string:
            yield f"{module_name(path)}:{node.lineno}: the comment stands above, as `#:`"


def test_a_number_says_what_it_is_and_where_it_is_from() -> None:
    assert [lack for path in SOURCES for lack in lacks_of_numbers(path)] == []


def test_public_functions_say_what_they_do() -> None:
    public = [
        (path, node)
        for path in SOURCES
        for node in tree_of(path).body
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")
    ]
    assert [f"{module_name(path)}.{node.name}" for path, node in public if not ast.get_docstring(node)] == []


def test_every_check_is_whole() -> None:
    parts = ("NAME", "TITLE", "GATE", "Settings", "requests", "read")
    assert [(check.NAME, part) for check in checks.ALL for part in parts if not hasattr(check, part)] == []
    assert [check.NAME for check in checks.ALL if not check.__doc__] == []


@pytest.mark.slow
@pytest.mark.parametrize(
    "command", [["ruff", "check", "."], ["ruff", "format", "--check", "."], ["mypy"]], ids=" ".join
)
def test_linters_and_types(command: list[str]) -> None:
    done = subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_folder_is_packed() -> None:
    listed = subprocess.run(["git", "ls-files", "rig", "checks"], cwd=ROOT, capture_output=True, text=True, check=True)
    folders = {".".join(Path(name).parent.parts) for name in listed.stdout.splitlines()}
    packed = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]["packages"]
    # The demo kits stand in limits/.
    assert sorted(packed) == sorted({*folders, "rig.demo_kits"})


def test_top_level_holds_what_the_house_has() -> None:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    top = {name.split("/")[0] for name in listed.splitlines()}
    visible = {name for name in top if not name.startswith(".")}
    assert visible == {
        "README.md",
        "CHANGELOG.md",
        "DEVELOPERS.md",
        "LICENSE",
        "constraints.txt",
        "pyproject.toml",
        "rig",
        "checks",
        "tests",
        "limits",
        "results",
    }
