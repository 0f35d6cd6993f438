"""What past years would have allowed: for each start day of a season, the share that held.

A share counts years, so nothing is assumed about how days hang together: a window held where every
day of its exposure was inside its bounds. A window with a missing day is dropped, not guessed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from fractions import Fraction
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from windowcast.sky.climate import Floats
from windowcast.sky.highs import DailyHighs
from windowcast.sky.scenarios import MISSING
from windowcast.sky.waiting import Waiting, price_of_waiting
from windowcast.trade.treatment import Regimen, Treatment
from windowcast.trade.yard import Yard
from windowcast.window.many import count

Bools = NDArray[np.bool_]

# A season begins at most two years before the record and ends at most two years after it.
AROUND_DAYS = 3 * 366
# Half a year apart, so that late summer is late summer on both sides of the equator.
LATE_SUMMER_NORTH = ((8, 1), (10, 15))
LATE_SUMMER_SOUTH = ((2, 1), (4, 15))
LAST_OF_FIRST_HALF = 15


class MonthDay(NamedTuple):
    """A day of any year."""

    month: int
    day: int

    def __str__(self) -> str:
        return f"{self.month:02d}-{self.day:02d}"


class SeasonDays(NamedTuple):
    """The start days looked at, both inside; a last before the first lies in the next year."""

    first: MonthDay
    last: MonthDay

    def of_year(self, year: int) -> list[date]:
        """The days of the season that begins in `year`; 29 February only where it exists."""
        end = year if self.last >= self.first else year + 1
        first, last = _on(year, self.first), _after(end, self.last)
        return [first + timedelta(days=n) for n in range((last - first).days)]


@dataclass(frozen=True, slots=True, kw_only=True)
class PastStart:
    """One start day over the years: how many of the years known held."""

    day: MonthDay
    held: int
    years: int

    @property
    def share(self) -> Fraction | None:
        return Fraction(self.held, self.years) if self.years else None


@dataclass(frozen=True, slots=True, kw_only=True)
class PastRegimen:
    """One regimen over the years.

    starts:        every start day of the season, in its order
    whole_years:   years in which every start of the season is known; what follows rests on these
    without:       how many of them had no start that held
    median_first:  the median of their first starts that held, years with none counted as later than
                   all, the earlier of two middle ones; None where that median is "none"
    """

    regimen: Regimen
    starts: tuple[PastStart, ...]
    whole_years: int
    without: int
    median_first: MonthDay | None

    @property
    def share_without(self) -> Fraction | None:
        return Fraction(self.without, self.whole_years) if self.whole_years else None


@dataclass(frozen=True, slots=True, kw_only=True)
class PastSeasons:
    """One treatment over the years.

    years:  seasons of which at least one start is known; None and 0 without any
    """

    treatment: Treatment
    season: SeasonDays
    years: int
    first_year: int | None
    last_year: int | None
    regimens: tuple[PastRegimen, ...]

    @property
    def least_without(self) -> Fraction | None:
        """Share of years without any start, of the regimen that has fewest such years."""
        known = [one.share_without for one in self.regimens if one.share_without is not None]
        return min(known, default=None)


def late_summer(latitude: float) -> SeasonDays:
    """The start days after the honey is off, when most treatments of a year are given."""
    first, last = LATE_SUMMER_NORTH if latitude >= 0 else LATE_SUMMER_SOUTH
    return SeasonDays(MonthDay(*first), MonthDay(*last))


def past_seasons(highs: DailyHighs, treatment: Treatment, season: SeasonDays) -> PastSeasons:
    """The shares of every regimen of a treatment, season by season of the record."""
    regimens, seen = [], set()
    for regimen, outcomes in zip(treatment.regimens, _outcomes(highs, treatment), strict=True):
        found, years = _past_regimen(highs, regimen, outcomes, season)
        regimens.append(found)
        seen |= years
    return PastSeasons(
        treatment=treatment,
        season=season,
        years=len(seen),
        first_year=min(seen, default=None),
        last_year=max(seen, default=None),
        regimens=tuple(regimens),
    )


def half_months(starts: Sequence[PastStart]) -> list[tuple[PastStart, ...]]:
    """Starts by halves of months, the 1st to the 15th and the rest."""
    halves: dict[tuple[int, bool], list[PastStart]] = {}
    for start in starts:
        halves.setdefault((start.day.month, start.day.day > LAST_OF_FIRST_HALF), []).append(start)
    return [tuple(half) for half in halves.values()]


def pooled(starts: Sequence[PastStart]) -> Fraction | None:
    """The share that held of the starts of all years together."""
    years = sum(start.years for start in starts)
    return Fraction(sum(start.held for start in starts), years) if years else None


def prices_of_waiting(
    highs: DailyHighs, treatment: Treatment, season: SeasonDays, *, say: Callable[[str], None]
) -> dict[str, Waiting]:
    """By regimen, what each `min_chance` would have cost over the seasons that are known whole.

    A regimen with no such season is left out.

    say:  told what is begun, for it takes some seconds for each regimen
    """
    tenths = _tenths(highs)
    high_c = np.where(tenths == MISSING, np.nan, tenths) / 10
    found = {}
    every = zip(treatment.regimens, _outcomes(highs, treatment), strict=True)
    for number, (regimen, outcomes) in enumerate(every, 1):
        lower, upper = _bounds(regimen)
        whole = []
        for year in _years(highs):
            days = season.of_year(year)
            known, _ = outcomes.on(days)
            if known.all():
                whole.append(days)
        if whole:
            say(
                f"{regimen.id}, {number} of {len(treatment.regimens)} regimens: simulating and"
                f" judging the forecasts of {len(whole)} past season(s); this takes some seconds"
            )
            found[regimen.id] = price_of_waiting(
                np.datetime64(highs.first_day),
                high_c,
                [np.array(days, "datetime64[D]") for days in whole],
                lower_c=lower / 10,
                upper_c=upper / 10,
            )
    return found


class _Outcomes(NamedTuple):
    """Of a start on each day: is its whole window known, and did it hold.

    first_day:  the first of both, AROUND_DAYS before the record, so that every season is inside
    """

    first_day: date
    known: Bools
    held: Bools

    def on(self, days: Sequence[date]) -> tuple[Bools, Bools]:
        """Both for consecutive days, of which there may be none."""
        first = (days[0] - self.first_day).days if days else 0
        return self.known[first : first + len(days)], self.held[first : first + len(days)]


def _past_regimen(
    highs: DailyHighs, regimen: Regimen, outcomes: _Outcomes, season: SeasonDays
) -> tuple[PastRegimen, set[int]]:
    order = _order(season)
    every = np.arange(len(order))
    # A year without a 29 February has all other days of the season.
    without_leap_day = every[[(day.month, day.day) != (2, 29) for day in order]]
    held_on, known_on = np.zeros(len(order), np.int64), np.zeros(len(order), np.int64)
    without, firsts, seen = 0, [], set()
    for year in _years(highs):
        days = season.of_year(year)
        places = every if len(days) == len(order) else without_leap_day
        known, held = outcomes.on(days)
        if known.any():
            seen.add(year)
        known_on[places] += known
        held_on[places] += held
        if not known.all():
            continue
        if held.any():
            firsts.append(int(places[held.argmax()]))
        else:
            without += 1
    whole = len(firsts) + without
    middle = (whole - 1) // 2
    firsts.sort()
    days_of_season = list(order)
    return (
        PastRegimen(
            regimen=regimen,
            starts=tuple(
                PastStart(day=day, held=held, years=years)
                for day, held, years in zip(
                    days_of_season, held_on.tolist(), known_on.tolist(), strict=True
                )
            ),
            whole_years=whole,
            without=without,
            median_first=days_of_season[firsts[middle]] if 0 <= middle < len(firsts) else None,
        ),
        seen,
    )


def _outcomes(highs: DailyHighs, treatment: Treatment) -> list[_Outcomes]:
    """Of each regimen: the record is one yard with one scenario, which is what came."""
    tenths = _tenths(highs)
    (counted,) = count(tenths.reshape(1, -1, 1), [treatment], only_inside=True)
    known = np.concatenate([[0], np.cumsum(tenths != MISSING)])
    found = []
    for regimen, one in zip(treatment.regimens, counted, strict=True):
        around = np.zeros((2, len(tenths) + 2 * AROUND_DAYS), np.bool_)
        number, days = one.inside.shape[1], regimen.exposure_days
        if number:
            starts = slice(AROUND_DAYS, AROUND_DAYS + number)
            covered = known[days:] - known[:-days] == days
            around[:, starts] = covered, one.inside[0]
        first_day = highs.first_day - timedelta(days=AROUND_DAYS)
        found.append(_Outcomes(first_day, *around))
    return found


def _tenths(highs: DailyHighs) -> NDArray[np.int16]:
    return np.array([MISSING if one is None else one for one in highs.tenths], np.int16)


def _years(highs: DailyHighs) -> range:
    """The years in which a season with a day of the record can begin."""
    return range(highs.first_day.year - 1, highs.last_day.year + 1)


def _bounds(regimen: Regimen) -> tuple[Floats, Floats]:
    """Bounds of each day of the exposure in whole tenths, which a float holds exactly."""
    return (
        np.array([_or(band.lowest_tenths, -np.inf) for band in regimen.bands]),
        np.array([_or(band.highest_tenths, np.inf) for band in regimen.bands]),
    )


def _or(value: int | None, otherwise: float) -> float:
    return otherwise if value is None else float(value)


def _order(season: SeasonDays) -> dict[MonthDay, int]:
    """The days of the season in a year that has a 29 February, with their places."""
    # One of these years has it within the season, where any year does.
    longest = max((season.of_year(year) for year in (1999, 2000)), key=len)
    return {MonthDay(day.month, day.day): index for index, day in enumerate(longest)}


def _on(year: int, day: MonthDay) -> date:
    """A day of one year; 29 February is 1 March where it does not exist."""
    if (day.month, day.day) == (2, 29) and not _leap(year):
        return date(year, 3, 1)
    return date(year, day.month, day.day)


def _after(year: int, day: MonthDay) -> date:
    """The day after a day of one year; after 29 February, existing or not, comes 1 March."""
    if (day.month, day.day) == (2, 29):
        return date(year, 3, 1)
    return _on(year, day) + timedelta(days=1)


def _leap(year: int) -> bool:
    return year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonAnswer:
    """What is said of one treatment's season at one yard.

    source:       where the past years are from, as in `provider`
    now:          this year's chance of starts that the stored forecast covers, by regimen and day
    others:       the other treatments, by the same measure; only where `hardly_ever`
    all_year:     the treatment over the whole year; only where `hardly_ever`
    waiting:      by regimen, what each `min_chance` would have cost; only where asked for
    """

    yard: Yard
    source: str
    attribution: str
    fetched_at: datetime | None
    past: PastSeasons
    now: Mapping[tuple[str, MonthDay], float]
    others: tuple[PastSeasons, ...] = ()
    all_year: PastSeasons | None = None
    waiting: Mapping[str, Waiting] = field(default_factory=dict)


def hardly_ever(past: PastSeasons) -> bool:
    """Whether most years have no start that holds, whichever regimen is taken."""
    return past.least_without is not None and past.least_without > Fraction(1, 2)
