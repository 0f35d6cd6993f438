"""The store in a PostgreSQL database, which several services may share."""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from functools import lru_cache
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from windowcast.edges.store import Store, numbered
from windowcast.errors import StoreError, StorePlaceError

try:
    import psycopg
except ImportError as missing:
    raise StorePlaceError(
        "the store is a PostgreSQL database, but its client library is not installed; run:"
        " pip install 'windowcast[postgres]'"
    ) from missing

CONNECT_TIMEOUT_S = 10
# One of all writers at a time, as with a file: what is read in a transaction still holds when it is
# written. They are few and short.
_WRITERS, _MIGRATION = 0x57436173, 0x57436174


@lru_cache(maxsize=200)
def _in_its_words(sql: str) -> str:
    """A statement with the parameters as this database's library wants them."""
    named = re.sub(r"(?<![:\w]):([a-z_]+)", r"%(\1)s", sql)
    return named.replace("?", "%s")


class _Connection:
    """A connection that takes the statements as they are written for every database."""

    def __init__(self, connection: psycopg.Connection[Any]) -> None:
        self.connection = connection

    def execute(self, sql: str, parameters: Any = (), /) -> Any:
        return self.connection.execute(_in_its_words(sql), parameters)

    def executemany(self, sql: str, parameters: Iterable[Any], /) -> Any:
        cursor = self.connection.cursor()
        cursor.executemany(_in_its_words(sql), parameters)
        return cursor


class PostgresStore(Store):
    """An open PostgreSQL database.

    A connection that broke is made anew by the next use; what was under way when it broke has
    failed with StoreError, and has changed nothing but where the answer to a commit was lost.
    """

    _skip_locked = "FOR UPDATE SKIP LOCKED"

    def __init__(
        self, url: str, *, password: str, migrations: Path, busy_timeout_s: float, create: bool
    ) -> None:
        self.place = _place(url)
        self._url = url.replace("+psycopg", "", 1)
        self._password = password
        self._migrations = numbered(migrations)
        self._busy_timeout_s = busy_timeout_s
        self._create = create
        self._open: _Connection | None = None
        self._in_transaction = False
        with self._errors():
            self._connect()

    def close(self) -> None:
        if self._open is not None:
            with suppress(psycopg.Error):
                self._open.connection.close()
            self._open = None

    def _connect(self) -> _Connection:
        more: dict[str, Any] = {"password": self._password} if self._password else {}
        connection = psycopg.connect(
            self._url,
            autocommit=True,
            connect_timeout=CONNECT_TIMEOUT_S,
            application_name="windowcast",
            **more,
        )
        connection.execute(f"SET lock_timeout = '{int(self._busy_timeout_s * 1000)}ms'")
        connection.execute("SET client_encoding = 'UTF8'")
        self._open = _Connection(connection)
        return self._open

    @property
    def _database(self) -> _Connection:  # type: ignore[override]
        if self._open is None or (self._open.connection.closed and not self._in_transaction):
            return self._connect()
        return self._open

    def migrate(self) -> None:
        newest = len(self._migrations)
        with self._errors():
            database = self._database.connection
            with database.transaction():
                database.execute("SELECT pg_advisory_xact_lock(%s)", (_MIGRATION,))
                row = database.execute("SELECT to_regclass('windowcast_schema')").fetchone()
                if row is None or row[0] is None:
                    if not self._create:
                        raise StoreError(
                            f"{self.place} holds nothing of windowcast; put it back, or name it in"
                            " [store] url"
                        )
                    self._begin(database)
                row = database.execute("SELECT version FROM windowcast_schema").fetchone()
                version = 0 if row is None else int(row[0])
                if version > newest:
                    raise StoreError(
                        f"{self.place} was made by a newer windowcast (its tables are version"
                        f" {version}, this program knows {newest}); update windowcast"
                    )
                for script in self._migrations[version:]:
                    database.execute(script.read_text(encoding="utf-8"))
                if version < newest:
                    database.execute("UPDATE windowcast_schema SET version = %s", (newest,))

    def _begin(self, database: psycopg.Connection[Any]) -> None:
        there = database.execute(
            "SELECT tablename FROM pg_tables WHERE schemaname = current_schema() LIMIT 1"
        ).fetchone()
        if there is not None:
            raise StoreError(
                f"{self.place} holds tables of another program ({there[0]}); give windowcast a"
                " database of its own"
            )
        database.execute("CREATE TABLE windowcast_schema (version INTEGER NOT NULL)")
        database.execute("INSERT INTO windowcast_schema (version) VALUES (0)")

    def check(self) -> None:
        """Whether it answers: what is damaged there, its own server tells."""
        with self._errors():
            self._database.execute("SELECT 1").fetchone()

    def version(self) -> int:
        with self._errors():
            row = self._database.execute("SELECT version FROM windowcast_schema").fetchone()
        return int(row[0])

    def octets(self) -> int:
        with self._errors():
            row = self._database.execute("SELECT pg_database_size(current_database())").fetchone()
        return int(row[0])

    @contextmanager
    def transaction(self) -> Iterator[None]:
        with self._errors():
            connection = self._database.connection
            self._in_transaction = True
            try:
                with connection.transaction():
                    connection.execute("SELECT pg_advisory_xact_lock(%s)", (_WRITERS,))
                    yield
            finally:
                self._in_transaction = False

    @contextmanager
    def only_one(self, name: str) -> Iterator[bool]:
        """A lock of the session: whoever dies lets go of it."""
        key = zlib.crc32(f"windowcast {name}".encode())
        with self._errors():
            row = self._database.execute("SELECT pg_try_advisory_lock(?)", (key,)).fetchone()
        mine = bool(row[0])
        try:
            yield mine
        finally:
            if mine:
                with self._errors():
                    self._database.execute("SELECT pg_advisory_unlock(?)", (key,))

    @contextmanager
    def _errors(self) -> Iterator[None]:
        try:
            yield
        except psycopg.Error as error:
            trouble, remedy = _explain(error)
            if self._open is not None and self._open.connection.broken:
                self.close()
            raise StoreError(f"{self.place} {trouble}; {remedy}") from error


