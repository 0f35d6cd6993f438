"""How the service does: for the person who asks, and for whoever watches it."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from windowcast import __version__
from windowcast.answer import CLOCK_SLACK, open_store
from windowcast.edges import service_lock
from windowcast.edges.health_server import Page
from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store, StoredNotice, file_of
from windowcast.edges.store_keeping import RefusedNotice, ServiceRun, ToldMorning
from windowcast.entering import today_at
from windowcast.errors import StoreError
from windowcast.language import tr, trn
from windowcast.notice.health_lines import tries
from windowcast.notice.plain import too_old
from windowcast.recipients import recipients_of
from windowcast.schedule import LATE_AFTER, due_at, next_due
from windowcast.trade.course import courses, in_hand
from windowcast.trade.yard import Yard

REFUSED_SHOWN = timedelta(days=3)
"""A notice refused for good is shown for so long: over a weekend."""
ALIVE_WITHIN = timedelta(minutes=20)
"""A service on another machine that ticked so lately runs: a mail server may hold one tick up for
ten minutes."""
STARTS_AN_HOUR = 5
"""Whoever starts the service by hand does it less often; more is a service that keeps ending."""


@dataclass(frozen=True, slots=True, kw_only=True)
class YardHealth:
    """One yard.

    told:        its last morning that notices were written of
    next_at:     when the next is due that nothing is written of yet
    overdue:     the local date of the last morning that was due, where it has not come
    fetched_at:  of the stored forecast; None without one
    stale:       that is older than `max_age_hours`
    unwatched:   it is, although a running service is to look at what is in the hives
    """

    yard: Yard
    told: ToldMorning | None
    next_at: datetime
    overdue: date | None
    fetched_at: datetime | None
    stale: bool
    unwatched: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """All that is looked at.

    run:      the newest run of a service on this database; None: there has been none
    running:  whether one runs now; None where that cannot be known
    starts:   of the service, in the last hour
    spent:    request weight used on this UTC day
    octets:   of the database with its log
    max_age_hours: of a forecast that is not stale
    """

    now: datetime
    run: ServiceRun | None
    running: bool | None
    starts: int
    yards: tuple[YardHealth, ...]
    waiting: tuple[StoredNotice, ...]
    refused: tuple[RefusedNotice, ...]
    spent: float
    octets: int
    version: int
    max_age_hours: float

    def failing(self) -> list[str]:
        """What keeps the service from doing its work, one sentence each."""
        return [
            tr(
                "{yard}: the morning of {day} has not come",
                yard=one.yard.name,
                day=one.overdue.isoformat(),
            )
            for one in self.yards
            if one.overdue is not None
        ]

    def troubles(self) -> list[str]:
        """All that a person should look at, the worst first."""
        found = self.failing()
        if self.run is not None and self.run.stopped_at is None:
            if self.running is False:
                found.append(
                    tr("the service ended without being told to; see its log, and start it")
                )
            elif self.running is None:
                minutes = ALIVE_WITHIN // timedelta(minutes=1)
                found.append(
                    tr(
                        "no service has ticked for more than {minutes} minutes, and the newest was"
                        " not told to stop; see its log, and start it",
                        minutes=minutes,
                    )
                )
        if self.starts > STARTS_AN_HOUR:
            found.append(
                tr("the service was started {starts} times in the last hour", starts=self.starts)
            )
        found += [
            tr(
                "{yard}: the morning of {day} had no usable forecast",
                yard=one.yard.name,
                day=one.told.local_date.isoformat(),
            )
            for one in self.yards
            if one.told is not None and not one.told.knows
        ]
        found += [
            tr(
                "{yard}: what is in the hives is not watched: {why}",
                yard=one.yard.name,
                why=too_old((self.now - one.fetched_at) / timedelta(hours=1), self.max_age_hours),
            )
            for one in self.yards
            if one.unwatched and one.fetched_at is not None
        ]
        found += [
            tr(
                "a notice to {who} waits after {tries}: {why}",
                who=one.recipient,
                tries=tries(one.attempts),
                why=one.last_error,
            )
            for one in self.waiting
            if one.last_error
        ]
        failed = any(one.last_error for one in self.waiting)
        behind = sum(
            not one.last_error and (one.not_before is None or one.not_before <= self.now)
            for one in self.waiting
        )
        if failed and behind:
            found.append(
                trn(
                    "{count} more notice waits behind it and was not tried yet",
                    "{count} more notices wait behind it and were not tried yet",
                    behind,
                )
            )
        found += [
            tr("a notice to {who} was refused for good: {why}", who=one.recipient, why=one.error)
            for one in self.refused
        ]
        return found


def look(configuration: Configuration, store: Store, now: datetime) -> Health:
    """What there is to see now. Raises StoreError where the database cannot be read."""
    hour_ago = now - timedelta(hours=1)
    runs = store.service_runs(hour_ago)
    run = runs[-1] if runs else None
    if store.path is not None:
        running = service_lock.held(store.path)
    else:
        run, running = _running_elsewhere(runs, now)
    since = store.yards_since()
    return Health(
        now=now,
        run=run,
        running=running,
        starts=sum(one.started_at >= hour_ago for one in runs),
        yards=tuple(
            _yard_health(
                configuration, store, yard, since.get(yard.name), run, now, running=bool(running)
            )
            for yard in configuration.yards
        ),
        waiting=tuple(store.notices("waiting")),
        refused=tuple(store.refused_since(now - REFUSED_SHOWN)),
        spent=store.spent(now.astimezone(UTC).date()),
        octets=store.octets(),
        version=store.version(),
        max_age_hours=configuration.weather.max_age_hours,
    )


def _running_elsewhere(
    runs: Sequence[ServiceRun], now: datetime
) -> tuple[ServiceRun | None, bool | None]:
    """The run to show, and whether it goes on, where services on other machines share the database:
    one that ticked just now runs; what became of another cannot be seen from here."""
    going = [run for run in runs if run.stopped_at is None]
    alive = [run for run in going if now - run.ticked_at < ALIVE_WITHIN]
    if alive:
        return alive[-1], True
    return (runs[-1] if runs else None), (None if going else False)


def _yard_health(
    configuration: Configuration,
    store: Store,
    yard: Yard,
    since: datetime | None,
    run: ServiceRun | None,
    now: datetime,
    *,
    running: bool,
) -> YardHealth:
    next_at = next_due(yard, configuration.morning.at, now)
    coming = next_at.astimezone(ZoneInfo(yard.timezone)).date()
    told = store.told(yard.name, coming)
    if all(told.get(recipient, False) for recipient in recipients_of(configuration, yard)):
        # Somebody has done it by hand before its hour.
        next_at = next_due(yard, configuration.morning.at, next_at)
    fetched_at = store.forecast_fetched(yard.name, now + CLOCK_SLACK)
    most = timedelta(hours=configuration.weather.max_age_hours)
    stale = fetched_at is not None and now - fetched_at > most
    looks = running and configuration.morning.watch_hours > 0
    return YardHealth(
        yard=yard,
        told=store.newest_morning(yard.name),
        next_at=next_at,
        overdue=None if since is None else _overdue(configuration, store, yard, since, run, now),
        fetched_at=fetched_at,
        stale=stale,
        unwatched=stale
        and looks
        and in_hand(courses(store.journal(yard.name)), today_at(yard, now)) is not None,
    )


def _overdue(
    configuration: Configuration,
    store: Store,
    yard: Yard,
    since: datetime,
    run: ServiceRun | None,
    now: datetime,
) -> date | None:
    """The last morning that should have come, if it has not. One that may still come in time is
    given half an hour from when it was due, or from the start of a service that began late."""
    zone = ZoneInfo(yard.timezone)
    today = now.astimezone(zone).date()
    everyone = set(recipients_of(configuration, yard))
    for local_date in (today, today - timedelta(days=1)):
        due = due_at(local_date, configuration.morning.at, zone)
        until = due_at(local_date, configuration.morning.late_until, zone)
        if due > now or until < since:
            continue
        if everyone <= store.told(yard.name, local_date).keys():
            return None
        begin = max(due, since)
        if run is not None and run.stopped_at is None and now <= until:
            begin = max(begin, run.started_at)
        if now - begin >= LATE_AFTER:
            return local_date
    return None


class Ticking(Protocol):
    """What a loop tells of itself. `came_on_at`: by the monotonic clock, in seconds; `outdated`:
    why the configuration in the files is not the one in force, "" where it is."""

    came_on_at: float
    outdated: str
    ticks: int
    failed_ticks: int
    runs: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Loop:
    """The loop of a running service, read from other threads.

    stalled_after:  so many seconds without progress are too many
    """

    ticker: Ticking
    stalled_after: float

    def progress_s(self) -> float:
        """Seconds since it last came on."""
        return time.monotonic() - self.ticker.came_on_at

    def stalled(self) -> bool:
        return self.progress_s() > self.stalled_after


def healthz(configuration: Configuration, loop: Loop, now: datetime) -> Page:
    """The page for a monitor: 200 while the work is done, else 503; nobody's address is on it."""
    failing: list[str] = []
    found: dict[str, Any] = {}
    try:
        with open_store(configuration, create=False) as store:
            health = look(configuration, store, now)
    except StoreError as error:
        failing.append(str(error))
    else:
        failing += health.failing()
        done = [one.told.done_at for one in health.yards if one.told is not None]
        fetched = [one.fetched_at for one in health.yards if one.fetched_at is not None]
        found = {
            "last_run": _text(max(done, default=None)),
            "next_due": _text(min(one.next_at for one in health.yards)),
            "outbox_waiting": len(health.waiting),
            "oldest_forecast": _text(min(fetched, default=None)),
            "yards_without_forecast": len(health.yards) - len(fetched),
        }
    if loop.stalled():
        failing.append(f"the loop has not come on for {loop.progress_s():.0f} s")
    # Not failing: the mornings come, by the configuration of before, and a service that a monitor
    # started anew on one with mistakes would not run at all.
    document = {
        "status": "failing" if failing else "ok",
        "failing": failing,
        "configuration_outdated": loop.ticker.outdated or None,
        **found,
    }
    body = json.dumps(document, ensure_ascii=False).encode() + b"\n"
    return Page(503 if failing else 200, "application/json", body)


