"""The service: when the morning job runs.

The scheduler only ticks. What is due is worked out at each tick from each yard's own date and hour
and from the store's record of who was told, so that clock changes, a machine that slept, a kill and
a restart neither lose a morning nor double one.
"""

from __future__ import annotations

import logging
import os
import signal
import sys
import threading
import time as time_of_machine
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from functools import partial
from types import FrameType

from apscheduler.schedulers.background import BackgroundScheduler

from windowcast import health, missed, morning, watching
from windowcast.answer import open_store
from windowcast.edges import clock, heartbeat, systemd
from windowcast.edges.health_server import HealthServer, Page
from windowcast.edges.http import is_loopback
from windowcast.edges.service_lock import ServiceLock
from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store
from windowcast.errors import StoreError, WindowcastError
from windowcast.schedule import due_mornings, next_due
from windowcast.trade.yard import Yard

TICK_SECONDS = 60
STALLED_SECONDS = 900
"""So long without progress is a loop that hangs. A mail server alone may take ten minutes over one
answer."""
HEARTBEAT_TRIES = 5
STOP_SECONDS = 20
"""How long a tick under way may go on once the service is told to stop."""
STOP_LOOK_SECONDS = 0.5
"""How often the service looks whether it has been told to stop."""
RETRY_AFTER = timedelta(minutes=15)
"""A yard without a usable forecast is asked for again no sooner than this."""

log = logging.getLogger("windowcast")


@dataclass(slots=True)
class Ticker:
    """What one running service remembers between ticks; all of it may be lost without harm.

    run:         the stretch of the service's running that its ticks belong to
    heartbeats:  how many tries are left to tell the watcher elsewhere of a good run
    came_on_at:  when the loop last came on, by a clock that nobody sets
    """

    configuration: Configuration
    run: int = 0
    tried_at: dict[tuple[str, date], datetime] = field(default_factory=dict)
    watched_at: datetime | None = None
    idle: threading.Event = field(default_factory=threading.Event)
    heartbeats: int = 0
    came_on_at: float = field(default_factory=time_of_machine.monotonic)
    ticks: int = 0
    failed_ticks: int = 0
    runs: int = 0

    def tick(self, now: datetime) -> None:
        """Do what is due at `now`. Any failure is logged and left to the next tick."""
        self.idle.clear()
        try:
            # One that has vanished is not made anew: everything would be sent again.
            with open_store(self.configuration, create=False) as store:
                self.run = store.wake_run(self.run, os.getpid(), now)
                for message in missed.tell(self.configuration, store, now=now, say=self.say):
                    _print(message)
                self._mornings(store, now)
                self._watch(store, now)
                self._heartbeat(store, now)
                store.note_tick(self.run, clock.now())
            self.ticks += 1
            self.came_on()
        except WindowcastError as error:
            self.failed_ticks += 1
            log.error("tick failed: %s", error)
        except Exception:
            self.failed_ticks += 1
            log.exception("tick failed")
        finally:
            self.idle.set()

    def came_on(self) -> None:
        """The loop makes progress: the service manager's watchdog is fed from here alone, so that
        a loop that hangs or fails is not taken for one that works."""
        self.came_on_at = time_of_machine.monotonic()
        systemd.notify(os.environ, WATCHDOG="1")

    def say(self, text: str) -> None:
        """A line for the log; to have one is to come on."""
        log.info("%s", text)
        self.came_on()

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
                self.say("another service on this database does the morning")
        morning.deliver(self.configuration, store, clock=clock.now, say=self.say, eager=False)

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
        self.say(f"morning of {', '.join(one.yard.name for one in due)}")
        result = morning.run(self.configuration, store, now=now, say=self.say, due=due)
        for text in (*result.urgent, *(notice.body for notice in result.printed)):
            _print(text)
        store.forget_runs(now - morning.KEEP_NOTICES)
        self.runs += 1
        self.heartbeats = HEARTBEAT_TRIES
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
        yards = watching.yards_to_watch(self.configuration, store, now, say=self.say)
        if not yards:
            self.watched_at = now
            return
        with store.only_one(watching.KIND) as mine:
            if mine:
                self.watched_at = now
                self._look(store, yards, now)

    def _look(self, store: Store, yards: Sequence[Yard], now: datetime) -> None:
        weathers = morning.gather(self.configuration, store, yards, now=now, say=self.say)
        for message in watching.look(
            self.configuration,
            store,
            yards,
            weathers,
            now=now,
            say=self.say,
        ):
            _print(message)
        morning.deliver(self.configuration, store, clock=clock.now, say=self.say, eager=False)

    def _heartbeat(self, store: Store, now: datetime) -> None:
        """Tell the watcher elsewhere once what was due has been told and nothing failed."""
        url = self.configuration.health.heartbeat_url
        if not url or not self.heartbeats:
            return
        settings = self.configuration.morning
        due = due_mornings(
            self.configuration.yards, at=settings.at, late_until=settings.late_until, now=now
        )
        if any(morning.untold(self.configuration, store, one) for one in due) or any(
            notice.last_error for notice in store.notices("waiting")
        ):
            return
        trouble = heartbeat.send(url)
        self.heartbeats = self.heartbeats - 1 if trouble else 0
        if trouble:
            log.warning("heartbeat not sent: %s", trouble)

    def _worth_trying(self, store: Store, due: morning.Due, now: datetime) -> bool:
        tried = [self.tried_at.get((due.yard.name, due.local_date))]
        if store.path is None:
            # What another service found a moment ago is not asked for again.
            last = store.newest_decision(due.yard.name, kind=morning.KIND)
            if last is not None and last.local_date == due.local_date:
                tried.append(last.made_at)
        # A clock set back must not silence a yard until the old time comes again.
        return not any(one and timedelta(0) <= now - one < RETRY_AFTER for one in tried)


