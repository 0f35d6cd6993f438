"""How good and how quick the crew's plan is, on generated yards.

    python tests/bench/crew.py [--instances 20]

Invented yards in nests around a base, crews of two on weekdays, eight hours, 30 days. For each
instance: seconds for the choice of days alone, for the bound alone and for the whole plan, on the
wall, and what this process was busy; "gap", how far the driven plan may be from the best that could
be driven, "choice gap", how near the choice of days, driving estimated, is to its own bound; what
the plan expects beside the rule "most urgent first" on the same roads; the share of the hours that
is driving.
"""

from __future__ import annotations

import argparse
import os
import platform
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

import scipy.optimize

from support.crew_instances import expected, instance
from windowcast.crew import bound, greedy, model, planner
from windowcast.crew.instance import driving, faults, working

SIZES = ((60, 1.0), (300, 5.0), (1000, 60.0))
"""Yards, and the seconds that they should take at most."""
CREWS = {60: (2, 3, 4), 300: (4, 6, 8), 1000: (8, 10)}


class Row(NamedTuple):
    """One instance."""

    yards: int
    crews: int
    seed: int
    choice_s: float
    bound_s: float
    seconds: float
    busy_s: float
    gap: float
    choice_gap: float
    ours: float
    rule: float
    drives: float
    placed: int


HEAD = ("yards", "crews", "seed", "choice s", "bound s", "plan s", "busy s", "gap %", "choice %",
        "placed", "expects", "rule", "more %", "drive %")  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure the crew's plan.")
    parser.add_argument("--instances", type=int, default=20, help="in all (default 20)")
    given = max(3, parser.parse_args().instances)
    print(
        f"Python {platform.python_version()}, scipy {scipy.__version__}, {os.cpu_count()} cores,"
        f" load {os.getloadavg()[0]:.1f}"
    )
    print("".join(f"{name:>9}" for name in HEAD))
    large, middle = max(1, given // 10), max(1, 3 * given // 10)
    sizes = [SIZES[0]] * (given - large - middle) + [SIZES[1]] * middle + [SIZES[2]] * large
    rows = []
    for seed, (yards, limit_s) in enumerate(sizes):
        rows.append(measured(yards, CREWS[yards][seed % len(CREWS[yards])], seed, limit_s))
    for yards, limit_s in SIZES:
        mine = [one for one in rows if one.yards == yards]
        more = 100 * statistics.median(one.ours / one.rule - 1 for one in mine)
        print(
            f"{yards} yards: gap {100 * min(one.gap for one in mine):.2f} to"
            f" {100 * max(one.gap for one in mine):.2f} %, of the choice at most"
            f" {100 * max(one.choice_gap for one in mine):.2f} %, choice at most"
            f" {max(one.choice_s for one in mine):.2f} s, plan at most"
            f" {max(one.seconds for one in mine):.2f} s ({limit_s:g} s wanted), expects"
            f" {more:.0f} % more than the rule"
        )
    beaten = sum(one.ours > one.rule for one in rows)
    print(f"more expected than by the rule on {beaten} of {len(rows)} instances")


def watched(function: Callable[..., Any], times: list[float]) -> Callable[..., Any]:
    """The same function, which also tells its seconds."""

    def made(*arguments: object, **others: object) -> object:
        began = time.monotonic()
        found = function(*arguments, **others)
        times.append(time.monotonic() - began)
        return found

    return made


def measured(yards: int, crews: int, seed: int, limit_s: float) -> Row:
    task = instance(seed, yards=yards, crews=crews)
    rule = greedy.most_urgent_first(task)
    choice_s: list[float] = []
    bound_s: list[float] = []
    solve, upper = model.solve, bound.upper
    model.solve = watched(solve, choice_s)
    bound.upper = watched(upper, bound_s)
    began, busy = time.monotonic(), time.process_time()
    try:
        plan = planner.make(task, left_s=lambda: limit_s - (time.monotonic() - began))
    finally:
        model.solve, bound.upper = solve, upper
    seconds, busy = time.monotonic() - began, time.process_time() - busy
    wrong = faults(task, plan)
    if wrong:
        sys.exit(f"seed {seed}: {wrong[0]}")
    drive = sum(driving(task, crew, route) for (crew, _), route in plan.routes.items())
    work = sum(working(task, plan.chosen, crew, route) for (crew, _), route in plan.routes.items())
    found = Row(
        yards, crews, seed, sum(choice_s), sum(bound_s), seconds, busy,
        *(float("nan") if one is None else one for one in (plan.gap, plan.choice)),
        expected(task, plan.chosen), expected(task, rule.chosen), drive / (drive + work),
        len(plan.chosen),
    )  # fmt: skip
    cells = (
        yards, crews, seed, f"{found.choice_s:.2f}", f"{found.bound_s:.2f}", f"{seconds:.2f}",
        f"{busy:.2f}", f"{100 * found.gap:.2f}", f"{100 * found.choice_gap:.2f}", found.placed,
        f"{found.ours:.1f}", f"{found.rule:.1f}", f"{100 * (found.ours / found.rule - 1):.1f}",
        f"{100 * found.drives:.0f}",
    )  # fmt: skip
    print("".join(f"{cell:>9}" for cell in cells), flush=True)
    return found


if __name__ == "__main__":
    main()
