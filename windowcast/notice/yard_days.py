"""What a yard's picture shows, day by day: the numbers, before anything has a place or a colour."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import NamedTuple

from windowcast.notice import words
from windowcast.sky.highs import DailyHighs
from windowcast.sky.quantile import quantile
from windowcast.sky.scenarios import MISSING, Scenarios
from windowcast.trade.course import Course
from windowcast.trade.treatment import Band, Regimen, Treatment
from windowcast.trade.work import Job, Kind
from windowcast.window.decide import Status, TreatmentAnswer, YardAnswer
from windowcast.window.watch import Level, Watch, band_on

DAYS_BEFORE, DAYS_AHEAD = 7, 46
WITHOUT_FORECAST_DAYS = 14
"""So many days ahead are shown where nothing is known of them."""
FEWEST_SCENARIOS = 10
"""Fewer say too little of a range."""
NORMAL_WITHIN_DAYS = 2
NORMAL_SHARES = (0.1, 0.9)
"""The usual range of a day: the 10th to the 90th percentile of past highs within two days of it, as
the indices of the Expert Team on Climate Change Detection and Indices take them (Zhang et al. 2011,
WIREs Climate Change 2:851)."""
FEWEST_NORMAL_YEARS = 10


class Ranges(NamedTuple):
    """Highs below which 5, 25, 50, 75 and 95 % of the scenarios stay, °C."""

    low90: float
    low50: float
    middle: float
    high50: float
    high90: float


class PictureDay(NamedTuple):
    """One day. What is not known is None and leaves a gap.

    normal:    lowest and highest usual high
    band:      the allowed highs; None: no band counts on this day
    exposed:   a day of the exposure that is named or in
    critical:  a high above `danger_c` costs brood and queens on this day
    """

    day: date
    forecast_c: float | None = None
    ranges: Ranges | None = None
    observed_c: float | None = None
    normal: tuple[float, float] | None = None
    band: Band | None = None
    exposed: bool = False
    critical: bool = False


class StartDay(NamedTuple):
    """One start. chance: 0 to 1; None without scenarios. fits: it may be named."""

    day: date
    chance: float | None
    fits: bool


class Window(NamedTuple):
    """The starts of one regimen, by day; `how` is the regimen in words."""

    regimen: str
    how: str
    starts: tuple[StartDay, ...]

    @property
    def runs(self) -> tuple[tuple[StartDay, ...], ...]:
        """Unbroken stretches of starts that fit."""
        found: list[list[StartDay]] = []
        for one in self.starts:
            if not one.fits:
                continue
            if found and (one.day - found[-1][-1].day).days == 1:
                found[-1].append(one)
            else:
                found.append([one])
        return tuple(tuple(run) for run in found)


class Exposure(NamedTuple):
    """The days that count, both inside. begun: it is in, and not only named."""

    first_day: date
    last_day: date
    begun: bool


class VisitMark(NamedTuple):
    """Something to do on a day, in a word."""

    day: date
    kind: Kind


class Hottest(NamedTuple):
    """The hottest day of those that count; by the middle of the scenarios unless `forecast`."""

    day: date
    high_c: float
    forecast: bool


class YardPicture(NamedTuple):
    """All that the picture of one yard shows, on `today` there; degrees C whatever is shown.

    days:        consecutive, from some before today on
    start:       the start that is named; None: none is, or a treatment is in
    chance:      that it holds, or that what is left of the one that is in does
    level:       of the treatment that is in; None: none is in
    danger_day:  where it is urgent, the day that is; None where it is not, or no day stands out
    resting:     before this day no next start is named; None: nothing keeps one back
    day_number:  of its exposure, today, from 1; more than `whole_days` once it is over
    whole_days:  of its exposure, as of `Course.whole_days`
    days_left:   of its exposure, today among them
    min_chance:  from which a start is named; None: not shown
    known:       there is a forecast that is not too old
    stale:       there is one that is
    shut:        hives should stay shut today, for which a start is named
    """

    yard: str
    today: date
    units: str
    treatment: Treatment
    regimen: Regimen | None
    status: Status
    start: date | None
    chance: float | None
    level: Level | None
    danger_day: date | None
    resting: date | None
    day_number: int
    whole_days: int
    days_left: int
    days: tuple[PictureDay, ...]
    windows: tuple[Window, ...]
    exposure: Exposure | None
    visits: tuple[VisitMark, ...]
    hottest: Hottest | None
    min_chance: float | None
    known: bool
    stale: bool
    invented: bool
    attribution: str
    shut: bool = False

    @property
    def danger_c(self) -> float | None:
        """A high above it, soon after a dose, is dangerous."""
        limit = self.treatment.danger_c
        return None if limit is None else float(limit)

    def on(self, day: date) -> PictureDay | None:
        """One of its days."""
        at = (day - self.days[0].day).days
        return self.days[at] if 0 <= at < len(self.days) else None


def picture_of(
    answer: YardAnswer,
    *,
    units: str,
    forecast: DailyHighs | None,
    scenarios: Scenarios | None,
    observed: Mapping[date, float] | None = None,
    past_years: DailyHighs | None = None,
    course: Course | None = None,
    watch: Watch | None = None,
    resting: date | None = None,
    jobs: Sequence[Job] = (),
    min_chance: float | None = None,
    shut: bool = False,
) -> YardPicture:
    """A yard's picture from what was worked out of it.

    answer:      its first treatment is the one that is drawn where none is in
    observed:    highs of days gone by, °C
    past_years:  of the yard's place, for the usual range
    course,      the treatment that is in, and the watch over it: both or neither
    watch:
    resting:     before this day no next start is named
    jobs:        to be done, for their days
    shut:        hives should stay shut today, for which a start is named
    """
    today, main = answer.today, answer.main
    stale = answer.forecast.stale
    row = None if main.status in (Status.UNKNOWN, Status.CLOSED) or resting else main.named
    shown = row or main.best
    regimen: Regimen | None
    exposure: Exposure | None
    if course is not None:
        treatment, regimen = course.treatment, course.regimen
        exposure = Exposure(course.start, course.end - timedelta(days=1), True)
    else:
        treatment = main.treatment
        regimen = None if shown is None else shown.start.regimen
        if regimen is None and treatment.regimens:
            regimen = treatment.regimens[0]
        exposure = None if row is None else Exposure(row.day, row.start.last_day, False)
    chance = watch.chance if watch is not None else None if row is None else row.start.chance
    days = _days(
        today,
        _last_day(today, forecast, scenarios, exposure),
        forecast=forecast,
        scenarios=scenarios,
        observed=observed or {},
        past_years=past_years,
    )
    days = tuple(
        _counted(one, course, treatment, regimen, exposure, None if shown is None else shown.day)
        for one in days
    )
    return YardPicture(
        yard=answer.yard.name,
        today=today,
        units=units,
        treatment=treatment,
        regimen=regimen,
        status=main.status,
        start=None if course is not None or row is None else row.day,
        chance=None if chance is None else chance.value,
        level=None if watch is None else watch.level,
        danger_day=None
        if watch is None or watch.level is not Level.URGENT
        else watch.danger_day or watch.hottest_day,
        resting=resting,
        day_number=0 if course is None else (today - course.start).days + 1,
        whole_days=0 if course is None else course.seen(today).whole_days,
        days_left=0 if watch is None else watch.days_left,
        days=days,
        windows=() if course is not None or resting else _windows(main),
        exposure=exposure,
        visits=_visits(main, jobs, planned=course is None and row is not None),
        hottest=_hottest(days, today, exposure),
        min_chance=min_chance,
        known=bool(answer.forecast.sources) and not stale,
        stale=stale,
        invented=answer.forecast.source == "sample",
        attribution=answer.forecast.attribution,
        shut=shut,
    )


def _last_day(
    today: date,
    forecast: DailyHighs | None,
    scenarios: Scenarios | None,
    exposure: Exposure | None,
) -> date:
    known = [today + timedelta(days=WITHOUT_FORECAST_DAYS)]
    if forecast is not None:
        known.append(forecast.last_day)
    if scenarios is not None:
        known.append(scenarios.last_day)
    if exposure is not None:
        # Its removal is on the day after it.
        known.append(exposure.last_day + timedelta(days=1))
    return min(max(known), today + timedelta(days=DAYS_AHEAD))


def _days(
    today: date,
    last_day: date,
    *,
    forecast: DailyHighs | None,
    scenarios: Scenarios | None,
    observed: Mapping[date, float],
    past_years: DailyHighs | None,
) -> tuple[PictureDay, ...]:
    first = today - timedelta(days=DAYS_BEFORE)
    found = []
    for ahead in range((last_day - first).days + 1):
        day = first + timedelta(days=ahead)
        tenths = None if forecast is None or day < today else forecast.on(day)
        found.append(
            PictureDay(
                day=day,
                forecast_c=None if tenths is None else tenths / 10,
                ranges=None if scenarios is None or day < today else _ranges(scenarios, day),
                observed_c=observed.get(day) if day < today else None,
                normal=None if past_years is None else usual_range(past_years, day),
            )
        )
    return tuple(found)


def _ranges(scenarios: Scenarios, day: date) -> Ranges | None:
    at = (day - scenarios.first_day).days
    if not 0 <= at < scenarios.days:
        return None
    highs = sorted(one / 10 for one in scenarios.row(at) if one != MISSING)
    if len(highs) < FEWEST_SCENARIOS:
        return None
    return Ranges(*(quantile(highs, share) for share in (0.05, 0.25, 0.5, 0.75, 0.95)))


def usual_range(past_years: DailyHighs, day: date) -> tuple[float, float] | None:
    """The usual lowest and highest high of a calendar day; None with too few past years.

    February 29 has the usual range of March 1 in the years that lack it.
    """
    highs: list[float] = []
    years = 0
    for year in range(past_years.first_day.year - 1, past_years.last_day.year + 1):
        try:
            middle = day.replace(year=year)
        except ValueError:
            middle = date(year, 3, 1)
        if middle >= day:
            break
        within = [
            past_years.on(middle + timedelta(days=apart))
            for apart in range(-NORMAL_WITHIN_DAYS, NORMAL_WITHIN_DAYS + 1)
        ]
        known = [one / 10 for one in within if one is not None]
        years += bool(known)
        highs += known
    if years < FEWEST_NORMAL_YEARS:
        return None
    highs.sort()
    low, high = (quantile(highs, share) for share in NORMAL_SHARES)
    return low, high


def _counted(
    one: PictureDay,
    course: Course | None,
    treatment: Treatment,
    regimen: Regimen | None,
    exposure: Exposure | None,
    start: date | None,
) -> PictureDay:
    """The same day with the band that counts on it.

    Of a treatment that is in: on its days alone. Of one that is only thought of: its ordinary band
    on every day that no phase of the start covers, so that one sees why other days will not do.
    """
    exposed = exposure is not None and exposure.first_day <= one.day <= exposure.last_day
    if regimen is None:
        return one
    if course is not None:
        band = band_on(course, one.day) if exposed else None
        dosed = course.dose_days
    else:
        at = None if start is None else (one.day - start).days
        inside = at is not None and 0 <= at < regimen.exposure_days
        band = regimen.band_on(at) if at is not None and inside else regimen.band
        dosed = ()
        if exposure is not None:
            dosed = tuple(exposure.first_day + timedelta(days=dose.day) for dose in regimen.doses)
    critical = (
        exposed
        and treatment.danger_c is not None
        and any(0 <= (one.day - day).days < treatment.danger_days for day in dosed)
    )
    if band == Band():
        band = None
    return one._replace(band=band, exposed=exposed, critical=critical)


def _windows(main: TreatmentAnswer) -> tuple[Window, ...]:
    return tuple(
        Window(
            regimen=regimen.id,
            how=words.regimen(regimen),
            starts=tuple(
                StartDay(
                    row.day,
                    None if row.start.chance is None else row.start.chance.value,
                    row.safe and main.status is not Status.UNKNOWN,
                )
                for row in main.rows
                if row.start.regimen.id == regimen.id
            ),
        )
        for regimen in main.treatment.regimens
    )


def _visits(main: TreatmentAnswer, jobs: Sequence[Job], *, planned: bool) -> tuple[VisitMark, ...]:
    found = {(job.on, job.kind) for job in jobs if job.done is None}
    if planned:
        found |= {(visit.day, Kind(visit.task.value)) for visit in main.visits}
    order = list(Kind)
    return tuple(
        VisitMark(day, kind)
        for day, kind in sorted(found, key=lambda one: (one[0], order.index(one[1])))
    )


def _hottest(days: Sequence[PictureDay], today: date, exposure: Exposure | None) -> Hottest | None:
    """Of the days of the exposure still to come, else of all to come; the earliest on a tie."""
    ahead = [one for one in days if one.day >= today and (exposure is None or one.exposed)]
    highs = [
        Hottest(one.day, one.forecast_c, True)
        if one.forecast_c is not None
        else Hottest(one.day, one.ranges.middle, False)  # type: ignore[union-attr]
        for one in ahead
        if one.forecast_c is not None or one.ranges is not None
    ]
    return max(highs, key=lambda one: one.high_c, default=None)