def _print(text: str) -> None:
    sys.stdout.write(text)
    sys.stdout.flush()


def serve(configuration: Configuration) -> bool:
    """Tick until SIGTERM or SIGINT, then finish the tick under way and return.

    False where that tick is still held up by a server after STOP_SECONDS: the process may then be
    ended at any instruction, for all that counts is in the store, in whole transactions.

    Raises StoreError where the store cannot be opened, or another service runs on it.
    """
    _log_to_stderr()
    os.umask(0o077)
    told: list[int] = []

    def stopping(number: int, _: FrameType | None) -> None:
        told.append(number)

    signal.signal(signal.SIGTERM, stopping)
    signal.signal(signal.SIGINT, stopping)
    ticker = Ticker(configuration)
    with open_store(configuration) as store:  # one that cannot be opened is said now
        lock = _only_one(store)
        ticker.run = store.begin_run(os.getpid(), clock.now())
    ticker.idle.set()
    within = systemd.watchdog_s(os.environ, os.getpid())
    loop = health.Loop(ticker=ticker, stalled_after=within or STALLED_SECONDS)
    door = _Door(configuration, loop)
    door.open()

    def tick() -> None:
        door.open()
        ticker.tick(clock.now())
        systemd.notify(os.environ, STATUS=_status(configuration, ticker))

    scheduler = BackgroundScheduler(timezone=UTC)
    scheduler.add_job(
        tick,
        "interval",
        seconds=TICK_SECONDS if within is None else min(TICK_SECONDS, max(within / 3, 0.5)),
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
    systemd.notify(os.environ, READY="1", STATUS="begun")
    # Not an event without a limit: a signal that comes in the instant before such a wait begins
    # does not end it, and who sets one in a handler may find its lock held by the waiting itself.
    while not told:
        time_of_machine.sleep(STOP_LOOK_SECONDS)
    log.info("stopping (%s)", signal.Signals(told[0]).name)
    systemd.notify(os.environ, STOPPING="1", STATUS="stopping")
    scheduler.shutdown(wait=False)
    finished = ticker.idle.wait(STOP_SECONDS)
    door.close()
    try:
        with open_store(configuration, create=False) as store:
            store.note_tick(ticker.run, clock.now(), stopped=True)
    except WindowcastError as error:
        log.error("%s", error)
    if lock is not None:
        lock.release()
    if finished:
        log.info("stopped")
        return True
    log.warning("stopped in the middle of a tick, which a server holds up")
    return False


def _only_one(store: Store) -> ServiceLock | None:
    """The right to be the service of a file. One on a server may be shared: what only one may do at
    a time, its locks see to."""
    if store.path is None:
        return None
    lock = ServiceLock(store.path)
    try:
        free = lock.take()
    except OSError as error:
        raise StoreError(
            f"{store.path}.lock cannot be made ({error.strerror}); check who owns the folder"
        ) from error
    if not free:
        runs = store.service_runs(clock.now())
        process = f" (process {runs[-1].process})" if runs else ""
        raise StoreError(
            f"another windowcast service runs on {store.path}{process}; stop it first, one is"
            " enough"
        )
    return lock


def _status(configuration: Configuration, ticker: Ticker) -> str:
    """One line for the service manager."""
    now = clock.now()
    yard, due = min(
        ((yard, next_due(yard, configuration.morning.at, now)) for yard in configuration.yards),
        key=lambda one: one[1],
    )
    text = f"next morning: {yard.name}, {due:%Y-%m-%d %H:%M} UTC; {ticker.ticks} ticks"
    return f"{text}, {ticker.failed_ticks} failed" if ticker.failed_ticks else text


class _Door:
    """Where others can ask how the service does. That nobody can is no reason to send nothing."""

    def __init__(self, configuration: Configuration, loop: health.Loop) -> None:
        self._configuration = configuration
        self._loop = loop
        self._server: HealthServer | None = None
        self._said = False

    def open(self) -> None:
        """Listen where that is wanted and not done yet; what keeps us from it is said once."""
        listen = self._configuration.health.listen
        if listen is None or self._server is not None:
            return
        pages = {
            path: partial(self._page, make)
            for path, make in (("/healthz", health.healthz), ("/metrics", health.metrics))
        }
        try:
            self._server = HealthServer(listen, pages, others=not is_loopback(listen[0]))
        except OSError as error:
            if not self._said:
                log.error(
                    "[health] listen: nobody can ask at %s port %d (%s); the service goes on and"
                    " tries again: end what listens there, or change the port",
                    *listen,
                    (error.strerror or str(error)).lower(),
                )
            self._said = True
            return
        log.info("/healthz and /metrics answer at %s port %d", *listen)

    def _page(self, make: Callable[[Configuration, health.Loop, datetime], Page]) -> Page:
        try:
            return make(self._configuration, self._loop, clock.now())
        except Exception:
            log.exception("a health page failed")
            return Page(500, "text/plain; charset=utf-8", b"cannot say; see the log\n")

    def close(self) -> None:
        if self._server is not None:
            self._server.close()


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
