"""A second weather service's look at the first days: fetched with its manners, kept, compared."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from zoneinfo import ZoneInfo

from windowcast.answer import second_place
from windowcast.edges.settings import Configuration
from windowcast.edges.store import SecondLook, Store, pack_tenths
from windowcast.errors import WeatherError, WeatherRefused, WeatherUnreachable
from windowcast.trade.yard import Yard

DEADLINE_S = 30.0
ASK_AGAIN = timedelta(minutes=30)
"""Where an answer does not say how long it holds."""
LONGEST_HOLD = timedelta(hours=12)

Say = Callable[[str], None]


def look(
    configuration: Configuration,
    store: Store,
    yards: Sequence[Yard],
    *,
    now: datetime,
    say: Say,
) -> None:
    """Ask the second services about yards whose last answer has expired, and keep what they say.

    What they do not answer is said and left alone: the first service's forecast stands without
    them. The first that cannot be reached, or refuses, is not asked about further yards.
    """
    settings = configuration.weather
    urls = {"met-norway": settings.metno_url, "nws": settings.nws_url}
    if not settings.contact or settings.provider == "sample" or not any(urls.values()):
        return
    from windowcast.edges import metno, nws
    from windowcast.edges.http import BadRequest, Fetcher, NotChanged

    fetches = {"met-norway": metno.fetch, "nws": nws.fetch}
    rows: list[SecondLook] = []
    with Fetcher(say=say, contact=settings.contact) as fetcher:
        for source, url in urls.items():
            if not url:
                continue
            for yard in yards:
                if source == "nws" and not nws.covers(yard):
                    continue
                place = second_place(yard)
                last = next(
                    (one for one in store.second_looks(yard.name, place) if one.source == source),
                    None,
                )
                # What is to hold far longer than any forecast was stamped by a wrong clock.
                if last is not None and now < last.expires_at <= now + LONGEST_HOLD:
                    continue
                today = now.astimezone(ZoneInfo(yard.timezone)).date()
                since = "" if last is None or last.first_day != today else last.last_modified
                try:
                    highs = fetches[source](fetcher, url, yard, today, since)
                except NotChanged:
                    if last is not None:
                        rows.append(
                            last._replace(fetched_at=now, expires_at=_expires(fetcher.headers, now))
                        )
                    continue
                except BadRequest as error:
                    say(f"{yard.name}: second look: {error}")
                    continue
                except WeatherError as error:
                    say(f"{yard.name}: second look: {error}")
                    if isinstance(error, WeatherUnreachable | WeatherRefused):
                        break
                    continue
                rows.append(
                    SecondLook(
                        yard=yard.name,
                        source=source,
                        fetched_at=now,
                        place=place,
                        first_day=highs.first_day,
                        tenths=pack_tenths(highs.tenths),
                        expires_at=_expires(fetcher.headers, now),
                        last_modified=fetcher.headers.get("Last-Modified", "")[:100],
                    )
                )
    if rows:
        store.keep_second_looks(rows)


def _expires(headers: Mapping[str, str], now: datetime) -> datetime:
    """Until when an answer holds: as it says, within reason."""
    try:
        found = parsedate_to_datetime(headers.get("Expires", ""))
    except (TypeError, ValueError):
        return now + ASK_AGAIN
    if found.tzinfo is None:
        found = found.replace(tzinfo=UTC)
    return min(max(found, now), now + LONGEST_HOLD)
