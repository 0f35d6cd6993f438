"""How long `windowcast yard` takes from a stored forecast, beside a bare interpreter's start.

    python tests/bench/query.py [--runs 21]

A shared machine drifts by a factor of two between minutes, so the starts alternate within one run
and the ratio of their medians is what counts. Compiled bytecode is kept in a folder of its own, so
that neither the caller's settings nor a first run decide the figure.
"""

from __future__ import annotations

import argparse
import os
import platform
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

GOAL = 12
YARD = "Creek Bend"
ROOT = Path(__file__).resolve().parents[2]


def main() -> None:
    parser = argparse.ArgumentParser(description="Time `windowcast yard` from a stored forecast.")
    parser.add_argument("--runs", type=int, default=21, help="rounds, at least 15 (default 21)")
    runs = max(15, parser.parse_args().runs)
    with tempfile.TemporaryDirectory() as folder:
        environment = environment_in(Path(folder))
        config = str(Path(folder) / "config")
        windowcast = [sys.executable, "-m", "windowcast"]
        start([*windowcast, "init", config, "--sample"], environment)
        start([*windowcast, "--config", config, "morning"], environment)
        yard = [*windowcast, "--config", config, "yard", YARD]
        commands = {
            "python -c pass": [sys.executable, "-c", "pass"],
            "yard --json": [*yard, "--json"],
            "yard (text)": yard,
        }
        print_times(commands, environment, runs)
        print_imports([*yard, "--json"], environment)


def environment_in(folder: Path) -> dict[str, str]:
    """This process's environment, with this checkout's windowcast and bytecode kept."""
    environment = dict(os.environ)
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    environment["PYTHONPATH"] = str(ROOT)
    environment["PYTHONPYCACHEPREFIX"] = str(folder / "bytecode")
    environment["PYTHONUTF8"] = "1"
    return environment


def start(command: list[str], environment: dict[str, str]) -> str:
    """Run a command to its end; its stderr. Stops the benchmark where the command fails."""
    done = subprocess.run(command, env=environment, capture_output=True, text=True)
    if done.returncode:
        sys.exit(f"{' '.join(command)} ended with status {done.returncode}:\n{done.stderr}")
    return done.stderr


def print_times(commands: dict[str, list[str]], environment: dict[str, str], runs: int) -> None:
    taken: dict[str, list[float]] = {name: [] for name in commands}
    for command in commands.values():
        start(command, environment)
    for _ in range(runs):
        for name, command in commands.items():
            before = time.perf_counter()
            start(command, environment)
            taken[name].append(time.perf_counter() - before)
    medians = {name: statistics.median(times) for name, times in taken.items()}
    bare = next(iter(medians.values()))
    print(f"Python {platform.python_version()}, {os.cpu_count()} cores, {runs} alternating rounds")
    print(f"{'':16}{'median ms':>10}{'fastest':>9}{'ratio':>8}   (goal: at most {GOAL})")
    for name, median in medians.items():
        verdict = (
            ""
            if name == "python -c pass"
            else "  ok"
            if median / bare <= GOAL
            else "  above the goal"
        )
        fastest = min(taken[name])
        print(f"{name:16}{median * 1000:10.1f}{fastest * 1000:9.1f}{median / bare:8.2f}{verdict}")


def print_imports(command: list[str], environment: dict[str, str]) -> None:
    """The ten most costly modules by their own time, and by the time with all they pull in."""
    timed = [command[0], "-X", "importtime", *command[1:]]
    rows = []
    for line in start(timed, environment).splitlines():
        parts = line.removeprefix("import time:").split("|")
        if len(parts) == 3 and parts[0].strip().isdigit():
            rows.append((int(parts[0]), int(parts[1]), parts[2].strip()))
    print(f"\nImports: {len(rows)} modules, {sum(row[0] for row in rows) / 1000:.1f} ms in all")
    for title, column in (("own time", 0), ("with what they import", 1)):
        print(f"  ms  ten most costly by {title}")
        for row in sorted(rows, key=lambda row: row[column], reverse=True)[:10]:
            print(f"{row[column] / 1000:5.1f} {row[2]}")


if __name__ == "__main__":
    main()
