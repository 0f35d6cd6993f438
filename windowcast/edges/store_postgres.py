"""The store in a PostgreSQL database, which several services may share."""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from functools import lru_cache
from pathlib import Path
from typing import Any

from windowcast.edges.store import Store, numbered
from windowcast.edges.store_address import LOOKS_LIKE, for_library
from windowcast.errors import StoreError, StorePlaceError
from windowcast.language import tr

try:
    import psycopg
    from psycopg.conninfo import conninfo_to_dict
except ImportError as missing:
    raise StorePlaceError(
        "the store is a PostgreSQL database, but its client library is not installed; run:"
        " pip install 'windowcast[postgres]'"
    ) from missing

# What the address does not say. The network may vanish without a word: neither side then waits for
# hours, the server least of all, which keeps the locks of whoever is gone.
CONNECTION = {
    "connect_timeout": 10,
    "keepalives_idle": 30,
    "keepalives_interval": 10,
    "keepalives_count": 3,
    "tcp_user_timeout": 60_000,
    "application_name": "windowcast",
}
SESSION = (
    "SET client_encoding = 'UTF8'; SET tcp_keepalives_idle = 30;"
    " SET tcp_keepalives_interval = 10; SET tcp_keepalives_count = 3"
)
READ_ONLY = "SET default_transaction_read_only = on"
# One of all writers at a time, as with a file: what is read in a transaction still holds when it is
# written. They are few and short.
_WRITERS, _MIGRATION = 0x57436173, 0x57436174


@lru_cache(maxsize=200)
def _in_its_words(sql: str) -> str:
    """A statement with the parameters as this database's library wants them."""
    named = re.sub(r"(?<![:\w]):([a-z_]+)", r"%(\1)s", sql.replace("%", "%%"))
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
        try:
            given = conninfo_to_dict(for_library(url))
        except ValueError as error:
            raise StorePlaceError(f"store url {error}") from None
        except psycopg.ProgrammingError as error:
            raise StorePlaceError(
                f"store url cannot be read ({_line(str(error))}); it must look like {LOOKS_LIKE}"
            ) from error
        self.place = f"database {given['dbname']} at {given.get('host') or 'this machine'}"
        self._given: dict[str, Any] = {**CONNECTION, **given}
        if password:
            self._given["password"] = password
        self._migrations = numbered(migrations)
        self._busy_timeout_s = busy_timeout_s
        self._create = create
        self._read_only = False
        self._open: _Connection | None = None
        self._closed = self._in_transaction = False
        with self._errors():
            self._connect()

    def close(self) -> None:
        self._closed = True
        self._drop()

    def _drop(self) -> None:
        if self._open is not None:
            with suppress(psycopg.Error):
                self._open.connection.close()
            self._open = None

    def _connect(self) -> _Connection:
        connection: psycopg.Connection[Any] = psycopg.connect(autocommit=True, **self._given)
        connection.execute(f"{SESSION}; SET lock_timeout = {self._milliseconds()}")
        if self._read_only:
            connection.execute(READ_ONLY)
        self._open = _Connection(connection)
        return self._open

    def _milliseconds(self) -> int:
        return int(self._busy_timeout_s * 1000)

    @property
    def _database(self) -> _Connection:  # type: ignore[override]
        if self._closed:
            raise RuntimeError("the store is closed")
        # Within a transaction there is no going on with another connection.
        if self._open is None or (self._open.connection.closed and not self._in_transaction):
            return self._connect()
        return self._open

    # Opening

    def migrate(self) -> None:
        newest = len(self._migrations)
        with self._errors():
            if self._version() == newest:
                return
            database = self._database.connection
            with database.transaction():
                database.execute("SELECT pg_advisory_xact_lock(%s)", (_MIGRATION,))
                # asked again under the lock: another process may have done it meanwhile
                version = self._version()
                if version is None:
                    if not self._create:
                        raise StoreError(
                            f"{self.place} holds nothing of windowcast; put it back, or name it in"
                            " [store] url"
                        )
                    version = self._begin(database)
                if version > newest:
                    raise StoreError(
                        f"{self.place} was made by a newer windowcast (its tables are version"
                        f" {version}, this program knows {newest}); update windowcast"
                    )
                for script in self._migrations[version:]:
                    database.execute(script.read_text(encoding="utf-8"))
                if version < newest:
                    database.execute("UPDATE windowcast_schema SET version = %s", (newest,))

    def only_read(self) -> None:
        self._read_only = True
        with self._errors():
            self._database.connection.execute(READ_ONLY)

    def _version(self) -> int | None:
        """The version of the tables; None where there are none of ours."""
        database = self._database.connection
        # not by to_regclass(), which remembers that there was none
        there = database.execute(
            "SELECT 1 FROM pg_tables WHERE schemaname = current_schema()"
            " AND tablename = 'windowcast_schema'"
        ).fetchone()
        if there is None:
            return None
        row = database.execute("SELECT version FROM windowcast_schema").fetchone()
        return 0 if row is None else int(row[0])

    def _begin(self, database: psycopg.Connection[Any]) -> int:
        there = database.execute(
            "SELECT tablename FROM pg_tables WHERE schemaname = current_schema() LIMIT 1"
        ).fetchone()
        if there is not None:
            raise StoreError(
                f"{self.place} holds tables of another program ({there[0]}); give windowcast a"
                " database of its own"
            )
        (encoding,) = database.execute("SHOW server_encoding").fetchone() or ("",)
        if encoding != "UTF8":
            raise StoreError(
                f"{self.place} keeps its text as {encoding}, but must keep UTF8; make it anew:"
                " createdb --encoding=UTF8 --template=template0"
            )
        database.execute("CREATE TABLE windowcast_schema (version INTEGER NOT NULL)")
        database.execute("INSERT INTO windowcast_schema (version) VALUES (0)")
        return 0

    def check(self) -> str:
        """What answers. Raises StoreError where it may not be written, too.

        What is damaged there, its own server tells.
        """
        with self._errors():
            (may_write, version) = self._database.execute(
                "SELECT bool_and(has_table_privilege(oid, 'INSERT')"
                " AND has_table_privilege(oid, 'UPDATE') AND has_table_privilege(oid, 'DELETE')),"
                " current_setting('server_version') FROM pg_class"
                " WHERE relkind = 'r' AND relnamespace = to_regnamespace(current_schema())"
            ).fetchone()
            (only_read,) = self._database.execute("SHOW transaction_read_only").fetchone()
        if not may_write:
            raise StoreError(f"{self.place} {_MAY_NOT[0]}; {_MAY_NOT[1]}")
        if only_read == "on":
            raise StoreError(f"{self.place} {_READ_ONLY[0]}; {_READ_ONLY[1]}")
        return tr(
            "{place} answers (PostgreSQL {version})",
            place=self.place,
            version=version.partition(" ")[0],
        )

    # Transactions, locks and errors

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
        if self._in_transaction:
            yield
            return
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
    def only_one(self, name: str, *, wait_s: float = 0.0) -> Iterator[bool]:
        """A lock of the session: whoever dies lets go of it."""
        key = zlib.crc32(f"windowcast {name}".encode())
        with self._errors():
            mine = self._lock(key, wait_s)
        try:
            yield mine
        finally:
            # A server that is gone has let go by itself, and must not hide what else went wrong.
            if mine and self._open is not None:
                with suppress(psycopg.Error):
                    self._open.execute("SELECT pg_advisory_unlock(?)", (key,))

    def _lock(self, key: int, wait_s: float) -> bool:
        database = self._database
        if not wait_s:
            (mine,) = database.execute("SELECT pg_try_advisory_lock(?)", (key,)).fetchone()
            return bool(mine)
        database.execute(f"SET lock_timeout = {int(wait_s * 1000)}")
        try:
            database.execute("SELECT pg_advisory_lock(?)", (key,))
        except psycopg.errors.LockNotAvailable:
            return False
        finally:
            if not database.connection.closed:
                database.execute(f"SET lock_timeout = {self._milliseconds()}")
        return True

    @contextmanager
    def _errors(self) -> Iterator[None]:
        try:
            yield
        except psycopg.Error as error:
            trouble, remedy = _explain(error)
            if self._open is not None and self._open.connection.broken:
                self._drop()
            raise StoreError(f"{self.place} {trouble}; {remedy}") from error


