"""Status, earliest start, regimen and reason, from small skies."""

from __future__ import annotations

from datetime import timedelta

import pytest

from support.weather import (
    FORMIC_STRIPS,
    MONDAY,
    highs,
    regimen,
    scenarios,
    treatment,
    yard,
)
from windowcast.notice.reason import reason
from windowcast.trade.treatment import Treatment
from windowcast.window.decide import (
    Flaw,
    ForecastState,
    Rules,
    Status,
    decide,
)
from windowcast.window.scan import Words, scan

RULES = Rules(min_chance=0.8, max_danger=0.05)


def state(*, scenario_count=5, sources=("forecast", "ensemble"), stale=False, age_hours=1.0):
    return ForecastState(
        source="open-meteo",
        fetched_at=None,
        run_at=None,
        age_hours=age_hours,
        stale=stale,
        first_day=MONDAY,
        last_day=MONDAY + timedelta(days=14),
        scenarios=scenario_count,
        scenario_sources=("ensemble",),
        scenarios_last_day=MONDAY + timedelta(days=14) if scenario_count else None,
        sources=sources,
        missing=(),
        attribution="",
        how="",
    )


def answer(
    plan: Treatment,
    columns=None,
    *,
    forecast=None,
    stale=False,
    today=MONDAY,
    place=None,
    rules=RULES,
):
    starts = scan(
        plan,
        forecast=forecast,
        words=None if columns is None else Words(scenarios(columns)),
        today=today,
        first_start=today,
    )
    return decide(place or yard(), plan, starts, rules=rules, today=today, stale=stale)


def steady(high_c, days=20, count=5):
    return [[high_c] * days for _ in range(count)]


def test_cool_weather_opens_with_two_strips_at_once():
    found = answer(FORMIC_STRIPS, steady(20), forecast=highs(*[20] * 15))
    assert (found.status, found.named.day) == (Status.OPEN, MONDAY)
    assert found.named.start.regimen.id == "two-strips"
    assert [(visit.day - MONDAY).days for visit in found.visits] == [0, 14]
    assert [visit.strips for visit in found.visits] == [48, 48]


def test_warm_weather_opens_with_one_strip_and_a_swap():
    found = answer(FORMIC_STRIPS, steady(27), forecast=highs(*[27] * 15))
    assert (found.status, found.named.start.regimen.id) == (Status.OPEN, "one-strip-swap")
    assert [(visit.day - MONDAY).days for visit in found.visits] == [0, 10, 20]
    assert [visit.strips for visit in found.visits] == [24, 24, 24]
    text = reason(found, state(), "C")
    assert (
        "Two strips at once would fit the band, but the hottest day is likely to reach 27.0 °C"
        in text
    )
    assert "above the 25.0 °C that a double dose allows" in text


def test_hot_weather_opens_with_none():
    found = answer(FORMIC_STRIPS, steady(31), forecast=highs(*[31.2] * 15))
    assert (found.status, found.named, found.visits) == (Status.CLOSED, None, ())
    assert found.best.start.chance.value == 0.0
    text = reason(found, state(), "C")
    assert "Mon Aug 31 is forecast at 31.2 °C, 1.7 above the band." in text


def test_the_same_reason_in_fahrenheit():
    """31.2 °C is 88.2 °F; a difference of 1.7 K is 3.1 °F."""
    found = answer(FORMIC_STRIPS, steady(31), forecast=highs(*[31.2] * 15))
    assert "Mon Aug 31 is forecast at 88.2 °F, 3.1 above the band." in reason(found, state(), "F")


def test_a_limit_of_25_for_the_double_dose_is_inside():
    found = answer(FORMIC_STRIPS, steady(25.0))
    assert found.named.start.regimen.id == "two-strips"
    found = answer(FORMIC_STRIPS, steady(25.1))
    assert found.named.start.regimen.id == "one-strip-swap"


def test_later_names_the_first_day_that_is_likely_enough():
    columns = [[31, 31, *[20] * 18] for _ in range(5)]
    found = answer(FORMIC_STRIPS, columns)
    assert (found.status, found.named.day) == (Status.LATER, MONDAY + timedelta(days=2))


@pytest.mark.parametrize(
    ("holding", "status"),
    [
        pytest.param(8, Status.OPEN, id="8 of 10 is exactly 0.8, at the limit is enough"),
        pytest.param(7, Status.CLOSED, id="7 of 10 is too few"),
    ],
)
def test_the_chance_is_compared_unrounded_and_at_the_limit(holding, status):
    columns = [[20] * 14] * holding + [[31] * 14] * (10 - holding)
    found = answer(treatment(regimen(14)), columns)
    assert found.status is status


def test_a_chance_that_only_rounds_to_the_limit_is_not_enough():
    """7996 of 10000 prints as 0.8 and is below it."""
    columns = [[20]] * 7996 + [[31]] * 2004
    assert answer(treatment(regimen(1)), columns).status is Status.CLOSED


