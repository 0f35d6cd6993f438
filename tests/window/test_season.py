"""What past years would have allowed, against a slow twin and cases worked by hand."""

from __future__ import annotations

import random
from datetime import date, timedelta
from fractions import Fraction

import pytest

from support.weather import regimen, treatment
from windowcast.sky.highs import DailyHighs
from windowcast.trade.treatment import Band, Phase
from windowcast.window.season import (
    MonthDay,
    SeasonDays,
    half_months,
    hardly_ever,
    late_summer,
    past_seasons,
    pooled,
)

PHASED = regimen(
    5,
    bounds=Band(Fraction(10), Fraction("29.5")),
    phases=[Phase(0, 1, Band(Fraction(10), Fraction(25)))],
)


def record(first, last, high=lambda day: 200):
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    return DailyHighs(first_day=first, tenths=tuple(high(day) for day in days))


def drawn(seed, *, years=6):
    chance = random.Random(seed)
    first = date(2011, 11, 20)
    return record(
        first,
        date(2011 + years, 11, 19),
        lambda day: None if chance.random() < 0.01 else chance.randint(150, 270),
    )


def days_between(season, year):
    day, found = date(year, season.first.month, season.first.day), []
    for _ in range(367):
        found.append(day)
        if (day.month, day.day) == season.last:
            return found
        day += timedelta(days=1)
    raise AssertionError("never reached")


SEASONS = [
    SeasonDays(MonthDay(8, 1), MonthDay(10, 15)),
    SeasonDays(MonthDay(2, 1), MonthDay(4, 15)),
    SeasonDays(MonthDay(12, 10), MonthDay(3, 5)),
    SeasonDays(MonthDay(1, 1), MonthDay(12, 31)),
]


@pytest.mark.parametrize("season", SEASONS, ids=lambda one: f"{one.first} to {one.last}")
@pytest.mark.parametrize("seed", range(5))
def test_shares_are_those_of_a_plain_loop(season, seed):
    highs = drawn(seed)
    known = {
        highs.first_day + timedelta(days=n): high
        for n, high in enumerate(highs.tenths)
        if high is not None
    }
    counts, whole, firsts = {}, 0, []
    for year in range(2010, 2019):
        results = []
        for day in days_between(season, year):
            window = [known.get(day + timedelta(days=n)) for n in range(5)]
            if None in window:
                results.append(None)
                continue
            held = all(100 <= high <= (250 if n < 2 else 295) for n, high in enumerate(window))
            results.append(held)
            got = counts.setdefault((day.month, day.day), [0, 0])
            got[0] += held
            got[1] += 1
        if None not in results:
            whole += 1
            firsts.append(results.index(True) if True in results else 999)

    (found,) = past_seasons(highs, treatment(PHASED), season).regimens

    assert {(s.day.month, s.day.day): [s.held, s.years] for s in found.starts if s.years} == counts
    assert found.whole_years == whole
    assert found.without == firsts.count(999)


def test_a_bound_belongs_to_the_band_and_a_tenth_beyond_it_does_not():
    season = SeasonDays(MonthDay(9, 1), MonthDay(9, 1))
    shares = []
    for tenths in (295, 296, 100, 99):
        highs = record(
            date(2020, 9, 1), date(2020, 9, 14), lambda day, t=tenths: t if day.day == 14 else 200
        )
        shares.append(past_seasons(highs, treatment(regimen(14)), season).regimens[0].starts[0])

    assert [one.held for one in shares] == [1, 0, 1, 0]


def test_a_window_with_a_missing_day_is_dropped_even_where_another_day_is_outside():
    season = SeasonDays(MonthDay(9, 1), MonthDay(9, 1))
    highs = record(
        date(2020, 9, 1), date(2020, 9, 14), lambda day: {3: None, 5: 400}.get(day.day, 200)
    )

    found = past_seasons(highs, treatment(regimen(14)), season)

    assert found.years == 0
    assert found.regimens[0].starts[0].share is None
    assert found.least_without is None
    assert not hardly_ever(found)


def test_29_february_is_a_start_of_leap_years_alone():
    season = SeasonDays(MonthDay(2, 27), MonthDay(3, 2))
    highs = record(date(2017, 1, 1), date(2024, 12, 31))  # leap: 2020 and 2024

    (found,) = past_seasons(highs, treatment(regimen(3)), season).regimens

    assert [(str(one.day), one.years) for one in found.starts] == [
        ("02-27", 8),
        ("02-28", 8),
        ("02-29", 2),
        ("03-01", 8),
        ("03-02", 8),
    ]
    assert found.whole_years == 8


def test_the_median_counts_a_year_without_as_later_than_all():
    season = SeasonDays(MonthDay(9, 1), MonthDay(9, 10))
    # First starts by year: Sep 1, Sep 4, none.
    opens = {2020: 1, 2021: 4, 2022: 99}
    highs = record(
        date(2020, 1, 1), date(2022, 12, 31), lambda day: 200 if day.day >= opens[day.year] else 350
    )

    (found,) = past_seasons(highs, treatment(regimen(2)), season).regimens

    assert str(found.median_first) == "09-04"
    assert found.share_without == Fraction(1, 3)


def test_no_window_in_most_years_is_said_so():
    highs = record(date(2019, 1, 1), date(2022, 12, 31), lambda day: 200 if day.year == 2019 else 9)

    found = past_seasons(highs, treatment(regimen(14)), late_summer(45.0))

    assert found.least_without == Fraction(3, 4)
    assert found.regimens[0].median_first is None
    assert hardly_ever(found)


def test_half_months_pool_all_starts_of_all_years():
    highs = record(date(2019, 1, 1), date(2022, 12, 31), lambda day: 200 if day.year == 2019 else 9)

    halves = half_months(past_seasons(highs, treatment(regimen(1)), SEASONS[0]).regimens[0].starts)

    assert [(str(half[0].day), str(half[-1].day)) for half in halves] == [
        ("08-01", "08-15"),
        ("08-16", "08-31"),
        ("09-01", "09-15"),
        ("09-16", "09-30"),
        ("10-01", "10-15"),
    ]
    assert [pooled(half) for half in halves] == [Fraction(1, 4)] * 5


def test_late_summer_is_half_a_year_later_in_the_south():
    assert [str(one) for one in late_summer(45.0)] == ["08-01", "10-15"]
    assert [str(one) for one in late_summer(-38.0)] == ["02-01", "04-15"]


def test_a_record_shorter_than_the_exposure_knows_nothing():
    found = past_seasons(
        record(date(2020, 9, 1), date(2020, 9, 5)), treatment(regimen(14)), SEASONS[0]
    )

    assert found.years == 0
