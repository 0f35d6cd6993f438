"""From the sources as fetched to scenarios whose shares can be read as chances.

The engine is `sky.calibrate`; here it is given what is kept of a yard: its past years, and which
corrections the configuration wants. Done once after each fetch and stored, so that asking for a
yard later imports no array library.
"""

from __future__ import annotations

import itertools
import os
from array import array
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from windowcast import bootstrap, season
from windowcast.answer import (
    CORRECTED,
    daily_highs,
    made_of,
    members_of,
    place,
    series_in_use,
)
from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store, StoredSeries
from windowcast.errors import WeatherError, WeatherUnreachable
from windowcast.sky.highs import DailyHighs
from windowcast.sky.scenarios import MISSING
from windowcast.trade.yard import Yard

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from windowcast.sky.calibrate import ErrorStatistics
    from windowcast.sky.climate import Climate

    Floats = NDArray[np.float64]

Say = Callable[[str], None]

COPIES = 4
"""Scenarios made from each member: four times as many halve the noise of counting."""
SINGLE_COLUMNS = 204
"""Scenarios made from a single forecast: as many as from an ensemble of 51."""
HORIZON_DAYS = 46
"""How far past years carry on where the extended range is missing: as far as it would."""
ARCHIVES_A_RUN = 7
"""Past years fetched before a morning's notices: what the archive's free minute allows at once."""


def correct(
    configuration: Configuration, store: Store, yards: Sequence[Yard], *, now: datetime, say: Say
) -> None:
    """Make and store the corrected scenarios of yards whose sources are stored.

    A yard whose past years are neither kept nor to be had keeps its raw scenarios, and so does one
    whose highs the engine refuses; both are said. Past years are fetched for at most
    ARCHIVES_A_RUN grid cells a run, and no more after one that cannot be reached.
    """
    if not configuration.chance.calibrate or configuration.weather.provider == "sample":
        return
    # The matrices are small: threads inside the linear algebra cost more than they give.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    past = _past_years(configuration, store, yards, now=now, say=say)
    rows = []
    for yard in yards:
        highs = past.get(season.cell(yard))
        used = series_in_use(configuration, store, yard, now)
        if highs is None or not used:
            continue
        try:
            made = _corrected(configuration, store, yard, used, highs, now)
        except ValueError as error:
            say(f"{yard.name}: the chance is not corrected: {error}")
            continue
        if made is not None:
            rows.append(made)
    store.save_forecasts(rows)


def _past_years(
    configuration: Configuration, store: Store, yards: Sequence[Yard], *, now: datetime, say: Say
) -> dict[str, DailyHighs]:
    """Past years by grid cell: kept ones, and a few new ones."""
    found: dict[str, DailyHighs] = {}
    asked = 0
    for yard in yards:
        cell = season.cell(yard)
        if cell in found:
            continue
        kept = season.kept_past_years(store, yard, now)
        if kept is not None:
            found[cell] = kept
        elif configuration.weather.archive_url and asked < ARCHIVES_A_RUN:
            asked += 1
            try:
                found[cell] = season.fetch_past_years(
                    configuration.weather, store, yard, now=now, say=say
                )
            except WeatherError as error:
                say(f"{error}; the chance is not corrected")
                if isinstance(error, WeatherUnreachable):
                    asked = ARCHIVES_A_RUN
    return found