@pytest.mark.parametrize(
    ("dangerous", "safe"),
    [(1, True), (2, False)],
    ids=["1 of 20 is exactly 0.05", "2 of 20 is too many"],
)
def test_danger_keeps_a_start_from_being_named(dangerous, safe):
    columns = [[34, 20, 20]] * dangerous + [[20, 20, 20]] * (20 - dangerous)
    found = answer(treatment(regimen(3), danger_c="33"), columns)
    assert found.rows[0].safe is safe
    if not safe:
        assert found.rows[0].flaws == (Flaw.DANGER,)
        assert "in 2 of 20 scenarios a high above 33.0 °C comes within 3 days of a dose" in reason(
            found, state(), "C"
        )


def test_the_near_veto_overrules_the_scenarios():
    forecast = highs(20, 20, 20, 20, 20, 30, *[20] * 8)
    found = answer(treatment(regimen(14)), steady(20, 14), forecast=forecast)
    assert (found.status, found.rows[0].flaws) == (Status.CLOSED, (Flaw.VETO,))


def test_a_hot_forecast_day_beyond_six_days_does_not_overrule():
    forecast = highs(*[20] * 6, 30, *[20] * 7)
    found = answer(treatment(regimen(14)), steady(20, 14), forecast=forecast)
    assert (found.status, found.named.start.fit.fits) == (Status.OPEN, False)


def test_supers_block_and_the_reason_says_what_to_do_first():
    found = answer(FORMIC_STRIPS, steady(20), place=yard(supers=3))
    assert (found.status, found.named.day) == (Status.BLOCKED, MONDAY)
    assert reason(found, state(), "C").startswith(
        "First take off 1 of the 3 honey supers (at most 2 may be on); then a start on Mon Aug 31"
    )


def test_brood_blocks_what_works_only_in_broodless_colonies():
    plan = Treatment(
        id="trickle",
        active="oxalic acid",
        form="trickle",
        regimens=(regimen(1),),
        needs_broodless=True,
    )
    assert answer(plan, steady(20, 3), place=yard(brood=True)).status is Status.BLOCKED
    assert answer(plan, steady(20, 3), place=yard(brood=False)).status is Status.OPEN


def test_closed_weather_is_closed_whatever_the_hives():
    assert answer(FORMIC_STRIPS, steady(35), place=yard(supers=3)).status is Status.CLOSED


def test_no_weather_is_unknown():
    found = answer(FORMIC_STRIPS)
    assert (found.status, found.named, found.best) == (Status.UNKNOWN, None, None)


def test_a_stale_forecast_is_unknown_and_nothing_is_safe():
    found = answer(FORMIC_STRIPS, steady(20), stale=True)
    assert found.status is Status.UNKNOWN
    assert not any(row.safe for row in found.rows)
    assert "20 hours old" in reason(found, state(stale=True, age_hours=20), "C")


def test_too_short_a_forecast_is_unknown():
    found = answer(FORMIC_STRIPS, steady(20, days=13))
    assert found.status is Status.UNKNOWN
    assert "too short for an exposure of 14 days" in reason(found, state(), "C")


def test_a_single_forecast_must_cover_and_fit_every_day():
    found = answer(FORMIC_STRIPS, forecast=highs(*[20] * 14))
    assert (found.status, found.named.start.chance) == (Status.OPEN, None)
    text = reason(found, state(scenario_count=0, sources=("forecast",)), "C")
    assert "This rests on a single forecast, not on scenarios." in text
    found = answer(FORMIC_STRIPS, forecast=highs(*[20] * 13, 30))
    assert (found.status, found.rows[0].flaws) == (Status.CLOSED, (Flaw.FORECAST, Flaw.COOL_ONLY))
    assert "Sun Sep 13 is forecast at 30.0 °C, 0.5 above the band." in reason(
        found, state(scenario_count=0, sources=("forecast",)), "C"
    )


def test_a_single_forecast_above_the_danger_limit_is_refused_without_an_upper_bound():
    from windowcast.trade.treatment import Band

    plan = treatment(regimen(3, bounds=Band()), danger_c="33")
    found = answer(plan, forecast=highs(20, 34, 20))
    assert found.rows[0].flaws == (Flaw.DANGER,)


def test_best_is_the_nearest_where_nothing_is_safe():
    columns = [[31, 20, 20, 20], [31, 31, 20, 20], [31, 31, 31, 20], [31] * 4, [31] * 4]
    found = answer(treatment(regimen(1)), columns)
    assert (found.status, found.best.day) == (Status.CLOSED, MONDAY + timedelta(days=3))
    assert found.best.start.chance.value == 0.6


def test_best_prefers_the_earliest_on_a_tie():
    found = answer(treatment(regimen(1)), [[31, 20, 20], [31, 31, 31]])
    assert found.best.day == MONDAY + timedelta(days=1)


def test_the_reason_counts_scenarios_and_names_the_warmest_forecast_day():
    columns = [[20] * 14] * 47 + [[31] * 14, *[[5] * 14] * 3]
    forecast = highs(20, 20, 20, 20, 20, 20, 23.4, *[20] * 7)
    found = answer(treatment(regimen(14)), columns, forecast=forecast)
    assert reason(found, state(scenario_count=51), "C") == (
        "In 47 of 51 scenarios all 14 daily highs stay within 10.0–29.5 °C; warmest forecast day"
        " Sun Sep 6, 23.4 °C."
    )
