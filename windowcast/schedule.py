"""When each yard's mornings are due, worked out from its own dates and hours."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from windowcast.telling import Due
from windowcast.trade.yard import Yard

LATE_AFTER = timedelta(minutes=30)
"""A notice that comes later than this after its hour says that it is late."""


def due_at(local_date: date, at: time, zone: ZoneInfo) -> datetime:
    """The instant of a local time of day on a local date, in UTC.

    In the hour that a clock change skips, the time moves on by the change; in the hour that it
    repeats, the first counts. So each local date has exactly one instant.
    """
    return datetime.combine(local_date, at, tzinfo=zone).astimezone(UTC)


def due_mornings(yards: Sequence[Yard], *, at: time, late_until: time, now: datetime) -> list[Due]:
    """The mornings whose hour has come and whose lateness limit has not passed, told or not.

    late_until: a local hour of the same date, after `at`

    Yesterday's date is looked at too: an hour late in the evening can fall past midnight in a
    clock change.
    """
    found = []
    for yard in yards:
        zone = ZoneInfo(yard.timezone)
        for local_date in _last_dates(zone, now):
            due = due_at(local_date, at, zone)
            if due <= now <= due_at(local_date, late_until, zone):
                late = at if now - due > LATE_AFTER else None
                found.append(Due(yard=yard, local_date=local_date, late=late))
    return found


def past_mornings(yards: Sequence[Yard], *, at: time, late_until: time, now: datetime) -> list[Due]:
    """The mornings of yesterday and today whose lateness limit has passed, told or not."""
    return [
        Due(yard=yard, local_date=local_date, late=at)
        for yard in yards
        for zone in (ZoneInfo(yard.timezone),)
        for local_date in _last_dates(zone, now)
        if due_at(local_date, late_until, zone) < now
    ]


def next_due(yard: Yard, at: time, now: datetime) -> datetime:
    """The instant, after `now`, of the yard's next morning."""
    zone = ZoneInfo(yard.timezone)
    today = now.astimezone(zone).date()
    return next(
        due
        for offset in (-1, 0, 1, 2)
        if (due := due_at(today + timedelta(days=offset), at, zone)) > now
    )


def _last_dates(zone: ZoneInfo, now: datetime) -> tuple[date, date]:
    today = now.astimezone(zone).date()
    return today - timedelta(days=1), today
