"""When a treatment is due: by the season whatever the counts, and sooner where they say so.

Counts tell when and not whether: a yard that counts nothing is due by its season all the same.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from enum import Enum
from functools import lru_cache
from typing import NamedTuple

from windowcast.trade import mites
from windowcast.trade.course import Course
from windowcast.trade.course import courses as read
from windowcast.trade.daylight import day_length_hours, shortest_day
from windowcast.trade.journal import Entry
from windowcast.trade.mites import Growth, Passing, Round
from windowcast.trade.rules import MonthDay, SeasonRules
from windowcast.trade.treatment import Regimen, Treatment
from windowcast.trade.winter import seen_broodless
from windowcast.trade.yard import Yard

TROPIC = 23.5
SHORTER_HOURS = 1.8
"""How much shorter than the longest day the day is when the raising of winter bees sets in.

Winter bees are raised from mid-August to early October at 42 to 52 degrees (Prairie data of
Harris; van Dooremalen et al. 2012, PLoS ONE 7:e36285). This loss of day length falls on August 15
at 50 degrees, on the 27th at 42, in September further south. That it is the same loss everywhere is
common practice, no source. A day length itself would not do: it is reached the sooner the nearer a
place is to the equator, where winter bees are raised later.
"""
NORTHERNMOST = 52.0
"""Further from the equator the day is the one of this latitude: nothing is known of an earlier."""
COUNTS_BEFORE_DAYS = 28
"""Counts are asked for from so long before winter bees, late July at 45 degrees: three weeks for an
exposure and one to get ready. Common practice, no source."""
WINTER_BROOD_DAYS = 50
"""For so long winter bees are raised: mid-August to early October, as above. After that the season
is over, and the next one's day is the one that counts."""
AHEAD_DAYS = 60
"""What is due later than this is not spoken of yet."""
TREATED_BEFORE_DAYS = 60
"""A treatment that began up to so long before winter bees is the one of their season; mites of an
earlier one have grown again. Common practice, no source."""
COUNT_LASTS_DAYS = 30
"""So long after a round another is not asked for: infestation doubles in 33 days."""
COUNT_TELLS_DAYS = 150
"""An older round says nothing any more; as long as two rounds tell of growth (`mites.growth`)."""


class State(Enum):
    """Where a yard stands."""

    QUIET = "nothing is due yet"
    COMING = "it will be due"
    NOW = "the threshold is reached, due now"
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
    requeen_by: the last day on which a colony can lose its queen and still be strong again when the
                last winter bees are raised, about when drones are gone and mating ends: common
                practice, no source
    counts_due: the day from which a count is wanted; None: none is
    counts_from: the day from which the season asks for counts
    treated:    the treatment of this season
    late:       that treatment ended, or will end, after `end_by`
    last:       the newest round, where it still tells what is there: not too old, and no treatment
                since or during it
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

    @property
    def counted_over(self) -> bool:
        """The round itself was over the threshold; else at most its growth since is."""
        return (
            self.last is not None
            and self.passing is not None
            and (self.passing.day == self.last.day)
        )

    @property
    def lifted(self) -> bool:
        """The last day to start is behind, so that only the sooner is the better."""
        return self.state in (State.NOW, State.OVERDUE)


class StartBy(NamedTuple):
    """The last days to start one regimen.

    season:   so that its removal is on `Due.end_by` at the latest; None: no such day
    counts:   the day on which the counts expect the threshold to be passed; None: none expected
    requeen:  so that its last dose is on `Due.requeen_by` at the latest; None: no such day, or its
              vapour costs no queens
    """

    treatment: Treatment
    regimen: Regimen
    season: date | None
    counts: date | None
    requeen: date | None

    @property
    def by(self) -> date | None:
        """The sooner of what the season and the counts allow."""
        return min((day for day in (self.season, self.counts) if day is not None), default=None)


def winter_bees(latitude: float, today: date, rules: SeasonRules) -> date | None:
    """The day by which exposures must have ended in the season that `today` belongs to.

    None within the tropics, where bees winter nowhere, unless the rules name a day.
    """
    given = rules.winter_bees
    if given is None and abs(latitude) < TROPIC:
        return None
    for year in (today.year - 1, today.year, today.year + 1):
        if today >= date(year, 12, 31) + timedelta(days=WINTER_BROOD_DAYS):
            continue  # whatever day it is in that year
        found = _in_year(latitude, year, given)
        if today < found + timedelta(days=WINTER_BROOD_DAYS):
            return found
    return None


