"""The past years of a yard's grid cell: kept ones, or fetched once from the archive."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

from windowcast.edges.settings import WeatherSettings
from windowcast.edges.store import Store, StoredPastYears, pack_tenths, unpack_tenths
from windowcast.errors import WeatherError, WeatherRefused
from windowcast.sky.highs import DailyHighs
from windowcast.trade.yard import Yard

# A year more in thirty changes little: fetched anew in time for the next season, and no sooner.
KEEP_PAST_YEARS = timedelta(days=300)
CELL_DEGREES_DIGITS = 1

Say = Callable[[str], None]


def cell(yard: Yard) -> str:
    """What past years are kept under: neighbours in one grid cell share them.

    A height that the configuration names is part of it, since the service moves temperatures to it
    by 0.65 K for each 100 m.
    """
    north, east = (
        round(degrees, CELL_DEGREES_DIGITS) + 0.0 for degrees in (yard.latitude, yard.longitude)
    )
    height = "" if yard.elevation_m is None else f" {round(yard.elevation_m, -2):.0f} m"
    return f"{north:.1f} {east:.1f}{height}"


def kept_past_years(store: Store, yard: Yard, now: datetime) -> StoredPastYears | None:
    """The past years of the yard's grid cell where they are kept and not too old."""
    kept = store.past_years(cell(yard))
    return None if kept is None or now - kept.fetched_at > KEEP_PAST_YEARS else kept


def fetch_past_years(
    settings: WeatherSettings, store: Store, yard: Yard, *, now: datetime, say: Say
) -> StoredPastYears:
    """What the archive has of the yard's grid cell; it is kept. Raises WeatherError."""
    if not settings.archive_url:
        raise WeatherRefused(
            f"{yard.name}: no new past years: archive_url is empty; name an archive in"
            " windowcast.toml"
        )
    from windowcast.edges import archive
    from windowcast.edges.allowance import Spent

    utc_day = now.astimezone(UTC).date()
    already = store.spent(utc_day)
    got = archive.fetch_past_years(
        yard, settings, now=now, say=say, spent=Spent(day=utc_day, weight=already)
    )
    used = got.spent.weight - (already if got.spent.day == utc_day else 0.0)
    if used > 0:
        store.spend(got.spent.day, used)
    if isinstance(got.highs, WeatherError):
        raise type(got.highs)(f"{yard.name}: no new past years: {got.highs}") from got.highs
    found = StoredPastYears(
        place=cell(yard),
        fetched_at=got.fetched_at,
        first_day=got.highs.first_day,
        tenths=pack_tenths(got.highs.tenths),
    )
    store.save_past_years(found)
    return found


def highs_of(kept: StoredPastYears) -> DailyHighs:
    """A kept series as highs."""
    return DailyHighs(first_day=kept.first_day, tenths=tuple(unpack_tenths(kept.tenths)))
