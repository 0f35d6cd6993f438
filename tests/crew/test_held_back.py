"""What keeps a named start back: the same days as in the crews' plan, whatever is taken or shut."""

from __future__ import annotations

from datetime import date, timedelta
from fractions import Fraction

import pytest

from support.answers import answer_from
from support.weather import FORMIC_STRIPS, MONDAY, regimen, scenarios, treatment, yard
from windowcast.crew.days import Calendar, Lost, closed_days
from windowcast.crew.held_back import Days, kept_back
from windowcast.crew.needs import stops_of
from windowcast.crew.promised import promised_visits
from windowcast.crew.settings import CrewRow, FixedRow
from windowcast.notice.reason import reason
from windowcast.notice.visit_lines import sentence, why
from windowcast.trade.rules import WorkRules
from windowcast.trade.treatment import Dose, Slack
from windowcast.trade.work import Job, Kind, Plan, jobs
from windowcast.trade.workable import DayWeather, Hindrance, rules_for
from windowcast.window.decide import (
    Flaw,
    Status,
    TreatmentAnswer,
    YardAnswer,
)

RULES = WorkRules()
EVERY_DAY = frozenset(range(80))


def fixed(first: int, last: int, keeps_out: str) -> FixedRow:
    return FixedRow(
        "Creek Bend",
        MONDAY + timedelta(days=first),
        MONDAY + timedelta(days=last),
        visits=keeps_out != "treatments",
        treatments=keeps_out != "visits",
        why="pollination",
    )


def answer(given=FORMIC_STRIPS, high_c: float = 20) -> YardAnswer:
    """Every day as warm as each other, so that every start is named."""
    return answer_from(given, [[high_c] * 40] * 51)


def days(*rows: FixedRow, weather: dict[date, DayWeather] | None = None, later=None) -> Days:
    return Days(fixed=rows, open_days=weather or {}, scenarios=later, rules=RULES)


def left(found: TreatmentAnswer) -> set[tuple[date, str]]:
    return {(row.day, row.start.regimen.id) for row in found.rows if row.safe}


@pytest.mark.parametrize("slack", [Slack(), Slack(earlier=1, later=2)])
@pytest.mark.parametrize(
    "rows",
    [
        (fixed(-4, 9, "treatments"),),
        (fixed(5, 8, "visits"),),
        (fixed(12, 16, "both"),),
        (fixed(10, 10, "visits"), fixed(11, 14, "visits")),
        (fixed(20, 22, "treatments"), fixed(3, 3, "visits")),
    ],
)
def test_the_days_that_are_left_are_those_that_the_crews_plan_could_use(rows, slack):
    """With a crew on every day and hives that open on every day."""
    given = FORMIC_STRIPS._replace(
        regimens=tuple(one._replace(dose_slack=slack) for one in FORMIC_STRIPS.regimens)
    )
    taken = tuple(one.taken for one in rows)
    calendar = Calendar(
        MONDAY, 80, 30, {"": EVERY_DAY, "formic acid": EVERY_DAY}, {}, taken
    )  # fmt: skip
    whole = answer(given)

    found = days(*rows).free(whole)

    able = {
        (row.day, row.start.regimen.id)
        for row in whole.main.rows
        if row.safe
        and not isinstance(
            stops_of(yard(), given, row.start.regimen, day=(row.day - MONDAY).days,
                     calendar=calendar, rules=RULES),
            Lost,
        )
    }  # fmt: skip
    assert left(found.main) == able
    assert 0 < len(able) < len(left(whole.main))


@pytest.mark.parametrize("form", ["gel strip", "trickle"])
def test_hives_stay_shut_on_the_days_of_the_plan_and_beyond_the_forecast_by_the_scenarios(form):
    """A trickle takes no frame out: for it a day is too cold only below its own band, here 1 °C."""
    one = FORMIC_STRIPS.regimens[0]
    one = one._replace(band=one.band._replace(low_c=Fraction(1)))
    given = treatment(one)._replace(form=form)
    later = scenarios([[20.0] * 16 + [4.0] * 5 + [20.0] * 19] * 51)
    weather = {
        MONDAY: DayWeather(20.0, 8.0, 5.0),
        MONDAY + timedelta(days=1): DayWeather(20.0, 0.0, 60.0),
        MONDAY + timedelta(days=2): DayWeather(2.0, 0.0, 5.0),
        MONDAY + timedelta(days=3): DayWeather(20.0),
    }
    whole = answer(given)

    found = days(weather=weather, later=later).free(whole)

    rules = rules_for(RULES, given, given.regimens[0])
    closed = closed_days(weather, later, rules, first=MONDAY, days=80)
    shut = {MONDAY + timedelta(days=day) for day in closed}
    assert {row.day for row in found.main.rows if row.shut} == shut & {
        row.day for row in whole.main.rows
    }
    assert found.main.named is not None
    assert found.main.named.day == min(day for day, _ in left(whole.main) if day not in shut)
    first = kept_back(found.main)[0]
    assert (first.day, first.flaws, first.shut) == (MONDAY, (Flaw.SHUT,), (Hindrance.WET,))


