"""The watch over a treatment that is in, from small skies."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from fractions import Fraction

import pytest

from support.weather import MONDAY, band, highs, regimen, scenarios, treatment
from windowcast.notice import watch_lines
from windowcast.trade.course import courses, snapshot
from windowcast.trade.journal import Entry
from windowcast.trade.rules import WorkRules
from windowcast.trade.treatment import Band, Dose, Slack
from windowcast.trade.workable import DayWeather, Hindrance
from windowcast.window.watch import Level, ahead, watch

SWAP = regimen(20, id="swap", doses=(Dose(0, strips=1), Dose(10, strips=1)))
ONCE = regimen(14, id="once", doses=(Dose(0, strips=2),))


def in_hand(way=ONCE, start=MONDAY, *later, form="gel strip"):
    plan = treatment(way)._replace(danger_c=Fraction(33), danger_days=3, active="formic acid",
                                   form=form)  # fmt: skip
    at = datetime(2026, 8, 31, tzinfo=UTC)
    entries = [
        Entry(1, "Creek Bend", "start", start, at, {"colonies": 4, "snapshot": snapshot(plan, way)})
    ]
    entries += [
        Entry(number, "Creek Bend", kind, day, at, {"start": 1})
        for number, (kind, day) in enumerate(later, start=2)
    ]
    (course,) = courses(entries)
    return course


def looked(course, columns=None, *, today=MONDAY, single=None, stale=False, **more):
    return watch(
        course,
        today=today,
        forecast=None if single is None else highs(*single, first_day=today),
        scenarios=None if columns is None else scenarios(columns, first_day=today),
        stale=stale,
        observed=more.pop("observed", {}),
        open_days=more.pop("open_days", {}),
        work=WorkRules(),
        max_danger=0.05,
        cancel_below=0.65,
        **more,
    )


COOL = [20.0] * 20


def with_a_high(value_c, day):
    return [value_c if offset == day else 20.0 for offset in range(20)]


def test_nothing_wrong_is_quiet():
    found = looked(in_hand(), [COOL] * 10, single=COOL)

    assert (found.level, found.days_left, found.covered) == (Level.QUIET, 14, 14)
    assert (found.chance.value, found.danger.value) == (1.0, 0.0)
    assert watch_lines.danger_words(found) == ""


def test_heat_after_the_start_counts_and_not_the_start_alone():
    """A treatment begun at 25 °C with heat on day 5 went wrong despite care (van Dooremalen &
    Cornelissen 2013)."""
    course = [25.0] * 5 + [31.0] * 3 + [24.0] * 12
    found = looked(in_hand(), [course] * 10, single=course)

    assert found.level is Level.WATCHFUL
    assert found.chance.value == 0.0
    assert found.outside == ((MONDAY + timedelta(days=5), 31.0),)
    assert found.danger_day is None


def said(found):
    return " ".join(" ".join(watch_lines.watch_lines(found, "C")).split())


def test_every_day_outside_is_named_with_its_high_and_what_to_do():
    """Days outside and a chance of nothing are no danger, and still somebody must act."""
    course = [31.4, 32.0, 20.0, 30.9, 30.2, *[20.0] * 15]
    found = looked(in_hand(), [course] * 10, single=course)

    assert found.level is Level.WATCHFUL
    assert [day["high_c"] for day in watch_lines.watch_document(found)["outside_days"]] == [
        31.4, 32.0, 30.9, 30.2
    ]  # fmt: skip
    text = said(found)
    assert (
        "Mon Aug 31 (31.4 °C), Tue Sep 1 (32.0 °C), Thu Sep 3 (30.9 °C) and Fri Sep 4 (30.2 °C) are"
        " forecast outside the band"
    ) in text
    assert f"Do {watch_lines.ADVICE}" in text


def test_what_keepers_do_against_heat_is_not_said_of_cold():
    cold = with_a_high(8.0, 2)
    found = looked(in_hand(), [cold] * 10, single=cold)

    text = said(found)
    assert "Wed Sep 2 is forecast at 8.0 °C, outside the band" in text
    assert f"Do {watch_lines.BY_THE_LABEL}" in text
    assert "shade" not in text


def test_a_chance_of_nothing_beyond_the_next_days_says_what_to_watch():
    late = with_a_high(31.0, 9)
    found = looked(in_hand(), [late] * 10, single=late)

    assert (found.level, found.outside) == (Level.WATCHFUL, ())
    assert f"Do {watch_lines.AHEAD}" in said(found)
    assert "Do " not in said(looked(in_hand(), [COOL] * 10, single=COOL))


def test_heat_in_a_treatment_without_a_dangerous_high_goes_by_the_label():
    course = in_hand()
    mild = course._replace(treatment=course.treatment._replace(danger_c=None))
    hot = with_a_high(31.0, 2)
    assert f"Do {watch_lines.BY_THE_LABEL}" in said(looked(mild, [hot] * 10, single=hot))


@pytest.mark.parametrize("day", [0, 1, 2])
def test_a_dangerous_high_in_the_first_three_days_is_urgent(day):
    found = looked(in_hand(), [COOL] * 10, single=with_a_high(33.1, day))

    assert found.level is Level.URGENT
    assert found.danger_day == MONDAY + timedelta(days=day)
    assert watch_lines.danger_words(found).startswith("strips in danger, ")


def test_exactly_the_limit_is_no_danger_and_later_days_are_not_critical():
    assert looked(in_hand(), [COOL] * 10, single=with_a_high(33.0, 1)).danger_day is None
    later = looked(in_hand(), [COOL] * 10, single=with_a_high(34.0, 3))
    assert (later.danger_day, later.level) == (None, Level.WATCHFUL)


def test_a_fresh_strip_has_first_days_of_its_own():
    """Still to come on day 10, it makes days 10 to 12 critical already now."""
    today = MONDAY + timedelta(days=6)
    columns = [with_a_high(34.0, 5)] * 3 + [COOL] * 7
    found = looked(in_hand(SWAP), columns, today=today)

    assert found.critical == tuple(MONDAY + timedelta(days=n) for n in (10, 11, 12))
    assert found.danger.value == 0.3
    assert found.level is Level.URGENT


def test_a_swap_that_is_listed_on_another_day_has_its_first_days_then():
    """Right on day 10, people come on day 12; then 34 °C on day 14, the third of the dose, is above
    the 33 °C of this treatment, made up as it is."""
    course = in_hand(SWAP).on([MONDAY + timedelta(days=after) for after in (12, 22)])

    found = looked(course, [with_a_high(34.0, 14)] * 3 + [COOL] * 7)

    assert found.critical[3:] == tuple(MONDAY + timedelta(days=n) for n in (12, 13, 14))
    assert found.danger.value == 0.3


def test_no_better_day_is_named_on_which_nobody_can_be_there():
    wet = DayWeather(20.0, 9.0, 10.0)
    course = in_hand(SWAP).on([MONDAY + timedelta(days=after) for after in (11, 21)])
    weather = days(d11=wet)

    def better(*free):
        able = {MONDAY + timedelta(days=after) for after in free}
        (found,) = looked(
            course, [COOL] * 3, single=COOL, open_days=weather, workable=able.__contains__
        ).visits
        return None if found.better is None else (found.better - MONDAY).days

    assert better(10, 12, 13) == 12
    assert better(9, 10) == 10
    assert better(9, 14) == 9  # its right day is 10: a day early at most, three late
    assert better(8, 14) is None


@pytest.mark.parametrize(
    ("listed", "wet", "better"),
    [
        ((5, 13, 18), 13, {9, 10, 11, 12}),  # right on 10
        ((5, 13, 22), 22, {18, 19, 20, 21}),  # right on 18, five days after the dose on 13
        ((8, 13, 18), 18, {19, 20, 21, 22}),  # right on 18: never before
    ],
)
def test_a_better_day_is_one_that_the_regimen_allows_after_the_visit_before(listed, wet, better):
    """Doses on days 0, 5 and 10, out on 15; a dose may be a day early and three late, the removal
    four late."""
    way = regimen(15, doses=tuple(Dose(day, strips=1) for day in (0, 5, 10)), id="three")._replace(
        dose_slack=Slack(1, 3), removal_late_days=4
    )
    course = in_hand(way).on([MONDAY + timedelta(days=day) for day in listed])
    rain = DayWeather(20.0, 9.0, 10.0)
    open_days = {MONDAY + timedelta(days=day): rain for day in range(30)}

    def named(dry):
        found = looked(
            course, [COOL] * 3, single=COOL,
            open_days=open_days | {MONDAY + timedelta(days=dry): DayWeather(20.0, 0.0, 10.0)},
        )  # fmt: skip
        at = MONDAY + timedelta(days=wet)
        return next((one.better for one in found.visits if one.visit.day == at), None)

    assert {day for day in range(30) if day != wet and named(day) is not None} == better


def test_a_late_swap_moves_the_critical_days_and_the_end():
    swapped = MONDAY + timedelta(days=12)
    found = looked(in_hand(SWAP, MONDAY, ("swap", swapped)), [COOL] * 4, today=swapped)

    assert found.critical == tuple(swapped + timedelta(days=n) for n in range(3))
    assert found.days_left == 10


@pytest.mark.parametrize(
    ("hot", "level"), [(0, Level.QUIET), (1, Level.QUIET), (2, Level.WATCHFUL), (5, Level.URGENT)]
)
def test_the_chance_of_danger_sets_the_level(hot, level):
    """Of 20 scenarios: one is the 5 % that a start is allowed, five are a quarter."""
    columns = [with_a_high(34.0, 1)] * hot + [COOL] * (20 - hot)

    assert looked(in_hand(), columns, single=COOL).level is level


def test_days_gone_by_are_told_and_not_counted():
    today = MONDAY + timedelta(days=4)
    seen = {MONDAY: 20.0, MONDAY + timedelta(days=2): 31.2, MONDAY - timedelta(days=1): 40.0}
    found = looked(in_hand(), [COOL] * 5, today=today, observed=seen)

    assert found.passed_out == ((MONDAY + timedelta(days=2), 31.2),)
    assert (found.days_left, found.chance.value) == (10, 1.0)


def test_without_a_forecast_nothing_is_known():
    for found in (looked(in_hand()), looked(in_hand(), [COOL] * 5, single=COOL, stale=True)):
        assert (found.level, found.chance, found.covered) == (Level.UNKNOWN, None, 0)
        assert "not known" in " ".join(watch_lines.watch_lines(found, "C"))


def test_a_single_forecast_keeps_the_watch():
    found = looked(in_hand(), single=with_a_high(34.0, 1)[:5])

    assert (found.level, found.covered, found.chance) == (Level.URGENT, 5, None)


def test_after_the_exposure_nothing_is_left():
    found = looked(in_hand(), [COOL] * 3, today=MONDAY + timedelta(days=14))

    assert (found.level, found.days_left) == (Level.QUIET, 0)


def days(**changed):
    found = {MONDAY + timedelta(days=n): DayWeather(20.0, 0.0, 10.0) for n in range(15)}
    for name, weather in changed.items():
        found[MONDAY + timedelta(days=int(name[1:]))] = weather
    return found


def test_a_swap_on_a_wet_day_has_a_better_one_beside_it():
    wet, windy = DayWeather(20.0, 9.0, 10.0), DayWeather(20.0, 0.0, 40.0)
    found = looked(
        in_hand(SWAP), [COOL] * 3, single=COOL, open_days=days(d10=wet, d11=windy, d9=wet)
    )

    (blocked,) = found.visits
    assert blocked.reasons == (Hindrance.WET,)
    assert blocked.better == MONDAY + timedelta(days=12)
    assert "too wet" in watch_lines.blocked_words(blocked)


def test_a_fresh_dose_that_takes_no_frame_out_is_too_cold_only_below_its_own_band():
    """Hives are opened from 12 °C; vapour here from 4 °C: common practice, no source."""
    again = regimen(
        11, doses=(Dose(0, g_per_chamber=1.0), Dose(5, g_per_chamber=1.0)), bounds=band("4", None)
    )

    def reasons(high_c, form):
        weather = days(d5=DayWeather(high_c, 0.0, 10.0))
        course = in_hand(again, form=form)
        found = looked(course, [COOL] * 3, single=COOL, open_days=weather)
        return [one.reasons for one in found.visits]

    assert reasons(5.0, "vapour") == []
    assert reasons(3.9, "vapour") == [(Hindrance.COLD,)]
    assert reasons(5.0, "gel") == [(Hindrance.COLD,)]


def test_a_removal_is_never_moved_before_the_exposure_has_ended():
    cold = DayWeather(8.0, 0.0, 10.0)
    found = looked(in_hand(), [COOL] * 3, single=COOL, open_days=days(d14=cold))

    (blocked,) = found.visits
    assert (blocked.reasons, blocked.better) == ((Hindrance.COLD,), None)
    assert "no better day" in watch_lines.blocked_words(blocked)


@pytest.mark.parametrize(("late", "better"), [(2, None), (3, 13)])
def test_how_far_a_swap_may_move_is_the_regimens_own(late, better):
    wet = DayWeather(20.0, 9.0, 10.0)
    way = SWAP._replace(dose_slack=Slack(earlier=0, later=late))
    found = looked(in_hand(way), [COOL] * 3, single=COOL, open_days=days(d10=wet, d11=wet, d12=wet))

    (blocked,) = found.visits
    assert blocked.better == (None if better is None else MONDAY + timedelta(days=better))


def test_how_late_a_removal_may_be_is_the_regimens_own():
    wet = DayWeather(20.0, 9.0, 10.0)
    open_days = days(d14=wet) | {MONDAY + timedelta(days=16): DayWeather(20.0, 0.0, 10.0)}
    found = [
        looked(in_hand(ONCE._replace(removal_late_days=late)), [COOL] * 3, single=COOL,
               open_days=open_days).visits[0].better
        for late in (1, 2)
    ]  # fmt: skip

    assert found == [None, MONDAY + timedelta(days=16)]


def test_the_message_says_what_to_do_and_who_decides():
    found = looked(in_hand(), [COOL] * 10, single=with_a_high(34.5, 1))

    subject, body = watch_lines.urgent_message([found], "C")

    assert subject == "Creek Bend: strips in danger, Tue Sep 1"
    text = " ".join(body.split())
    assert "Go by the label first" in text and "The label and local law decide" in text
    assert "Formic acid burns skin" in text
    assert "safe" not in text
    assert max(map(len, body.splitlines())) <= 78


def test_every_dangerous_day_is_named_with_its_high():
    """The first three days of a dose matter; the fourth, as hot, is only outside the band."""
    hot = [20.0, 34.5, 36.0, 36.0, *[20.0] * 16]
    found = looked(in_hand(), [COOL] * 10, single=hot)

    subject, body = watch_lines.urgent_message([found], "C")

    assert subject == "Creek Bend: strips in danger, Tue Sep 1 and Wed Sep 2"
    text = " ".join(body.split())
    assert (
        "DANGER Tue Sep 1 (34.5 °C) and Wed Sep 2 (36.0 °C) are forecast above 33.0 °C, on days"
        " that cost brood and queens"
    ) in text
    assert watch_lines.watch_document(found)["danger_days"] == [
        {"day": "2026-09-01", "high_c": 34.5},
        {"day": "2026-09-02", "high_c": 36.0},
    ]


def test_the_days_that_scenarios_make_dangerous_leave_out_those_between():
    columns = [with_a_high(34.0, 1)] * 4 + [COOL] * 6
    found = looked(in_hand(SWAP), columns, single=COOL)

    text = " ".join(" ".join(watch_lines.watch_lines(found, "C")).split())

    assert "(Mon Aug 31 to Wed Sep 2 and Thu Sep 10 to Sat Sep 12)" in text


def test_a_forecast_is_held_against_every_day_of_a_start():
    """Not the first day alone, nor the next five: heat on day 5 spoiled a treatment that began at
    25 °C (van Dooremalen & Cornelissen 2013)."""
    course = in_hand()
    single = [20.0, 34.5, *[20.0] * 7, 36.0]
    found = ahead(course, highs(*single, first_day=MONDAY), today=MONDAY)

    assert found.outside == (
        (MONDAY + timedelta(days=1), 34.5),
        (MONDAY + timedelta(days=9), 36.0),
    )
    assert found.dangerous == ((MONDAY + timedelta(days=1), 34.5),)
    assert found.unknown == tuple(MONDAY + timedelta(days=after) for after in range(10, 14))
    nothing = ahead(course, None, today=MONDAY + timedelta(days=12))
    assert nothing.unknown == tuple(MONDAY + timedelta(days=after) for after in (12, 13))


def test_the_watch_and_a_start_name_heat_in_the_same_words():
    single = [20.0, 34.5, *[20.0] * 18]
    course = in_hand()
    told = watch_lines.watch_lines(looked(course, single=single), "C")
    watched = " ".join(" ".join(told).split())
    found = ahead(course, highs(*single, first_day=MONDAY), today=MONDAY)

    danger, outside = watch_lines.ahead_words(found, course, "C")

    assert danger.startswith("DANGER: ")
    assert danger.removeprefix("DANGER: ") in watched
    cooler = looked(course, single=with_a_high(31.0, 1))
    said = " ".join(" ".join(watch_lines.watch_lines(cooler, "C")).split())
    assert outside.split(" (")[0].replace("34.5", "31.0") in said


def test_a_treatment_that_no_weather_bounds_has_nothing_unchecked():
    free = in_hand(ONCE._replace(band=Band()))
    free = free._replace(treatment=free.treatment._replace(danger_c=None))

    assert ahead(free, None, today=MONDAY).unknown == ()
