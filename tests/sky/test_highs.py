"""Daily highs in the yard's own days."""

from __future__ import annotations

from array import array
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from windowcast.sky.highs import (
    DailyHighs,
    Members,
    complete_members,
    daily_blocks_are_local_days,
    from_day,
    local_days,
    tenths,
    trim,
)

UTC_ZONE = ZoneInfo("UTC")
CHICAGO = ZoneInfo("America/Chicago")


@pytest.mark.parametrize(
    ("value_c", "expected"),
    [
        pytest.param(0.0, 0, id="zero degrees is a temperature"),
        pytest.param(-0.0, 0, id="minus zero is zero"),
        pytest.param(29.5, 295, id="one decimal is exact"),
        pytest.param(12.25, 122, id="a printed half goes to the even tenth below"),
        pytest.param(12.35, 124, id="a printed half goes to the even tenth above"),
        pytest.param(0.15, 2, id="a half that binary puts below is a half"),
        pytest.param(-0.25, -2, id="a half below zero goes to the even tenth"),
        pytest.param(24.444444444444443, 244, id="converted from Fahrenheit"),
        pytest.param(60.0, 600, id="60 degrees is the highest taken"),
        pytest.param(60.1, None, id="above 60 degrees is unknown"),
        pytest.param(-90.0, -900, id="minus 90 degrees is the lowest taken"),
        pytest.param(-9999.0, None, id="a stand-in for missing is unknown"),
        pytest.param(float("nan"), None, id="not a number is unknown"),
        pytest.param(float("inf"), None, id="infinity is unknown"),
        pytest.param(7, 70, id="whole numbers are taken"),
    ],
)
def test_tenths(value_c: float, expected: int | None) -> None:
    assert tenths(value_c) == expected


@given(st.integers(-900, 600))
def test_every_printed_tenth_survives(whole: int) -> None:
    """A value with one decimal is never moved."""
    assert tenths(float(f"{whole / 10:.1f}")) == whole


def marked_days(
    first_hour_utc: datetime, hours: int, zone: ZoneInfo
) -> tuple[DailyHighs, dict[date, int]]:
    """Highs of a series whose value is the number of hours since the local midnight, in tenths."""
    expected: dict[date, int] = {}
    values: list[float | None] = []
    for index in range(hours):
        day = (first_hour_utc + timedelta(hours=index)).astimezone(zone).date()
        expected[day] = expected.get(day, 0) + 1
        values.append(expected[day] / 10)
    return local_days(first_hour_utc, values, zone), expected


@pytest.mark.parametrize(
    ("zone", "first_hour", "day", "hours"),
    [
        pytest.param("America/Chicago", "2026-03-07", "2026-03-08", 23, id="spring, 23 hours"),
        pytest.param("America/Chicago", "2026-10-31", "2026-11-01", 25, id="autumn, 25 hours"),
        pytest.param("Europe/Paris", "2026-03-28", "2026-03-29", 23, id="Europe's spring"),
        pytest.param("Australia/Sydney", "2026-10-03", "2026-10-04", 23, id="southern spring"),
        pytest.param("Australia/Sydney", "2026-04-04", "2026-04-05", 25, id="southern autumn"),
        pytest.param("Pacific/Auckland", "2026-09-26", "2026-09-27", 23, id="New Zealand"),
        pytest.param("Pacific/Kiritimati", "2026-05-08", "2026-05-10", 24, id="14 hours ahead"),
        pytest.param("Pacific/Niue", "2026-05-09", "2026-05-10", 24, id="11 hours behind"),
        pytest.param("Asia/Kolkata", "2026-05-08", "2026-05-10", 24, id="half-hour zone, east"),
        pytest.param("America/St_Johns", "2026-05-09", "2026-05-10", 24, id="half-hour, west"),
        pytest.param("Asia/Kathmandu", "2026-05-08", "2026-05-10", 24, id="quarter-hour zone"),
        pytest.param("Australia/Lord_Howe", "2026-10-02", "2026-10-04", 23, id="half-hour jump"),
        pytest.param("America/Havana", "2026-03-07", "2026-03-08", 23, id="a missing midnight"),
        pytest.param("America/Havana", "2026-10-31", "2026-11-01", 25, id="midnight twice"),
        pytest.param("America/Chicago", "2026-12-30", "2026-12-31", 24, id="last day of a year"),
        pytest.param("America/Chicago", "2026-12-30", "2027-01-01", 24, id="first day of a year"),
        pytest.param("Europe/Berlin", "2028-02-27", "2028-02-29", 24, id="29 February"),
    ],
)
def test_hours_of_a_local_day(zone: str, first_hour: str, day: str, hours: int) -> None:
    start = datetime.fromisoformat(first_hour).replace(tzinfo=UTC)

    found, expected = marked_days(start, 96, ZoneInfo(zone))

    asked = date.fromisoformat(day)
    assert expected[asked] == hours
    assert found.on(asked) == hours