def test_a_start_of_today_is_left_to_the_words_only_where_no_later_one_is_left():
    wet = DayWeather(20.0, 8.0, 5.0)
    whole = answer()

    some = days(weather={MONDAY: wet}).told(whole).main
    every = {MONDAY + timedelta(days=day): wet for day in range(40)}
    none = days(weather=every).told(whole).main

    assert some.status is Status.LATER and some.named is not None
    assert some.named.day == MONDAY + timedelta(days=1)
    assert some.visits[0].day == some.named.day
    assert none.status is Status.OPEN and none.named is not None and none.named.day == MONDAY
    assert days(weather=every).free(whole).main.status is Status.CLOSED


def test_where_all_days_are_taken_nothing_is_named_and_it_is_said_why():
    found = days(fixed(-1, 60, "treatments")).told(answer()).main

    assert (found.status, found.named, found.visits) == (Status.CLOSED, None, ())
    assert [one.why for row in kept_back(found)[:1] for one in row.taken] == ["pollination"]
    assert not days(fixed(-9, -1, "both")).free(answer()).main.rows[0].held_back


def test_visits_on_taken_days_are_listed_on_the_nearest_free_day_that_their_regimen_allows():
    """A removal may be four days late, a swap one day early and three late; the count and the look
    for queens wait. A swap a day early has all that follows on it right a day sooner."""
    one = FORMIC_STRIPS.regimens[1]
    assert (one.dose_slack, one.removal_late_days) == (Slack(earlier=1, later=3), 4)
    plan = Plan(MONDAY, FORMIC_STRIPS, one, 1.0)
    every = jobs(yard(), entries=(), plan=plan, rules=RULES, today=MONDAY)
    right = {job.kind: (job.on - MONDAY).days for job in every}
    assert (right[Kind.SWAP], right[Kind.REMOVE]) == (10, 20)
    queens, count = right[Kind.QUEENS], right[Kind.COUNT_AFTER]
    rows = (
        fixed(10, 11, "visits"),
        fixed(19, 21, "both"),
        fixed(queens - 1, queens + 2, "visits"),
        fixed(count, count, "treatments"),
    )

    found = {job.kind: job for job in days(*rows).moved(every, MONDAY)}

    on = {kind: (job.on - MONDAY).days for kind, job in found.items()}
    assert on == {
        Kind.APPLY: 0,
        Kind.SWAP: 9,
        Kind.REMOVE: 22,
        Kind.QUEENS: queens + 3,
        # Two weeks after the removal as it is listed.
        Kind.COUNT_AFTER: count + 2,
    }
    assert [kind for kind, job in found.items() if job.moved] == [Kind.SWAP, Kind.REMOVE]
    assert "its right day is Thu Sep 10" in sentence(found[Kind.SWAP])
    # Where no day is left it stays, and is said to be on a day that is taken.
    stuck = days(fixed(20, 24, "visits")).moved(every, MONDAY)
    assert MONDAY + timedelta(days=20) in {job.on for job in stuck if job.kind is Kind.REMOVE}


@pytest.mark.parametrize(
    ("warm_from", "said"),
    [
        (
            20,
            "too cold to open hives: put a board under them instead, or count on Sun Sep 20, the"
            " first day warm enough",
        ),
        (40, "too cold to open hives: put a board under them instead"),
        (10, None),
    ],
)
def test_a_count_after_a_trickle_on_a_cold_day_is_made_by_a_board_or_on_a_warm_one(warm_from, said):
    """A wash takes a frame out: common practice, no source. Begun on Monday, August 31, the count
    is right from September 15 on, day 15."""
    once = regimen(1, id="once", doses=(Dose(0, ml_per_seam=5.0),))
    plan = Plan(MONDAY, treatment(once)._replace(active="oxalic acid", form="trickle"), once, 1.0)
    every = jobs(yard(), entries=[], plan=plan, rules=RULES, today=MONDAY)
    weather = scenarios([[5.0] * warm_from + [15.0] * (40 - warm_from)] * 5)

    found = {one.kind: one for one in days(later=weather).moved(every, MONDAY)}
    count = found[Kind.COUNT_AFTER]

    assert count.on == MONDAY + timedelta(days=15)
    assert count.too_cold is (said is not None)
    assert not found[Kind.APPLY].too_cold
    if said is None:
        assert "too cold" not in why(count)
    else:
        assert why(count).endswith(said)


