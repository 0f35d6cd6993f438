"""From the sources as fetched to scenarios whose shares can be read as chances.

The engine is `sky.calibrate`; here it is given what is kept of a yard: its past years, and which
corrections the configuration wants. Done once after each fetch and stored, so that asking for a
yard later imports no array library.
"""

from __future__ import annotations

import itertools
import os
from array import array
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta
from functools import partial
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from windowcast import past_years
from windowcast.answer import (
    CORRECTED,
    daily_highs,
    made_of,
    members_of,
    open_store,
    place,
    series_in_use,
)
from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store, StoredPastYears, StoredSeries
from windowcast.errors import WeatherError, WeatherUnreachable
from windowcast.sky.scenarios import MISSING
from windowcast.trade.yard import Yard

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from windowcast.past_errors import PastErrors
    from windowcast.sky.climate import Climate

    Floats = NDArray[np.float64]

Say = Callable[[str], None]

COPIES = 4
"""Scenarios made from each member: four times as many halve the noise of counting."""
SINGLE_COLUMNS = 204
"""Scenarios made from a single forecast: as many as from an ensemble of 51."""
LAST_SINGLE_LEAD = 14
"""The last day ahead that a past run knows whole in every zone (it begins on the UTC day before in
those east of Greenwich). Errors are learned from whole courses only, so a forecast that went a day
farther could learn from none; past years say that day as well as one forecast does."""
HORIZON_DAYS = 46
"""How far past years carry on where the extended range is missing: as far as it would."""
RECENT_DAYS = 31
BLOCK = 50
"""Yards corrected and stored together."""
MANY_YARDS = 200
"""From so many yards on the work is spread over the processors: a process has to start first."""
ARCHIVES_A_RUN = 7
"""Past years fetched before a morning's notices: what the archive's free minute allows at once."""


def correct(
    configuration: Configuration,
    store: Store,
    yards: Sequence[Yard],
    *,
    now: datetime,
    say: Say,
    fetch: bool = True,
    apart: bool = True,
) -> None:
    """Make and store the corrected scenarios of yards whose sources are stored.

    fetch:  past years that are not kept may be asked for
    apart:  many yards may be spread over processes of their own

    A yard whose past years are neither kept nor to be had keeps its raw scenarios, and so does one
    whose highs the engine refuses; both are said. Past years are fetched for at most
    ARCHIVES_A_RUN grid cells a run, and no more after one that cannot be reached.
    """
    if not configuration.chance.calibrate or configuration.weather.provider == "sample":
        return
    if fetch:
        fetch_past_years(configuration, store, yards, now=now, say=say)
    blocks = [yards[at : at + BLOCK] for at in range(0, len(yards), BLOCK)]
    workers = min(os.cpu_count() or 1, len(blocks))
    if not apart or len(yards) < MANY_YARDS or workers < 2:
        done = (_block(configuration, store, block, now) for block in blocks)
        _keep(store, done, say)
        return
    # Spawned and not forked: the service has threads.
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        _keep(store, pool.map(partial(_block_apart, configuration, now=now), blocks), say)


def _keep(store: Store, done: Iterable[tuple[list[StoredSeries], list[str]]], say: Say) -> None:
    for rows, said in done:
        for text in said:
            say(text)
        store.save_forecasts(rows)


def _block_apart(
    configuration: Configuration, yards: Sequence[Yard], *, now: datetime
) -> tuple[list[StoredSeries], list[str]]:
    """`_block` in a process of its own."""
    with open_store(configuration) as store:
        return _block(configuration, store, yards, now)


