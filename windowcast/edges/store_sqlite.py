"""The store in one SQLite file."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from windowcast.edges.store import BUSY_TIMEOUT_S, MIGRATIONS, Store, numbered
from windowcast.errors import StoreError, StorePlaceError

APPLICATION_ID = 0x57436173  # "WCas": tells our files from everybody else's


def check_path(path: Path) -> bool:
    """Whether a file is there to be opened; StorePlaceError where none could ever be made."""
    if path.exists():
        return True
    if not path.parent.is_dir():
        raise StorePlaceError(f"{path.parent} is not a folder; make it, or change [store] url")
    if not os.access(path.parent, os.W_OK | os.X_OK):
        raise StorePlaceError(
            f"{path.parent} may not be written to; change its owner or mode, or [store] url"
        )
    return False


def path_of(url: str, folder: Path) -> Path:
    """The file that an address names. Raises StorePlaceError for one that names none."""
    scheme, separator, place = url.partition("://")
    if not separator:
        raise StorePlaceError(f'store url is "{url}", but must look like "sqlite:///windowcast.db"')
    if scheme != "sqlite":
        raise StorePlaceError(
            f'store url begins with "{scheme}://", but this version knows only "sqlite:///"'
        )
    name = place[1:]
    if not place.startswith("/") or not name:
        raise StorePlaceError(
            f'store url is "{url}", but needs three slashes and a file: "sqlite:///windowcast.db"'
        )
    if name == ":memory:" or "?" in name or "\0" in name:
        raise StorePlaceError(f'store url is "{url}", but must name a file and nothing else')
    return folder.absolute() / name


class SqliteStore(Store):
    """An open SQLite file."""

    _database: sqlite3.Connection

    def __init__(
        self,
        path: Path,
        *,
        migrations: Path = MIGRATIONS,
        busy_timeout_s: float = BUSY_TIMEOUT_S,
        create: bool = True,
    ) -> None:
        self.path: Path = path
        self._migrations = numbered(migrations)
        self._busy_timeout_s = busy_timeout_s
        try:
            octets = path.stat().st_size
        except FileNotFoundError:
            if not create:
                raise StoreError(
                    f"{path} is not there; put it back, or name it in [store] url"
                ) from None
            self._create()
        except OSError as error:
            raise StoreError(
                f"{path} cannot be opened ({error.strerror}); "
                "check who owns the file and its folder"
            ) from error
        else:
            if not path.is_file():
                raise StoreError(f"{path} is not a file; name a file for the store")
            if octets == 0:
                raise StoreError(
                    f"{path} is empty: the record of what was sent is gone; put back a copy, or "
                    "remove the file to begin anew (today's notices may then be sent a second time)"
                )
        self._database = self._connect(path)

    def close(self) -> None:
        self._database.close()

    # Opening

    def _connect(self, path: Path) -> sqlite3.Connection:
        # mode=rw: a file that vanishes meanwhile is an error, not a new empty database
        quoted = path.as_posix().replace("%", "%25").replace("?", "%3f").replace("#", "%23")
        with self._errors():
            database = sqlite3.connect(
                f"file:{quoted if quoted.startswith('/') else '/' + quoted}?mode=rw",
                uri=True,
                timeout=self._busy_timeout_s,
                isolation_level=None,
            )
        try:
            with self._errors():
                self._prepare(database)
        except BaseException:
            database.close()
            raise
        return database

    def _prepare(self, database: sqlite3.Connection) -> None:
        (application_id,) = database.execute("PRAGMA application_id").fetchone()
        if application_id != APPLICATION_ID:
            raise StoreError(
                f"{self.path} is a database of another program; name another file for the store"
            )
        (journal,) = database.execute("PRAGMA journal_mode = WAL").fetchone()
        if journal != "wal":
            raise StoreError(
                f"{self.path} cannot keep a write-ahead log; move it to a disk of this machine"
            )
        database.execute("PRAGMA synchronous = FULL")
        database.execute("PRAGMA foreign_keys = ON")

    def _create(self) -> None:
        """Put a finished database at `path`, whole or not at all.

        It is made beside and then linked into place: a kill in between, or a second process at the
        same moment, never meets a half-made or empty file.
        """
        if not self.path.parent.is_dir():
            raise StorePlaceError(
                f"{self.path.parent} is not a folder; make this folder for the store"
            )
        log = Path(f"{self.path}-wal")
        # In this order: whoever was first meanwhile has linked the file before it began a log.
        log_is_there = log.exists()
        if self.path.exists():
            return
        if log_is_there:
            raise StoreError(
                f"{self.path} is gone but {log.name} is still there; put back the file, or remove "
                "both to begin anew (today's notices may then be sent a second time)"
            )
        made = Path(f"{self.path}.new-{os.urandom(8).hex()}")
        try:
            os.close(os.open(made, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
            with self._errors():
                database = sqlite3.connect(made, isolation_level=None)
                try:
                    self._apply(database, application_id=APPLICATION_ID)
                    database.execute("PRAGMA journal_mode = WAL").fetchone()
                finally:
                    database.close()
            with suppress(FileExistsError):
                _link(made, self.path)
            _sync_folder(self.path.parent)
        except OSError as error:
            raise StoreError(
                f"cannot make {self.path}: {error.strerror}; check the folder's owner and space"
            ) from error
        finally:
            with suppress(OSError):
                made.unlink(missing_ok=True)

    def migrate(self) -> None:
        """Bring the tables to this version. Each step happens whole or not at all."""
        newest = len(self._migrations)
        with self._errors():
            (version,) = self._database.execute("PRAGMA user_version").fetchone()
            if version > newest:
                raise StoreError(
                    f"{self.path} was made by a newer windowcast (its tables are version "
                    f"{version}, this program knows {newest}); update windowcast"
                )
            if version < newest:
                self._apply(self._database)

    def only_read(self) -> None:
        with self._errors():
            self._database.execute("PRAGMA query_only = ON")

    def _apply(self, database: sqlite3.Connection, *, application_id: int | None = None) -> None:
        for number, script in enumerate(self._migrations, start=1):
            with _immediate(database):
                # asked again under the lock: another process may have done this step meanwhile
                (version,) = database.execute("PRAGMA user_version").fetchone()
                if version >= number:
                    continue
                for statement in _statements(script.read_text(encoding="utf-8")):
                    database.execute(statement)
                if application_id is not None:
                    database.execute(f"PRAGMA application_id = {application_id:d}")
                database.execute(f"PRAGMA user_version = {number:d}")

    def check(self) -> str:
        """Read through the whole file. Raises StoreError if any of it is damaged."""
        with self._errors():
            (finding,) = self._database.execute("PRAGMA quick_check(1)").fetchone()
        if finding != "ok":
            raise StoreError(f"{self.path} is damaged ({_line(finding)}); put back a copy")
        return ""

    def version(self) -> int:
        with self._errors():
            (version,) = self._database.execute("PRAGMA user_version").fetchone()
        return int(version)

    def octets(self) -> int:
        found = 0
        for path in (self.path, Path(f"{self.path}-wal")):
            try:
                found += path.stat().st_size
            except FileNotFoundError:
                continue
        return found

    def copy_to(self, path: Path) -> None:
        """A consistent copy, also while others write. Copying the file itself would tear it."""
        if path.exists():
            raise StoreError(f"{path} exists; name a new file for the copy")
        with self._errors():
            self._database.execute("VACUUM INTO ?", (str(path),))

    # Transactions and errors

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """All of the block's writes or none of them; the lock is taken at once, for up to 10 s."""
        if self._database.in_transaction:
            yield
            return
        with self._errors(), _immediate(self._database):
            yield

    @contextmanager
    def _errors(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.ProgrammingError:
            raise
        except sqlite3.Error as error:
            name = getattr(error, "sqlite_errorname", "")
            trouble, remedy = _explain(name)
            raise StoreError(
                f"{self.path} {trouble} ({name or _line(str(error))}); {remedy}"
            ) from error

    @contextmanager
    def only_one(self, name: str, *, wait_s: float = 0.0) -> Iterator[bool]:
        """Yes: one machine, one file; what two services on it must not do twice, keys prevent."""
        yield True


@contextmanager
def _immediate(database: sqlite3.Connection) -> Iterator[None]:
    # A transaction that begins as a reader and writes later fails at once when another has written
    # in between, whatever the busy timeout; one that takes the lock first waits its turn.
    database.execute("BEGIN IMMEDIATE")
    try:
        yield
        database.execute("COMMIT")
    except BaseException:
        # a full disk makes SQLite roll back by itself
        with suppress(sqlite3.Error):
            if database.in_transaction:
                database.execute("ROLLBACK")
        raise


def _statements(script: str) -> Iterator[str]:
    # executescript would commit our transaction first
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


def _link(made: Path, path: Path) -> None:
    try:
        os.link(made, path)
    except FileExistsError:
        raise
    except OSError:
        # some file systems have no hard links
        if not path.exists():
            made.rename(path)


def _sync_folder(folder: Path) -> None:
    # a folder cannot be opened on every platform
    with suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


def _explain(name: str) -> tuple[str, str]:
    """What went wrong and what a person can do, from SQLite's name of an error."""
    for prefix, trouble, remedy in (
        ("SQLITE_NOTADB", "is not a database", "put back a copy, or name another file"),
        ("SQLITE_CORRUPT", "is damaged", "put back a copy"),
        ("SQLITE_BUSY", "is in use by another process", "try again, and see what holds it"),
        ("SQLITE_LOCKED", "is in use by another process", "try again, and see what holds it"),
        ("SQLITE_READONLY", "may not be written", "check who owns the file and its folder"),
        ("SQLITE_CANTOPEN", "cannot be opened", "check who owns the file and its folder"),
        ("SQLITE_PERM", "cannot be opened", "check who owns the file and its folder"),
        ("SQLITE_FULL", "does not fit on its disk", "make room"),
        ("SQLITE_IOERR", "cannot be read or written", "check the disk and the room on it"),
        ("SQLITE_CONSTRAINT", "does not accept this row", "report this as a fault of windowcast"),
    ):
        if name.startswith(prefix):
            return trouble, remedy
    return "cannot be used", "run windowcast check"


def _line(text: str) -> str:
    return " ".join(text.split())