def test_a_zone_that_skips_a_date_leaves_it_unknown() -> None:
    """Samoa had no 30 December 2011: the days stay consecutive, that one without a high."""
    found, _ = marked_days(datetime(2011, 12, 29, tzinfo=UTC), 72, ZoneInfo("Pacific/Apia"))

    assert found.on(date(2011, 12, 30)) is None
    assert found.on(date(2011, 12, 31)) == 24


def day_of_hours(*changes: tuple[int, float | None]) -> list[float | None]:
    """24 hours: 10 °C, 20 °C from 12 to 15, with some hours changed."""
    values: list[float | None] = [20.0 if 12 <= hour <= 15 else 10.0 for hour in range(24)]
    for hour, value in changes:
        values[hour] = value
    return values


def high_of(values: list[float | None]) -> int | None:
    return local_days(datetime(2026, 5, 10, tzinfo=UTC), values, UTC_ZONE).tenths[0]


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        pytest.param(day_of_hours(), 200, id="whole day"),
        pytest.param(day_of_hours((3, None)), 200, id="an hour of the night"),
        pytest.param(
            day_of_hours((2, None), (3, None), (4, None), (5, None)),
            200,
            id="four night hours: (10+10+4×5)/2 = 20, not above",
        ),
        pytest.param(
            day_of_hours((2, None), (3, None), (4, None), (5, None), (6, None)),
            None,
            id="five night hours: (10+10+4×6)/2 = 22, above",
        ),
        pytest.param(day_of_hours((13, None)), None, id="an hour of the afternoon: 24, above"),
        pytest.param(day_of_hours((23, None)), 200, id="last hour: 10+4, not above"),
        pytest.param(day_of_hours((22, None), (23, None)), 200, id="last two: 10+8, not above"),
        pytest.param(
            day_of_hours((21, None), (22, None), (23, None)), None, id="last three: 10+12, above"
        ),
        pytest.param(day_of_hours((0, None), (1, None)), 200, id="first two: 10+8, not above"),
        pytest.param(
            day_of_hours((0, None), (1, None), (2, None)), None, id="first three: 10+12, above"
        ),
        pytest.param([None] * 24, None, id="no hour at all"),
        pytest.param(day_of_hours((3, -9999.0)), 200, id="an impossible hour is a missing one"),
        pytest.param(day_of_hours()[:22], 200, id="data that end two hours early"),
        pytest.param(day_of_hours()[:18], None, id="data that end at 18:00"),
    ],
)
def test_a_day_with_missing_hours(values: list[float | None], expected: int | None) -> None:
    assert high_of(values) == expected


def test_the_neighbouring_day_may_end_a_gap() -> None:
    """Three hours before midnight are missing; the cool midnight after them bounds them."""
    evening = day_of_hours((21, None), (22, None), (23, None))

    alone = local_days(datetime(2026, 5, 10, tzinfo=UTC), evening, UTC_ZONE)
    followed = local_days(datetime(2026, 5, 10, tzinfo=UTC), evening + day_of_hours(), UTC_ZONE)

    assert alone.tenths == (None,)
    assert followed.tenths == (200, 200)


def test_a_gap_over_midnight_counts_for_both_days() -> None:
    """Eight hours around midnight could hold 28 °C, on either day."""
    values = day_of_hours() + day_of_hours()
    values[20:28] = [None] * 8

    found = local_days(datetime(2026, 5, 10, tzinfo=UTC), values, UTC_ZONE)

    assert found.tenths == (None, None)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.integers(-40, 40), min_size=47, max_size=47),
    st.sets(st.integers(0, 47), max_size=20),
)
def test_a_known_high_is_the_true_one(steps: list[int], missing: set[int]) -> None:
    """Of any course within 4 K an hour, hiding hours makes a day unknown or leaves its high."""
    course = [0]
    for step in steps:
        course.append(course[-1] + (step if abs(course[-1] + step) <= 300 else -step))
    values = [None if hour in missing else value / 10 for hour, value in enumerate(course)]

    found = local_days(datetime(2026, 5, 10, tzinfo=UTC), values, UTC_ZONE)

    assert found.tenths[0] in (None, max(course[:24]))
    assert found.tenths[1] in (None, max(course[24:]))


def test_data_that_end_in_the_afternoon_end_the_horizon() -> None:
    """GMT hours end at 19:00 in Chicago: that local day is unknown, the one before is known."""
    highs = local_days(datetime(2026, 7, 1, tzinfo=UTC), day_of_hours() * 3, CHICAGO)

    assert highs.first_day == date(2026, 6, 30)
    assert trim(from_day(highs, date(2026, 7, 1))).last_day == date(2026, 7, 2)


