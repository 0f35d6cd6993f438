"""A morning spread over the workers of a Dask cluster, with PostgreSQL as the store.

Each portion of the morning is a task: fetched first, all of them, then worked out, written and
recorded in one transaction, by whichever worker is free. What is sent is small: names of yards, an
instant, the text of the configuration's files. No secret is sent: each worker reads those that the
configuration names from its own environment and files. What is sent back is counts and lines to
say; weather, decisions and notices go to the store, and the one who began the morning sends them.

A task whose worker is lost is done again elsewhere. That does no harm wherever it was cut off: what
had been fetched is not asked for again, a transaction that was not finished has not happened, and
of one that was, the second try finds the decisions there and leaves them alone.
"""

from __future__ import annotations

import hashlib
import logging
import os
import platform
import zlib
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from datetime import datetime
from functools import lru_cache
from importlib.metadata import version as version_of
from importlib.util import find_spec
from pathlib import Path
from queue import Empty, SimpleQueue
from threading import get_ident
from time import monotonic
from typing import TYPE_CHECKING, Any, NamedTuple, cast
from urllib.parse import urlsplit

import orjson

from windowcast import __version__, morning
from windowcast.answer import open_store
from windowcast.edges import config, store
from windowcast.edges.allowance import Budget
from windowcast.edges.config_language import FOLDER as LANGUAGES
from windowcast.edges.settings import Configuration
from windowcast.errors import ClusterError, UsageError, WindowcastError
from windowcast.fetching import Errors

if TYPE_CHECKING:
    from distributed import Client, Future

CONNECT_S = 10.0
WORKER_WAIT_S = 60.0
LOOK_S = 1.0
TRIES = 3
"""How often a portion is tried that fails while its worker lives, as where the database is away."""
SECRETS = ("weather", "store", "push")
"""The tables whose secrets a worker needs: it asks the weather service and writes into the store;
of the channels it needs to know only that there are some. Notices are sent by who began."""
SCHEMES = ("tcp", "tls")

Say = Callable[[str], None]

log = logging.getLogger("windowcast")


class Job(NamedTuple):
    """What every task of one morning is told.

    program:           `footprint` of the one that asks; another one's answers might differ
    folder:            where the configuration was read from
    languages:         a digest of the translations beside it
    calls_per_minute:  request weight for one worker's thread; None: no limit is set
    """

    program: str
    folder: str
    languages: str
    calls_per_minute: float | None


class Reply(NamedTuple):
    """What a task comes to: the lines that it said, and its result."""

    said: list[str]
    result: Any


@contextmanager
def connected(
    address: str,
    configuration: Configuration,
    *,
    say: Say,
    worker_wait_s: float = WORKER_WAIT_S,
) -> Iterator[Cluster]:
    """The workers of the scheduler at `address`.

    worker_wait_s:  for how long one is waited for, at the beginning and where all are lost

    Raises UsageError for what cannot be done on a cluster, and where no worker runs this windowcast
    with these libraries, or has what the configuration names; ClusterError where the scheduler is
    not reached, or has no worker that can begin.
    """
    _check(address, configuration)
    try:
        import distributed
    except ImportError as missing:
        raise UsageError(
            "--cluster: the library that reaches a cluster is not installed; run:"
            " pip install 'windowcast[cluster]'"
        ) from missing
    # It tells at length of each worker that comes and goes; what matters is said here.
    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    try:
        client = distributed.Client(
            address, timeout=CONNECT_S, set_as_default=False, name="windowcast"
        )
    except (OSError, ValueError, RuntimeError) as error:
        raise ClusterError(
            f"--cluster: no scheduler answers at {address} ({_line(error)}); see whether it runs"
            f" (dask scheduler), and whether this machine may reach it"
        ) from error
    try:
        yield Cluster(client, configuration, say=say, worker_wait_s=worker_wait_s)
    finally:
        client.close(timeout=CONNECT_S)


