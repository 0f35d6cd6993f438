"""The service: when the morning job runs.

The scheduler only ticks. What is due is worked out at each tick from each yard's own date and hour
and from the store's record of who was told, so that clock changes, a machine that slept, a kill and
a restart neither lose a morning nor double one.
"""

from __future__ import annotations

import logging
import signal
import sys
import threading
import time as time_of_machine
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from types import FrameType
from zoneinfo import ZoneInfo

from apscheduler.schedulers.background import BackgroundScheduler

from windowcast import morning, watching
from windowcast.answer import open_store
from windowcast.edges import clock
from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store
from windowcast.errors import WindowcastError
from windowcast.trade.yard import Yard

TICK_SECONDS = 60
LATE_AFTER = timedelta(minutes=30)
"""A notice that comes later than this after its hour says that it is late."""
STOP_SECONDS = 20
"""How long a tick under way may go on once the service is told to stop."""
RETRY_AFTER = timedelta(minutes=15)
"""A yard without a usable forecast is asked for again no sooner than this."""

log = logging.getLogger("windowcast")


def due_at(local_date: date, at: time, zone: ZoneInfo) -> datetime:
    """The instant of a local time of day on a local date, in UTC.

    In the hour that a clock change skips, the time moves on by the change; in the hour that it
    repeats, the first counts. So each local date has exactly one instant.
    """
    return datetime.combine(local_date, at, tzinfo=zone).astimezone(UTC)


def due_mornings(
    yards: Sequence[Yard], *, at: time, late_until: time, now: datetime
) -> list[morning.Due]:
    """The mornings whose hour has come and whose lateness limit has not passed, told or not.

    late_until: a local hour of the same date, after `at`

    Yesterday's date is looked at too: an hour late in the evening can fall past midnight in a
    clock change.
    """
    found = []
    for yard in yards:
        zone = ZoneInfo(yard.timezone)
        today = now.astimezone(zone).date()
        for local_date in (today - timedelta(days=1), today):
            due = due_at(local_date, at, zone)
            if due <= now <= due_at(local_date, late_until, zone):
                late = at if now - due > LATE_AFTER else None
                found.append(morning.Due(yard=yard, local_date=local_date, late=late))
    return found


@dataclass(slots=True)
class Ticker:
    """What one running service remembers between ticks; all of it may be lost without harm."""

    configuration: Configuration
    tried_at: dict[tuple[str, date], datetime] = field(default_factory=dict)
    watched_at: datetime | None = None
    idle: threading.Event = field(default_factory=threading.Event)

    def tick(self, now: datetime) -> None:
        """Do what is due at `now`. Any failure is logged and left to the next tick."""
        self.idle.clear()
        try:
            with open_store(self.configuration) as store:
                self._mornings(store, now)
                self._watch(store, now)
        except WindowcastError as error:
            log.error("tick failed: %s", error)
        except Exception:
            log.exception("tick failed")
        finally:
            self.idle.set()

    def _mornings(self, store: Store, now: datetime) -> None:
        if self._due(store, now):
            with store.only_one(morning.KIND) as mine:
                # Looked at again: who was at it before may have done it.
                due = self._due(store, now) if mine else []
                if due:
                    self._morning(store, due, now)
            if due:
                return
            if not mine:
                log.info("another service on this database does the morning")
        morning.deliver(self.configuration, store, clock=clock.now, say=_log_line, eager=False)

    def _due(self, store: Store, now: datetime) -> list[morning.Due]:
        settings = self.configuration.morning
        return [
            one
            for one in due_mornings(
                self.configuration.yards, at=settings.at, late_until=settings.late_until, now=now
            )
            if morning.untold(self.configuration, store, one)
            and self._worth_trying(store, one, now)
        ]

    def _morning(self, store: Store, due: Sequence[morning.Due], now: datetime) -> None:
        for one in due:
            self.tried_at[one.yard.name, one.local_date] = now
        log.info("morning of %s", ", ".join(one.yard.name for one in due))
        result = morning.run(self.configuration, store, now=now, say=_log_line, due=due)
        for message in result.urgent:
            sys.stdout.write(message)
        for notice in result.printed:
            sys.stdout.write(notice.body)
            sys.stdout.flush()
        log.info(
            "morning done: %d notice(s) stored, %d yard(s) without a usable forecast",
            result.queued,
            len(result.failed),
        )

    def _watch(self, store: Store, now: datetime) -> None:
        """Look at what is in the hives between mornings, and tell of danger at once."""
        every = timedelta(hours=self.configuration.morning.watch_hours)
        last = self.watched_at
        if not every or (last is not None and timedelta(0) <= now - last < every):
            return
        yards = watching.yards_to_watch(self.configuration, store, now)
        if not yards:
            self.watched_at = now
            return
        with store.only_one(watching.KIND) as mine:
            if mine:
                self.watched_at = now
                self._look(store, yards, now)

    def _look(self, store: Store, yards: Sequence[Yard], now: datetime) -> None:
        weathers = morning.gather(self.configuration, store, yards, now=now, say=_log_line)
        for message in watching.look(
            self.configuration,
            store,
            yards,
            weathers,
            now=now,
            say=_log_line,
        ):
            sys.stdout.write(message)
            sys.stdout.flush()
        morning.deliver(self.configuration, store, clock=clock.now, say=_log_line, eager=False)

    def _worth_trying(self, store: Store, due: morning.Due, now: datetime) -> bool:
        tried = [self.tried_at.get((due.yard.name, due.local_date))]
        if store.shared:
            # What another service found a moment ago is not asked for again.
            last = store.newest_decision(due.yard.name, kind=morning.KIND)
            if last is not None and last.local_date == due.local_date:
                tried.append(last.made_at)
        # A clock set back must not silence a yard until the old time comes again.
        return not any(one and timedelta(0) <= now - one < RETRY_AFTER for one in tried)