def _corrected(
    configuration: Configuration,
    store: Store,
    yard: Yard,
    used: Mapping[str, StoredSeries],
    past: DailyHighs,
    now: datetime,
) -> StoredSeries | None:
    """One yard's corrected scenarios; None where it has neither ensemble nor forecast."""
    import numpy as np

    from windowcast.sky import calibrate as engine
    from windowcast.sky.climate import fit_climate, past_traces

    today = now.astimezone(ZoneInfo(yard.timezone)).date()
    raw = _raw(used, today)
    if raw is None:
        return None
    first_day, high_c, source = raw
    days = np.datetime64(past.first_day) + np.arange(len(past.tenths))
    seen_c = _degrees(past.tenths)
    climate = fit_climate(days, seen_c)
    first = np.datetime64(first_day)
    lead = (first_day - today).days
    extended_c = _extended(used, first_day)
    wanted = configuration.chance
    length = max(len(high_c), HORIZON_DAYS if extended_c is None else len(extended_c))
    traces = (
        past_traces(climate, days, seen_c, first_day=first, length_days=length)
        if wanted.climate
        else None
    )
    members = high_c.shape[1]
    made = engine.calibrate(
        high_c,
        first_day=first,
        issue_day=np.datetime64(today),
        climate=climate,
        statistics=_statistics(store, yard, climate, lead, len(high_c), source, first),
        recent_c=_recent(past, today),
        extended_c=extended_c,
        traces=traces,
        length_days=length,
        columns=members * COPIES if members > 1 else SINGLE_COLUMNS,
        switches=engine.Switches(
            regress=wanted.regress,
            spread=wanted.spread,
            recent=wanted.recent,
            tail=wanted.climate,
            extended=wanted.extended,
        ),
        seed=first_day.toordinal(),
    )
    tenths = np.rint(made.high_c.astype(np.float64) * 10).astype(np.int16)
    beyond = ("extended",) if extended_c is not None and len(tenths) > len(high_c) else ()
    return StoredSeries(
        yard=yard.name,
        source=CORRECTED,
        fetched_at=min(one.fetched_at for one in used.values()),
        run_at=None,
        first_day=first_day,
        days=len(tenths),
        scenarios=tenths.shape[1],
        tenths=tenths.astype("<i2").tobytes(),
        detail={
            "place": place(yard, configuration.weather),
            "made_of": made_of(configuration, used),
            "sources": [source, *beyond],
            "ensemble_days": len(high_c),
            "how": made.how,
        },
    )


def _statistics(
    store: Store,
    yard: Yard,
    climate: Climate,
    lead: int,
    days: int,
    source: str,
    first: np.datetime64,
) -> ErrorStatistics:
    """Known errors by days ahead: built-in ones, moved by the past runs kept of the yard.

    Past runs are single forecasts: they say nothing of an ensemble's spread.
    """
    import numpy as np

    from windowcast.sky import calibrate as engine
    from windowcast.sky.climate import year_angle

    leads = np.arange(lead, lead + days)
    known = engine.built_in(leads, ensemble=source == "ensemble")
    if source == "ensemble":
        return known
    record = bootstrap.stored_record(store, yard, leads.tolist())
    if record is None:
        return known
    return engine.learn(
        [engine.cases_of(record, climate)], known, season_angle=year_angle(np.array([first]))
    )


def _raw(used: Mapping[str, StoredSeries], today: date) -> tuple[date, Floats, str] | None:
    """First day, (days, members) highs in °C and their source: the ensemble, else the forecast.

    From today on; the single forecast up to its first unknown day.
    """
    members = members_of(used.get("ensemble"))
    if members is not None:
        first_day, count, tenths = members.first_day, members.count, members.tenths
        source = "ensemble"
    elif "forecast" in used:
        highs = daily_highs(used["forecast"])
        ahead = highs.tenths[max((today - highs.first_day).days, 0) :]
        known = itertools.takewhile(lambda high: high is not None, ahead)
        first_day, count = max(highs.first_day, today), 1
        tenths = array("h", (high for high in known if high is not None))
        source = "forecast"
    else:
        return None
    high_c = _degrees(tenths).reshape(-1, count)
    over = max((today - first_day).days, 0)
    if len(high_c) <= over:
        return None
    return first_day + timedelta(days=over), high_c[over:], source


def _extended(used: Mapping[str, StoredSeries], first_day: date) -> Floats | None:
    """(days, members) of the extended range from `first_day` on; None where it begins later."""
    members = members_of(used.get("extended"))
    if members is None or not members.first_day <= first_day <= members.last_day:
        return None
    high_c = _degrees(members.tenths).reshape(members.days, members.count)
    return high_c[(first_day - members.first_day).days :]


def _degrees(tenths: Sequence[int | None] | array[int]) -> Floats:
    """Highs in °C, NaN where missing."""
    import numpy as np

    if isinstance(tenths, array):
        whole = np.frombuffer(tenths, np.int16)
        return np.where(whole == MISSING, np.nan, whole / 10)
    return np.array([np.nan if one is None else one / 10 for one in tenths], np.float64)


def _recent(past: DailyHighs, today: date) -> Floats:
    """Observed highs of the 31 days up to yesterday, °C, NaN where not known."""
    return _degrees([past.on(today - timedelta(days=back)) for back in range(31, 0, -1)])