def _check(address: str, configuration: Configuration) -> None:
    """Raises UsageError for what cannot be done on a cluster."""
    parts = urlsplit(address)
    try:
        named = parts.scheme in SCHEMES and bool(parts.hostname) and parts.port is not None
    except ValueError:
        named = False
    if not named or "@" in address:
        raise UsageError(
            f"--cluster: {address!r} is no scheduler's address; it must look like"
            " tcp://scheduler:8786 or tls://scheduler:8786"
        )
    if store.file_of(configuration.store_url, configuration.folder) is not None:
        raise UsageError(
            "--cluster: the store is a SQLite file, which workers on other machines cannot share;"
            " name a PostgreSQL database in [store] url, postgresql+psycopg://…"
        )
    if configuration.mail is None:
        raise UsageError(
            "--cluster: no [mail] is set, and what is printed is one notice of all yards, which"
            " one process writes; set [mail], or leave --cluster out"
        )
    weather = configuration.weather
    if weather.provider != "sample" and weather.calls_per_minute is None:
        for url in (weather.forecast_url, weather.ensemble_url, weather.seasonal_url):
            host = (urlsplit(url).hostname or "").lower()
            if host.endswith("open-meteo.com") and not host.startswith("customer-"):
                raise UsageError(
                    f"--cluster: {host} is the free service, which allows each address one request"
                    " at a time and 10000 calls a day, and several addresses may not be used to"
                    " get more; name the paid service's hosts or your own server in [weather]"
                )


class Cluster:
    """The workers; `morning.Elsewhere`.

    As many portions are under way as there were workers' threads at the beginning, so that the
    weather service's limit of a minute can be divided among them.
    """

    def __init__(
        self, client: Client, configuration: Configuration, *, say: Say, worker_wait_s: float
    ) -> None:
        self._client = client
        self._say = say
        self._wait_s = worker_wait_s
        packed = zlib.compress(
            orjson.dumps(
                {name: (configuration.folder / name).read_text("utf-8") for name in config.FILES}
            )
        )
        limit = configuration.weather.calls_per_minute
        self._job = Job(
            program=footprint(),
            folder=str(configuration.folder.absolute()),
            languages=_digest_of_languages(configuration.folder),
            calls_per_minute=limit,
        )
        threads, self._only = self._workers(packed)
        self._at_once = sum(threads.values())
        if limit:
            self._job = self._job._replace(calls_per_minute=limit / self._at_once)
        # A task of its own, so that it goes to each worker once, and to the next one again where
        # those that hold it are lost.
        self._files = self._submit(_same, packed)
        say(f"cluster: {len(threads)} worker(s), {self._at_once} portion(s) at once")

    def fetch(self, portions: Sequence[Sequence[morning.Due]], now: datetime) -> list[Errors]:
        """As of `morning.Elsewhere`. Of a portion that cannot be fetched what is stored counts,
        while it is fresh."""
        found: list[Errors] = [{} for _ in portions]
        calls = [(_names(portion), now) for portion in portions]
        for index, reply in self._each("fetch", _fetch, calls):
            if reply is not None:
                found[index] = reply
        return found

    def tell(
        self,
        portions: Sequence[Sequence[morning.Due]],
        errors: Sequence[Errors],
        now: datetime,
    ) -> Iterator[morning.Done]:
        """As of `morning.Elsewhere`. The yards of a portion that cannot be done have failed."""
        calls = [
            (_names(portion), now, wrong) for portion, wrong in zip(portions, errors, strict=True)
        ]
        for index, reply in self._each("work out", _tell, calls):
            if reply is None:
                yield morning.Done(list(_names(portions[index])), [], 0, True)
            else:
                failed, queued, composed_all = reply
                yield morning.Done(failed, [], queued, composed_all)

    def _workers(self, packed: bytes) -> tuple[dict[str, int], list[str] | None]:
        """The threads of each worker that can begin; and only which may be used, None: all."""
        try:
            self._client.wait_for_workers(1, timeout=self._wait_s)
        except (OSError, TimeoutError) as error:
            raise ClusterError(
                f"--cluster: the scheduler has no worker, and none came within"
                f" {self._wait_s:.0f} s; start some: dask worker ADDRESS --nthreads 1"
            ) from error
        said: dict[str, Any] = self._client.run(_ready, packed, self._job, on_error="return")
        wrong: list[int] = []
        for name, found in sorted(said.items()):
            if found is None:
                continue
            exit_code, text = (
                found
                if isinstance(found, tuple)
                else (UsageError.exit_code, f"cannot run {footprint()}: {_line(found)}")
            )
            wrong.append(exit_code)
            self._say(f"worker {name} is not used: {text}")
        able = [name for name, found in said.items() if found is None]
        if not able:
            text = "--cluster: no worker can do it; see above what each lacks"
            raise (UsageError if set(wrong) == {UsageError.exit_code} else ClusterError)(text)
        threads = self._client.nthreads()
        return {name: threads.get(name, 1) for name in able}, able if wrong else None

    def _submit(self, task: Callable[..., Any], *arguments: object) -> Future:
        return self._client.submit(
            task,
            *arguments,
            pure=False,
            retries=TRIES - 1,
            workers=self._only,
            allow_other_workers=False,
        )

    def _each(
        self, what: str, task: Callable[..., Reply], calls: Sequence[tuple[Any, ...]]
    ) -> Iterator[tuple[int, Any]]:
        """Each call's place and result as they come; None for one that cannot be done, which is
        said."""
        waiting = deque(range(len(calls)))
        under_way: dict[Future, int] = {}
        ended: SimpleQueue[Future] = SimpleQueue()
        alone_since: float | None = None
        while waiting or under_way:
            while waiting and len(under_way) < self._at_once:
                index = waiting.popleft()
                future = self._submit(task, self._files, self._job, *calls[index])
                under_way[future] = index
                future.add_done_callback(ended.put)
            try:
                future = ended.get(timeout=LOOK_S)
            except Empty:
                trouble, alone_since = self._trouble(alone_since)
                if not trouble:
                    continue
                self._say(f"cluster: {trouble}")
                lost = [*under_way.values(), *waiting]
                for future in under_way:
                    future.cancel(force=True)
                waiting.clear()
                under_way.clear()
                for index in sorted(lost):
                    self._say_lost(what, calls[index][0], trouble)
                    yield index, None
                return
            index = under_way.pop(future)
            try:
                reply: Reply = future.result(timeout=CONNECT_S)
            except Exception as error:  # noqa: BLE001  # whatever a worker, or its loss, raises
                if isinstance(error, TimeoutError) and future.status not in ("error", "cancelled"):
                    # Lost with its worker after it was done: it is being done again.
                    under_way[future] = index
                    future.add_done_callback(ended.put)
                    continue
                self._say_lost(what, calls[index][0], _reason(error))
                yield index, None
            else:
                for text in reply.said:
                    self._say(text)
                yield index, reply.result
            future.release()

    def _trouble(self, alone_since: float | None) -> tuple[str, float | None]:
        """Why nothing more can come of it, "" where it can; and since when there is no worker."""
        if self._client.status not in ("running", "connecting"):
            return "the scheduler is gone", alone_since
        try:
            threads = self._client.nthreads() if self._client.status == "running" else {}
        except (OSError, TimeoutError):
            threads = {}
        if any(self._only is None or name in self._only for name in threads):
            return "", None
        if alone_since is None:
            self._say(f"cluster: no worker is left; waiting {self._wait_s:.0f} s for one")
            return "", monotonic()
        over = monotonic() - alone_since >= self._wait_s
        return f"no worker for {self._wait_s:.0f} s" if over else "", alone_since

    def _say_lost(self, what: str, names: Sequence[str], why: str) -> None:
        more = f" and {len(names) - 3} more" if len(names) > 3 else ""
        self._say(f"cluster: could not {what} {', '.join(names[:3])}{more}: {why}")