def test_the_named_start_is_told_with_the_visits_on_the_days_on_which_they_are_listed():
    taken = days(fixed(14, 15, "visits"))

    told = taken.told(answer()).main

    assert told.named is not None and told.named.day == MONDAY
    assert told.named.start.regimen.exposure_days == 14
    plan = Plan(MONDAY, FORMIC_STRIPS, told.named.start.regimen, 1.0)
    every = jobs(yard(), entries=(), plan=plan, rules=RULES, today=MONDAY)
    listed = [
        (job.on, job.kind.value)
        for job in taken.moved(every, MONDAY)
        if job.kind in (Kind.APPLY, Kind.SWAP, Kind.REMOVE)
    ]
    assert [(visit.day, visit.task.value) for visit in told.visits] == listed
    assert listed[-1] == (MONDAY + timedelta(days=16), "remove")


def test_visits_are_listed_on_days_on_which_a_crew_works_that_may_do_them():
    """From a Monday: the swap's right day is a Thursday, the removal's a Sunday."""
    one = FORMIC_STRIPS.regimens[1]
    every = jobs(
        yard(), entries=(), plan=Plan(MONDAY, FORMIC_STRIPS, one, 1.0), rules=RULES, today=MONDAY
    )

    def on(*crews: CrewRow, holidays: frozenset[date] = frozenset()) -> dict[Kind, int]:
        known = days()._replace(crews=crews, holidays=holidays)
        found = known.moved(every, MONDAY)
        return {job.kind: (job.on - MONDAY).days for job in found if job.dose is not None}

    week = CrewRow("North")
    assert on() == {Kind.APPLY: 0, Kind.SWAP: 10, Kind.REMOVE: 20}
    assert on(week) == {Kind.APPLY: 0, Kind.SWAP: 10, Kind.REMOVE: 21}
    closed = frozenset({MONDAY + timedelta(days=21)})
    assert on(week, holidays=closed)[Kind.REMOVE] == 22
    tuesdays = CrewRow("South", days=frozenset({1}), off=frozenset({MONDAY + timedelta(days=8)}))
    assert on(tuesdays) == {Kind.APPLY: 0, Kind.SWAP: 10, Kind.REMOVE: 22}
    others = week._replace(actives=frozenset({"thymol"}))
    assert on(others)[Kind.REMOVE] == 20
    assert on(others, tuesdays)[Kind.REMOVE] == 22


def test_what_is_late_waits_for_no_crew():
    one = FORMIC_STRIPS.regimens[1]
    plan = Plan(MONDAY, FORMIC_STRIPS, one, 1.0)
    every = jobs(yard(), entries=(), plan=plan, rules=RULES, today=MONDAY)
    sunday = MONDAY + timedelta(days=27)
    late = [job._replace(on=sunday, late_days=3) for job in every if job.kind is Kind.REMOVE]

    assert late
    crews = (CrewRow("North"),)
    assert [job.on for job in days()._replace(crews=crews).moved(late, sunday)] == [sunday]


def test_what_follows_a_swap_that_is_listed_late_is_counted_from_there():
    """The swap of a start on Monday, August 31, is right on Thursday, September 10, and may be a
    day early or three late; ten days on its dose has worked. Common practice, no source."""
    one = FORMIC_STRIPS.regimens[1]
    plan = Plan(MONDAY, FORMIC_STRIPS, one, 1.0)
    every = jobs(yard(), entries=(), plan=plan, rules=RULES, today=MONDAY)
    nominal = {job.kind: job for job in every}
    sundays = days()._replace(crews=(CrewRow("North", days=frozenset({2, 6})),))

    found = {job.kind: job for job in sundays.moved(every, MONDAY)}

    # Wednesday, September 9, is a day early, Sunday, September 13, three late.
    assert (found[Kind.SWAP].on - MONDAY).days == 9
    late = days()._replace(crews=(CrewRow("North", days=frozenset({6})),))
    found = {job.kind: job for job in late.moved(every, MONDAY)}
    assert (found[Kind.SWAP].on - MONDAY).days == 13
    assert (found[Kind.SWAP].day - MONDAY).days == 10
    # Right on day 23, a Wednesday; of the four days after it Sunday, September 27, is one.
    assert ((found[Kind.REMOVE].day - MONDAY).days, (found[Kind.REMOVE].on - MONDAY).days) == (
        23, 27,
    )  # fmt: skip
    assert found[Kind.QUEENS].day - nominal[Kind.QUEENS].day == timedelta(days=3)
    # Two weeks after the removal as it is listed.
    assert found[Kind.COUNT_AFTER].day - nominal[Kind.COUNT_AFTER].day == timedelta(days=7)


