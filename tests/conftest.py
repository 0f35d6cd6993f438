"""What all tests share: the folder beside the checkout, and no silent skips where it counts."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).resolve().parents[1]
ALLOWED_REASON = "../shared"
"""The one thing that a checkout may lack; a test skipped for it says so with these words."""

_skipped: list[str] = []


@pytest.fixture(scope="session")
def shared_folder() -> Path:
    """The folder of recorded replies and tables beside the checkout; skips where it is absent."""
    folder = REPOSITORY.parent / "shared"
    if not folder.is_dir():
        pytest.skip("../shared is absent")
    return folder


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
    if os.environ.get("WINDOWCAST_CI") and _skipped and session.exitstatus == pytest.ExitCode.OK:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if os.environ.get("WINDOWCAST_CI") and _skipped:
        terminalreporter.section("skipped, which fails the run (WINDOWCAST_CI)", red=True)
        for line in _skipped:
            terminalreporter.line(line)