def metrics(configuration: Configuration, loop: Loop, now: datetime) -> Page:
    """The page for Prometheus, in its text format 0.0.4."""
    from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily
    from prometheus_client.exposition import CONTENT_TYPE_PLAIN_0_0_4, generate_latest
    from prometheus_client.registry import Collector, CollectorRegistry

    families: list[GaugeMetricFamily | CounterMetricFamily] = []

    def gauge(name: str, help_text: str, value: float) -> None:
        families.append(GaugeMetricFamily(f"windowcast_{name}", help_text, value=value))

    def by_yard(
        name: str, help_text: str, value: Callable[[YardHealth], float | datetime | None]
    ) -> None:
        family = GaugeMetricFamily(f"windowcast_{name}", help_text, labels=["yard"])
        for one in health.yards:
            found = value(one)
            if found is not None:
                number = found.timestamp() if isinstance(found, datetime) else found
                family.add_metric([one.yard.name], number)
        families.append(family)

    built = GaugeMetricFamily("windowcast_build_info", "Always 1.", labels=["version"])
    built.add_metric([__version__], 1)
    families.append(built)
    for name, help_text, count in (
        ("ticks", "Ticks of the loop that came to their end.", loop.ticker.ticks),
        ("failed_ticks", "Ticks of the loop that failed.", loop.ticker.failed_ticks),
        ("morning_runs", "Runs of the morning job.", loop.ticker.runs),
    ):
        families.append(CounterMetricFamily(f"windowcast_{name}", help_text, value=count))
    gauge(
        "configuration_outdated",
        "1 while the files hold another configuration than the one in force.",
        float(bool(loop.ticker.outdated)),
    )
    gauge("progress_seconds", "Since the loop last came on.", loop.progress_s())
    try:
        with open_store(configuration, create=False) as store:
            health = look(configuration, store, now)
    except StoreError:
        gauge("store_readable", "1 while the database can be read.", 0)
    else:
        gauge("store_readable", "1 while the database can be read.", 1)
        gauge("store_bytes", "Size of the database with its log.", health.octets)
        gauge("outbox_waiting", "Notices that wait to be delivered.", len(health.waiting))
        gauge(
            "outbox_failing",
            "Of these, those that were tried and not delivered.",
            sum(bool(one.last_error) for one in health.waiting),
        )
        gauge(
            "outbox_refused",
            "Notices refused for good in the last three days.",
            len(health.refused),
        )
        gauge("request_weight", "Request weight used on this UTC day.", health.spent)
        by_yard(
            "morning_timestamp_seconds",
            "When the last morning was told.",
            lambda one: None if one.told is None else one.told.done_at,
        )
        by_yard(
            "next_morning_timestamp_seconds", "When the next one is due.", lambda one: one.next_at
        )
        by_yard(
            "morning_overdue",
            "1 where the last morning that was due has not come.",
            lambda one: float(one.overdue is not None),
        )
        by_yard(
            "forecast_timestamp_seconds",
            "When the stored forecast was fetched.",
            lambda one: one.fetched_at,
        )

    class Found(Collector):
        def collect(self) -> list[Any]:
            return families

    registry = CollectorRegistry()
    registry.register(Found())
    return Page(200, CONTENT_TYPE_PLAIN_0_0_4, generate_latest(registry))