def promise(swap: int, remove: int, **changed: object) -> dict:
    """What a plan keeps of one start of single strips on MONDAY; days from there."""
    visits = {"apply": 0, "swap": swap, "remove": remove}
    need = {
        "key": "Creek Bend\ntreatment-1",
        "treatment": FORMIC_STRIPS.id,
        "regimen": FORMIC_STRIPS.regimens[1].id,
        "start": MONDAY.isoformat(),
        "stops": [
            [task, (MONDAY + timedelta(days=day)).isoformat(), "North"]
            for task, day in visits.items()
        ],
    }
    return {"needs": [need | changed]}


def single_strips() -> tuple[Job, ...]:
    plan = Plan(MONDAY, FORMIC_STRIPS, FORMIC_STRIPS.regimens[1], 1.0)
    return jobs(yard(), entries=(), plan=plan, rules=RULES, today=MONDAY)


def listed(known: Days, *, today: int = 0) -> dict[Kind, Job]:
    found = known.moved(single_strips(), MONDAY + timedelta(days=today))
    return {job.kind: job for job in found}


def test_what_was_promised_is_listed_on_the_promised_day_and_says_which_crew():
    """The swap's right day is 10, the removal's ten days after it: common practice, no source."""
    known = days()._replace(promised=promised_visits(promise(12, 23)))

    found = listed(known)

    swap, remove = found[Kind.SWAP], found[Kind.REMOVE]
    assert ((swap.on - MONDAY).days, (remove.on - MONDAY).days) == (12, 23)
    assert (remove.day - MONDAY).days == 22
    assert "promised: Sat Sep 12, North" in why(swap)
    assert "its right day is Thu Sep 10" in why(swap)
    assert "promised: Wed Sep 23, North" in why(remove)
    on_their_days = listed(days()._replace(promised=promised_visits(promise(10, 20))))
    assert "promised: Thu Sep 10, North" in why(on_their_days[Kind.SWAP])
    assert "its right day" not in why(on_their_days[Kind.SWAP])


@pytest.mark.parametrize(
    ("rows", "changed", "today"),
    [
        ((fixed(12, 12, "visits"),), {}, 0),
        ((), {"regimen": FORMIC_STRIPS.regimens[0].id}, 0),
        ((), {"treatment": "thymol-gel"}, 0),
        ((), {"start": (MONDAY - timedelta(days=1)).isoformat()}, 0),
        ((), {"key": "Creek Bend\ntreatment-2"}, 0),
        ((), {}, 13),
    ],
    ids=["taken", "regimen", "treatment", "start", "series", "passed"],
)
def test_a_promise_of_something_else_or_of_no_use_moves_nothing(rows, changed, today):
    known = days(*rows)
    promised = known._replace(promised=promised_visits(promise(12, 22, **changed)))

    swap = listed(promised, today=today)[Kind.SWAP]

    assert swap.promised is None
    assert swap == listed(known, today=today)[Kind.SWAP]


@pytest.mark.parametrize("swap", [8, 14])
def test_a_promised_day_that_the_regimen_no_longer_allows_is_not_gone_by(swap):
    """A swap may be a day early and three late: common practice, no source."""
    known = days()._replace(promised=promised_visits(promise(swap, 24)))

    assert (listed(known)[Kind.SWAP].on - MONDAY).days == 10


def test_what_was_promised_is_not_late_once_its_right_day_has_passed():
    """Right on day 10, promised for day 13, which the regimen still allows (three days late: common
    practice, no source): on day 12 it is as it was on day 10."""
    today = MONDAY + timedelta(days=12)
    late = [job._replace(on=today, late_days=1) for job in single_strips() if job.kind is Kind.SWAP]
    known = days()._replace(promised=promised_visits(promise(13, 23)))

    (swap,) = known.moved(late, today)
    (missed,) = known.moved(
        [job._replace(on=today + timedelta(days=2), late_days=3) for job in late],
        today + timedelta(days=2),
    )

    assert ((swap.on - MONDAY).days, swap.late_days) == (13, 0)
    assert "promised: Sun Sep 13, North; its right day is Thu Sep 10" in why(swap)
    assert ((missed.on - MONDAY).days, missed.late_days, missed.promised) == (14, 3, None)


