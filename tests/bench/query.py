"""How long `windowcast yard` takes from a stored forecast, beside a bare interpreter's start.

    python tests/bench/query.py [--runs 21] [--quick]

A shared machine drifts by a factor of two between minutes, so the starts alternate within one run
and the ratio of their medians is what counts. Compiled bytecode is kept in a folder of its own, so
that neither the caller's settings nor a first run decide the figure.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

GOAL = 12
YARD = "Creek Bend"
OFFICE, EXAMPLES = 5000, 4
"""Yards of an inspector's office; how many of them come with windowcast."""
ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(Path(__file__).parent))

from table import Table, figure, to_json


def main() -> None:
    parser = argparse.ArgumentParser(description="Time `windowcast yard` from a stored forecast.")
    parser.add_argument("--runs", type=int, default=21, help="rounds, at least 15 (default 21)")
    parser.add_argument("--quick", action="store_true", help="seven rounds")
    parser.add_argument("--json", action="store_true", help="for `python -m tests.bench`")
    asked = parser.parse_args()
    runs = 7 if asked.quick else max(15, asked.runs)
    with tempfile.TemporaryDirectory() as folder:
        environment = environment_in(Path(folder))
        config = str(Path(folder) / "config")
        windowcast = [sys.executable, "-m", "windowcast"]
        start([*windowcast, "init", config, "--sample"], environment)
        start([*windowcast, "--config", config, "morning"], environment)
        yard = [*windowcast, "--config", config, "yard", YARD]
        office = office_in(Path(folder), Path(config))
        commands = {
            "python -c pass": [sys.executable, "-c", "pass"],
            "windowcast yard NAME --json": [*yard, "--json"],
            "windowcast yard NAME": yard,
            f"the same, one of {OFFICE:,}": [*windowcast, "--config", office, "yard", YARD],
        }
        table = measured(commands, environment, runs)
        print(to_json([table]) if asked.json else table.text())
        if not asked.json:
            print_imports([*yard, "--json"], environment)


def office_in(folder: Path, config: Path) -> str:
    """The same configuration and store with very many yards more, all of them invented."""
    office = folder / "office"
    shutil.copytree(config, office)
    more = "".join(
        f'[[yard]]\nname = "Field {number}"\nlatitude = {35 + number / 1000}\n'
        f'longitude = -99.5\ntimezone = "America/Chicago"\ncolonies = 12\nsupers = 1\n'
        f'floor = "screened"\nrecipients = ["inspector{number // 250}@example.org"]\n\n'
        for number in range(OFFICE - EXAMPLES)
    )
    with (office / "yards.toml").open("a", encoding="utf-8") as yards:
        yards.write(more)
    return str(office)


def environment_in(folder: Path) -> dict[str, str]:
    """This process's environment, with this checkout's windowcast and bytecode kept."""
    environment = dict(os.environ)
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    environment["PYTHONPATH"] = str(ROOT)
    environment["PYTHONPYCACHEPREFIX"] = str(folder / "bytecode")
    environment["PYTHONUTF8"] = "1"
    environment["XDG_CACHE_HOME"] = str(folder / "cache")
    return environment


def start(command: list[str], environment: dict[str, str]) -> str:
    """Run a command to its end; its stderr. Stops the benchmark where the command fails."""
    done = subprocess.run(command, env=environment, capture_output=True, text=True)
    if done.returncode:
        sys.exit(f"{' '.join(command)} ended with status {done.returncode}:\n{done.stderr}")
    return done.stderr


def measured(commands: dict[str, list[str]], environment: dict[str, str], runs: int) -> Table:
    taken: dict[str, list[float]] = {name: [] for name in commands}
    peaks: dict[str, float] = {}
    for _ in range(runs + 1):
        for name, command in commands.items():
            before = time.perf_counter()
            peaks[name] = peak_mb(command, environment)
            taken[name].append(time.perf_counter() - before)
    # The first round wrote the bytecode.
    medians = {name: statistics.median(times[1:]) for name, times in taken.items()}
    bare = next(iter(medians.values()))
    table = Table(
        "One yard from a stored forecast, as a process",
        ["", "ms", "fastest", "/ bare start", "peak MB"],
        notes=[
            f"{runs} alternating rounds; the goal is at most {GOAL} bare starts. A peak below this"
            " benchmark's own cannot be told from it."
        ],
    )
    for name, median in medians.items():
        table.rows.append(
            [
                name,
                figure(median * 1e3),
                figure(min(taken[name][1:]) * 1e3),
                figure(median / bare),
                figure(peaks[name]),
            ]
        )
    return table


def peak_mb(command: list[str], environment: dict[str, str]) -> float:
    """Run a command to its end and give the most memory it held."""
    process = subprocess.Popen(
        command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        sys.exit(f"{' '.join(command)} ended with status {process.returncode}")
    # Linux counts in kB, macOS in bytes.
    return float(used.ru_maxrss) / (1e6 if sys.platform == "darwin" else 1e3)


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
