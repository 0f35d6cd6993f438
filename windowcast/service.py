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
from windowcast.edges.config_watch import ConfigWatch, while_running
from windowcast.edges.health_server import HealthServer, Page
from windowcast.edges.http import is_loopback
from windowcast.edges.service_lock import ServiceLock
from windowcast.edges.settings import Configuration
from windowcast.edges.store import Store
from windowcast.edges.web_server import WebServer
from windowcast.errors import ConfigError, OutputError, StoreError, WindowcastError
from windowcast.notice import words
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

    files:       those that the configuration was read from; None: it stays as it is
    outdated:    why the configuration in the files is not the one in force; "" where it is
    run:         the stretch of the service's running that its ticks belong to
    heartbeats:  how many tries are left to tell the watcher elsewhere of a good run
    came_on_at:  when the loop last came on, by a clock that nobody sets
    """

    configuration: Configuration
    files: ConfigWatch | None = None
    outdated: str = ""
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
            self._read_anew()
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

    def _read_anew(self) -> None:
        """Take over a configuration that was edited. One with mistakes changes nothing: a service
        that knows yesterday's yards is worth more than none."""
        if self.files is None:
            return
        try:
            found = self.files.changed()
        except ConfigError as error:
            self.outdated = "; ".join(one.partition("\n")[0] for one in error.mistakes)
            log.error("the changed configuration is not used: %s", self.outdated)
            return
        if found is None:
            return
        self.configuration, kept = while_running(self.configuration, found)
        self.outdated = ""
        log.info("configuration read anew: %d yard(s)", len(found.yards))
        if kept:
            what = " and ".join(kept)
            self.outdated = f"{what}: changed, used from the next start of the service"
            log.warning("%s", self.outdated)

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
        self.say(f"morning of {words.first_yards([one.yard.name for one in due])}")
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
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except (OutputError, OSError) as error:
        # What is due besides must not fail with it.
        log.error("a notice was not printed: %s", error)


