"""What a yard needs of the crews, from small skies: starts, their visits, and what is in hand."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from fractions import Fraction

import pytest

from support.weather import (
    FORMIC_STRIPS,
    MONDAY,
    band,
    highs,
    regimen,
    scenarios,
    treatment,
    yard,
)
from windowcast.crew.days import Calendar, Eased, Freed, Lost, closed_days
from windowcast.crew.exact import exactly
from windowcast.crew.instance import (
    Crew,
    Instance,
    Leg,
    Need,
    Option,
    Placed,
    Plan,
    Stop,
    days_away,
    driving,
)
from windowcast.crew.needs import (
    AWAY,
    BEGUN_WORTH,
    LATE,
    Gone,
    doses_in_hand,
    in_hand,
    starts,
    stops_of,
    waiting_of,
    weight_of,
)
from windowcast.crew.planner import make
from windowcast.trade.course import snapshot
from windowcast.trade.due import of_yard
from windowcast.trade.journal import Entry
from windowcast.trade.mites import Growth
from windowcast.trade.rules import SeasonRules, WorkRules
from windowcast.trade.treatment import Dose, Slack
from windowcast.trade.visits import Task
from windowcast.trade.work import Kind, jobs, to_do
from windowcast.trade.workable import DayWeather, Taken, rules_for
from windowcast.window.decide import Rules, decide
from windowcast.window.scan import Words, holds, scan

RULES = WorkRules()
TWO, ONE = FORMIC_STRIPS.regimens
WEEKDAYS = frozenset(day for day in range(80) if (MONDAY + timedelta(days=day)).weekday() < 5)
AT = datetime(2026, 8, 31, 10, tzinfo=UTC)


def calendar(
    *, works: frozenset[int] = WEEKDAYS, closed: dict[int, str] | None = None,
    fixed: tuple[Taken, ...] = (), actives: tuple[str, ...] = ("", "formic acid"),
) -> Calendar:  # fmt: skip
    return Calendar(MONDAY, 80, 30, dict.fromkeys(actives, works), closed or {}, fixed)


def stops(regimen, day, made=None):
    return stops_of(yard(), FORMIC_STRIPS, regimen, day=day, calendar=made or calendar(),
                    rules=RULES)  # fmt: skip


def test_the_swap_and_the_removal_hang_on_the_start_with_their_slack():
    """A start on Monday August 31: swap right on Thursday September 10 (day 10), a day early to
    three late; removal right ten days after the swap, on Sunday September 20 (day 20) where that is
    on its day, up to four late and never early. Common practice, no source."""
    apply, swap, remove = stops(ONE, 0)

    assert apply.days == (0,)
    assert (swap.right, swap.days) == (10, (10, 11, 9))  # days 12 and 13 are a weekend
    # 10 to 14 days after each of these: 20 to 24, 21 to 25, 19 to 23; 19 and 20 are a weekend.
    assert (remove.right, remove.days) == (20, (21, 22, 23, 24, 25))
    assert [(one.after, one.follows, one.within) for one in (swap, remove)] == [
        (9, 10, 13), (10, 10, 14),
    ]  # fmt: skip
    assert remove.right_after(11) == 21
    assert [day for day in remove.days if remove.may_follow(11, day)] == [21, 22, 23, 24, 25]
    assert [day for day in remove.days if remove.may_follow(9, day)] == [21, 22, 23]


def test_where_the_swap_comes_late_the_removal_comes_as_much_later():
    """Mondays only from the day of the start on: swap two days after its day 10, removal 14 days
    after the swap, which is two days more than four late by the start. Common practice, no
    source."""
    mondays = calendar(works=frozenset({2, 14, 28}))

    assert [one.days for one in stops(ONE, 2, mondays)] == [(2,), (14,), (28,)]


def test_the_slack_is_the_regimens_own():
    """Day 10 is Thursday September 10, day 20 Sunday September 20."""
    strict = ONE._replace(dose_slack=Slack(earlier=2, later=0), removal_late_days=1)
    wide = ONE._replace(dose_slack=Slack(earlier=0, later=5), removal_late_days=9)

    assert [one.days for one in stops(strict, 0)] == [(0,), (10, 9, 8), (21, 18)]
    assert [one.days for one in stops(wide, 0)] == [
        (0,), (10, 11, 14, 15), (21, 22, 23, 24, 25, 28, 29, 30, 31, 32),
    ]  # fmt: skip
    assert [one.after for one in stops(strict, 0)] == [1, 8, 10]


def test_a_removal_however_late_it_may_is_before_nothing_may_be_in_the_hives():
    first, last = MONDAY + timedelta(days=16), MONDAY + timedelta(days=20)
    harvest = Taken(first, last, False, True, "harvest")

    found = stops(TWO._replace(removal_late_days=14), 0, calendar(fixed=(harvest,)))

    assert found[-1].days == (14, 15, 16)


def test_minutes_and_strips_are_those_of_the_work_rules():
    apply, swap, remove = stops(ONE, 0)

    assert [one.hands for one in (apply, swap, remove)] == [24 * 3.0, 24 * 2.5, 24 * 1.5]
    assert [one.set_up for one in (apply, swap, remove)] == [0.0] * 3  # once for a call
    # 24 and 5 % spare, a part of a strip being a whole one.
    assert [one.strips for one in (apply, swap, remove)] == [26, 26, 0]
    assert apply.minutes(2) == 36


def test_a_swap_on_a_holiday_is_named_with_its_day():
    works = WEEKDAYS - set(range(9, 14))

    found = stops(ONE, 0, calendar(works=works))

    assert isinstance(found, Lost)
    day = MONDAY + timedelta(days=10)
    assert found[:4] == (MONDAY, Task.SWAP, day, "no crew works")
    assert found.freed == Freed(days=(day,))


@pytest.mark.parametrize("closed", [{}, {10: "too wet"}, {9: "too cold", 10: "too wet"}])
def test_each_day_has_its_own_reason_and_the_crew_named_frees_the_start(closed):
    works = WEEKDAYS - set(range(9, 14)) - set(range(19, 26))
    made = calendar(works=works, closed=closed)

    found = stops(ONE, 0, made)

    assert isinstance(found, Lost) and found.freed is not None
    whys = {(day - MONDAY).days: hindered.why for day, hindered in found.days}
    assert whys == {day: closed.get(day, "no crew works") for day in range(9, 14)}
    named = {(day - MONDAY).days for day in found.freed.days}
    assert len(named) == 2 and not named & set(closed)  # the removal has no crew either
    assert not isinstance(stops(ONE, 0, calendar(works=works | named, closed=closed)), Lost)
    for one in named:
        assert isinstance(stops(ONE, 0, calendar(works=works | {one}, closed=closed)), Lost)


def test_no_crew_frees_what_the_weather_or_a_contract_shuts():
    shut = dict.fromkeys(range(9, 14), "too wet")
    fixed = Taken(MONDAY + timedelta(days=9), MONDAY + timedelta(days=13), True, False, "contract")

    wet = stops(ONE, 0, calendar(closed=shut))
    away = stops(ONE, 0, calendar(fixed=(fixed,)))

    assert isinstance(wet, Lost) and wet.freed is None
    assert isinstance(away, Lost) and away.freed is None
    assert away.until == MONDAY + timedelta(days=13)


def test_a_start_that_no_crew_may_handle_says_so():
    found = stops(TWO, 0, calendar(actives=("",)))

    assert isinstance(found, Lost)
    assert (found.task, found.why) == (Task.APPLY, "no crew may handle formic acid")
    assert found.freed == Freed("formic acid")


def test_a_day_too_cold_to_open_hives_moves_the_removal_and_forbids_a_start():
    cold = calendar(closed={14: "too cold", 15: "too wet", 1: "too cold"})

    apply, remove = stops(TWO, 0, cold)
    found = stops(TWO, 1, cold)

    assert remove.days == (16, 17, 18)
    assert isinstance(found, Lost)
    assert (found.task, found.why) == (Task.APPLY, "too cold")
    assert apply.right == 0


@pytest.mark.parametrize(
    ("first", "last", "start", "allowed"),
    [(0, 3, 4, True), (0, 4, 4, False), (13, 20, 0, False), (14, 20, 0, True)],
)
def test_nothing_may_be_in_the_hives_on_days_fixed_against_treatments(first, last, start, allowed):
    """Two strips work for 14 days: days 0 to 13 of the exposure."""
    fixed = Taken(MONDAY + timedelta(days=first), MONDAY + timedelta(days=last), False, True,
                  "harvest")  # fmt: skip

    found = stops(TWO, start, calendar(fixed=(fixed,)))

    assert isinstance(found, Lost) is not allowed
    if isinstance(found, Lost):
        assert found.why == "harvest"


def test_a_contract_that_keeps_people_out_keeps_every_visit_out():
    away = Taken(MONDAY + timedelta(days=14), MONDAY + timedelta(days=18), True, False, "contract")

    found = stops(TWO, 0, calendar(fixed=(away,)))

    assert isinstance(found, Lost)
    assert found[:4] == (MONDAY, Task.REMOVE, MONDAY + timedelta(days=14), "contract")
    assert found.until == away.last


def test_days_are_closed_by_the_forecast_and_beyond_it_by_most_scenarios():
    """Flight from 12 °C; rain and wind common practice, no source."""
    sky = scenarios([[20.0] * 4 + [11.0, 11.0], [20.0] * 4 + [11.0, 13.0]])
    open_days = {
        MONDAY: DayWeather(11.9),
        MONDAY + timedelta(days=1): DayWeather(12.0, rain_mm=2.0),
        MONDAY + timedelta(days=2): DayWeather(20.0, rain_mm=0.5, wind_kmh=40.0),
        MONDAY + timedelta(days=3): DayWeather(20.0, rain_mm=1.0, wind_kmh=25.0),
    }

    found = closed_days(open_days, sky, RULES, first=MONDAY, days=9)

    assert found == {0: "too cold", 1: "too wet", 2: "too windy", 4: "too cold in most scenarios"}


def counted(percent: int, *, days_ago: int = 0) -> Entry:
    day = MONDAY - timedelta(days=days_ago)
    body = {"method": "wash", "mites": 3 * percent, "bees": 300, "days": None, "colony": None}
    return Entry(1, "Creek Bend", "count", day, AT, body)


def due_of(*entries: Entry, winter_bees: tuple[int, int] = (9, 30)):
    return of_yard(
        yard(), [FORMIC_STRIPS], entries=entries, rules=SeasonRules(winter_bees=winter_bees),
        today=MONDAY,
    )  # fmt: skip


@pytest.mark.parametrize(("percent", "weight"), [(2, 1.0), (4, 2.0), (10, 3.0), (0, 0.5)])
def test_a_colony_counts_by_its_infestation_as_a_share_of_the_threshold(percent, weight):
    """The threshold of August is 2 mites per 100 bees: Mississippi State University Extension."""
    found = weight_of(due_of(counted(percent)), SeasonRules(), south=False, day=MONDAY)

    assert found == pytest.approx(weight)


def test_infestation_grows_until_the_day_and_without_counts_a_colony_is_one():
    """It doubles in 33 days at 0.021 a day: Martin 1998."""
    rules = SeasonRules(threshold_percent=(2.0,) * 12)
    later = weight_of(due_of(counted(1)), rules, south=False, day=MONDAY + timedelta(days=33))

    assert later == pytest.approx(1.0, rel=0.01)
    assert weight_of(due_of(), rules, south=False, day=MONDAY) == 1.0


def need_of(columns, *, end=(10, 15), **others):
    sky = scenarios(columns)
    words = Words(sky)
    rows = decide(
        yard(), FORMIC_STRIPS,
        scan(FORMIC_STRIPS, forecast=highs(*columns[0][:6]), words=words, today=MONDAY,
             first_start=MONDAY),
        rules=Rules(min_chance=0.8, max_danger=0.05), today=MONDAY, stale=False,
    ).rows  # fmt: skip
    found = starts(
        yard(), place=1, key="k", due=due_of(winter_bees=end), rows=rows, words=words,
        calendar=others.pop("made", calendar()), rules=RULES, weight=others.pop("weight", 1.0),
        not_before=others.pop("not_before", MONDAY), **others,
    )  # fmt: skip
    return found, words


def test_starts_are_those_that_are_named_and_in_time_with_the_scenarios_that_hold():
    """Over by September 25: two strips, 14 days, by the 11th; one and a swap, 20, by the 5th."""
    cool = [[20.0] * 40 for _ in range(9)] + [[20.0] * 16 + [31.0] + [20.0] * 23]

    found, words = need_of(cool, end=(9, 25))

    assert found.need is not None
    by_regimen: dict[str, list[date]] = {}
    for one in found.need.options:
        by_regimen.setdefault(one.regimen, []).append(MONDAY + timedelta(days=one.start))
        assert (one.held.bit_count(), one.of) == (round(10 * one.chance), 10)
        assert one.chance == pytest.approx(0.9 if one.held != 0b1111111111 else 1.0)
    assert max(by_regimen["two-strips"]) == date(2026, 9, 11)
    assert max(by_regimen["one-strip-swap"]) == date(2026, 9, 4)  # the 5th is a Saturday
    assert found.need.last == 11
    assert holds(TWO, words)[0] == 0b1111111111
    assert holds(TWO, words)[3] == 0b0111111111


def test_a_promised_start_that_is_none_any_more_has_its_reason():
    cool = [[20.0] * 40] * 10
    hot = [[20.0] * 40 for _ in range(5)] + [[20.0] * 5 + [31.0] + [20.0] * 34] * 5
    promise = ("test", "two-strips", MONDAY)

    stands, _ = need_of(cool, promised=promise)
    late, _ = need_of(cool, promised=(*promise[:2], MONDAY + timedelta(days=14)), end=(9, 25))
    unlikely, _ = need_of(hot, promised=promise, cancel_below=0.65)
    waits, _ = need_of(cool, promised=promise, not_before=MONDAY + timedelta(days=2))
    shut, _ = need_of(cool, promised=promise, made=calendar(closed={0: "too wet"}))
    other, _ = need_of(cool, promised=("another", "two-strips", MONDAY))

    assert stands.gone is None
    assert late.gone is not None and late.gone.limit == date(2026, 9, 11)
    assert unlikely.gone is not None and unlikely.gone.row is not None
    assert unlikely.gone.row.start.chance is not None
    assert unlikely.gone.row.start.chance.value == pytest.approx(0.5)
    assert waits.gone is not None and waits.gone.free == MONDAY + timedelta(days=2)
    assert shut.gone is not None and shut.gone.lost is not None
    assert shut.gone.lost[:4] == (MONDAY, Task.APPLY, MONDAY, "too wet")
    assert other.gone == Gone()


def test_waiting_costs_what_mites_grow():
    """They double in 33 days: 0.021 a day, Martin 1998 (as `trade/rules.py` names it)."""
    rules = SeasonRules()
    rate = waiting_of(due_of(), rules)
    found, _ = need_of([[20.0] * 60] * 10, end=(10, 25), waiting=rate)

    assert found.need is not None
    worth = {one.start: one.value for one in found.need.options if one.regimen == "two-strips"}
    first, last = min(worth), max(worth)
    assert last - first >= 21
    doublings = (last - first) / 33
    assert worth[last] / worth[first] == pytest.approx(0.5**doublings, rel=0.02)


def test_a_yard_whose_counts_fall_still_starts_on_the_first_of_days_as_good():
    falling = due_of()._replace(growth=Growth(-0.05, -0.1, 0.0, True))
    rising = falling._replace(growth=Growth(0.5, 0.1, 0.9, True))
    rules = SeasonRules()

    assert 0 < waiting_of(falling, rules) < 0.001
    assert waiting_of(rising, rules) == pytest.approx(2 * rules.growth_per_day)


def test_a_start_that_was_promised_is_kept_down_to_the_lower_chance():
    mixed = [[20.0] * 40 for _ in range(7)] + [[20.0] * 5 + [31.0] + [20.0] * 34] * 3
    promise = ("test", "two-strips", MONDAY)

    without, _ = need_of(mixed)
    kept, _ = need_of(mixed, promised=promise, cancel_below=0.65)
    gone, _ = need_of(mixed, promised=promise, cancel_below=0.75)

    def days(found):
        return [one.start for one in found.need.options if one.regimen == "two-strips"]

    assert 0 not in days(without)
    assert 0 in days(kept)
    assert [one.start for one in kept.need.options if one.below] == [0]
    assert 0 not in days(gone)


def test_of_days_as_good_as_each_other_the_first_is_worth_most():
    found, _ = need_of([[20.0] * 40] * 5, weight=2.0)

    values = [one.value for one in found.need.options if one.regimen == "two-strips"]
    assert values == sorted(values, reverse=True)
    assert values[0] == 24 * 2.0


def begun(days_ago: int) -> list[Entry]:
    body = {"treatment": "test", "regimen": ONE.id, "colonies": 24,
            "snapshot": snapshot(FORMIC_STRIPS, ONE)}  # fmt: skip
    return [Entry(1, "Creek Bend", "start", MONDAY - timedelta(days=days_ago), AT, body)]


def jobs_of(entries: list[Entry]):
    every = jobs(yard(), entries=entries, plan=None, rules=RULES, today=MONDAY)
    return {job.kind: job for job in to_do(every)}


def doses_of(entries: list[Entry], made: Calendar | None = None):
    every = [job for job in jobs_of(entries).values() if job.dose is not None]
    return doses_in_hand(every, place=1, calendar=made or calendar(), rules=RULES)


def test_what_is_in_the_hives_is_one_need_that_comes_before_anything_new():
    """Begun nine days ago: the swap is right on day 1 of the plan, the removal on day 11."""
    need, lost = doses_of(begun(9))

    assert lost == ()
    assert need is not None
    assert (need.begun, need.starts) == (True, False)
    (option,) = need.options
    swap, remove = option.stops
    assert (swap.right, swap.days) == (1, (1, 2, 0, 3, 4))
    # 10 to 14 days after any of these; days 12 and 13 are a weekend.
    assert (remove.right, remove.days) == (11, (11, 10, 14, 15, 16, 17, 18))
    assert option.value == BEGUN_WORTH * 24


def test_a_swap_that_comes_late_keeps_the_removal_away_for_as_long_as_the_dose_works():
    """The second strip works for ten days, whenever it went in."""
    need, _ = doses_of(begun(9))

    assert need is not None
    remove = need.options[0].stops[1]
    assert (remove.after, remove.follows, remove.within) == (10, 10, 14)


def test_a_day_counts_twice_for_a_fresh_dose():
    """Our own choice. A crew works on days 0, 11 and 19 to 22: a start on day 0 has its swap a day
    late, and so its removal, ten days later, on the right day; the same in hand."""
    works = frozenset({0, 11, 19, 20, 21, 22})
    _, swap, remove = option = stops(ONE, 0, calendar(works=works))
    in_hand, _ = doses_of(begun(9))
    assert in_hand is not None

    assert (swap.away, remove.away) == (2, 1)
    assert [one.away for one in in_hand.options[0].stops] == [2, 1]
    assert days_away(option, (0, 11, 21)) == 2
    assert days_away(option, (0, 10, 21)) == 1


def test_after_a_swap_that_is_overdue_the_removal_is_counted_from_today():
    """Begun twelve days ago, the swap two days late: done today it works for ten days more."""
    need, lost = doses_of(begun(12))

    assert lost == ()
    assert need is not None
    swap, remove = need.options[0].stops
    # Half a colony a day for each, for the swap as well: what it is worth lasts two weeks.
    assert (need.away, swap.away, remove.away) == (LATE, 1, 1)
    assert swap.days[0] == 0
    assert (remove.right, remove.days[0], remove.after) == (10, 10, 10)


def test_what_is_late_in_the_hives_comes_before_a_start_that_can_wait():
    """An hour a day and two visits of forty minutes: the removal is late, the start loses a
    colony by each day. Half a colony for each of 24 a day is 12."""
    late, _ = doses_of(begun(50))
    early, _ = doses_of(begun(9))
    assert late is not None and early is not None
    start = Need(
        "b", "B", 2, 24, 3,
        tuple(
            Option(day, "formic-strips", "two", (Stop("apply", (day,), 40.0, 0.0),), 20.0 - day)
            for day in (0, 1)
        ),
    )  # fmt: skip
    crew = Crew("North", 1, 0, (60.0,) * 30)
    roads = [[0.0] * 3 for _ in range(3)]
    (option,) = late.options
    removal = option._replace(stops=(option.stops[-1]._replace(hands=40.0, after=1, skill=""),))
    task = Instance(
        (crew,), (late._replace(place=1, options=(removal,)), start), roads, 30, hour=0.25,
        away=AWAY,
    )  # fmt: skip

    plan = make(task, left_s=lambda: 20.0)

    assert (late.away, early.away) == (LATE, 1.0)
    assert plan.chosen[0].stops[0].day == 0
    assert plan.chosen[1].option == 1


def test_a_late_removal_is_still_to_be_made():
    swap = Entry(2, "Creek Bend", "swap", MONDAY - timedelta(days=40), AT, {"start": 1})

    need, lost = doses_of([*begun(50), swap])

    assert lost == ()
    assert need is not None
    (stop,) = need.options[0].stops
    days = stop.days
    assert min(days) >= 0
    assert len(days) > 5


def test_jobs_on_days_without_a_crew_are_named():
    need, lost = doses_of(begun(9), calendar(works=frozenset()))

    assert need is None
    assert [(job.kind, one.why) for job, one in lost] == [
        (Kind.SWAP, "no crew works"), (Kind.REMOVE, "no crew works"),
    ]  # fmt: skip


def test_a_check_is_made_where_there_is_time():
    """Formic acid last given on day 1: queens are looked for from two weeks on, for a week. Common
    practice, no source."""
    job = jobs_of(begun(9))[Kind.QUEENS]

    need = in_hand(job, place=1, calendar=calendar(), rules=RULES)

    assert need is not None and not isinstance(need, Lost)
    assert (need.begun, need.starts) == (False, False)
    assert need.options[0].value < need.colonies
    assert need.options[0].stops[0].skill == ""
    assert set(need.options[0].stops[0].days) <= WEEKDAYS


@pytest.mark.parametrize(
    ("between", "day", "saved"),
    [(10.0, 9, 80.0), (88.0, 0, 2.0)],
    ids=["a trip that is made anyway, nine days later", "nearly as far from there"],
)
def test_a_count_waits_for_a_trip_that_passes_by_where_that_costs_less(between, day, saved):
    """By hand: the count's own day is 90 minutes on the road, which is 0.375 colonies at 0.25 an
    hour. With the removal of day 9 it is `saved` less. Each day later costs a quarter of what it
    costs a treatment, as a count is worth a quarter: 0.005 x 0.25 x 8 = 0.01 colonies, 0.09 for
    nine. So 0.333 saved is worth the wait, and 0.008 is not."""
    due = jobs(yard(), entries=[], plan=None, rules=RULES, today=MONDAY, counts_due=MONDAY)
    (job,) = [one for one in due if one.kind is Kind.COUNT]
    count = in_hand(job, place=2, calendar=calendar(), rules=RULES)
    assert count is not None and not isinstance(count, Lost)
    out = Stop(Kind.REMOVE.value, (9,), 20.0, 0.0, right=9)
    removal = Need("near", "Near", 1, 8, 9, (Option(9, "", "", (out,), 80.0),), starts=False)
    roads = [[0.0, 45.0, 45.0], [45.0, 0.0, between], [45.0, between, 0.0]]
    crew = Crew("One", 2, 0, (480.0,) * 80)
    task = Instance((crew,), (removal, count), roads, 80, hour=0.25, away=AWAY)

    for plan in (exactly(task, left_s=lambda: 60.0), make(task, left_s=lambda: 60.0)):
        assert plan is not None
        assert plan.chosen[1].stops == (Placed(day, 0),)
    both = Plan(plan.chosen, {(0, 9): (Leg(0, 0), Leg(1, 0))})
    assert 2 * 90.0 - driving(task, 0, both.routes[0, 9]) == pytest.approx(saved)


ONCE = regimen(1, id="once", doses=[Dose(day=0, ml_per_seam=5.0)], bounds=band("3", "10"))
TRICKLE = treatment(ONCE)._replace(active="oxalic acid", form="trickle")


def test_what_takes_no_frame_out_is_too_cold_only_below_its_own_band():
    """Hives are opened from 12 °C; a trickle is given from 3 °C: common practice, no source."""
    open_days = {
        MONDAY: DayWeather(2.9),
        MONDAY + timedelta(days=1): DayWeather(3.0),
        MONDAY + timedelta(days=2): DayWeather(11.9),
        MONDAY + timedelta(days=3): DayWeather(5.0, rain_mm=2.0),
    }
    own = rules_for(RULES, TRICKLE, ONCE)
    sky = scenarios([[20.0] * 4 + [2.0, 5.0, 13.0]])

    def closed(rules):
        return closed_days(open_days, sky, rules, first=MONDAY, days=7)

    assert list(closed(RULES)) == [0, 1, 2, 3, 4, 5]
    assert closed(own) == {0: "too cold", 3: "too wet", 4: "too cold in most scenarios"}
    assert rules_for(RULES, FORMIC_STRIPS, TWO) == RULES
    made = calendar(closed=closed(RULES), actives=("", "oxalic acid"))._replace(
        closed_from={own.open_min_c: closed(own)}
    )

    def stops_on(day):
        return stops_of(yard(), TRICKLE, ONCE, day=day, calendar=made, rules=RULES)

    (found,) = stops_on(1)
    assert found.days == (1,)
    lost = stops_on(0)
    assert (lost.start, lost.task, lost.day, lost.why) == (MONDAY, Task.APPLY, MONDAY, "too cold")
    assert [(day, each.why) for day, each in lost.days] == [(MONDAY, "too cold")]
    assert stops_on(3).why == "too wet"


def test_a_band_that_is_warmer_than_hives_are_opened_changes_nothing():
    warm = regimen(1, id="warm", doses=[Dose(day=0, g=1.0)], bounds=band("15", "30"))
    free = regimen(1, id="free", doses=[Dose(day=0, g=1.0)], bounds=band(None, "30"))
    vapour = treatment(warm)._replace(form="vapour")

    assert rules_for(RULES, vapour, warm) == RULES
    assert rules_for(RULES, vapour, free).open_min_c < -50


def test_a_fresh_dose_in_hand_goes_by_the_same_band():
    again = regimen(
        11,
        id="again",
        doses=[Dose(0, g_per_chamber=2.0), Dose(5, g_per_chamber=2.0)],
        bounds=band("4", None),
    )
    plan = treatment(again)._replace(active="oxalic acid", form="vapour")
    body = {"colonies": 24, "snapshot": snapshot(plan, again)}
    entry = Entry(1, "Creek Bend", "start", MONDAY - timedelta(days=3), AT, body)
    found = to_do(
        jobs(yard(), entries=[entry], plan=None, rules=RULES, today=MONDAY, counts_due=None)
    )
    swap = [one for one in found if one.kind is Kind.SWAP]
    shut = dict.fromkeys(range(10), "too cold")
    made = calendar(closed=shut, actives=("", "oxalic acid"))

    def planned(with_calendar):
        return doses_in_hand(swap, place=0, calendar=with_calendar, rules=RULES)

    need, lost = planned(made._replace(closed_from={Fraction(4): {}}))
    assert (need.options[0].stops[0].right, lost) == (2, ())
    need, lost = planned(made)
    assert need is None and len(lost) == 1


def test_fixed_days_that_would_have_to_give_way_are_named_and_would_do():
    """Two strips in on Monday August 31, out from Monday September 14 to Friday the 18th."""
    away = Taken(MONDAY + timedelta(days=12), MONDAY + timedelta(days=18), True, False, "contract")
    harvest = Taken(
        MONDAY + timedelta(days=10), MONDAY + timedelta(days=30), False, True, "harvest"
    )

    out = stops(TWO, 0, calendar(fixed=(away,)))
    full = stops(TWO, 0, calendar(fixed=(harvest,)))

    day = MONDAY + timedelta(days=14)
    assert isinstance(out, Lost) and out.eased == Eased("contract", day, day)
    assert isinstance(full, Lost)
    assert full.eased == Eased("harvest", harvest.first, day - timedelta(days=1))
    for fixed, lost in ((away, out), (harvest, full)):
        made = calendar(fixed=(fixed,))
        assert not isinstance(stops(TWO, 0, made.without(lost.eased, "formic acid")), Lost)
    # Nobody works on the removal's days either.
    idle = calendar(works=WEEKDAYS - set(range(14, 19)), fixed=(away,))
    found = stops(TWO, 0, idle)
    assert isinstance(found, Lost)
    assert found.eased == Eased("contract", day, day, Freed(days=(day,)))


def test_each_day_without_a_start_has_its_reason():
    """Highs of 31 °C from day 20 on are too hot for a band that ends at 29.5 °C; to be done by
    September 25; day 3 is wet, and nobody works at weekends."""
    warm = [[20.0] * 20 + [31.0] * 30] * 10
    found, _ = need_of(warm, end=(9, 25), made=calendar(closed={3: "too wet"}))

    assert found.need is not None
    why = dict(found.need.barred)
    starts_on = {one.start for one in found.need.options}
    assert set(why) == set(range(30)) - starts_on
    assert why[3] == "too wet"
    assert why[5] == "no crew works"
    assert why[9] == "highs too likely above its band"
    assert why[29] == "after the last day that is in time"


def test_of_two_regimens_the_reason_of_a_day_is_that_of_the_nearer_one():
    """At 27 °C two strips are too much, and one strip with a fresh one, of 20 days, must begin by
    September 5 to be over by September 25: on day 8 the weather allows it, and it is too late."""
    found, _ = need_of([[27.0] * 50] * 10, end=(9, 25))

    assert found.need is not None
    assert dict(found.need.barred)[8] == "after the last day that is in time"


def test_what_no_day_of_the_plan_is_in_time_for_gives_no_day_its_reason():
    """To be over by September 15: one strip with a fresh one, of 20 days, had to begin by August
    26, before the plan's first day; two strips, of 14 days, are in time until September 1, and at
    27 °C too much."""
    found, _ = need_of([[27.0] * 50] * 10, end=(9, 15))

    assert found.need is None
    why = dict(found.barred)
    assert [why[day] for day in range(3)] == [
        "too warm for a double dose",
        "too warm for a double dose",
        "after the last day that is in time",
    ]


def test_a_day_on_which_it_gets_dark_first_is_told_as_that():
    dark = calendar(works=frozenset())._replace(dark={"formic acid": frozenset(range(80))})

    found = stops(TWO, 0, dark)

    assert isinstance(found, Lost)
    assert (found.why, found.freed) == ("it gets dark before a crew can work", None)
