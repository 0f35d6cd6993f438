"""The rules of the house, read from the source: who imports whom, and who touches the world."""

from __future__ import annotations

import ast
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import MappingProxyType

import pytest

REPOSITORY = Path(__file__).resolve().parents[1]
PACKAGE = REPOSITORY / "windowcast"
MODULES = sorted(PACKAGE.rglob("*.py"))

LAYERS = (
    ("__main__",),
    ("cli",),
    ("commands",),
    ("service",),
    ("web_forms",),
    ("web", "pages_written"),
    ("crew_pages",),
    ("pages",),
    ("past_pages",),
    ("named",),
    ("health", "missed", "backup", "budget"),
    ("schedule", "spread"),
    ("morning", "verify", "observed"),
    ("telling",),
    ("watching", "letters"),
    ("news",),
    ("picture",),
    ("standing", "forms", "plan_words"),
    ("plan_shifts",),
    ("form_kinds", "planning"),
    ("plan_task", "promised_today"),
    ("visiting", "counts", "doing", "records"),
    ("entering", "recipients", "places"),
    ("chance", "second_look", "fetching", "answers"),
    ("past_errors",),
    ("bootstrap", "season"),
    ("past_years", "cells"),
    ("answer",),
    ("record",),
    ("edges", "notice"),
    ("crew",),
    ("window",),
    ("sky", "trade"),
    ("units", "errors", "language", "progress", "__init__"),
)
"""From the outside in. A room imports only what stands in a later row; never its neighbour."""

PURE = ("trade", "sky", "window", "crew", "notice", "units", "errors", "language", "progress")
LIBRARIES = {
    "numpy": PURE,
    "pandas": PURE,
    "icalendar": ("notice",),
    "jinja2": ("notice",),
    "matplotlib": ("notice",),
    "PIL": ("notice",),
    "scipy": ("crew",),
}
TOUCHES_THE_WORLD = {
    "asyncio",
    "http",
    "io",
    "logging",
    "os",
    "pathlib",
    "shutil",
    "smtplib",
    "socket",
    "sqlite3",
    "subprocess",
    "sys",
    "tempfile",
    "threading",
    "time",
    "urllib",
}
IN_MEMORY = {
    ("notice/crew_lines.py", "io"): "what writes a table wants a file to write to; here it is text",
    ("notice/record_lines.py", "io"): "the csv module writes to a file; here it is text in memory",
    (
        "notice/visit_lines.py",
        "io",
    ): "what writes a table wants a file to write to; here it is text",
    ("notice/chart.py", "io"): "what draws wants a file to write to; here it is bytes in memory",
}
ASKS_THE_WORLD = {"open", "print", "input", "now", "today", "utcnow", "exit", "quit", "breakpoint"}