@lru_cache(maxsize=4096)
def _in_year(latitude: float, year: int, given: MonthDay | None) -> date:
    """The day in a calendar year. A given day is taken as written, north and south alike."""
    if given is not None:
        return date(year, *given)
    here = math.copysign(min(abs(latitude), NORTHERNMOST), latitude)
    # The summer whose end lies in this year began in the one before where it is south.
    longest = shortest_day(-latitude, year) if latitude >= 0 else shortest_day(-latitude, year - 1)
    most = day_length_hours(here, longest.timetuple().tm_yday)

    def shorter_enough(ahead: int) -> bool:
        day = longest + timedelta(days=ahead)
        return most - day_length_hours(here, day.timetuple().tm_yday) >= SHORTER_HOURS

    # From one solstice to the other days only become shorter, outside the tropics by hours.
    ahead = bisect_left(range(1, 183), True, key=shorter_enough) + 1
    if ahead == 183:
        raise AssertionError(f"no such day at latitude {latitude}")  # only within the tropics
    return longest + timedelta(days=ahead)


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
    growth,         from the last of the rounds, None where there is none
    passing:
    courses:        of the yard, by start
    """
    end_by = winter_bees(latitude, today, rules)
    season_start = None if end_by is None else end_by - timedelta(days=TREATED_BEFORE_DAYS)
    season_end = None if end_by is None else end_by + timedelta(days=WINTER_BROOD_DAYS)
    begun = [one for one in courses if one.start <= today]
    treated = next(
        (
            one
            for one in reversed(begun)
            if (season_start is None and (today - one.start).days <= TREATED_BEFORE_DAYS)
            or (season_start is not None and one.start >= season_start)
        ),
        None,
    )
    last = rounds[-1] if rounds else None
    if last is not None and (
        (today - last.day).days > COUNT_TELLS_DAYS or any(one.end > last.first_day for one in begun)
    ):
        last = None
    if last is None:
        growth = passing = None
    passed = None if passing is None else passing.day
    by = None if end_by is None else last_start(exposure_days, end_by)
    cause, early = None if by is None else Cause.SEASON, None
    if treated is not None:
        by = cause = None
        if passed is not None and season_end is not None and passed >= season_end:
            passed = None  # no longer of this season: the winter round or the next one's
    if passed is not None and passing is not None and (by is None or passed < by):
        by, cause, early = passed, Cause.COUNTS, passing.early
    running = treated is not None and not treated.finished(today)
    if treated is not None and (running or passed is None):
        state = State.DONE
    elif passed is not None and passed <= today:
        state = State.NOW
    elif by is None or (by - today).days > AHEAD_DAYS:
        state = State.QUIET if treated is None else State.DONE
    elif by < today:
        state = State.OVERDUE
    else:
        state = State.COMING
    if state is State.DONE:
        by = cause = early = None
    counts_from = _counts_from(end_by, rules)
    counts_due = None
    if treated is None:
        wanted = today if counts_from is None else counts_from
        if rounds:
            wanted = max(wanted, rounds[-1].day + timedelta(days=COUNT_LASTS_DAYS))
        counts_due = wanted if season_end is None or wanted < season_end else None
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
        growth=growth,
        passing=passing,
    )


def of_yard(
    yard: Yard,
    treatments: Sequence[Treatment],
    *,
    entries: Iterable[Entry],
    rules: SeasonRules,
    today: date,
) -> Due:
    """Where a yard stands, from its journal; `treatments` are those considered here, best first."""
    every = list(entries)
    known, found, south = read(every), mites.rounds(every), yard.latitude < 0
    rate = ahead = None
    if found:
        treated = [(one.start, one.end) for one in known]
        rate = mites.growth(found, rules, treated=treated, south=south)
        ahead = mites.passing(found[-1], rate, rules, south=south)
    broodless = not yard.hive.brood or seen_broodless(every, today) is not None
    return due(
        yard.latitude,
        today,
        rules,
        exposure_days=exposure_in_view(treatments, broodless=broodless),
        rounds=found,
        growth=rate,
        passing=ahead,
        courses=known,
    )


def exposure_in_view(treatments: Sequence[Treatment], *, broodless: bool) -> int:
    """The exposure that sets the last day to start: the shortest of the first treatment that the
    brood allows, else of the first."""
    fit = [one for one in treatments if broodless or not one.needs_broodless] or treatments
    return min(one.exposure_days for one in fit[0].regimens)


def starts_by(due: Due, treatments: Iterable[Treatment]) -> tuple[StartBy, ...]:
    """The last days to start each regimen, in the user's order.

    By season whatever has been treated already; of counts only where `due` has any that tell.
    """
    found = []
    for treatment in treatments:
        for regimen in treatment.regimens:
            requeen = None
            if treatment.danger_c is not None and due.requeen_by is not None:
                requeen = due.requeen_by - timedelta(days=regimen.doses[-1].day)
            found.append(
                StartBy(
                    treatment=treatment,
                    regimen=regimen,
                    season=None
                    if due.end_by is None
                    else last_start(regimen.exposure_days, due.end_by),
                    counts=None if due.passing is None else due.passing.day,
                    requeen=requeen,
                )
            )
    return tuple(found)


def _counts_from(end_by: date | None, rules: SeasonRules) -> date | None:
    if end_by is None:
        return None
    if rules.counts_from is None:
        return end_by - timedelta(days=COUNTS_BEFORE_DAYS)
    found = date(end_by.year, *rules.counts_from)
    return found if found <= end_by else date(end_by.year - 1, *rules.counts_from)
