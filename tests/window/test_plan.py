"""Due dates and windows laid over each other, and what else there is, from small skies."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from support.weather import FORMIC_STRIPS, MONDAY, TWO_STRIPS, highs, regimen, scenarios, yard
from windowcast.trade.course import courses, snapshot
from windowcast.trade.due import State, due
from windowcast.trade.hive import Obstacle
from windowcast.trade.journal import Entry
from windowcast.trade.mites import Round, growth, passing
from windowcast.trade.rules import SeasonRules
from windowcast.trade.treatment import Band, Dose, Treatment
from windowcast.window.decide import Rules, decide
from windowcast.window.plan import timing
from windowcast.window.scan import Words, scan

RULES = Rules(min_chance=0.8, max_danger=0.05)
OPEN_BAND = Band()
AMITRAZ = Treatment(
    id="amitraz-strips",
    active="amitraz",
    form="plastic strip",
    regimens=(regimen(21, id="three-weeks", bounds=OPEN_BAND),),
    max_supers=0,
    honey_days=3,
    supers_after_days=14,
    efficacy_percent=(75, 95),
)
TRICKLE = Treatment(
    id="oxalic-trickle",
    active="oxalic acid",
    form="trickle",
    regimens=(regimen(1, id="once", doses=[Dose(day=0, ml_per_seam=5.0)], bounds=OPEN_BAND),),
    max_supers=0,
    needs_broodless=True,
    efficacy_percent=(95, 99),
    efficacy_with_brood_percent=(39, 60),
)
TWO_ONLY = FORMIC_STRIPS._replace(regimens=(TWO_STRIPS,))


def sky(*days_c, count=5):
    return [list(days_c) for _ in range(count)]


def answer(plan, columns, *, place=None, stale=False):
    words = None if columns is None else Words(scenarios(columns))
    forecast = None if columns is None else highs(*columns[0])
    starts = scan(plan, forecast=forecast, words=words, today=MONDAY, first_start=MONDAY)
    return decide(place or yard(), plan, starts, rules=RULES, today=MONDAY, stale=stale)


def stands(end_by, *, rounds=(), entries=(), exposure_days=14):
    """A yard on Monday, August 31, that is to be through by `end_by`."""
    rules = SeasonRules(winter_bees=(end_by.month, end_by.day))
    rate = ahead = None
    if rounds:
        rate = growth(rounds, rules, treated=(), south=False)
        ahead = passing(rounds[-1], rate, rules, south=False)
    return due(
        45.0,
        MONDAY,
        rules,
        exposure_days=exposure_days,
        rounds=rounds,
        growth=rate,
        passing=ahead,
        courses=courses(entries),
    )


def look(found, *answers, entries=(), broodless=False):
    return timing(found, answers, courses=courses(entries), today=MONDAY, broodless=broodless)


def begun(what, way, day=date(2026, 4, 1)):
    body = {
        "treatment": what.id,
        "regimen": way.id,
        "colonies": 24,
        "snapshot": snapshot(what, way),
    }
    return Entry(1, "Creek Bend", "start", day, datetime(2026, 4, 1, tzinfo=UTC), body)


def ahead(days):
    return MONDAY + timedelta(days=days)


# The days to start


def test_due_by_a_day_and_open_from_a_day_is_a_run_of_days_to_start():
    """Heat on the first three days, 20 degrees then: two strips fit from the fourth day on, and to
    be out on day 20 they go in on day 6 at the latest."""
    found = look(stands(ahead(20)), answer(TWO_ONLY, sky(31, 31, 31, *[20] * 25)))

    assert (found.span.first, found.span.last) == (ahead(3), ahead(6))
    assert found.span.regimen.id == "two-strips"
    assert (found.late, found.unseen) == (None, False)


def test_the_run_ends_where_the_weather_does():
    columns = sky(*[20] * 17, *[31] * 10)

    found = look(stands(ahead(25)), answer(TWO_ONLY, columns))

    assert (found.span.first, found.span.last) == (ahead(0), ahead(3))


def test_the_run_has_no_gap():
    """A hot day on day 15 closes the starts of days 2 to 15; day 16 is open again."""
    columns = sky(*[20] * 15, 31, *[20] * 25)

    found = look(stands(ahead(40)), answer(TWO_ONLY, columns))

    assert (found.span.first, found.span.last) == (ahead(0), ahead(1))


def test_each_regimen_is_held_against_its_own_exposure():
    """27 degrees, too warm for two strips: one and a swap takes 20 days, and is out in time from
    day 5 at the latest, though 14 days would be from day 11."""
    found = look(stands(ahead(25)), answer(FORMIC_STRIPS, sky(*[27] * 40)))

    assert found.span.regimen.id == "one-strip-swap"
    assert (found.span.first, found.span.last) == (ahead(0), ahead(5))


def test_open_too_late_is_said_as_late():
    found = look(stands(ahead(20)), answer(TWO_ONLY, sky(*[31] * 10, *[20] * 20)))

    assert found.span is None
    assert (found.late.first, found.late.last) == (ahead(10), ahead(16))


def test_beyond_the_forecast_nobody_knows():
    """To start by day 26, judged up to day 6."""
    found = look(stands(ahead(40)), answer(TWO_ONLY, sky(*[31] * 20)))

    assert (found.span, found.late) == (None, None)
    assert (found.looked_until, found.unseen) == (ahead(6), True)


def test_where_all_days_were_looked_at_it_is_a_verdict():
    found = look(stands(ahead(20)), answer(TWO_ONLY, sky(*[31] * 20)))

    assert (found.span, found.looked_until, found.unseen) == (None, ahead(6), False)


def test_a_stale_forecast_names_nothing():
    found = look(stands(ahead(20)), answer(TWO_ONLY, sky(*[20] * 20), stale=True))

    assert (found.span, found.late) == (None, None)


def test_overdue_the_first_start_is_what_there_is():
    overdue = stands(ahead(10))

    found = look(overdue, answer(TWO_ONLY, sky(31, *[20] * 20)))

    assert overdue.state is State.OVERDUE
    assert (found.span.first, found.span.last) == (ahead(1), ahead(7))


def test_due_now_by_counts_the_first_start_is_what_there_is():
    now = stands(ahead(30), rounds=[Round(MONDAY, MONDAY, 5.0, 4.0, 6.0, 8, 2400, 120, None)])

    found = look(now, answer(TWO_ONLY, sky(31, *[20] * 20)))

    assert now.state is State.NOW
    assert found.span.first == ahead(1)


def test_counts_end_the_run_before_the_season_does():
    """1.95 per 100 on August 31 is 3, September's threshold, after ln(3/1.95)/0.021 = 20.5 days;
    by season it would be day 26."""
    soon = stands(ahead(40), rounds=[Round(MONDAY, MONDAY, 1.95, 1.9, 2.0, 8, 2400, 47, None)])
    found = look(soon, answer(TWO_ONLY, sky(*[20] * 40)))

    assert soon.state is State.COMING
    assert found.span.last == soon.by == ahead(21)


def test_open_after_the_day_of_the_counts_is_late_too():
    soon = stands(ahead(40), rounds=[Round(MONDAY, MONDAY, 1.95, 1.9, 2.0, 8, 2400, 47, None)])

    found = look(soon, answer(TWO_ONLY, sky(*[31] * 23, *[20] * 17)))

    assert (found.span, found.late.first) == (None, ahead(23))


def test_nothing_due_nothing_to_plan():
    done = stands(ahead(20), entries=[begun(TWO_ONLY, TWO_STRIPS, MONDAY - timedelta(days=20))])

    found = look(done, answer(TWO_ONLY, sky(*[20] * 20)))

    assert done.state is State.DONE
    assert (found.span, found.options) == (None, ())


@given(
    weather=st.lists(st.sampled_from([20, 27, 31]), min_size=22, max_size=40),
    end=st.integers(14, 45),
)
def test_every_day_of_the_run_is_named_and_ends_in_time(weather, end):
    found = stands(ahead(end))
    one = answer(FORMIC_STRIPS, sky(*weather))
    span = look(found, one).span
    good = {
        row.day
        for row in one.rows
        if row.safe and row.day + timedelta(days=row.start.regimen.exposure_days) <= ahead(end)
    }

    if span is None:
        assert good == set()
    else:
        assert span.first == min(good)
        days = {span.first + timedelta(days=n) for n in range((span.last - span.first).days + 1)}
        assert days <= good
        assert span.last + timedelta(days=1) not in good


# What else there is


def option(found, plan):
    return next(one for one in found.options if one.treatment == plan)


def test_the_options_keep_the_users_order_and_say_what_each_costs():
    hot = sky(*[31] * 45)
    found = look(
        stands(ahead(40)),
        *(answer(plan, hot, place=yard(supers=2)) for plan in (TWO_ONLY, AMITRAZ, TRICKLE)),
    )

    assert [one.treatment.id for one in found.options] == [
        "test", "amitraz-strips", "oxalic-trickle",
    ]  # fmt: skip
    amitraz = option(found, AMITRAZ)
    assert amitraz.needs == (Obstacle.SUPERS,)
    assert (amitraz.ready, amitraz.row.day, amitraz.in_time) == (MONDAY, MONDAY, True)
    assert (amitraz.visits, amitraz.efficacy_as_it_stands) == (2, (75, 95))
    assert option(found, TWO_ONLY).row is None


def test_an_option_is_given_in_the_regimen_that_is_in_time():
    """Both fit the weather on the first day, the first of the file takes 20 days, 15 are left."""
    swap_first = FORMIC_STRIPS._replace(regimens=FORMIC_STRIPS.regimens[::-1])

    found = look(stands(ahead(15)), answer(swap_first, sky(*[20] * 30)))

    (one,) = found.options
    assert (one.row.start.regimen.id, one.in_time, one.visits) == ("two-strips", True, 2)


def test_a_brood_break_takes_until_the_drones_are_out():
    """With the queen caged 24 to 25 days no capped brood is left; with brood the trickle killed 39
    to 52 %, without 99 %: Gregorc & Planinc 2001, Apidologie 32:333-340."""
    hot = sky(*[31] * 45)
    found = look(stands(ahead(40)), answer(TWO_ONLY, hot), answer(TRICKLE, hot))

    trickle = option(found, TRICKLE)
    assert trickle.needs == (Obstacle.BROOD,)
    assert trickle.ready == trickle.row.day == ahead(24)
    assert trickle.in_time
    assert trickle.visits == 1
    with_brood, without = trickle.efficacy_as_it_stands, trickle.efficacy_percent
    assert with_brood[1] < without[0]
    late = look(stands(ahead(24)), answer(TWO_ONLY, hot), answer(TRICKLE, hot))
    assert not option(late, TRICKLE).in_time


def test_colonies_seen_broodless_need_no_break():
    hot = sky(*[31] * 45)
    found = look(stands(ahead(40)), answer(TWO_ONLY, hot), answer(TRICKLE, hot), broodless=True)

    trickle = option(found, TRICKLE)
    assert (trickle.needs, trickle.row.day) == ((), MONDAY)
    assert trickle.efficacy_as_it_stands == (95, 99)


def test_the_first_choice_is_the_first_that_the_brood_allows():
    cool = sky(*[20] * 45)

    found = look(stands(ahead(40)), answer(TRICKLE, cool), answer(TWO_ONLY, cool))
    seen = look(stands(ahead(40)), answer(TRICKLE, cool), answer(TWO_ONLY, cool), broodless=True)

    assert (found.main, seen.main) == (TWO_ONLY, TRICKLE)
    assert found.span.regimen.id == "two-strips"


def test_a_yard_with_nothing_but_a_trickle_waits_for_the_brood():
    found = look(stands(ahead(40)), answer(TRICKLE, sky(*[20] * 45)))

    assert (found.main, found.span.first) == (TRICKLE, ahead(24))


def test_the_same_active_twice_running_is_said():
    """Rinkevich 2020, PLoS ONE 15(1):e0227264: control failed where mites resisted amitraz."""
    hot = sky(*[31] * 45)
    entries = [begun(AMITRAZ, AMITRAZ.regimens[0])]

    found = look(stands(ahead(40)), answer(TWO_ONLY, hot), answer(AMITRAZ, hot), entries=entries)

    assert option(found, AMITRAZ).same_active
    assert not option(found, TWO_ONLY).same_active