# What workers do


def _same(packed: bytes) -> bytes:
    return packed


def _ready(packed: bytes, job: Job) -> tuple[int, str] | None:
    """Why this worker cannot begin, with the exit status for it; None: it can."""
    try:
        with _at_work(packed, job):
            return None
    except WindowcastError as error:
        return error.exit_code, str(error)


def _fetch(packed: bytes, job: Job, names: Sequence[str], now: datetime) -> Reply:
    """Fetch the weather of some yards and keep it; what went wrong, by yard and source."""
    said: list[str] = []
    with _sendable(), _at_work(packed, job) as (configuration, kept):
        due = _mornings(configuration, names, now)
        errors = morning.fetch_portion(
            configuration,
            kept,
            due,
            now=now,
            say=said.append,
            again=True,
            budgets=_budgets(job, now, get_ident()),
        )
    return Reply(said, errors)


def _tell(packed: bytes, job: Job, names: Sequence[str], now: datetime, errors: Errors) -> Reply:
    """Work out and record the mornings of some yards; the names of those that failed, how many
    notices are stored, and whether all could be composed."""
    said: list[str] = []
    with _one_thread(), _sendable(), _at_work(packed, job) as (configuration, kept):
        due = _mornings(configuration, names, now)
        if _is_recorded(kept, due, now):
            # Decisions and notices are one transaction: a worker that was lost had done it all.
            failed = [one.yard.name for one in due if morning.untold(configuration, kept, one)]
            return Reply(said, (failed, 0, True))
        done = morning.tell_portion(
            configuration, kept, due, errors, now=now, say=said.append, apart=False
        )
    return Reply(said, (done.failed, done.queued, done.composed_all))