def document(health: Health) -> dict[str, Any]:
    """For `windowcast status --json`."""
    run = health.run
    return {
        "schema": 1,
        "now": _text(health.now),
        "troubles": health.troubles(),
        "service": {
            "running": health.running,
            "process": None if run is None or not health.running else run.process,
            "started_at": None if run is None else _text(run.started_at),
            "last_tick_at": None if run is None else _text(run.ticked_at),
            "stopped_at": None if run is None else _text(run.stopped_at),
        },
        "yards": [
            {
                "yard": one.yard.name,
                "timezone": one.yard.timezone,
                "last_morning": None if one.told is None else one.told.local_date.isoformat(),
                "last_run": None if one.told is None else _text(one.told.done_at),
                "last_delivered": None if one.told is None else _text(one.told.delivered_at),
                "recipients": 0 if one.told is None else one.told.recipients,
                "not_delivered": 0 if one.told is None else one.told.waiting + one.told.refused,
                "next_due": one.next_at.astimezone(ZoneInfo(one.yard.timezone)).isoformat(),
                "overdue": None if one.overdue is None else one.overdue.isoformat(),
                "forecast_age_hours": (
                    None
                    if one.fetched_at is None
                    else round((health.now - one.fetched_at) / timedelta(hours=1), 1)
                ),
                "forecast_stale": one.stale,
            }
            for one in health.yards
        ],
        "outbox": [
            {
                "recipient": one.recipient,
                "kind": one.kind,
                "subject": one.subject,
                "created_at": _text(one.created_at),
                "tries": one.attempts,
                "last_error": one.last_error or None,
                "next_try_at": _text(one.next_attempt_at),
                "held_until": None
                if one.not_before is None or one.not_before <= health.now
                else _text(one.not_before),
            }
            for one in health.waiting
        ],
        "refused": [
            {"recipient": one.recipient, "subject": one.subject, "error": one.error}
            for one in health.refused
        ],
        "request_weight_today": health.spent,
        "max_age_hours": health.max_age_hours,
        "store": {"octets": health.octets, "version": health.version},
    }


def exposed_files(configuration: Configuration) -> list[tuple[Path, int]]:
    """The database's files that others can read or write, with their modes."""
    database = file_of(configuration.store_url, configuration.folder)
    found: list[tuple[Path, int]] = []
    if os.name == "posix" and database is not None:
        for path in (database, Path(f"{database}-wal"), Path(f"{database}-shm")):
            try:
                mode = path.stat().st_mode & 0o777
            except OSError:
                continue
            if mode & 0o077:
                found.append((path, mode))
    return found


def _text(instant: datetime | None) -> str | None:
    if instant is None:
        return None
    return instant.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