def _block(
    configuration: Configuration, store: Store, yards: Sequence[Yard], now: datetime
) -> tuple[list[StoredSeries], list[str]]:
    """The corrected scenarios of some yards, and what is to be said of the others."""
    by_cell: dict[str, _Past | None] = {}

    def past_of(yard: Yard) -> _Past | None:
        # Neighbours that are not corrected now, such as beside a yard asked for alone, still teach.
        cell = past_years.cell(yard)
        if cell not in by_cell:
            kept = past_years.kept_past_years(store, yard, now)
            by_cell[cell] = None if kept is None else _Past(kept)
        return by_cell[cell]

    def climate_of(yard: Yard) -> Climate | None:
        past = past_of(yard)
        return None if past is None else past.climate

    rows: list[StoredSeries] = []
    said: list[str] = []
    errors: PastErrors | None = None
    for yard in yards:
        used = series_in_use(configuration, store, yard, now)
        past = past_of(yard) if used else None
        if past is None:
            continue
        if errors is None:
            from windowcast.past_errors import PastErrors

            errors = PastErrors(configuration, store, climate_of, now=now)
        try:
            made = _corrected(configuration, errors, yard, used, past, now)
        except ValueError as error:
            said.append(f"{yard.name}: the chance is not corrected: {error}")
            continue
        if made is not None:
            rows.append(made)
    return rows, said


def fetch_past_years(
    configuration: Configuration,
    store: Store,
    yards: Sequence[Yard],
    *,
    now: datetime,
    say: Say,
) -> None:
    """Ask the archive for a few of the grid cells whose past years are not kept."""
    if not configuration.weather.archive_url or configuration.weather.provider == "sample":
        return
    seen: set[str] = set()
    asked = 0
    for yard in yards:
        cell = past_years.cell(yard)
        if cell in seen or past_years.kept_past_years(store, yard, now) is not None:
            continue
        seen.add(cell)
        asked += 1
        try:
            past_years.fetch_past_years(configuration.weather, store, yard, now=now, say=say)
        except WeatherError as error:
            say(f"{error}; the chance is not corrected")
            if isinstance(error, WeatherUnreachable):
                return
        if asked == ARCHIVES_A_RUN:
            return


class _Past:
    """The past years of a grid cell, and the climate fitted to them."""

    def __init__(self, kept: StoredPastYears) -> None:
        import numpy as np

        from windowcast.sky.climate import fit_climate

        self.first_day = kept.first_day
        whole = np.frombuffer(kept.tenths, "<i2")
        self.days = np.datetime64(kept.first_day) + np.arange(len(whole))
        self.seen_c = np.where(whole == MISSING, np.nan, whole / 10)
        self.climate = fit_climate(self.days, self.seen_c)

    def before(self, today: date, days: int) -> Floats:
        """The highs of the `days` days up to yesterday, °C, NaN where not known."""
        import numpy as np

        index = (today - self.first_day).days + np.arange(-days, 0)
        inside = (index >= 0) & (index < len(self.seen_c))
        found: Floats = np.full(days, np.nan)
        found[inside] = self.seen_c[index[inside]]
        return found


def _corrected(
    configuration: Configuration,
    errors: PastErrors,
    yard: Yard,
    used: Mapping[str, StoredSeries],
    past: _Past,
    now: datetime,
) -> StoredSeries | None:
    """One yard's corrected scenarios; None where it has neither ensemble nor forecast."""
    import numpy as np

    from windowcast.past_errors import previous, recent
    from windowcast.sky import calibrate as engine
    from windowcast.sky.climate import past_traces

    today = now.astimezone(ZoneInfo(yard.timezone)).date()
    raw = _raw(used, today)
    if raw is None:
        return None
    first_day, high_c, source = raw
    climate = past.climate
    first = np.datetime64(first_day)
    lead = (first_day - today).days
    wanted = configuration.chance
    if source == "forecast" and wanted.climate:
        high_c = high_c[: max(1, LAST_SINGLE_LEAD + 1 - lead)]
    leads = range(lead, lead + len(high_c))
    own = errors.record(yard, source, leads)
    extended_c = _extended(used, first_day)
    length = max(len(high_c), HORIZON_DAYS if extended_c is None else len(extended_c))
    traces = (
        past_traces(climate, past.days, past.seen_c, first_day=first, length_days=length)
        if wanted.climate
        else None
    )
    members = high_c.shape[1]
    made = engine.calibrate(
        high_c,
        first_day=first,
        issue_day=np.datetime64(today),
        climate=climate,
        statistics=errors.statistics(yard, source, leads, first, climate, own),
        recent_c=recent(own, past.before(today, RECENT_DAYS), today, RECENT_DAYS),
        previous_c=previous(own, today),
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
