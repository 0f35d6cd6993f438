"""What all tests share: the folder beside the checkout, and no silent skips where it counts."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from support import chromium as browsers
from support.postgres import WANTED, PostgresServer, program

REPOSITORY = Path(__file__).resolve().parents[1]
ALLOWED_REASON = "../shared"
"""The one thing that a checkout may lack; a test skipped for it says so with these words."""

MEMORY = Path("/dev/shm")
PLENTY = 2**30
PLACE = "PYTEST_DEBUG_TEMPROOT"
"""Where pytest makes the folders that it gives to tests."""

_skipped: list[str] = []


def pytest_configure() -> None:
    """Keep the folders of tests in memory where there is plenty of it and nothing says otherwise.

    The store has the disk confirm each commit, and nearly all of the time a test that commits waits
    for that. A process that is killed loses nothing of what it had written either way.
    """
    if os.environ.keys() & {PLACE, "TMPDIR"} or not os.access(MEMORY, os.W_OK | os.X_OK):
        return
    if shutil.disk_usage(MEMORY).free >= PLENTY:
        os.environ[PLACE] = str(MEMORY)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Half the tests wait for a server, a lock or a process, so few cores take two runs each."""
    cores = os.cpu_count() or 1
    return max(cores, min(2 * cores, 8))


@pytest.fixture(scope="session")
def shared_folder() -> Path:
    """The folder of recorded replies and tables beside the checkout; skips where it is absent."""
    folder = REPOSITORY.parent / "shared"
    if not folder.is_dir():
        pytest.skip("../shared is absent")
    return folder


@pytest.fixture(scope="session")
def postgres() -> Iterator[PostgresServer]:
    """A PostgreSQL server on loopback; skips where none is installed."""
    if program("initdb") is None or program("postgres") is None:
        pytest.skip(WANTED)
    with PostgresServer() as server:
        yield server


@pytest.fixture(scope="module")
def chromium() -> Iterator[browsers.Chromium]:
    """A real browser; skips where none is installed.

    A module has its own, because a running one keeps an event loop in this thread.
    """
    if browsers.program() is None:
        pytest.skip(browsers.WANTED)
    with browsers.Chromium() as browser:
        yield browser


@pytest.fixture(params=["sqlite", "postgresql"])
def store_url(request: pytest.FixtureRequest) -> str:
    """The address of a new store, of each kind in turn."""
    if request.param == "sqlite":
        return "sqlite:///windowcast.db"
    return request.getfixturevalue("postgres").new_database()


def _note(report: pytest.TestReport | pytest.CollectReport) -> None:
    if not report.skipped or hasattr(report, "wasxfail"):
        return
    reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
    if ALLOWED_REASON not in reason:
        _skipped.append(f"{report.nodeid}: {reason}")


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    _note(report)


def pytest_collectreport(report: pytest.CollectReport) -> None:
    _note(report)


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """With WINDOWCAST_CI set, a test that is skipped is a test that failed."""
    if hasattr(session.config, "workerinput"):
        return  # one of several processes: the one that started them has every report, and judges
    if os.environ.get("WINDOWCAST_CI") and _skipped and session.exitstatus == pytest.ExitCode.OK:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if os.environ.get("WINDOWCAST_CI") and _skipped:
        terminalreporter.section("skipped, which fails the run (WINDOWCAST_CI)", red=True)
        for line in _skipped:
            terminalreporter.line(line)