SHARED_EDGES = ("allowance", "http", "settings", "shipped")
EDGE_TO_EDGE = {
    ("archive", "openmeteo_replies"): "past days come from the same service, written the same way",
    ("past_runs", "openmeteo_replies"): "past runs come from the same service, written alike",
    ("openmeteo", "openmeteo_arrays"): "one service: how its answers are read, all at once",
    ("openmeteo_arrays", "openmeteo_text"): "reads by it what is written as the service writes",
    ("openmeteo_text", "openmeteo_replies"): "knows a member's name as that does",
    ("openmeteo_arrays", "openmeteo_replies"): "reads what is plain, and leaves it the rest",
    ("openmeteo", "openmeteo_plans"): "one service: what is asked of it",
    ("openmeteo", "openmeteo_runs"): "one service: which run it has",
    ("store", "store_cells"): "some of the database's statements, apart for the same reason",
    ("store_cells", "store_history"): "writes instants the same way",
    ("store_cells", "store_records"): "gives those records",
    ("openmeteo", "openmeteo_replies"): "one service, what is asked and how its answers are read",
    ("config_values", "store_address"): "judges an address before anybody goes there",
    ("config_checks", "store_address"): "judges an address before anybody goes there",
    ("store", "store_address"): "how the address of a server is written",
    ("store_postgres", "store_address"): "how the address of a server is written",
    ("store", "store_postgres"): "opens the one that the address names",
    ("store", "store_sqlite"): "opens the one that the address names",
    ("store_postgres", "store"): "is one",
    ("store_sqlite", "store"): "is one",
    ("store_calendar", "store_records"): "takes the database as every statement does",
    ("store_form", "store_history"): "writes instants the same way",
    ("store_form", "store_records"): "takes the database as every statement does",
    ("store_journal", "store_records"): "takes the database as every statement does",
    ("store", "store_records"): "the database's own records, apart so that each can be read",
    ("store", "store_history"): "some of the database's statements, apart for the same reason",
    ("store", "store_form"): "some of the database's statements, apart for the same reason",
    ("store", "store_journal"): "some of the database's statements, apart for the same reason",
    ("store", "store_calendar"): "some of the database's statements, apart for the same reason",
    ("mail", "mail_parts"): "composes a message of them; apart so that each can be read",
    ("push", "mail"): "answers in the same words what became of a message",
    ("store", "store_crew"): "some of the database's statements, apart for the same reason",
    ("store_crew", "store_history"): "writes instants the same way",
    ("store_crew", "store_records"): "takes the database as every statement does",
    ("store", "store_second"): "some of the database's statements, apart for the same reason",
    ("store_second", "store_history"): "writes instants the same way",
    ("store_second", "store_records"): "takes the database as every statement does",
    ("store", "store_said"): "some of the database's statements, apart for the same reason",
    ("store_said", "store_history"): "writes instants the same way",
    ("store_said", "store_records"): "gives those records",
    ("store", "store_page"): "some of the database's statements, apart for the same reason",
    ("store_page", "store_history"): "writes instants the same way",
    ("store_page", "store_records"): "takes the database as every statement does",
    ("store", "store_keeping"): "some of the database's statements, apart for the same reason",
    ("store_keeping", "store_history"): "writes instants the same way",
    ("store_keeping", "store_records"): "queues those records",
    ("store_journal", "store_history"): "writes instants the same way",
    ("store_calendar", "store_history"): "writes instants the same way",
    ("store_history", "store_records"): "gives those records",
    ("config_kept", "cache"): "what is kept there",
    ("zones", "cache"): "what is kept there",
    ("config_crews", "table_file"): "a table of drives belongs to the configuration",
    ("config", "toml_lines"): "finds the line of a mistake; a part of reading the configuration",
    ("config", "zones"): "finds a yard's time zone; a part of reading the configuration",
}

PRINTS = {
    "service": "writes the printed notice to stdout where no mail is set, and its log to stderr",
}

LONGEST = 700
LONGER = {
    "edges/store.py": (1060, "one class for one database, whose statements are read together"),
}

HEAVY = (
    "PIL",
    "apscheduler",
    "flask",
    "babel",
    "dask",
    "distributed",
    "icalendar",
    "jinja2",
    "matplotlib",
    "numpy",
    "pandas",
    "psycopg",
    "pydantic",
    "requests",
    "scipy",
    "tomlkit",
    "tzfpy",
)


def name_of(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


def room_of(path: Path) -> str:
    """The folder of a module, or its own name where it stands at the top."""
    return path.relative_to(PACKAGE).with_suffix("").parts[0]


def row_of(room: str) -> int:
    return next(row for row, rooms in enumerate(LAYERS) if room in rooms)


def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text("utf-8"))


def imports(path: Path) -> Iterator[tuple[str, int]]:
    """Every imported module by its full name, wherever the import stands, with its line.

    `from windowcast.edges import store` counts as windowcast.edges.store. Imports for the type
    checker alone count too: what a signature names is a dependency.
    """
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name_of(path)}:{node.lineno} imports relatively"
            module = node.module or ""
            for alias in node.names:
                below = PACKAGE.parent / Path(*module.split("."), alias.name)
                is_module = below.with_suffix(".py").is_file() or below.is_dir()
                yield (f"{module}.{alias.name}" if is_module else module), node.lineno


def own_imports(path: Path) -> Iterator[tuple[tuple[str, ...], int]]:
    """The imports from windowcast itself, as parts below the package."""
    for name, line in imports(path):
        parts = name.split(".")
        if parts[0] == "windowcast":
            yield (tuple(parts[1:]) or ("__init__",)), line


def every(paths: list[Path]) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("path", paths, ids=name_of)


pure_modules = [path for path in MODULES if room_of(path) in PURE]
edges = [path for path in MODULES if room_of(path) == "edges"]


def test_every_room_has_its_place():
    known = {room for rooms in LAYERS for room in rooms}

    assert {room_of(path) for path in MODULES} <= known


@every(MODULES)
def test_imports_point_inward(path: Path):
    room = room_of(path)

    wrong = [
        f"line {line}: {'.'.join(parts)}"
        for parts, line in own_imports(path)
        if parts[0] != room and row_of(parts[0]) <= row_of(room)
    ]

    assert wrong == []


