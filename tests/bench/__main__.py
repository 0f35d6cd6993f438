"""All figures of how fast windowcast is, from one run: `python -m tests.bench`.

    python -m tests.bench [--quick] [--markdown]

Each part runs as a process of its own, one after another. Compare ratios: milliseconds differ from
machine to machine, and on a shared one from minute to minute.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from table import from_json, machine

PARTS = ("many", "scan", "query", "chance", "morning")


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description="Time windowcast.")
    parser.add_argument("--quick", action="store_true", help="smaller, in less than two minutes")
    parser.add_argument("--markdown", action="store_true", help="tables for the README")
    asked = parser.parse_args()
    began = time.perf_counter()
    print(f"{machine()}\n", flush=True)
    for part in PARTS:
        script = Path(__file__).with_name(f"{part}.py")
        command = [sys.executable, str(script), "--json", *(["--quick"] if asked.quick else [])]
        done = subprocess.run(command, stdout=subprocess.PIPE, text=True)
        if done.returncode:
            sys.exit(f"{part}.py ended with status {done.returncode}")
        for table in from_json(done.stdout):
            print(table.markdown() if asked.markdown else table.text(), end="\n\n", flush=True)
    print(f"{(time.perf_counter() - began) / 60:.1f} minutes, {time.strftime('%Y-%m-%d')}")


if __name__ == "__main__":
    main()