def _log_line(text: str) -> None:
    log.info("%s", text)


def serve(configuration: Configuration) -> bool:
    """Tick until SIGTERM or SIGINT, then finish the tick under way and return.

    False where that tick is still held up by a server after STOP_SECONDS: the process may then be
    ended at any instruction, for all that counts is in the store, in whole transactions.
    """
    _log_to_stderr()
    stop = threading.Event()

    def stopping(number: int, _: FrameType | None) -> None:
        log.info("stopping (%s)", signal.Signals(number).name)
        stop.set()

    signal.signal(signal.SIGTERM, stopping)
    signal.signal(signal.SIGINT, stopping)
    with open_store(configuration):
        pass  # a store that cannot be opened is said now, not at the first tick
    ticker = Ticker(configuration)
    ticker.idle.set()
    scheduler = BackgroundScheduler(timezone=UTC)
    scheduler.add_job(
        lambda: ticker.tick(clock.now()),
        "interval",
        seconds=TICK_SECONDS,
        coalesce=True,
        max_instances=1,
        misfire_grace_time=None,
        next_run_time=clock.now(),
    )
    scheduler.start()
    log.info(
        "serving %d yard(s), each at %s of its own local time",
        len(configuration.yards),
        f"{configuration.morning.at:%H:%M}",
    )
    stop.wait()
    scheduler.shutdown(wait=False)
    if ticker.idle.wait(STOP_SECONDS):
        log.info("stopped")
        return True
    log.warning("stopped in the middle of a tick, which a server holds up")
    return False


class _OneLine(logging.Formatter):
    """One line an event, in UTC; control characters shown, never obeyed."""

    converter = staticmethod(time_of_machine.gmtime)

    def format(self, record: logging.LogRecord) -> str:
        text = super().format(record)
        return "".join(
            char if char.isprintable() else "⏎ " if char == "\n" else "�" for char in text
        )


def _log_to_stderr() -> None:
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(
        _OneLine("%(asctime)sZ %(levelname)s %(message)s", datefmt="%Y-%m-%dT%H:%M:%S")
    )
    log.addHandler(handler)
    log.setLevel(logging.INFO)
    log.propagate = False
    # The scheduler's own chatter (job added, misfires) says nothing that the ticks do not.
    scheduler_log = logging.getLogger("apscheduler")
    scheduler_log.addHandler(handler)
    scheduler_log.setLevel(logging.ERROR)
