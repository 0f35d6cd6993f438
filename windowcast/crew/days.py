"""On which days a yard can be worked, what stands on the others, and what would free one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from fractions import Fraction
from typing import NamedTuple

from windowcast.language import tr
from windowcast.sky.scenarios import MISSING, Scenarios
from windowcast.trade.rules import WorkRules
from windowcast.trade.visits import Task
from windowcast.trade.workable import (
    HINDRANCES,
    DayWeather,
    Hindrance,
    Taken,
    hindrances,
    mostly_too_cold,
)


class Calendar(NamedTuple):
    """On which days one yard can be worked.

    first:    day 0 of the plan
    days:     how many there are, exposures to their end among them
    starts:   on how many of the first a start is looked for
    works:    by active ("" for none), the days on which a crew works that may handle it
    closed:   days on which the weather keeps hives shut, with the reason
    fixed:    what else has its days
    closed_from: the same where less warmth will do, by the lowest high in °C
    dark:     by active, the days on which a crew would work, had it any light left
    over:     day 0 is today, and the hours of a crew that works on it are over
    """

    first: date
    days: int
    starts: int
    works: Mapping[str, frozenset[int]]
    closed: Mapping[int, str]
    fixed: tuple[Taken, ...] = ()
    closed_from: Mapping[Fraction, Mapping[int, str]] = {}
    dark: Mapping[str, frozenset[int]] = {}
    over: bool = False

    def date(self, day: int) -> date:
        return self.first + timedelta(days=day)

    def hindered(self, day: int, skill: str, lowest_c: Fraction | None = None) -> Hindered | None:
        """Why nobody can work on a day; None where somebody can.

        lowest_c:  the lowest high that will do; None: as for any work at hives
        """
        if not 0 <= day < self.days:
            return Hindered(tr("it is beyond the days planned"))
        on = self.date(day)
        for one in self.fixed:
            if one.visits and one.first <= on <= one.last:
                return Hindered(one.why, one.last)
        closed = self.closed if lowest_c is None else self.closed_from.get(lowest_c, self.closed)
        if day in closed:
            return Hindered(closed[day], weather=True)
        if day in self.works.get(skill, frozenset()):
            return None
        if self.over and not day:
            return Hindered(tr("the crews' hours are over"))
        if self.unskilled(skill):
            return Hindered(tr("no crew may handle {active}", active=tr(skill)), crew=True)
        if day in self.dark.get(skill, frozenset()):
            return Hindered(tr("it gets dark before a crew can work"), dark=True)
        return Hindered(tr("no crew works"), crew=True)

    def unskilled(self, skill: str) -> bool:
        """Whether crews work, but none that may handle an active."""
        return not self.works.get(skill) and bool(self.works.get(""))

    def freed(self, by: Freed, skill: str) -> Calendar:
        """The same with what would free a day."""
        works = self.works.get("" if by.active else skill, frozenset())
        more = works | {(one - self.first).days for one in by.days}
        return self._replace(works={**self.works, skill: more})

    def without(self, eased: Eased, skill: str) -> Calendar:
        """The same with the days left free that would have to be."""
        pieces = []
        for one in self.fixed:
            before, after = eased.first - timedelta(days=1), eased.last + timedelta(days=1)
            pieces += [
                one._replace(first=first, last=last)
                for first, last in (
                    (one.first, min(one.last, before)),
                    (max(one.first, after), one.last),
                )
                if first <= last
            ]
        return self._replace(fixed=tuple(pieces)).freed(eased.beside, skill)

    def what_frees(
        self, days: Sequence[int], skill: str, lowest_c: Fraction | None = None
    ) -> Freed | None:
        """What would free one of these days, the first the best; None: no crew could."""
        active = skill if self.unskilled(skill) else ""
        able = self.freed(Freed(active), skill) if active else self
        found = [(day, able.hindered(day, skill, lowest_c)) for day in days]
        if any(why is None for _, why in found):
            return Freed(active)
        lacking = [day for day, why in found if why is not None and why.crew]
        return Freed(active, (self.date(lacking[0]),)) if lacking else None


class Hindered(NamedTuple):
    """Why nobody can work on a day.

    until:  the last day of what has taken it; None: nothing has
    crew:   only a crew is lacking
    weather: only other weather would do
    dark:   only more daylight would do
    """

    why: str
    until: date | None = None
    crew: bool = False
    weather: bool = False
    dark: bool = False


class Freed(NamedTuple):
    """What crews would have to do for a visit to have a day.

    active:  one would have to be allowed to handle it; "": one is
    days:    on which one would have to work
    """

    active: str = ""
    days: tuple[date, ...] = ()


class Eased(NamedTuple):
    """Days that something else has taken and would have to leave, both inside, for a visit to have
    a day.

    why:     as its people call it
    beside:  what a crew would have to do besides
    """

    why: str
    first: date
    last: date
    beside: Freed = Freed()


class Lost(NamedTuple):
    """A start, or a job in hand, that cannot be planned: which visit stands in the way on which
    day, and why.

    day, why:  the right day of the visit and what stands there
    until:     the last day of what has taken that day; None: nothing has
    days:      all days that would do, ascending, with what stands on each
    freed:     what would free it; None: no crew could
    value:     what the start would be worth, in colonies
    eased:     what would free it of what else has its days; None: nothing has them, or a crew will
               do, or that alone would not
    """

    start: date
    task: Task
    day: date
    why: str
    until: date | None = None
    days: tuple[tuple[date, Hindered], ...] = ()
    freed: Freed | None = None
    value: float = 0.0
    eased: Eased | None = None


def lost_of(
    calendar: Calendar,
    start: date,
    task: Task,
    *,
    day: date,
    days: Sequence[int],
    skill: str,
    lowest_c: Fraction | None = None,
) -> Lost:
    """What is said of a visit that no day is left for.

    day:       its right day, or today where that has passed
    days:      of the plan, that would do, the best first
    lowest_c:  as of `Calendar.hindered`
    """
    right = calendar.hindered(max((day - calendar.first).days, 0), skill, lowest_c)
    reasons = [
        (calendar.date(one), calendar.hindered(one, skill, lowest_c)) for one in sorted(days)
    ]
    freed = calendar.what_frees(days, skill, lowest_c)
    return Lost(
        start,
        task,
        day,
        "" if right is None else right.why,
        until=None if right is None else right.until,
        days=tuple((one, why) for one, why in reasons if why is not None),
        freed=freed,
        eased=None if freed is not None else _eased(calendar, days, skill, lowest_c),
    )


def _eased(
    calendar: Calendar, days: Sequence[int], skill: str, lowest_c: Fraction | None
) -> Eased | None:
    """The day that would free a visit, did nothing else have it; the best that needs no crew more,
    else the best."""
    bare = calendar._replace(fixed=())
    found = []
    for day in days:
        taken = calendar.hindered(day, skill, lowest_c)
        if taken is None or taken.until is None:
            continue
        beside = bare.what_frees([day], skill, lowest_c)
        if bare.hindered(day, skill, lowest_c) is None:
            beside = Freed()
        if beside is not None:
            on = calendar.date(day)
            found.append(Eased(taken.why, on, on, beside))
    return min(found, key=lambda one: len(one.beside.days) + bool(one.beside.active), default=None)


def closed_days(
    open_days: Mapping[date, DayWeather],
    scenarios: Scenarios | None,
    rules: WorkRules,
    *,
    first: date,
    days: int,
) -> dict[int, str]:
    """The days of a plan on which the weather keeps hives shut, with the reason.

    By the single forecast where it reaches, with rain and wind where they are known; beyond it by
    the scenarios' highs. What nobody knows keeps no hive shut.
    """
    found = {}
    for day in range(days):
        on = first + timedelta(days=day)
        known = open_days.get(on)
        if known is not None and known.high_c is not None:
            reasons = hindrances(known, rules)
            if reasons:
                found[day] = ", ".join(tr(HINDRANCES[one]) for one in reasons)
            continue
        row = None if scenarios is None else (on - scenarios.first_day).days
        if scenarios is None or row is None or not 0 <= row < scenarios.days:
            continue
        if mostly_too_cold(scenarios.row(row), rules, missing=MISSING):
            found[day] = tr(HINDRANCES[Hindrance.MOSTLY_COLD])
    return found
