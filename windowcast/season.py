"""One yard's season from past years: kept ones, else fetched once; with this year's laid over."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date, datetime
from typing import TYPE_CHECKING

from windowcast.answer import ATTRIBUTIONS, answer_yard, find_treatments, stored_weather
from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store
from windowcast.errors import UsageError, WeatherError, WeatherUnusable
from windowcast.language import tr
from windowcast.past_years import KEEP_PAST_YEARS, cell, fetch_past_years, highs_of
from windowcast.sky.highs import DailyHighs
from windowcast.trade.treatment import Treatment
from windowcast.trade.yard import Yard
from windowcast.window.season import (
    MonthDay,
    PastSeasons,
    SeasonAnswer,
    SeasonDays,
    hardly_ever,
    late_summer,
    past_seasons,
    prices_of_waiting,
)

if TYPE_CHECKING:
    from windowcast.sky.waiting import Waiting

ALL_YEAR = SeasonDays(MonthDay(1, 1), MonthDay(12, 31))

Say = Callable[[str], None]


def season_days(yard: Yard, first: str | None, last: str | None) -> SeasonDays:
    """The start days asked for as MM-DD, both or neither; neither: the yard's late summer."""
    if first is None and last is None:
        return late_summer(yard.latitude)
    if first is None or last is None:
        raise UsageError("--from and --to go together: the first and the last start, each MM-DD")
    return SeasonDays(_month_day("--from", first), _month_day("--to", last))


def answer_season(
    configuration: Configuration,
    store: Store,
    yard: Yard,
    season: SeasonDays,
    *,
    treatment_id: str | None,
    now: datetime,
    say: Say,
    fetch: bool = False,
    min_chances: bool = False,
    stored_only: bool = False,
) -> SeasonAnswer:
    """What past years would have allowed, of the treatment asked for, else the yard's first.

    fetch:        ask the archive also where its answer is kept
    min_chances:  also what each `min_chance` would have cost, which takes some seconds

    stored_only:  ask nobody, whatever is kept and however old it is

    Raises WeatherError where no past years are kept and none can be had.
    """
    treatment = find_treatments(configuration, yard, treatment_id)[0]
    highs, fetched_at = _past_years(
        configuration, store, yard, now=now, say=say, fetch=fetch, stored_only=stored_only
    )
    past = past_seasons(highs, treatment, season)
    if past.years == 0:
        raise WeatherUnusable(
            f"{yard.name}: the past years hold no whole exposure that begins"
            f" from {season.first} to {season.last}"
        )
    waiting: dict[str, Waiting] = {}
    if min_chances:
        from windowcast.sky.waiting import FEWEST_SEASONS

        waiting = prices_of_waiting(highs, treatment, season, say=say)
        fewest = min((one.seasons for one in waiting.values()), default=0)
        if fewest < FEWEST_SEASONS:
            raise WeatherUnusable(
                f"{yard.name}: {fewest} past seasons are known from the first start to the end of"
                f" the last one's exposure, but --min-chances needs {FEWEST_SEASONS}"
            )
    provider = configuration.weather.provider
    others: tuple[PastSeasons, ...] = ()
    all_year: PastSeasons | None = None
    if hardly_ever(past):
        others = tuple(
            past_seasons(highs, one.in_hives_of(yard.hive.brood_chambers), season)
            for one in configuration.treatments
            if one.id != treatment.id
        )
        all_year = past_seasons(highs, treatment, ALL_YEAR)
    return SeasonAnswer(
        yard=yard,
        source=provider,
        attribution=ATTRIBUTIONS[provider],
        fetched_at=fetched_at,
        past=past,
        now=_now(configuration, store, yard, treatment, now),
        others=others,
        all_year=all_year,
        waiting=waiting,
    )


def _past_years(
    configuration: Configuration,
    store: Store,
    yard: Yard,
    *,
    now: datetime,
    say: Say,
    fetch: bool,
    stored_only: bool,
) -> tuple[DailyHighs, datetime | None]:
    """The highs, and when they were fetched; None: they are invented."""
    settings = configuration.weather
    if settings.provider == "sample":
        from windowcast.edges import sample, shipped

        folder = shipped.sample_folder()
        return sample.past_years(folder, settings.sample_season, yard, now), None
    kept = store.past_years(cell(yard))
    if stored_only:
        if kept is None:
            raise WeatherUnusable(
                tr(
                    'no past years are kept for {yard}; windowcast season "{yard}" fetches them',
                    yard=yard.name,
                )
            )
        return highs_of(kept), kept.fetched_at
    if kept is not None and not fetch and now - kept.fetched_at <= KEEP_PAST_YEARS:
        return highs_of(kept), kept.fetched_at
    try:
        found = fetch_past_years(settings, store, yard, now=now, say=say)
    except WeatherError as error:
        if kept is None:
            raise
        say(f"{error}; those of {kept.fetched_at.date()} are used")
        found = kept
    return highs_of(found), found.fetched_at


def _now(
    configuration: Configuration, store: Store, yard: Yard, treatment: Treatment, now: datetime
) -> dict[tuple[str, MonthDay], float]:
    """This year's chances from the stored forecast; none where it is absent or stale."""
    weather = stored_weather(configuration, store, yard, now)
    if not weather.usable:
        return {}
    answer = answer_yard(configuration, yard, weather, now=now, treatments=[treatment])
    return {
        (row.start.regimen.id, MonthDay(row.day.month, row.day.day)): float(row.start.chance.value)
        for row in answer.treatments[0].rows
        if row.start.chance is not None
    }


def _month_day(option: str, text: str) -> MonthDay:
    matched = re.fullmatch(r"(\d{2})-(\d{2})", text.strip(), re.ASCII)
    if matched:
        month, day = int(matched[1]), int(matched[2])
        try:
            date(2000, month, day)  # a leap year: 02-29 is a day to start on
        except ValueError:
            pass
        else:
            return MonthDay(month, day)
    raise UsageError(f"{option} is {text!r}, but must be a month and a day, such as 08-01")