def serve(
    configuration: Configuration, files: ConfigWatch | None = None, *, web: bool = False
) -> bool:
    """Tick until SIGTERM or SIGINT, then finish the tick under way and return; at a second one the
    process ends at once. Without a terminal, SIGHUP brings the next tick, which reads edited
    files, forward.

    files:  where the configuration comes from, to take over what is edited
    web:    also show the page, where `[web]` says

    False where that tick is still held up by a server after STOP_SECONDS: the process may then be
    ended at any instruction, for all that counts is in the store, in whole transactions.

    Raises StoreError where the store cannot be opened, or another service runs on it.
    """
    _log_to_stderr()
    os.umask(0o077)
    told: list[int] = []
    anew: list[int] = []

    def stopping(number: int, _: FrameType | None) -> None:
        if told:
            # Nothing is lost: all that counts is in the store, in whole transactions.
            signal.signal(number, signal.SIG_DFL)
            signal.raise_signal(number)
        told.append(number)

    signal.signal(signal.SIGTERM, stopping)
    signal.signal(signal.SIGINT, stopping)
    # A hang-up that the caller has turned off, as nohup does, stays so; and where a terminal is
    # closed it ends the service, as people expect.
    if (
        hasattr(signal, "SIGHUP")
        and signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN
        and not (sys.stdin and sys.stdin.isatty())
    ):
        signal.signal(signal.SIGHUP, lambda number, _: anew.append(number))
    ticker = Ticker(configuration, files)
    with open_store(configuration) as store:  # one that cannot be opened is said now
        lock = _only_one(store)
        ticker.run = store.begin_run(os.getpid(), clock.now())
    ticker.idle.set()
    within = systemd.watchdog_s(os.environ, os.getpid())
    loop = health.Loop(ticker=ticker, stalled_after=within or STALLED_SECONDS)
    door = _Door(ticker, loop)
    door.open()
    shown = _Shown(ticker) if web else None
    if shown is not None:
        shown.open()

    def tick() -> None:
        door.open()
        if shown is not None:
            shown.open()
        ticker.tick(clock.now())
        if shown is not None:
            shown.open()  # the tick may have taken over what was edited
        systemd.notify(os.environ, STATUS=_status(ticker))

    scheduler = BackgroundScheduler(timezone=UTC)
    job = scheduler.add_job(
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
        if anew:
            anew.clear()
            log.info("looking at the files now (SIGHUP)")
            job.modify(next_run_time=clock.now())
        time_of_machine.sleep(STOP_LOOK_SECONDS)
    log.info("stopping (%s)", signal.Signals(told[0]).name)
    systemd.notify(os.environ, STOPPING="1", STATUS="stopping")
    scheduler.shutdown(wait=False)
    finished = ticker.idle.wait(STOP_SECONDS)
    door.close()
    if shown is not None:
        shown.close()
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
    log.warning("stopped in the middle of a tick: a server holds it up, or very many yards")
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


def _status(ticker: Ticker) -> str:
    """One line for the service manager."""
    now, configuration = clock.now(), ticker.configuration
    yard, due = min(
        ((yard, next_due(yard, configuration.morning.at, now)) for yard in configuration.yards),
        key=lambda one: one[1],
    )
    text = f"next morning: {yard.name}, {due:%Y-%m-%d %H:%M} UTC; {ticker.ticks} ticks"
    return f"{text}, {ticker.failed_ticks} failed" if ticker.failed_ticks else text


class _Door:
    """Where others can ask how the service does. That nobody can is no reason to send nothing."""

    def __init__(self, ticker: Ticker, loop: health.Loop) -> None:
        self._ticker = ticker
        self._loop = loop
        self._server: HealthServer | None = None
        self._said = False

    def open(self) -> None:
        """Listen where that is wanted and not done yet; what keeps us from it is said once."""
        listen = self._ticker.configuration.health.listen
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
            return make(self._ticker.configuration, self._loop, clock.now())
        except Exception:
            log.exception("a health page failed")
            return Page(500, "text/plain; charset=utf-8", b"cannot say; see the log\n")

    def close(self) -> None:
        if self._server is not None:
            self._server.close()


class _Shown:
    """The page for people. That nobody can see it is no reason to send nothing: whatever goes wrong
    with it is said, and tried again at the next tick."""

    def __init__(self, ticker: Ticker) -> None:
        self._ticker = ticker
        self._configuration = ticker.configuration
        self._server: WebServer | None = None
        self._over = threading.Event()
        self._said = False

    def open(self) -> None:
        """Listen where that is not done yet, or no longer, or elsewhere by now, and show what the
        present configuration says. What keeps us from it is said once."""
        wanted, server = self._ticker.configuration, self._server
        if server is not None and server.alive and wanted is self._configuration:
            return
        moved = wanted.web.listen != self._configuration.web.listen
        self._configuration = wanted
        self._over.set()
        if server is not None and (moved or not server.alive):
            server.close()
            server = self._server = None
        listen = wanted.web.listen
        try:
            from windowcast import web, web_forms

            app = web.create_app(wanted, behind_token=[web_forms.blueprint])
            if server is None:
                self._server = WebServer(listen, app)
            else:
                server.application = app
            self._over = threading.Event()
            threading.Thread(
                target=web.keep_ready, args=(app, self._over), name="web-ahead", daemon=True
            ).start()
        except OSError as error:
            if not self._said:
                log.error(
                    "[web] listen: nobody can see the page at %s port %d (%s); the service goes on"
                    " and tries again: end what listens there, or change the port",
                    *listen,
                    (error.strerror or str(error)).lower(),
                )
            self._said = True
            return
        except Exception:
            if not self._said:
                log.exception("nobody can see the page; the service goes on and tries again")
            self._said = True
            return
        self._said = False
        if server is None:
            log.info("the page answers at %s port %d", *listen)

    def close(self) -> None:
        self._over.set()
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
