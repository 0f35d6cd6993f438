"""Thirty days of the service in minutes: `python tests/bench/soak.py [DAYS]`.

Three yards in zones whose clocks change meanwhile, a tick each five minutes, and a fault in one of
five weather requests and one of five letters. Every due notice must arrive once; memory and files
must not grow beyond what is kept.
"""

from __future__ import annotations

import logging
import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

from support.soak import soak

SHARE = 0.2


def main() -> None:
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    logging.getLogger("windowcast").addHandler(logging.NullHandler())
    began = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        found = soak(Path(folder), days=days, share=SHARE)
    took = time.perf_counter() - began
    sent = sum(found.letters.values())
    print(f"{days} days in {took / 60:.1f} min")
    print(f"weather requests      {found.asked:8d}   met a fault {found.faults}")
    print(f"notices arrived       {sent:8d}   mail faults {found.refused}")
    due = {day for _, day in found.letters}
    print(f"yard mornings         {len(found.letters):8d}   on {len(due)} dates")
    print(f"notices that doubled  {sum(count > 1 for count in found.letters.values()):8d}")
    half = len(found.rss_mb) // 2
    print(f"memory, largest       {found.rss_mb[-1]:8.1f} MB, half-way {found.rss_mb[half]:.1f} MB")
    print(
        f"database              {found.file_kb[-1]:8.0f} kB, half-way {found.file_kb[half]:.0f} kB"
    )


if __name__ == "__main__":
    main()
