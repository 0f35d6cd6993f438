"""The morning of many yards against a weather server on loopback, as one process.

    python tests/bench/morning.py [--quick]

The server answers at once, after 50 ms, which is about what a far one takes, or after half a
second, as one that is busy may. It is a process of its own on the same machine, so that with two
cores both have one. Each 250 yards have an inspector, who gets one letter. Chances are not
corrected here; what that takes is measured apart. All weather is invented.

A second table says into what the processor's time goes: every few milliseconds of it a signal looks
which part of windowcast is at work.
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

FAR_MS, SLOW_MS = 50, 500
PROFILED = 1000
INSPECTED = 250
PARTS = {
    "asking, answers to arrays": (
        "fetching.py", "cells.py", "edges/http.py", "edges/allowance.py", "edges/openmeteo",
    ),
    "the database": ("edges/store",),
    "highs of all sources joined": ("sky/", "answer.py", "answers.py"),
    "windows: scan and decision": ("window/",),
    "season, visits, what stands": ("trade/", "standing.py", "entering.py"),
    "letters and their calendars": (
        "letters.py", "visiting.py", "notice/letter.py", "notice/calendar.py", "edges/mail",
    ),
    "words and records": ("notice/", "news.py", "telling.py", "language.py"),
    "start, configuration": ("edges/config", "edges/settings.py", "cli.py"),
}  # fmt: skip
"""Which files of windowcast are which part; the innermost one that is at work counts."""
TIMED = """
import json, signal, sys, time
from collections import Counter

parts, at_work = json.loads(sys.argv[2]), Counter()

def look(signal, frame):
    while frame is not None:
        _, _, file = frame.f_code.co_filename.replace("\\\\", "/").rpartition("/windowcast/")
        for part, files in parts.items():
            if file.startswith(tuple(files)):
                at_work[part] += 1
                return
        frame = frame.f_back
    at_work["all else"] += 1

if parts:
    signal.signal(signal.SIGPROF, look)
    signal.setitimer(signal.ITIMER_PROF, 0.002, 0.002)
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
status = cli.main(sys.argv[3:], standalone_mode=False)
if parts:
    signal.setitimer(signal.ITIMER_PROF, 0)
with open(sys.argv[1], "w") as file:
    json.dump({"fetch": spent, "at_work": at_work}, file)
sys.exit(status)
"""


def morning(yards: int, latency_ms: int, *, profiled: bool = False) -> dict[str, Any]:
    """One morning in a folder of its own: seconds, processor seconds, and the most memory; and how
    often which part was seen at work."""
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
            parts = PARTS if profiled else {}
            asked = ["--config", name, "morning"]
            before = time.perf_counter()
            process = subprocess.Popen(
                [sys.executable, "-c", TIMED, str(found), json.dumps(parts), *asked],
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
                **json.loads(found.read_text("utf-8")),
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
        for latency_ms in (0, FAR_MS, *((SLOW_MS,) if yards <= PROFILED else ())):
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


def profile(yards: int) -> Table:
    found = morning(yards, 0, profiled=True)
    looks = sum(found["at_work"].values())
    table = Table(
        f"What the processor does in a morning of {yards:,} yards",
        ["", "ms a yard", "share"],
        notes=[f"{looks:,} looks; what the start takes is shared by the yards."],
    )
    for part in (*PARTS, "all else"):
        share = found["at_work"].get(part, 0) / looks
        table.rows.append([part, figure(share * found["cpu"] / yards * 1e3), f"{share:.0%}"])
    table.rows.append(["in all", figure(found["cpu"] / yards * 1e3), "100%"])
    return table


def main() -> None:
    parser = argparse.ArgumentParser(description="Time the morning of many yards.")
    parser.add_argument("--quick", action="store_true", help="100 yards only")
    parser.add_argument("--json", action="store_true", help="for `python -m tests.bench`")
    asked = parser.parse_args()
    tables = [
        measured((100,) if asked.quick else (1000, 10_000)),
        profile(100 if asked.quick else PROFILED),
    ]
    print(to_json(tables) if asked.json else "\n\n".join(table.text() for table in tables))


if __name__ == "__main__":
    main()