def _one_thread() -> AbstractContextManager[object]:
    """As the commands ask of numpy before it is imported, which a worker has done; what its
    environment says stands."""
    if "OPENBLAS_NUM_THREADS" in os.environ or find_spec("threadpoolctl") is None:
        return nullcontext()
    from threadpoolctl import threadpool_limits

    return cast("AbstractContextManager[object]", threadpool_limits(1, user_api="blas"))


def _mornings(
    configuration: Configuration, names: Sequence[str], now: datetime
) -> list[morning.Due]:
    due = {one.yard.name: one for one in morning.today_of(configuration, now)}
    return [due[name] for name in names]


def _is_recorded(kept: store.Store, due: Iterable[morning.Due], now: datetime) -> bool:
    return any(
        (last := kept.newest_decision(one.yard.name, kind=morning.KIND)) is not None
        and last.made_at == now
        for one in due
    )


@contextmanager
def _sendable() -> Iterator[None]:
    """What goes wrong of ours becomes the one kind of error that can be sent back."""
    try:
        yield
    except WindowcastError as error:
        raise ClusterError(str(error)) from None


@contextmanager
def _at_work(packed: bytes, job: Job) -> Iterator[tuple[Configuration, store.Store]]:
    """The configuration and the open store.

    Raises UsageError where this worker differs from who sent the job, ConfigError where it lacks
    what the configuration names.
    """
    if job.program != footprint():
        raise UsageError(f"it runs {footprint()}, not {job.program}; install the same")
    configuration = _configuration(packed, job.folder, job.languages)
    weather = configuration.weather._replace(calls_per_minute=job.calls_per_minute)
    configuration = configuration._replace(weather=weather)
    with open_store(configuration) as kept:
        yield configuration, kept


@lru_cache(maxsize=64)
def _budgets(job: Job, now: datetime, thread: int) -> dict[str, Budget]:
    """What this thread has used in this morning, to which its next portion adds."""
    return {}


@lru_cache(maxsize=2)
def _configuration(packed: bytes, folder: str, languages: str) -> Configuration:
    """What was sent, with the secrets that this machine has, as its own files and environment say.

    They are looked for where the one who began has them, or in $WINDOWCAST_CONFIG.
    """
    place = Path(os.environ.get("WINDOWCAST_CONFIG") or folder)
    if _digest_of_languages(place) != languages:
        raise UsageError(
            f"{place / LANGUAGES} of this worker's machine does not hold the same translations;"
            " copy the folder"
        )
    drafts = {name: text.encode() for name, text in orjson.loads(zlib.decompress(packed)).items()}
    return config.load(place, os.environ, drafts=drafts, secrets=SECRETS)


def _digest_of_languages(folder: Path) -> str:
    found = hashlib.sha256()
    for path in sorted((folder / LANGUAGES).glob("*.po")):
        found.update(path.name.encode() + b"\0" + path.read_bytes() + b"\0")
    return found.hexdigest()


@lru_cache(maxsize=1)
def footprint() -> str:
    """What decides that two processes come to the same bits, as far as it can be said in a line:
    this program to the letter, Python, and the library that counts. The machine code that a worker
    may have comes to what that library does, whoever compiled it."""
    found = hashlib.sha256()
    package = Path(__file__).parent
    for path in sorted(package.rglob("*")):
        if path.suffix in (".py", ".sql", ".po", ".html", ".css", ".js"):
            found.update(path.relative_to(package).as_posix().encode() + b"\0" + path.read_bytes())
    return (
        f"windowcast {__version__} ({found.hexdigest()[:12]}),"
        f" Python {platform.python_version()}, numpy {version_of('numpy')}"
    )


def _names(portion: Sequence[morning.Due]) -> tuple[str, ...]:
    return tuple(one.yard.name for one in portion)


def _reason(error: Exception) -> str:
    if type(error).__name__ == "KilledWorker":
        return "each worker that was at it was lost; see what ended them, memory first"
    if isinstance(error, ClusterError):
        return str(error)
    return f"{type(error).__name__}: {_line(error)}"


def _line(error: object) -> str:
    text = " ".join(str(error).split())
    return text if len(text) <= 200 else f"{text[:199]}…"
