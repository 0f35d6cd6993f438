"""When a treatment is due: by the season whatever the counts, and sooner where they say so.

Counts tell when and not whether: a yard that counts nothing is due by its season all the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from enum import Enum
from itertools import pairwise
from typing import NamedTuple

from windowcast.trade.course import Course
from windowcast.trade.mites import Growth, Passing, Round
from windowcast.trade.rules import MonthDay, SeasonRules

TROPIC = 23.5
# Latitude and the day by which exposures must have ended, as in the north. Winter bees are raised
# from mid-August to early October at 42 to 52 degrees (Prairie data of Harris; van Dooremalen et
# al. 2012), so that treatments start from late July to mid-August. The days between and further
# south are common practice, no source.
_WINTER_BEES = (
    (60.0, (8, 10)),
    (52.0, (8, 15)),
    (42.0, (9, 1)),
    (35.0, (9, 20)),
    (23.5, (10, 20)),
)
COUNTS_BEFORE_DAYS = 35
"""Counts are asked for from so long before winter bees: late July at 45 degrees. Common practice,
no source."""
WINTER_BROOD_DAYS = 50
"""For so long winter bees are raised: mid-August to early October, as above. After that the season
is over, and the next one's day is the one that counts."""
AHEAD_DAYS = 60
"""What is due later than this is not spoken of yet."""
TREATED_BEFORE_DAYS = 60
"""A treatment that began up to so long before winter bees is the one of their season; mites of an
earlier one have grown again. Common practice, no source."""
COUNT_LASTS_DAYS = 30
"""So long a round tells what is there: infestation doubles in 33 days."""


class State(Enum):
    """Where a yard stands."""

    QUIET = "nothing is due yet"
    COMING = "it will be due"
    NOW = "over the threshold, due now"
    OVERDUE = "past the last day to start"
    DONE = "treated this season"


class Cause(Enum):
    """What sets the last day to start."""

    SEASON = "winter bees"
    COUNTS = "counts"


class Due(NamedTuple):
    """When a yard is due.

    by:         the last day to start so that it is in time; None: no day is set
    cause:      what sets it
    end_by:     the day by which the exposure must have ended; None: near the equator
    early:      of counts, the earliest day that their range allows; None: not by counts
    requeen_by: the last start that still leaves a colony that loses its queen its `requeen_days`
    counts_due: the day from which a count is wanted; None: none is
    counts_from: the day from which the season asks for counts
    treated:    the treatment of this season
    late:       that treatment ended, or will end, after `end_by`
    last:       the newest round that still tells what is there
    """

    state: State
    by: date | None
    cause: Cause | None
    end_by: date | None
    early: date | None
    requeen_by: date | None
    counts_due: date | None
    counts_from: date | None
    treated: Course | None
    late: bool
    last: Round | None
    growth: Growth | None
    passing: Passing | None


def winter_bees(latitude: float, today: date, rules: SeasonRules) -> date | None:
    """The day by which exposures must have ended in the season that `today` belongs to.

    None within the tropics, where bees winter nowhere, unless the rules name a day.
    """
    given = rules.winter_bees
    if given is None and abs(latitude) < TROPIC:
        return None
    for year in (today.year - 1, today.year, today.year + 1):
        found = _in_year(latitude, year, given)
        if today < found + timedelta(days=WINTER_BROOD_DAYS):
            return found
    return None


def _in_year(latitude: float, year: int, given: MonthDay | None) -> date:
    if given is not None:
        return date(year, *given)
    far = abs(latitude)
    if far >= _WINTER_BEES[0][0]:
        found = date(year, *_WINTER_BEES[0][1])
    else:
        found = date(year, *_WINTER_BEES[-1][1])
        for (north, first), (south, last) in pairwise(_WINTER_BEES):
            if south <= far < north:
                share = (north - far) / (north - south)
                begin, end = date(year, *first), date(year, *last)
                found = begin + timedelta(days=round(share * (end - begin).days))
                break
    return found if latitude >= 0 else _half_a_year_on(found)


def _half_a_year_on(day: date) -> date:
    """The same day of the southern summer that ends in this calendar year: August is February."""
    return date(day.year, (day.month + 5) % 12 + 1, min(day.day, 28))


def last_start(exposure_days: int, end_by: date) -> date:
    """The last day to start so that the removal is on `end_by` at the latest."""
    return end_by - timedelta(days=exposure_days)


def due(
    latitude: float,
    today: date,
    rules: SeasonRules,
    *,
    exposure_days: int,
    rounds: Sequence[Round],
    growth: Growth | None,
    passing: Passing | None,
    courses: Sequence[Course],
) -> Due:
    """Where a yard stands on a day.

    exposure_days:  of the regimen that would be used
    growth,         from the last round, None where there is none that still tells what is there
    passing:        (a treatment began after it)
    """
    end_by = winter_bees(latitude, today, rules)
    season_start = None if end_by is None else end_by - timedelta(days=TREATED_BEFORE_DAYS)
    treated = next(
        (
            one
            for one in reversed(courses)
            if (season_start is None and (today - one.start).days <= TREATED_BEFORE_DAYS)
            or (season_start is not None and one.start >= season_start)
        ),
        None,
    )
    by_season = None if end_by is None else last_start(exposure_days, end_by)
    last = rounds[-1] if rounds and passing is not None else None
    over = last is not None and passing is not None and passing.day == last.day
    counts_from = _counts_from(end_by, rules)
    counts_due = None
    if treated is None and counts_from is not None and end_by is not None and today <= end_by:
        wanted = counts_from
        if last is not None:
            wanted = max(wanted, last.day + timedelta(days=COUNT_LASTS_DAYS))
        counts_due = wanted if wanted <= end_by else None
    by, cause, early = by_season, None if by_season is None else Cause.SEASON, None
    if passing is not None and passing.day is not None and (by is None or passing.day < by):
        by, cause, early = passing.day, Cause.COUNTS, passing.early
    if treated is not None and not over:
        state, by, cause, early = State.DONE, None, None, None
    elif over:
        state = State.NOW
    elif by is None or (by - today).days > AHEAD_DAYS:
        state = State.QUIET
    elif by < today:
        state = State.OVERDUE if cause is Cause.SEASON else State.NOW
    else:
        state = State.COMING
    return Due(
        state=state,
        by=by,
        cause=cause,
        end_by=end_by,
        early=early,
        requeen_by=None
        if end_by is None
        else end_by + timedelta(days=WINTER_BROOD_DAYS - rules.requeen_days),
        counts_due=counts_due,
        counts_from=counts_from,
        treated=treated,
        late=treated is not None and end_by is not None and treated.end > end_by,
        last=last,
        growth=growth if last is not None else None,
        passing=passing,
    )


def _counts_from(end_by: date | None, rules: SeasonRules) -> date | None:
    if end_by is None:
        return None
    if rules.counts_from is None:
        return end_by - timedelta(days=COUNTS_BEFORE_DAYS)
    found = date(end_by.year, *rules.counts_from)
    return found if found <= end_by else date(end_by.year - 1, *rules.counts_from)
