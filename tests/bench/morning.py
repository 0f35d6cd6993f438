"""The morning of many yards against a weather server on loopback, as one process.

    python tests/bench/morning.py [--quick]

The server answers at once, or after 50 ms, which is about what a far one takes. It is a process of
its own on the same machine, so that with two cores both have one. Each 250 yards have an inspector,
who gets one letter. Chances are not corrected here; what that takes is measured apart. All weather
is invented.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(Path(__file__).parent), str(ROOT / "tests"), str(ROOT)]

from table import Table, figure, to_json

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.mailbox import Mailbox
from support.quick_server import quick_place, quick_server

FAR_MS = 50
INSPECTED = 250
TIMED = """
import json, sys, time
from windowcast import cli, fetching

real, spent = fetching.fetch, 0.0

def fetch(*all_, **named):
    global spent
    before = time.perf_counter()
    try:
        return real(*all_, **named)
    finally:
        spent += time.perf_counter() - before

fetching.fetch = fetch
status = cli.main(sys.argv[2:], standalone_mode=False)
with open(sys.argv[1], "w") as file:
    json.dump({"fetch": spent}, file)
sys.exit(status)
"""


def morning(yards: int, latency_ms: int) -> dict[str, Any]:
    """One morning in a folder of its own: seconds, processor seconds, and the most memory."""
    with tempfile.TemporaryDirectory() as name:
        journey = Journey(Path(name), morning_zone())
        journey.write("treatments.toml", TREATMENTS)
        tables = (
            yard_table(
                f"Yard {number}",
                *quick_place(number),
                journey.zone,
                extra=f'recipients = ["inspector{number // INSPECTED}@example.org"]',
            )
            for number in range(yards)
        )
        journey.write("yards.toml", "".join(tables))
        with quick_server(journey.zone, latency_ms=latency_ms) as server, Mailbox() as box:
            journey.write(
                "windowcast.toml",
                settings(
                    forecast=server.url("forecast"),
                    ensemble=server.url("ensemble"),
                    seasonal=server.url("seasonal"),
                    mail_port=box.port,
                    recipients="[]",
                ),
            )
            found = Path(name) / "found.json"
            asked = ["--config", name, "morning"]
            before = time.perf_counter()
            process = subprocess.Popen(
                [sys.executable, "-c", TIMED, str(found), *asked],
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                text=True,
                env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path), "PYTHONUTF8": "1"},
            )
            assert process.stderr is not None
            said = process.stderr.read()
            _, status, used = os.wait4(process.pid, 0)
            process.returncode = os.waitstatus_to_exitcode(status)
            wall = time.perf_counter() - before
            if process.returncode or not found.exists():
                sys.exit(f"the morning of {yards} yards failed:\n{said}")
            if len(box.letters) != -(-yards // INSPECTED):
                sys.exit(f"{len(box.letters)} letters came for {yards} yards")
            # Linux counts in kB, macOS in bytes.
            unit = 1e6 if sys.platform == "darwin" else 1e3
            return {
                "wall": wall,
                "cpu": used.ru_utime + used.ru_stime,
                "mb": used.ru_maxrss / unit,
                "fetch": json.loads(found.read_text("utf-8"))["fetch"],
            }


def measured(sizes: tuple[int, ...]) -> Table:
    table = Table(
        "The morning against a server on loopback",
        ["yards, answer after", "seconds", "ms a yard", "CPU ms a yard", "replies", "peak MB"],
        notes=[
            "replies: the share of the time spent waiting for replies of the server, reading and"
            " keeping them. CPU is that of windowcast alone."
        ],
    )
    for yards in sizes:
        for latency_ms in (0, FAR_MS):
            found = morning(yards, latency_ms)
            table.rows.append(
                [
                    f"{yards:,}, {latency_ms} ms",
                    figure(found["wall"]),
                    figure(found["wall"] / yards * 1e3),
                    figure(found["cpu"] / yards * 1e3),
                    f"{found['fetch'] / found['wall']:.0%}",
                    figure(found["mb"]),
                ]
            )
    return table


def main() -> None:
    parser = argparse.ArgumentParser(description="Time the morning of many yards.")
    parser.add_argument("--quick", action="store_true", help="100 yards only")
    parser.add_argument("--json", action="store_true", help="for `python -m tests.bench`")
    asked = parser.parse_args()
    table = measured((100,) if asked.quick else (1000, 10_000))
    print(to_json([table]) if asked.json else table.text())


if __name__ == "__main__":
    main()