def test_what_is_late_leaves_a_taken_day_also_where_a_later_one_was_promised():
    today = MONDAY + timedelta(days=12)
    late = [job._replace(on=today, late_days=1) for job in single_strips() if job.kind is Kind.SWAP]
    known = days(fixed(12, 12, "visits"))._replace(promised=promised_visits(promise(13, 23)))

    (swap,) = known.moved(late, today)

    assert (swap.on - MONDAY).days == 13
    assert swap.promised is not None


@pytest.mark.parametrize(
    "changed", [{"lapsed": True}, {"slack": Slack()}], ids=["lapsed", "after its latest day"]
)
def test_a_promise_for_later_than_it_may_be_is_no_leave_to_wait(changed):
    today = MONDAY + timedelta(days=21)
    late = [
        job._replace(on=today, late_days=1, **changed)
        for job in single_strips()
        if job.kind is Kind.REMOVE
    ]
    known = days()._replace(promised=promised_visits(promise(10, 23)))

    (removal,) = known.moved(late, today)

    assert (removal.on, removal.promised) == (today, None)


NORTH = CrewRow("North", days=frozenset(range(7)))
DAY_12 = MONDAY + timedelta(days=12)


@pytest.mark.parametrize(
    ("crews", "holidays", "listed_on"),
    [
        ((NORTH,), (), 12),
        ((NORTH._replace(off=frozenset({DAY_12})),), (), 10),
        ((NORTH,), (DAY_12,), 10),
        ((NORTH._replace(name="Valley"),), (), 10),
        ((NORTH._replace(actives=frozenset({"thymol"})), NORTH._replace(name="South")), (), 10),
    ],
    ids=["comes", "off", "holiday", "renamed", "may not"],
)
def test_a_promise_holds_only_where_its_crew_can_come(crews, holidays, listed_on):
    known = days()._replace(
        crews=crews, holidays=frozenset(holidays), promised=promised_visits(promise(12, 23))
    )

    swap = listed(known)[Kind.SWAP]

    assert (swap.on - MONDAY).days == listed_on
    assert (swap.promised is not None) == (listed_on == 12)


def test_the_named_start_that_was_promised_is_told_with_its_promised_visits():
    one = FORMIC_STRIPS.regimens[1]
    whole = answer(treatment(one))
    stops = promise(11, 22, treatment=whole.main.treatment.id)

    known = days()._replace(promised=promised_visits(stops))
    told = known.told(whole).main
    of_another = known._replace(
        promised=tuple(each._replace(start=MONDAY + timedelta(days=1)) for each in known.promised)
    ).told(whole)

    def away(found: TreatmentAnswer) -> list[int]:
        return [(visit.day - MONDAY).days for visit in found.visits]

    assert away(told) == [0, 11, 22]
    assert away(of_another.main) == [0, 10, 20]


WET_DAY = DayWeather(high_c=26.5, rain_mm=30.0, wind_kmh=5.0)


@pytest.mark.parametrize(
    ("rows", "weather", "why"),
    [
        ((fixed(0, 1, "visits"),), {}, "something else has taken its days"),
        ((), {MONDAY: WET_DAY}, "hives stay shut on that day"),
        ((fixed(0, 90, "visits"),), {}, "something else has taken its days"),
    ],
)
def test_a_day_that_one_regimen_fits_is_kept_back_by_what_has_taken_it(rows, weather, why):
    """At 26.5 °C one strip at a time fits, and a double dose does not."""
    told = days(*rows, weather=weather).free(answer(high_c=26.5))

    text = reason(told.main, told.forecast, "C")

    day = "Mon Aug 31"
    wanted = f"A start on {day} comes nearest" if told.main.named is None else f"Not {day}"
    assert f"{wanted}: {why}." in text
    assert text.count("above the 25.0 °C that a double dose allows") == 1


def test_a_day_too_hot_for_every_regimen_is_not_said_to_be_taken():
    told = days(fixed(0, 1, "visits")).free(answer(high_c=32))

    assert "taken" not in reason(told.main, told.forecast, "C")
