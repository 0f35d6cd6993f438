"""What a yard's picture is made of: stored weather, observed highs, past years, the journal."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path

from windowcast.answer import YardWeather, answer_yard, find_treatments, stored_weather
from windowcast.edges import picture_file
from windowcast.edges.picture_file import Kind
from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store
from windowcast.entering import as_seen, today_at
from windowcast.notice.shut_lines import against
from windowcast.notice.svg import svg
from windowcast.notice.yard_picture import YardPicture, picture_of, scene
from windowcast.past_years import cell, highs_of
from windowcast.record import site
from windowcast.sky.highs import DailyHighs
from windowcast.standing import Standing, standing
from windowcast.trade.yard import Yard
from windowcast.window.decide import YardAnswer

OBSERVED_DAYS = 60
"""Highs of so many days gone by are looked at; more are never shown."""


def yard_picture(
    configuration: Configuration,
    store: Store,
    yard: Yard,
    now: datetime,
    *,
    weather: YardWeather | None = None,
    answer: YardAnswer | None = None,
    stands: Standing | None = None,
) -> YardPicture:
    """The picture of a yard as of `now`; nothing is fetched.

    weather, answer, stands:  where they are worked out already; else they are from what is stored
    """
    if weather is None:
        weather = stored_weather(configuration, store, yard, now)
    if answer is None:
        answer = answer_yard(
            configuration,
            as_seen(store, yard, now),
            weather,
            now=now,
            treatments=find_treatments(configuration, yard),
        )
    if stands is None:
        stands = standing(configuration, store, yard, weather, answer, now=now)
        answer = stands.told
    return picture_of(
        answer,
        units=configuration.units,
        forecast=weather.forecast,
        scenarios=weather.scenarios,
        observed=_observed(configuration, store, yard, today_at(yard, now)),
        past_years=_past_years(configuration, store, yard, now),
        course=stands.course,
        watch=stands.watch,
        resting=stands.resting,
        jobs=stands.jobs,
        min_chance=configuration.decision.min_chance,
        shut=bool(against(answer.main, answer.today, stands.shut)),
    )


def _observed(
    configuration: Configuration, store: Store, yard: Yard, today: date
) -> dict[date, float]:
    since = today - timedelta(days=OBSERVED_DAYS)
    place = site(yard, configuration.weather.provider)
    return {
        one.day: one.tenths / 10
        for one in store.observed(yard.name, place=place)
        if since <= one.day < today
    }


def _past_years(
    configuration: Configuration, store: Store, yard: Yard, now: datetime
) -> DailyHighs | None:
    """However old: what is usual changes slowly."""
    settings = configuration.weather
    if settings.provider == "sample":
        from windowcast.edges import sample, shipped

        folder, today = shipped.sample_folder(), today_at(yard, now)
        found = sample.past_years(folder, settings.sample_season, yard, now)
        # Its season begins today, whatever today is.
        return found._replace(
            first_day=found.first_day
            + (today - sample.begins(settings.sample_season, yard, today)),
        )
    kept = store.past_years(cell(yard))
    return None if kept is None else highs_of(kept)


def write(picture: YardPicture, path: Path, kind: Kind, width: float) -> None:
    """The picture in a file, laid out for so many CSS pixels; a PNG has twice as many."""
    laid_out = scene(picture, width)
    if kind == "svg":
        content = svg(laid_out, identity="yard").encode()
    else:
        from windowcast.notice.raster import png

        content = png(laid_out)
    picture_file.write(path, content)
