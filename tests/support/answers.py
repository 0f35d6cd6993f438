"""A yard's answer from courses of highs, judged as a morning judges them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from support.weather import MONDAY, highs, scenarios, yard
from windowcast.trade.treatment import Treatment
from windowcast.window.decide import ForecastState, Rules, YardAnswer, decide
from windowcast.window.scan import Words, scan


def answer_from(given: Treatment, courses: Sequence[Sequence[float]]) -> YardAnswer:
    """On MONDAY, from one scenario a course, all as long; the single forecast is the first 15 days
    of the first."""
    starts = scan(
        given,
        forecast=highs(*courses[0][:15]),
        words=Words(scenarios(courses)),
        today=MONDAY,
        first_start=MONDAY,
    )
    rules = Rules(min_chance=0.8, max_danger=0.05)
    decided = decide(yard(), given, starts, rules=rules, today=MONDAY, stale=False)
    last = MONDAY + timedelta(days=len(courses[0]) - 1)
    state = ForecastState(
        source="open-meteo", fetched_at=None, run_at=None, age_hours=1.0, stale=False,
        first_day=MONDAY, last_day=last, scenarios=len(courses), scenarios_last_day=last,
        scenario_sources=("ensemble",), sources=("forecast", "ensemble"), missing=(),
        attribution="", how="",
    )  # fmt: skip
    return YardAnswer(yard=yard(), today=MONDAY, forecast=state, treatments=(decided,))