_MAY_NOT = (
    "may not be written by this user",
    "make that user its owner: ALTER DATABASE … OWNER TO …, or grant it what it lacks",
)
_READ_ONLY = ("may only be read", "name the primary server in [store] url")
_NOT_LET_IN = (
    "check the user in [store] url, its password (password_env, password_file, PGPASSWORD or"
    " .pgpass), and the server's pg_hba.conf"
)
_NO_DATABASE = ("does not exist", "create it on its server: createdb --owner=USER NAME")
_STATES = (
    ("42501", *_MAY_NOT),
    ("3F000", *_MAY_NOT),
    ("25006", *_READ_ONLY),
    ("55P03", "is in use by another process", "try again, and see what holds it"),
    ("53", "has no room, or no free connection", "make room"),
    ("57", "is shutting down", "try again once it is up"),
)


def _explain(error: psycopg.Error) -> tuple[str, str]:
    """What went wrong and what a person can do; never what was sent."""
    state = error.sqlstate or ""
    # The server's details quote the row itself.
    said = _line(error.diag.message_primary or str(error))
    if state.startswith("23"):
        return f"does not accept this row ({said})", "report this as a fault of windowcast"
    for prefix, trouble, remedy in _STATES:
        if state.startswith(prefix):
            return trouble, remedy
    if not isinstance(error, psycopg.OperationalError):
        return f"cannot be used ({said})", "run windowcast check"
    # The library gives no state for a connection that was not made, only the server's words.
    refused = re.search(r"FATAL: +(.*)", said)
    words = refused[1] if refused else re.split(r" (?:Is the server|This probably)", said)[0]
    words = words.removeprefix("connection failed: ")
    if re.match(r'database ".*" does not exist', words):
        return _NO_DATABASE
    if re.search(r"password|authentication|pg_hba\.conf|^role |permission denied", words):
        return f"does not let us in ({words})", _NOT_LET_IN
    return f"cannot be reached ({words})", "see whether its server runs, then try again"


def _line(text: str) -> str:
    return " ".join(text.split())[:200]
