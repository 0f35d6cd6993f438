"""A promised start beside what the weather names; scenarios made by hand."""

from __future__ import annotations

from datetime import timedelta

import pytest

from support.weather import FORMIC_STRIPS, MONDAY, highs, scenarios, yard
from windowcast.crew.promised import PromisedStart, promised_row, promised_start, with_promised
from windowcast.notice.promised_lines import promised_document, promised_lines
from windowcast.window.decide import ForecastState, Rules, Status, YardAnswer, decide
from windowcast.window.scan import Words, scan

TWO, SWAP = (one.id for one in FORMIC_STRIPS.regimens[:2])
WARM = [[20.0] * 40] * 10
MIXED = [[20.0] * 40] * 7 + [[20.0] * 5 + [31.0] + [20.0] * 34] * 3
"""From the sixth day on too warm in three of ten: starts before have a chance of 70 %."""


def answer(courses, *, stale=False, **hive) -> YardAnswer:
    starts = scan(
        FORMIC_STRIPS,
        forecast=highs(*[20.0] * 3),
        words=Words(scenarios(courses)),
        today=MONDAY,
        first_start=MONDAY,
    )
    rules = Rules(min_chance=0.8, max_danger=0.5)
    place = yard(**hive)
    decided = decide(place, FORMIC_STRIPS, starts, rules=rules, today=MONDAY, stale=stale)
    state = ForecastState(
        source="open-meteo", fetched_at=None, run_at=None, age_hours=1.0, stale=stale,
        first_day=MONDAY, last_day=MONDAY + timedelta(days=39), scenarios=10,
        scenarios_last_day=MONDAY + timedelta(days=39), scenario_sources=("ensemble",),
        sources=("forecast", "ensemble"), missing=(), attribution="", how="",
    )  # fmt: skip
    return YardAnswer(yard=place, today=MONDAY, forecast=state, treatments=(decided,))


def promise(regimen=TWO, ahead=0, treatment=FORMIC_STRIPS.id) -> PromisedStart:
    return PromisedStart(MONDAY + timedelta(days=ahead), "North crew", treatment, regimen)


def said(promised, found, cancel_below=0.65) -> str:
    told = with_promised(found, promised, cancel_below)
    lines = promised_lines(promised, told, min_chance=0.8, cancel_below=cancel_below)
    return " ".join(" ".join(lines).split())


def test_a_promise_is_read_with_its_treatment_and_regimen():
    kept = {
        "needs": [
            {"key": "Creek Bend\ntreatment-1", "treatment": "test", "regimen": "two-strips",
             "stops": [["apply", str(MONDAY), "North crew"]]},
        ]
    }  # fmt: skip

    assert promised_start(kept, "Creek Bend", 0) == PromisedStart(
        MONDAY, "North crew", "test", "two-strips"
    )


@pytest.mark.parametrize(("cancel_below", "stands"), [(0.65, True), (0.7, True), (0.71, False)])
def test_a_promised_start_is_named_down_to_the_lower_chance(cancel_below, stands):
    found = answer(MIXED)
    assert found.main.named is None or found.main.named.day > MONDAY

    told = with_promised(found, promise(), cancel_below)

    named = told.main.named
    mine = named is not None and (named.day, named.start.regimen.id) == (MONDAY, TWO)
    assert mine is stands
    if stands:
        assert told.main.status is Status.OPEN
        assert told.main.visits[0].day == MONDAY
        assert "the promised start stands: likely to hold, 70 %" in said(
            promise(), found, cancel_below
        )
        assert "less than `min_chance`, 80 %" in said(promise(), found, cancel_below)
    else:
        assert told == found
        assert "stands" not in said(promise(), found, cancel_below)


def test_hives_that_are_not_ready_stay_so():
    told = with_promised(answer(MIXED, supers=5), promise(), 0.65)

    assert told.main.status is Status.BLOCKED
    assert told.main.named is not None and told.main.named.day == MONDAY


def test_on_its_day_the_regimen_that_was_promised_comes_first_and_says_what_else_would():
    found = answer(WARM)
    assert found.main.named is not None and found.main.named.start.regimen.id == TWO

    told = with_promised(found, promise(SWAP), 0.65)

    assert told.main.named is not None and told.main.named.start.regimen.id == SWAP
    assert [visit.strips_per_colony for visit in told.main.visits] == [1, 1, 1]
    assert said(promise(SWAP), found).startswith(
        "Promised Mon Aug 31, North crew, one strip, a fresh one on day 10; named first for that"
        " day is now: two strips at once; but what was promised holds as long as its own start"
    )
    assert said(promise(TWO), found) == ""


def test_an_earlier_start_stays_named_and_the_promise_says_how_it_stands():
    found = answer(WARM)

    told = with_promised(found, promise(SWAP, 2), 0.65)

    assert told == found
    text = said(promise(SWAP, 2), found)
    assert "Wed Sep 2, North crew, one strip, a fresh one on day 10; the first that is" in text
    assert "named now is Mon Aug 31, but what was promised holds" in text


def test_a_promise_of_a_day_that_has_passed_or_of_what_is_no_more_names_nothing():
    found = answer(WARM)

    for one in (promise(SWAP, -1), promise("no-more"), promise(treatment="gone"), None):
        assert promised_row(found, one, 0.65) is None
        assert with_promised(found, one, 0.65) == found
    assert "that day has passed and no start is entered" in said(promise(SWAP, -1), found)


def test_of_an_old_forecast_nothing_stands():
    found = answer(MIXED, stale=True)

    assert with_promised(found, promise(), 0.65).main.status is Status.UNKNOWN
    assert promised_row(found, promise(), 0.65) is None


@pytest.mark.parametrize(
    ("courses", "stale", "one", "stands", "chance"),
    [
        (WARM, False, promise(SWAP, 2), True, 1.0),
        (MIXED, False, promise(), True, 0.7),
        (MIXED, False, promise(SWAP, 2), True, 0.7),
        ([[35.0] * 40] * 10, False, promise(), False, 0.0),
        (WARM, False, promise(ahead=-1), False, None),
        (WARM, False, promise("no-more"), False, None),
        (WARM, False, promise(ahead=39), None, None),
        (WARM, True, promise(), None, 1.0),
    ],
)
def test_the_document_says_whether_a_promise_stands_or_cannot_be_told(
    courses, stale, one, stands, chance
):
    assert promised_document(one, answer(courses, stale=stale), 0.65) == {
        "date": str(one.day),
        "crew": "North crew",
        "treatment": FORMIC_STRIPS.id,
        "regimen": one.regimen,
        "stands": stands,
        "chance": chance,
    }


def test_without_a_promise_the_document_has_none():
    assert promised_document(None, answer(WARM), 0.65) is None