@pytest.mark.parametrize(
    ("zone", "first_day", "days", "offset_s", "expected"),
    [
        pytest.param("America/Chicago", "2026-08-01", 16, -18000, True, id="no change in reach"),
        pytest.param("America/Chicago", "2026-10-25", 16, -18000, False, id="autumn change"),
        pytest.param("America/Chicago", "2026-03-01", 16, -21600, False, id="spring change"),
        pytest.param("America/Chicago", "2026-10-25", 7, -18000, True, id="change the day after"),
        pytest.param("America/Chicago", "2026-10-25", 8, -18000, False, id="on the change's day"),
        pytest.param("America/Chicago", "2026-08-01", 16, -21600, False, id="winter's offset"),
        pytest.param("Australia/Adelaide", "2026-07-01", 16, 34200, True, id="+9:30"),
        pytest.param("Asia/Kathmandu", "2026-07-01", 16, 20700, True, id="+5:45"),
        pytest.param("America/St_Johns", "2026-07-01", 16, -9000, False, id="-2:30"),
        pytest.param("Pacific/Marquesas", "2026-07-01", 16, -34200, False, id="-9:30"),
        pytest.param("Pacific/Kiritimati", "2026-07-01", 16, 50400, True, id="+14:00"),
        pytest.param("UTC", "2026-12-25", 16, 0, True, id="over the year's end"),
        pytest.param("America/Havana", "2026-03-08", 1, -18000, False, id="missing midnight"),
    ],
)
def test_daily_blocks(zone: str, first_day: str, days: int, offset_s: int, expected: bool) -> None:
    found = daily_blocks_are_local_days(
        ZoneInfo(zone), date.fromisoformat(first_day), days, offset_s
    )

    assert found is expected


DAY = date(2026, 5, 10)


@pytest.mark.parametrize(
    ("values", "inner", "begins", "expected"),
    [
        pytest.param((1, 2, None), False, 0, (1, 2), id="a null ends the horizon"),
        pytest.param((1, None, 3), False, 0, (1,), id="a hole ends a member"),
        pytest.param((None, 2, 3), False, 1, (2, 3), id="leading unknown days are left out"),
        pytest.param((1, None, 3, None), True, 0, (1, None, 3), id="a forecast keeps its hole"),
        pytest.param((None, 2), True, 0, (None, 2), id="a forecast keeps its unknown first day"),
        pytest.param((None, None), True, 0, (), id="nothing known, forecast"),
        pytest.param((None, None), False, 2, (), id="nothing known, member"),
        pytest.param((0, 0), False, 0, (0, 0), id="zero is known"),
    ],
)
def test_trim(
    values: tuple[int | None, ...], inner: bool, begins: int, expected: tuple[int | None, ...]
) -> None:
    found = trim(DailyHighs(DAY, values), keep_inner=inner)

    assert found == DailyHighs(DAY + timedelta(days=begins), expected)


def test_days_before_today_are_left_out() -> None:
    """`from_day` cuts the past, and nothing where the series begins later."""
    highs = DailyHighs(DAY, (1, 2, 3))

    assert from_day(highs, date(2026, 5, 11)) == DailyHighs(date(2026, 5, 11), (2, 3))
    assert from_day(highs, date(2026, 5, 1)) is highs


@pytest.mark.parametrize(
    ("columns", "expected"),
    [
        pytest.param(
            [(1, 2, None), (3, 4, None), (5, 6, None)],
            Members(DAY, 2, 3, array("h", [1, 3, 5, 2, 4, 6])),
            id="one horizon, day-major",
        ),
        pytest.param(
            [(1, None, 3), (4, 5, 6), (7, 8, 9)],
            Members(DAY, 3, 2, array("h", [4, 7, 5, 8, 6, 9]), 1),
            id="a member with a hole is dropped for all days",
        ),
        pytest.param(
            [(1, 2, 3), (4, 5, None), (7, 8, None)],
            Members(DAY, 2, 3, array("h", [1, 4, 7, 2, 5, 8])),
            id="a single long member does not lengthen the horizon",
        ),
        pytest.param(
            [(None, 2), (None, 5), (7, 8)],
            Members(date(2026, 5, 11), 1, 3, array("h", [2, 5, 8])),
            id="the first day is one that more than half know",
        ),
        pytest.param(
            [(1, 2), (4, 5), (None, None), (None, None)], None, id="half is not more than half"
        ),
        pytest.param([(None,), (None,)], None, id="nothing known"),
        pytest.param([], None, id="no members"),
    ],
)
def test_complete_members(columns: list[tuple[int | None, ...]], expected: Members | None) -> None:
    assert complete_members(DAY, columns) == expected


def test_members_that_do_not_fill_their_days_are_a_mistake() -> None:
    with pytest.raises(ValueError, match="3 highs for 2 days of 2 members"):
        Members(DAY, 2, 2, array("h", [1, 2, 3]))
