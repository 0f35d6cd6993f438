"""The watch over a treatment that is in: are its remaining days still good for it.

What is counted is what is still to come; days gone by are told as they were. The exposure counts
whole: heat on day 5 spoils what began on a cool day (van Dooremalen & Cornelissen 2013), and a
fresh strip has first days of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import date, timedelta
from enum import IntEnum
from typing import NamedTuple

from windowcast.sky.highs import DailyHighs
from windowcast.sky.scenarios import MISSING, Scenarios
from windowcast.trade.course import Course
from windowcast.trade.rules import WorkRules
from windowcast.trade.treatment import Band
from windowcast.trade.visits import Task, Visit, slack
from windowcast.trade.workable import DayWeather, Hindrance, hindrances, nearest_better, rules_for
from windowcast.window.scan import Share

NEAR_DAYS = 5
"""So many days from today on a single forecast still weighs more than the scenarios."""
URGENT_DANGER = 0.25
"""From this chance of a dangerous high on the days that matter most somebody is told at once. Below
it the notice says so: a chance of one in twenty is what a start is allowed. Our own choice."""


class Level(IntEnum):
    """How pressing it is."""

    UNKNOWN = 0
    QUIET = 1
    WATCHFUL = 2
    URGENT = 3


class Blocked(NamedTuple):
    """A visit on a day on which no hive should be opened, and the nearest better one."""

    visit: Visit
    reasons: tuple[Hindrance, ...]
    better: date | None


class Watch(NamedTuple):
    """What the forecast says of the days that are left of a treatment.

    days_left:     of the exposure, today among them
    covered:       how many of them the scenarios (else the single forecast) cover
    chance:        of scenarios in which every covered day is in its band; None without scenarios
    danger:        of scenarios with a high above `danger_c` on a covered critical day; None without
    critical:      days left on which such a high costs brood and queens: the first of each dose,
                   given or still to be given
    dangerous:     critical days of the next NEAR_DAYS that are forecast above `danger_c`, each with
                   its high
    hottest_day,   of the days left, by the single forecast, else by the middle of the scenarios
    hottest_c:
    outside:       of the next NEAR_DAYS those forecast outside their band, each with its high
    passed_out:    days gone by whose observed high was outside their band, with it
    visits:        ahead that fall on a day to leave the hives closed
    """

    course: Course
    level: Level
    days_left: int
    covered: int
    chance: Share | None
    danger: Share | None
    critical: tuple[date, ...]
    dangerous: tuple[tuple[date, float], ...]
    hottest_day: date | None
    hottest_c: float | None
    outside: tuple[tuple[date, float], ...]
    passed_out: tuple[tuple[date, float], ...]
    visits: tuple[Blocked, ...]

    @property
    def danger_day(self) -> date | None:
        """The first of the dangerous days; None: no day is forecast so."""
        return self.dangerous[0][0] if self.dangerous else None

    @property
    def too_hot(self) -> bool:
        """Whether one of the days outside lies above its band."""
        return any(
            _above(round(high_c * 10), band_on(self.course, day)) for day, high_c in self.outside
        )


class Ahead(NamedTuple):
    """What a single forecast says of the exposure of a treatment, day by day.

    unknown:    days still to come that have a bound and that it does not cover
    outside:    days of the exposure whose high is outside their band, with it
    dangerous:  critical days with a high above `danger_c`, with it
    """

    unknown: tuple[date, ...]
    outside: tuple[tuple[date, float], ...]
    dangerous: tuple[tuple[date, float], ...]


def ahead(course: Course, forecast: DailyHighs | None, *, today: date) -> Ahead:
    """Hold a single forecast against every day of a treatment that it covers; None: there is
    none."""
    days = [
        course.start + timedelta(days=after) for after in range((course.end - course.start).days)
    ]
    highs = {} if forecast is None else _by_day(forecast, days)
    limit = course.treatment.danger_c
    critical = set(_critical(course))
    return Ahead(
        unknown=tuple(
            day
            for day in days
            if day >= today
            and day not in highs
            and (day in critical or band_on(course, day) != Band())
        ),
        outside=tuple(
            (day, high / 10)
            for day, high in highs.items()
            if not _inside(high, band_on(course, day))
        ),
        dangerous=tuple(
            (day, high / 10)
            for day, high in highs.items()
            if limit is not None and day in critical and high > int(limit * 10)
        ),
    )


def watch(
    course: Course,
    *,
    today: date,
    forecast: DailyHighs | None,
    scenarios: Scenarios | None,
    stale: bool,
    observed: Mapping[date, float],
    open_days: Mapping[date, DayWeather],
    work: WorkRules,
    max_danger: float,
    cancel_below: float,
    workable: Callable[[date], bool] | None = None,
) -> Watch:
    """Hold a forecast against what is left of a treatment.

    observed:      highs of days gone by, °C
    workable:      on which days people can be there; None: on every one
    max_danger,    as for a start: above the one or below the other the notice warns
    cancel_below:
    """
    left = [
        today + timedelta(days=ahead)
        for ahead in range(max((course.end - today).days, 0))
        if today + timedelta(days=ahead) >= course.start
    ]
    critical = tuple(day for day in _critical(course) if day >= today)
    limit_c = course.treatment.danger_c
    limit = None if limit_c is None else int(limit_c * 10)
    single = {} if forecast is None or stale else _by_day(forecast, left)
    courses = [] if scenarios is None or stale else _courses(scenarios, left)
    known = len(courses[0]) if courses else sum(1 for day in left if day in single)
    bands = [band_on(course, day) for day in left]
    chance = danger = None
    if courses and known:
        held = sum(
            all(_inside(high, band) for high, band in zip(one, bands, strict=False))
            for one in courses
        )
        chance = Share(held, len(courses))
        at = [index for index, day in enumerate(left[:known]) if day in critical]
        if limit is not None:
            hot = sum(any(one[index] > limit for index in at) for one in courses)
            danger = Share(hot, len(courses))
    near = [day for day in left if (day - today).days <= NEAR_DAYS]
    dangerous = tuple(
        (day, single[day] / 10)
        for day in near
        if limit is not None and day in critical and day in single and single[day] > limit
    )
    outside = tuple(
        (day, single[day] / 10)
        for day, band in zip(left, bands, strict=True)
        if day in near and day in single and not _inside(single[day], band)
    )
    hottest_day, hottest = _hottest(left, single, courses)
    return Watch(
        course=course,
        level=_level(
            left, known, chance, danger, bool(dangerous), bool(outside), max_danger, cancel_below
        ),
        days_left=len(left),
        covered=known,
        chance=chance,
        danger=danger,
        critical=critical,
        dangerous=dangerous,
        hottest_day=hottest_day,
        hottest_c=None if hottest is None else hottest / 10,
        outside=outside,
        passed_out=tuple(
            (day, high_c)
            for day, high_c in sorted(observed.items())
            if course.start <= day < min(today, course.end)
            and not _inside(round(high_c * 10), band_on(course, day))
        ),
        visits=_blocked(course, today, {} if stale else open_days, work, workable),
    )


def _level(
    left: Sequence[date],
    known: int,
    chance: Share | None,
    danger: Share | None,
    dangerous: bool,
    outside: bool,
    max_danger: float,
    cancel_below: float,
) -> Level:
    if not left:
        return Level.QUIET
    if not known:
        return Level.UNKNOWN
    if dangerous or (danger is not None and danger.value >= URGENT_DANGER):
        return Level.URGENT
    if (
        outside
        or (danger is not None and danger.value > max_danger)
        or (chance is not None and chance.value < cancel_below)
    ):
        return Level.WATCHFUL
    return Level.QUIET


def _dose_days(course: Course) -> list[tuple[date, int]]:
    """Each dose's day, as given or as planned, with the day of the exposure it stands for."""
    doses = course.regimen.doses
    given = [(day, doses[index].day) for index, day in enumerate(course.dosed[: len(doses)])]
    planned = [(visit.day, visit.dose.day) for visit in course.ahead() if visit.task is Task.SWAP]
    return given + planned


