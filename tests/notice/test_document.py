"""An answer as it is kept: the same as is shown, with the names of the columns once."""

from __future__ import annotations

import json

import orjson

from support.weather import FORMIC_STRIPS, MONDAY, highs, scenarios, yard
from windowcast.notice import document
from windowcast.window.decide import ForecastState, Rules, YardAnswer, decide
from windowcast.window.scan import Words, scan


def answer() -> YardAnswer:
    courses = [[18.0 + number % 15] * 40 for number in range(51)]
    rows = scan(
        FORMIC_STRIPS,
        forecast=highs(*courses[0][:15]),
        words=Words(scenarios(courses)),
        today=MONDAY,
        first_start=MONDAY,
    )
    rules = Rules(min_chance=0.8, max_danger=0.05)
    decided = decide(yard(), FORMIC_STRIPS, rows, rules=rules, today=MONDAY, stale=False)
    state = ForecastState(
        source="open-meteo", fetched_at=None, run_at=None, age_hours=1.0, stale=False,
        first_day=MONDAY, last_day=MONDAY, scenarios=51, scenarios_last_day=MONDAY,
        scenario_sources=("ensemble",), sources=("forecast", "ensemble"), missing=(),
        attribution="", how="",
    )  # fmt: skip
    return YardAnswer(yard=yard(), today=MONDAY, forecast=state, treatments=(decided,))


def test_what_is_kept_gives_the_starts_that_are_shown_again():
    shown = document.document(answer(), "C")
    kept = json.loads(orjson.dumps(document.kept(answer(), "C")))

    (mine,), (theirs,) = kept["treatments"], shown["treatments"]
    assert len(theirs["starts"]) > 40
    assert document.starts(mine) == json.loads(json.dumps(theirs["starts"]))
    assert mine | {"starts": None} == json.loads(json.dumps(theirs)) | {"starts": None}
    assert {**kept, "treatments": None} == {**json.loads(json.dumps(shown)), "treatments": None}
    assert len(orjson.dumps(kept)) < 0.5 * len(orjson.dumps(shown))


def test_what_an_earlier_version_kept_is_read_as_it_is():
    shown = document.document(answer(), "C")["treatments"][0]

    assert document.starts(shown) == shown["starts"]
