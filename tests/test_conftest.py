"""No silent skips where it counts, in one process and in several: pytest over a small tree."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
FAILS_THE_RUN = "skipped, which fails the run (WINDOWCAST_CI)"
ABSENT = "../shared is absent"
LACKS = "no such program here"
FINE = {
    "test_passes.py": "def test_that_passes(): pass\n",
    "test_absent.py": f"import pytest\ndef test_that_skips(): pytest.skip('{ABSENT}')\n",
    "test_expected.py": "import pytest\n@pytest.mark.xfail\ndef test_that_fails(): assert False\n",
}
LACKING = {
    **FINE,
    "test_skips.py": f"import pytest\ndef test_that_skips(): pytest.skip('{LACKS}')\n",
    "test_file.py": f"import pytest\npytest.skip('{LACKS}', allow_module_level=True)\n",
}


@pytest.mark.parametrize("processes", [0, 2], ids=["one process", "two processes"])
def test_what_is_skipped_fails_the_run_in_ci_and_nowhere_else(tmp_path, processes):
    for name, text in LACKING.items():
        (tmp_path / name).write_text(text)
    judged = run(tmp_path, processes, ci=True)
    assert judged.returncode == pytest.ExitCode.TESTS_FAILED, judged.stdout + judged.stderr
    told = judged.stdout.partition(FAILS_THE_RUN)[2].splitlines()
    lines = [line for line in told if line.startswith("test_") and line.endswith(LACKS)]
    # Each once, however many processes came across it.
    assert sorted(line.partition(":")[0] for line in lines) == ["test_file.py", "test_skips.py"]
    assert ABSENT not in "".join(told)

    free = run(tmp_path, processes, ci=False)
    assert free.returncode == pytest.ExitCode.OK, free.stdout + free.stderr
    assert FAILS_THE_RUN not in free.stdout
    assert "1 passed, 3 skipped, 1 xfailed" in free.stdout


@pytest.mark.parametrize("processes", [0, 2], ids=["one process", "two processes"])
def test_without_the_folder_and_with_an_expected_failure_it_passes_in_ci(tmp_path, processes):
    for name, text in FINE.items():
        (tmp_path / name).write_text(text)
    done = run(tmp_path, processes, ci=True)
    assert done.returncode == pytest.ExitCode.OK, done.stdout + done.stderr
    assert FAILS_THE_RUN not in done.stdout
    assert "1 passed, 1 skipped, 1 xfailed" in done.stdout


def run(folder: Path, processes: int, *, ci: bool) -> subprocess.CompletedProcess[str]:
    (folder / "pytest.ini").write_text("[pytest]\n")
    (folder / "conftest.py").write_text((TESTS / "conftest.py").read_text("utf-8"), "utf-8")
    # What this pytest was told, and tells its own processes, is not meant for that one.
    environ = {
        name: value
        for name, value in os.environ.items()
        if not name.startswith(("PYTEST", "COV_")) and name != "WINDOWCAST_CI"
    }
    environ |= {"PYTHONPATH": f"{TESTS}{os.pathsep}{TESTS.parent}"}
    environ |= {"PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "xdist", "-n", str(processes), str(folder)],
        capture_output=True,
        text=True,
        cwd=folder,
        env=environ | {"WINDOWCAST_CI": "1"} if ci else environ,
        timeout=120,
        check=False,
    )