def _critical(course: Course) -> list[date]:
    if course.treatment.danger_c is None:
        return []
    days = {
        day + timedelta(days=after)
        for day, _ in _dose_days(course)
        for after in range(course.treatment.danger_days)
        if day + timedelta(days=after) < course.end
    }
    return sorted(days)


def band_on(course: Course, day: date) -> Band:
    """The band of a calendar day: a dose that came late carries its days of the exposure along."""
    dosed, offset = max(one for one in _dose_days(course) if one[0] <= max(day, course.start))
    at = offset + (day - dosed).days
    return course.regimen.band_on(min(at, course.regimen.exposure_days - 1))


def _inside(high: int, band: Band) -> bool:
    low, top = band.lowest_tenths, band.highest_tenths
    return (low is None or high >= low) and (top is None or high <= top)


def _above(high: int, band: Band) -> bool:
    return band.highest_tenths is not None and high > band.highest_tenths


def _by_day(forecast: DailyHighs, left: Sequence[date]) -> dict[date, int]:
    found = {}
    for day in left:
        high = forecast.on(day)
        if high is not None:
            found[day] = high
    return found


def _courses(scenarios: Scenarios, left: Sequence[date]) -> list[list[int]]:
    """One list of tenths for each scenario, from the first day left on as far as all are known."""
    if not left:
        return []
    first = (left[0] - scenarios.first_day).days
    if not 0 <= first < scenarios.days:
        return []
    rows = []
    for offset in range(first, min(first + len(left), scenarios.days)):
        row = scenarios.row(offset)
        if MISSING in row:
            break
        rows.append(row)
    return [list(one) for one in zip(*rows, strict=True)]


def _hottest(
    left: Sequence[date], single: Mapping[date, int], courses: Sequence[Sequence[int]]
) -> tuple[date | None, int | None]:
    highs = dict(single)
    if courses:
        for index in range(len(courses[0])):
            middle = sorted(one[index] for one in courses)[len(courses) // 2]
            highs.setdefault(left[index], middle)
    if not highs:
        return None, None
    day = max(highs, key=lambda one: (highs[one], -one.toordinal()))
    return day, highs[day]


def _blocked(
    course: Course,
    today: date,
    open_days: Mapping[date, DayWeather],
    work: WorkRules,
    workable: Callable[[date], bool] | None,
) -> tuple[Blocked, ...]:
    found = []
    able = {
        day: one
        for day, one in open_days.items()
        if day >= today and (workable is None or workable(day))
    }
    for visit, due in zip(course.ahead(), course.due(), strict=True):
        weather = open_days.get(visit.day)
        if visit.day < today or weather is None:
            continue
        rules = work
        if visit.task is not Task.REMOVE:
            rules = rules_for(work, course.treatment, course.regimen, visit.dose.day)
        reasons = hindrances(weather, rules)
        if not reasons:
            continue
        may_move = slack(course.regimen, visit.task)
        late = (visit.day - due.day).days
        better = nearest_better(
            visit.day,
            able,
            rules,
            earlier_days=max(may_move.earlier + late, 0),
            later_days=max(may_move.later - late, 0),
        )
        found.append(Blocked(visit=visit, reasons=reasons, better=better))
    return tuple(found)