@every(pure_modules)
def test_pure_rooms_import_only_the_standard_library_and_a_few_named_ones(path: Path):
    room = room_of(path)

    wrong = []
    for name, line in imports(path):
        first = name.partition(".")[0]
        allowed = (
            first == "windowcast"
            or (first in sys.stdlib_module_names and first not in TOUCHES_THE_WORLD)
            or room in LIBRARIES.get(first, ())
            or (name_of(path), name) in IN_MEMORY
        )
        if not allowed:
            wrong.append(f"line {line}: {name}")

    assert wrong == []


@every(pure_modules)
def test_pure_rooms_open_nothing_print_nothing_and_ask_no_clock(path: Path):
    wrong = [f"line {line}: {called}" for called, line in calls(path) if called in ASKS_THE_WORLD]

    assert wrong == []


def calls(path: Path) -> Iterator[tuple[str, int]]:
    """The last name of whatever is called: `now` of datetime.now(), `open` of open()."""
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Call):
            if isinstance(node.func, ast.Name):
                yield node.func.id, node.lineno
            elif isinstance(node.func, ast.Attribute):
                yield node.func.attr, node.lineno


@every(edges)
def test_an_edge_knows_no_other_edge(path: Path):
    wrong = [
        f"line {line}: {parts[1]}"
        for parts, line in own_imports(path)
        if parts[0] == "edges" and len(parts) > 1 and not may_import(path.stem, parts[1])
    ]

    assert wrong == []


def may_import(edge: str, other: str) -> bool:
    """Settings and the transport, with how much it may ask, are for all; the parts of the
    configuration for each other."""
    return (
        other in SHARED_EDGES
        or (edge.startswith("config") and other.startswith("config"))
        or (edge, other) in EDGE_TO_EDGE
    )


@every([path for path in MODULES if room_of(path) not in ("cli", "commands")])
def test_only_the_commands_print_and_exit(path: Path):
    room = room_of(path)
    if room in PRINTS:
        forbidden = {"print", "echo", "secho", "exit", "_exit", "quit"}
    else:
        forbidden = {"print", "echo", "secho", "exit", "_exit", "quit", "stdout", "stderr"}

    wrong = []
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Name) and node.id in {*forbidden, "SystemExit"}:
            wrong.append(f"line {node.lineno}: {node.id}")
        elif (
            isinstance(node, ast.Attribute)
            and isinstance(node.value, ast.Name)
            and node.value.id in {"sys", "os", "click"}
            and node.attr in forbidden
        ):
            wrong.append(f"line {node.lineno}: {node.value.id}.{node.attr}")

    assert wrong == []


@every(MODULES)
def test_a_module_can_be_read_in_one_sitting(path: Path):
    longest, _ = LONGER.get(name_of(path), (LONGEST, ""))

    assert len(path.read_text("utf-8").splitlines()) <= longest


@every(MODULES)
def test_no_bare_except(path: Path):
    wrong = [
        node.lineno
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.ExceptHandler) and node.type is None
    ]

    assert wrong == []


def test_what_one_yard_needs_imports_nothing_heavy():
    code = (
        "import sys, json\n"
        "import windowcast.cli, windowcast.answer, windowcast.edges.config\n"
        "import windowcast.notice.document, windowcast.notice.table\n"
        "print(json.dumps(sorted(sys.modules)))"
    )

    loaded = json.loads(python(code, cwd=REPOSITORY))

    assert [name for name in HEAVY if name in loaded] == []


def test_asking_for_one_yard_from_the_store_imports_nothing_heavy(tmp_path: Path):
    for name in ("windowcast.toml", "yards.toml", "treatments.toml"):
        shutil.copy(REPOSITORY / "config" / name, tmp_path / name)
    code = (
        "import sys, json\n"
        "from windowcast.cli import main\n"
        "main(['--config', sys.argv[1], 'yard', 'Creek Bend', '--json'], standalone_mode=False)\n"
        "print(json.dumps(sorted(sys.modules)), file=sys.stderr)"
    )
    home = {"HOME": str(tmp_path), "XDG_CACHE_HOME": str(tmp_path / "cache")}
    python(code, str(tmp_path), cwd=REPOSITORY, environment=home)

    asked = python(code, str(tmp_path), cwd=REPOSITORY, environment=home, stream="stderr")
    loaded = json.loads(asked)

    assert [name for name in HEAVY if name in loaded] == []


def python(
    code: str,
    *arguments: str,
    cwd: Path,
    environment: Mapping[str, str] = MappingProxyType({}),
    stream: str = "stdout",
) -> str:
    """What a fresh interpreter writes; not this one, which has long imported everything."""
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        capture_output=True,
        text=True,
        cwd=cwd,
        env={**os.environ, "PYTHONUTF8": "1", **environment},
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return str(getattr(done, stream))