def _place(url: str) -> str:
    """The address as it may be shown."""
    parts = urlsplit(url)
    if parts.password:
        raise StorePlaceError(
            "store url holds a password; take it out, and name the variable or the file that holds"
            " it in password_env or password_file under [store]"
        )
    name = parts.path.lstrip("/")
    if not name:
        raise StorePlaceError(
            f'store url is "{url}", but must name a database: "postgresql+psycopg://bees@host/bees"'
        )
    return f"database {name} at {parts.hostname or 'this machine'}"


def _explain(error: psycopg.Error) -> tuple[str, str]:
    """What went wrong and what a person can do; never what was sent."""
    state = error.sqlstate or ""
    # The server's details quote the row itself.
    first = " ".join((error.diag.message_primary or str(error)).split())[:200]
    for prefix, trouble, remedy in (
        ("28", "does not let us in", "check the user, its password and pg_hba.conf"),
        ("3D", "does not exist", "create it: createdb"),
        ("42501", "may not be written by this user", "grant it what it needs"),
        ("25006", "may only be read", "write to the primary server"),
        ("55P03", "is in use by another process", "try again, and see what holds it"),
        ("53", "has no room or no free connection", "make room"),
        ("57", "is shutting down", "try again once it is up"),
        ("23", f"does not accept this row ({first})", "report this as a fault of windowcast"),
    ):
        if state.startswith(prefix):
            return trouble, remedy
    if isinstance(error, psycopg.OperationalError):
        if "password" in first or "authentication" in first:
            return "does not let us in", "check the user, its password and pg_hba.conf"
        if "does not exist" in first and "database" in first:
            return "does not exist", "create it: createdb"
        return f"cannot be reached ({first})", "see whether its server runs, then try again"
    return f"cannot be used ({state or first})", "run windowcast check"
