"""What a count is said to be beside the threshold of its month."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from windowcast.notice import count_lines
from windowcast.trade import mites
from windowcast.trade.journal import Entry
from windowcast.trade.rules import SeasonRules

DAY = date(2026, 11, 2)


def counted(found: int, bees: int) -> mites.Round:
    body = {"method": "wash", "mites": found, "bees": bees, "colony": "hive 7"}
    return mites.rounds([Entry(1, "Creek Bend", "count", DAY, datetime.now(UTC), body)])[-1]


@pytest.mark.parametrize(
    ("found", "bees", "said"),
    [
        (8, 300, "below the 3.0 % of Nov"),
        (9, 300, "exactly the 3.0 % of Nov, from which treatment is due"),
        (10, 300, "above the 3.0 % of Nov"),
        # 3.003 % and 2.997 % look like 3.0 %
        (10, 333, "a little above the 3.0 % of Nov"),
        (299, 9976, "a little below the 3.0 % of Nov"),
    ],
)
def test_a_count_as_large_as_the_threshold_is_not_above_it(found, bees, said):
    text = count_lines.round_against(counted(found, bees), 3.0, "Nov")

    assert text.endswith(f": {said}")


@pytest.mark.parametrize(
    ("per_day", "said"),
    [
        (9.0, "9.0 mites a day: below the 10.0 of Nov"),
        (10.0, "10.0 mites a day: exactly the 10.0 of Nov, from which treatment is due"),
        (12.0, "12.0 mites a day: above the 10.0 of Nov"),
    ],
)
def test_nor_is_what_fell_on_a_board(per_day, said):
    fall = count_lines.Fall(per_day=per_day, limit=10.0, population=None, percent=None)

    assert count_lines.fall_against(fall, "Nov") == said


@pytest.mark.parametrize(
    ("found", "days", "said"),
    [
        (1, 1, "board: 1 mite in a day, 1.0 a day"),
        (30, 3, "board: 30 mites in 3 days, 10.0 a day"),
        (3, 1.5, "board: 3 mites in 1.5 days, 2.0 a day"),
    ],
)
def test_one_mite_and_one_day_are_singular(found, days, said):
    body = {"method": "board", "mites": found, "days": days}

    assert count_lines.sentence(
        Entry(1, "Creek Bend", "count", DAY, datetime.now(UTC), body)
    ).endswith(said)


def test_where_the_threshold_falls_before_it_is_reached_that_is_said():
    """2.7 % is below the 3.0 % of November and above the 1.0 % of December, without any growth."""
    rate = mites.Growth(per_day=0.0, low=0.0, high=0.0, learned=False)
    ahead = mites.passing(counted(8, 300), rate, SeasonRules(), south=False)

    text = count_lines.passing_words(ahead, rate, DAY)

    assert "the 1.0 % at which treatment is due at once is reached about Tue Dec 1" in text
    assert text.endswith("; the threshold falls, from 3.0 % to the 1.0 % of Dec")


def test_another_threshold_on_the_latest_day_is_named_with_it():
    """1.2 % passes the 1.0 % of December at once; where it is 0.4 % instead, the 2.0 % of the next
    summer is the first that it reaches (thresholds: Mississippi State University Extension)."""
    rate = mites.Growth(per_day=0.021, low=0.017, high=0.025, learned=False)
    last = counted(8, 300)._replace(percent=1.2, low=0.4, high=2.6)
    rules = SeasonRules()
    ahead = mites.passing(last, rate, rules, south=False)

    text = count_lines.passing_words(ahead, rate, DAY)

    assert ahead.late is not None and ahead.late.year == 2027
    late = mites.threshold(ahead.late, rules, south=False)
    assert (ahead.percent, ahead.late_percent, late) == (1.0, 2.0, 2.0)
    assert f"at the latest {ahead.late:%a %b} {ahead.late.day}, 2027 (then 2.0 %) (" in text
    assert "about Tue Dec 1; it may be from Tue Dec 1 on" in text


def test_where_the_threshold_stays_nothing_is_said_of_it():
    rate = mites.Growth(per_day=0.05, low=0.05, high=0.05, learned=False)
    august = counted(5, 300)._replace(day=date(2026, 8, 1))
    ahead = mites.passing(august, rate, SeasonRules(), south=False)

    text = count_lines.passing_words(ahead, rate, august.day)

    assert ahead.day is not None and ahead.day.month == 8
    assert "the threshold falls" not in text and "the threshold rises" not in text
