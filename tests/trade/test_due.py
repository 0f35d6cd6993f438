"""When a yard is due: by its season, by its counts, north and south, and after a treatment."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from math import exp

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.weather import FORMIC_STRIPS, ONE_STRIP_SWAP, TWO_STRIPS, regimen, yard
from windowcast.trade import mites
from windowcast.trade.course import courses, snapshot
from windowcast.trade.due import (
    TREATED_BEFORE_DAYS,
    Cause,
    State,
    due,
    exposure_in_view,
    last_start,
    of_yard,
    starts_by,
    winter_bees,
)
from windowcast.trade.journal import Entry
from windowcast.trade.rules import SeasonRules
from windowcast.trade.treatment import Dose, Treatment

RULES = SeasonRules()
NOTED = datetime(2026, 1, 1, tzinfo=UTC)
AUGUST_20 = RULES._replace(winter_bees=(8, 20))
OXALIC = Treatment(
    id="oxalic-trickle",
    active="oxalic acid",
    form="trickle",
    regimens=(regimen(1, id="once", doses=[Dose(day=0, ml_per_seam=5.0)]),),
    needs_broodless=True,
)


def counted(day, percent, spread=0.1):
    """A round with a narrow interval."""
    low = max(percent - spread, 0.0)
    return mites.Round(day, day, percent, low, percent + spread, 8, 2400, 0, None)


def begun(day, *, number=1, way=TWO_STRIPS, what=FORMIC_STRIPS):
    body = {
        "treatment": what.id,
        "regimen": way.id,
        "colonies": 24,
        "snapshot": snapshot(what, way),
    }
    return Entry(number, "Creek Bend", "start", day, NOTED, body)


def removed(day, *, number, start=1):
    return Entry(number, "Creek Bend", "remove", day, NOTED, {"start": start, "strips": 48})


def stands(today, *, latitude=45.0, rules=AUGUST_20, exposure_days=14, rounds=(), entries=()):
    """`due` with growth and passing as `mites` makes them."""
    south = latitude < 0
    growth = passing = None
    if rounds:
        growth = mites.growth(rounds, rules, treated=(), south=south)
        passing = mites.passing(rounds[-1], growth, rules, south=south)
    return due(
        latitude,
        today,
        rules,
        exposure_days=exposure_days,
        rounds=rounds,
        growth=growth,
        passing=passing,
        courses=courses(entries),
    )


# The day by which exposures have ended


@pytest.mark.parametrize("latitude", [42, 45, 47, 50, 52])
@pytest.mark.parametrize("year", [2024, 2026])
def test_winter_bees_are_raised_from_the_second_half_of_august_at_42_to_52_degrees(latitude, year):
    """Mid-August to early October: Prairie data of Harris; van Dooremalen et al. 2012, PLoS ONE
    7:e36285."""
    found = winter_bees(latitude, date(year, 7, 1), RULES)

    assert date(year, 8, 10) <= found <= date(year, 8, 31)


def test_nothing_is_known_of_an_earlier_day_beyond_52_degrees():
    today = date(2026, 7, 1)
    assert winter_bees(62, today, RULES) == winter_bees(52, today, RULES)


@given(st.floats(23.5, 60), st.floats(23.5, 60))
def test_nearer_the_equator_it_is_never_earlier(one, other):
    near, far = sorted((one, other))
    today = date(2026, 7, 1)

    assert winter_bees(near, today, RULES) >= winter_bees(far, today, RULES)


@given(st.floats(23.5, 60), st.integers(2020, 2032))
def test_the_south_is_half_a_year_from_the_north(latitude, year):
    """Seasons of unequal length (summer lasts some days longer in the north) leave a week or so."""
    north = winter_bees(latitude, date(year, 7, 1), RULES)
    south = winter_bees(-latitude, date(year + 1, 1, 1), RULES)

    assert abs((south - north).days - 184) <= 8


def test_a_southern_season_goes_through_new_year():
    before = winter_bees(-42, date(2026, 12, 28), RULES)
    after = winter_bees(-42, date(2027, 1, 3), RULES)

    assert before == after
    assert date(2027, 2, 10) <= after <= date(2027, 3, 5)


@pytest.mark.parametrize("latitude", [45.0, -45.0, 5.0])
def test_a_day_that_the_user_names_is_taken_as_it_is_written(latitude):
    rules = RULES._replace(winter_bees=(2, 20))

    assert winter_bees(latitude, date(2027, 1, 3), rules) == date(2027, 2, 20)
    assert winter_bees(latitude, date(2027, 12, 3), rules) == date(2028, 2, 20)


@pytest.mark.parametrize("latitude", [0.0, 10.0, -20.0, 23.4])
def test_within_the_tropics_no_season_makes_it_due(latitude):
    found = stands(date(2026, 8, 1), latitude=latitude, rules=RULES)

    assert (found.state, found.by, found.end_by, found.requeen_by) == (
        State.QUIET, None, None, None,
    )  # fmt: skip
    assert found.counts_due == date(2026, 8, 1)


def test_within_the_tropics_counts_alone_decide():
    found = stands(
        date(2026, 8, 10), latitude=10, rules=RULES, rounds=[counted(date(2026, 8, 1), 1.6)]
    )

    assert (found.state, found.cause) == (State.COMING, Cause.COUNTS)
    assert found.counts_due == date(2026, 8, 31)
    assert stands(
        date(2026, 8, 2), latitude=10, rules=RULES, rounds=[counted(date(2026, 8, 1), 2.0)]
    ).state is State.NOW  # fmt: skip


def test_the_day_is_one_to_end_by_and_not_one_to_start_by():
    """Two weeks of strips that are to be out on August 20 go in on August 6."""
    found = stands(date(2026, 7, 20))

    assert (found.end_by, found.by) == (date(2026, 8, 20), date(2026, 8, 6))
    assert (found.state, found.cause) == (State.COMING, Cause.SEASON)


@given(
    latitude=st.one_of(st.floats(23.5, 70), st.floats(-70, -23.5)),
    today=st.dates(date(2023, 1, 1), date(2033, 12, 31)),
    exposure=st.integers(1, 60),
)
def test_an_exposure_from_the_last_day_to_start_never_ends_too_late(latitude, today, exposure):
    found = stands(today, latitude=latitude, rules=RULES, exposure_days=exposure)

    assert found.by + timedelta(days=exposure) == found.end_by
    assert today < found.end_by + timedelta(days=50)
    assert (found.end_by - today).days <= 366


def test_each_regimen_has_its_own_last_day():
    found = starts_by(stands(date(2026, 7, 20)), [FORMIC_STRIPS, OXALIC])

    assert [(one.regimen.id, one.by) for one in found] == [
        ("two-strips", date(2026, 8, 6)),
        ("one-strip-swap", date(2026, 7, 31)),
        ("once", date(2026, 8, 19)),
    ]


def test_a_queen_lost_to_the_last_dose_needs_her_45_days():
    """To October 9, when the last winter bees are raised: the second strip is in on August 25 at
    the latest, so the first on the 15th; oxalic acid costs no queens."""
    two, swap, oxalic = starts_by(stands(date(2026, 7, 20)), [FORMIC_STRIPS, OXALIC])

    assert two.requeen == date(2026, 10, 9) - timedelta(days=45)
    assert swap.requeen == two.requeen - timedelta(days=10)
    assert oxalic.requeen is None


def test_in_a_leap_year_the_days_are_counted_and_not_the_dates():
    rules = RULES._replace(winter_bees=(3, 10))

    assert stands(date(2028, 1, 20), latitude=-38, rules=rules).by == date(2028, 2, 25)
    assert stands(date(2027, 1, 20), latitude=-38, rules=rules).by == date(2027, 2, 24)
    assert last_start(10, date(2028, 3, 10)) == date(2028, 2, 29)
    assert stands(date(2028, 2, 29), latitude=-38, rules=rules).state is State.OVERDUE


# Quiet, coming, overdue


@pytest.mark.parametrize(
    ("today", "state"),
    [
        (date(2026, 6, 6), State.QUIET),
        (date(2026, 6, 7), State.COMING),
        (date(2026, 8, 6), State.COMING),
        (date(2026, 8, 7), State.OVERDUE),
        (date(2026, 10, 8), State.OVERDUE),
        (date(2026, 10, 9), State.QUIET),
        (date(2026, 12, 31), State.QUIET),
    ],
    ids=str,
)
def test_a_year_without_counts_or_treatments(today, state):
    assert stands(today).state is state


def test_after_the_season_the_next_one_counts():
    assert stands(date(2026, 10, 9)).end_by == date(2027, 8, 20)


# Counts


def test_counts_make_it_due_sooner_than_the_season():
    """1.5 per 100 on July 1 at 2.1 % a day is 2 after ln(2/1.5)/0.021 = 13.7 days."""
    found = stands(date(2026, 7, 3), rounds=[counted(date(2026, 7, 1), 1.5)])

    assert (found.state, found.cause, found.by) == (State.COMING, Cause.COUNTS, date(2026, 7, 15))
    assert found.early < found.by


def test_few_mites_make_it_due_no_later():
    found = stands(date(2026, 7, 3), rounds=[counted(date(2026, 7, 1), 0.1, spread=0.05)])

    assert (found.cause, found.by) == (Cause.SEASON, date(2026, 8, 6))


def test_over_the_threshold_it_is_due_now():
    """2 per 100 in July."""
    found = stands(date(2026, 7, 3), rounds=[counted(date(2026, 7, 1), 2.0)])

    assert (found.state, found.counted_over, found.lifted) == (State.NOW, True, True)


def test_expected_over_the_threshold_it_is_due_now_without_having_been_counted_so():
    found = stands(date(2026, 7, 20), rounds=[counted(date(2026, 7, 1), 1.5)])

    assert (found.state, found.counted_over) == (State.NOW, False)


@given(
    few=st.floats(0.0, 8.0),
    more=st.floats(0.0, 8.0),
    counted_on=st.dates(date(2026, 1, 1), date(2027, 6, 30)),
    later=st.integers(0, 60),
    latitude=st.sampled_from([10.0, 35.0, 45.0, -20.0, -35.0, -45.0]),
)
def test_more_mites_never_give_a_later_day(few, more, counted_on, later, latitude):
    few, more = sorted((few, more))
    today = counted_on + timedelta(days=later)

    one, other = (
        stands(today, latitude=latitude, rules=RULES, rounds=[counted(counted_on, percent)])
        for percent in (few, more)
    )

    assert (other.by or date.max) <= (one.by or date.max)
    urgency = [State.QUIET, State.COMING, State.OVERDUE, State.NOW]
    assert urgency.index(other.state) >= urgency.index(one.state)


def test_a_round_of_last_year_says_nothing():
    found = stands(date(2027, 3, 1), rounds=[counted(date(2026, 9, 5), 4.0)])

    assert (found.state, found.last, found.passing) == (State.QUIET, None, None)


@pytest.mark.parametrize(
    ("today", "rounds", "wanted"),
    [
        (date(2026, 7, 1), [], date(2026, 7, 23)),
        (date(2026, 7, 30), [], date(2026, 7, 23)),
        (date(2026, 7, 30), [counted(date(2026, 7, 10), 0.5)], date(2026, 8, 9)),
        (date(2026, 7, 30), [counted(date(2026, 6, 1), 0.5)], date(2026, 7, 23)),
        (date(2026, 9, 30), [counted(date(2026, 9, 20), 0.5)], None),
    ],
    ids=[
        "asked for from four weeks before",
        "and since",
        "not within 30 days of one",
        "one of early June is too old",
        "none after the season",
    ],
)
def test_counts_are_asked_for(today, rounds, wanted):
    assert stands(today, rounds=rounds).counts_due == wanted


def test_counts_are_asked_for_from_late_july_at_45_degrees():
    """Late July, so that treatments start from then to mid-August (van Dooremalen et al. 2012)."""
    found = stands(date(2026, 7, 1), rules=RULES)

    assert date(2026, 7, 20) <= found.counts_due <= date(2026, 7, 31)


def test_a_southern_day_to_count_from_can_lie_in_the_year_before():
    rules = RULES._replace(winter_bees=(2, 20), counts_from=(12, 20))

    assert stands(date(2026, 12, 1), latitude=-42, rules=rules).counts_due == date(2026, 12, 20)
    assert stands(date(2027, 1, 5), latitude=-42, rules=rules).counts_due == date(2026, 12, 20)


def test_a_count_is_a_wish_and_holds_nothing_up():
    assert stands(date(2026, 8, 1)).state is State.COMING


# After a treatment


def test_a_treatment_of_the_season_is_one_that_has_not_grown_back_by_then():
    """Back at the old level 75 days after 80 % were killed: "Managing Varroa" (National Bee Unit,
    2005), as quoted; at 2.1 % a day (Martin 1998) it is 76.6."""
    assert TREATED_BEFORE_DAYS < 75
    assert 0.2 * exp(RULES.growth_per_day * TREATED_BEFORE_DAYS) < 1


@pytest.mark.parametrize(
    ("start", "way", "state", "late"),
    [
        (date(2026, 6, 20), TWO_STRIPS, State.OVERDUE, False),
        (date(2026, 6, 21), TWO_STRIPS, State.DONE, False),
        (date(2026, 8, 6), TWO_STRIPS, State.DONE, False),
        (date(2026, 8, 7), TWO_STRIPS, State.DONE, True),
        (date(2026, 7, 31), ONE_STRIP_SWAP, State.DONE, False),
        (date(2026, 8, 1), ONE_STRIP_SWAP, State.DONE, True),
    ],
    ids=[
        "too early to be the one of this season",
        "the first day of it",
        "the last to end in time",
        "a day late",
        "twenty days in time",
        "twenty days, a day late",
    ],
)
def test_a_treatment_in_hand_or_done(start, way, state, late):
    found = stands(date(2026, 8, 12), entries=[begun(start, way=way)])

    assert (found.state, found.late) == (state, late)
    if state is State.DONE:
        assert (found.by, found.cause, found.counts_due) == (None, None, None)


def test_a_removal_that_came_late_ends_the_exposure_late():
    entries = [begun(date(2026, 8, 1)), removed(date(2026, 8, 21), number=2)]

    assert stands(date(2026, 8, 25), entries=entries).late
    assert not stands(date(2026, 8, 12), entries=entries[:1]).late


def test_counts_before_or_during_the_treatment_do_not_tell_of_now():
    entries = [begun(date(2026, 7, 20)), removed(date(2026, 8, 3), number=2)]
    for day in (date(2026, 7, 15), date(2026, 7, 25)):
        found = stands(date(2026, 8, 12), rounds=[counted(day, 6.0)], entries=entries)
        assert (found.state, found.last) == (State.DONE, None)
    begun_before_the_end = counted(date(2026, 8, 5), 6.0)._replace(first_day=date(2026, 8, 1))
    assert stands(date(2026, 8, 12), rounds=[begun_before_the_end], entries=entries).last is None


def test_while_strips_are_in_nothing_is_due():
    """Nobody noted a removal: the planned end has passed, the strips have not."""
    found = stands(
        date(2026, 8, 12),
        rounds=[counted(date(2026, 8, 11), 6.0)],
        entries=[begun(date(2026, 7, 20))],
    )

    assert found.state is State.DONE


def test_still_over_the_threshold_after_the_treatment_it_is_due_again():
    entries = [begun(date(2026, 7, 20)), removed(date(2026, 8, 3), number=2)]

    found = stands(date(2026, 8, 20), rounds=[counted(date(2026, 8, 18), 3.5)], entries=entries)

    assert (found.state, found.counted_over) == (State.NOW, True)
    assert found.treated is not None


def test_a_yard_that_will_be_over_it_again_this_season_is_not_done():
    """1.8 per 100 on August 18 is 2 six days later: ln(2/1.8)/0.021 = 5.02."""
    entries = [begun(date(2026, 7, 20)), removed(date(2026, 8, 3), number=2)]

    again = stands(date(2026, 8, 20), rounds=[counted(date(2026, 8, 18), 1.8)], entries=entries)
    enough = stands(date(2026, 8, 20), rounds=[counted(date(2026, 8, 18), 0.3)], entries=entries)

    assert (again.state, again.cause) == (State.COMING, Cause.COUNTS)
    assert again.by == date(2026, 8, 24)
    assert (enough.state, enough.by) == (State.DONE, None)


def test_within_the_tropics_a_treatment_counts_for_two_months():
    entry = begun(date(2026, 3, 1))

    assert stands(date(2026, 4, 30), latitude=5, rules=RULES, entries=[entry]).state is State.DONE
    assert stands(date(2026, 5, 1), latitude=5, rules=RULES, entries=[entry]).state is State.QUIET


# From the journal


def wash(number, day, found, bees=300):
    body = {"method": "wash", "mites": found, "bees": bees, "days": None, "colony": None}
    return Entry(number, "Creek Bend", "count", day, NOTED, body)


def test_a_yard_from_its_journal():
    entries = [wash(number, date(2026, 7, 1), 5) for number in range(1, 9)]

    found = of_yard(
        yard(), [FORMIC_STRIPS], entries=entries, rules=AUGUST_20, today=date(2026, 7, 3)
    )

    assert (found.state, found.cause, found.by) == (State.COMING, Cause.COUNTS, date(2026, 7, 10))
    assert found.last.colonies == 8


def test_a_treatment_in_the_journal_takes_the_counts_before_it_away():
    entries = [wash(1, date(2026, 7, 1), 9), begun(date(2026, 7, 5), number=2)]

    found = of_yard(
        yard(), [FORMIC_STRIPS], entries=entries, rules=AUGUST_20, today=date(2026, 7, 8)
    )

    assert (found.state, found.last) == (State.DONE, None)


def test_the_exposure_in_view_is_the_shortest_of_the_first_that_the_brood_allows():
    assert exposure_in_view([FORMIC_STRIPS], broodless=False) == 14
    assert exposure_in_view([OXALIC, FORMIC_STRIPS], broodless=False) == 14
    assert exposure_in_view([OXALIC, FORMIC_STRIPS], broodless=True) == 1
    assert exposure_in_view([OXALIC], broodless=False) == 1


def test_brood_is_what_was_seen_and_not_what_is_configured():
    look = Entry(
        1, "Creek Bend", "brood", date(2026, 7, 1), NOTED, {"capped": False, "colonies": 8}
    )
    plans = [OXALIC, FORMIC_STRIPS]
    today = date(2026, 7, 3)

    seen = of_yard(yard(), plans, entries=[look], rules=AUGUST_20, today=today)
    not_seen = of_yard(yard(), plans, entries=[], rules=AUGUST_20, today=today)

    assert (seen.by, not_seen.by) == (date(2026, 8, 19), date(2026, 8, 6))


def test_a_southern_yard_reads_its_thresholds_half_a_year_on():
    """2 per 100 in January is July's threshold in the north; 1 in January there."""
    there = yard()._replace(latitude=-42.0)
    entries = [wash(number, date(2027, 1, 4), 5) for number in range(1, 9)]

    found = of_yard(there, [FORMIC_STRIPS], entries=entries, rules=RULES, today=date(2027, 1, 5))
    north = of_yard(yard(), [FORMIC_STRIPS], entries=entries, rules=RULES, today=date(2027, 1, 5))

    assert (found.state, found.cause) == (State.COMING, Cause.COUNTS)
    assert north.state is State.NOW
