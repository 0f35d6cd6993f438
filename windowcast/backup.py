"""A backup made while the service runs, and put back while it does not."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping
from contextlib import closing, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

from windowcast import __version__
from windowcast.edges import backup_file, config, config_crews
from windowcast.edges.service_lock import ServiceLock
from windowcast.edges.settings import Configuration
from windowcast.edges.store import file_of
from windowcast.edges.store_sqlite import SqliteStore
from windowcast.errors import StoreError, UsageError

SENT_STILL = timedelta(days=1)
"""What waited in a database that is put back is sent only while it is so new."""


def make(
    configuration: Configuration, path: Path, *, now: datetime
) -> tuple[backup_file.Contents, list[str]]:
    """Write a backup: a copy of the database, consistent whoever writes meanwhile, and the files of
    the configuration with languages of its own, which hold no secrets; and say what could not be
    taken along.

    Raises StoreError where the database is missing or damaged, UsageError where the file exists or
    cannot be written.
    """
    database = _file_of(configuration.store_url, configuration.folder)
    drives, left_out = _drives_of(configuration.folder)
    if path.exists():
        raise UsageError(f"{path} exists; name a new file for the backup")
    if not path.parent.is_dir():
        raise UsageError(f"{path}: there is no folder {path.parent}; make it first")
    try:
        with tempfile.TemporaryDirectory(dir=path.parent, prefix=".windowcast-backup-") as folder:
            copy = Path(folder) / backup_file.DATABASE
            with closing(SqliteStore(database, create=False)) as store:
                store.migrate()
                store.check()
                version = store.version()
                store.copy_to(copy)
            contents = backup_file.write(
                path,
                database=copy,
                configuration=backup_file.kept_of(configuration.folder) | drives,
                about={
                    "made_at": now.astimezone(UTC).isoformat(timespec="seconds"),
                    "program": __version__,
                    "version": version,
                },
            )
            return contents, left_out
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise UsageError(f"{path}: {why}; name a file that can be written") from error


def _drives_of(folder: Path) -> tuple[dict[str, bytes], list[str]]:
    """The table of drives that crews.toml names; or why it stays behind."""
    try:
        crews = (folder / backup_file.CREWS).read_bytes()
    except OSError:
        return {}, []
    try:
        place = config_crews.drives_place(folder, crews)
    except UsageError as error:
        return {}, [f"left out: {error}"]
    if place is None:
        return {}, []
    try:
        return {backup_file.DRIVES: place.read_bytes()}, []
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        return {}, [f"left out: {place}, the table of drives that {backup_file.CREWS} names: {why}"]


def _places(folder: Path, files: Mapping[str, bytes]) -> dict[Path, bytes]:
    """Where each file of a backup belongs. Raises UsageError."""
    found = {folder / name: text for name, text in files.items() if name != backup_file.DRIVES}
    if backup_file.DRIVES in files:
        place = config_crews.drives_place(folder, files.get(backup_file.CREWS, b""))
        if place is not None:
            found[place] = files[backup_file.DRIVES]
    return found


def put_back(
    path: Path,
    folder: Path,
    *,
    environ: Mapping[str, str],
    now: datetime,
    replace: bool,
    database_only: bool,
) -> list[str]:
    """Put a backup into a configuration folder, which is made where it is missing, and its
    database where the configuration says; what was done, one line each.

    replace:        what is there is kept aside under another name; else it is refused
    database_only:  leave the configuration as it is, and go by it

    Nothing is changed unless the whole backup is sound and its tables are such as this program
    knows; older ones are brought to this version.

    Raises UsageError, ConfigError or StoreError.
    """
    contents, files = backup_file.read_configuration(path)
    configuration = config.load(
        folder, environ, drafts=None if database_only else files, secrets=()
    )
    target = _file_of(configuration.store_url, folder)
    changed = (
        {}
        if database_only
        else {
            place: text for place, text in _places(folder, files).items() if _differs(place, text)
        }
    )
    in_the_way = [one for one in (*changed, target) if one.exists()]
    if in_the_way and not replace:
        raise UsageError(
            f"{', '.join(map(str, in_the_way))} would be replaced; with --replace they are kept"
            " aside under another name"
        )
    if database_only or target.parent.resolve() != folder.resolve():
        if not target.parent.is_dir():
            raise UsageError(f"{target.parent} is not a folder; make it for the database")
    else:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    lock = ServiceLock(target)
    try:
        if not lock.take():
            raise UsageError(f"a windowcast service runs on {target}; stop it first")
        return _exchange(path, contents, changed, target, folder, now)
    except OSError as error:
        raise StoreError(
            f"{error.filename or target}: {(error.strerror or str(error)).lower()}; nothing was"
            " lost, see what stands there"
        ) from error
    finally:
        lock.release()


def _file_of(url: str, folder: Path) -> Path:
    """The database's file. Raises UsageError where a server has it, whose own tools copy it whole
    and put it back whole."""
    found = file_of(url, folder)
    if found is None:
        raise UsageError(
            f"the store is a PostgreSQL database ({url}): copy it with pg_dump and put it back with"
            " pg_restore; the files of the configuration, with its folder of languages, can be"
            " copied as they are"
        )
    return found


def _exchange(
    path: Path,
    contents: backup_file.Contents,
    changed: Mapping[Path, bytes],
    target: Path,
    folder: Path,
    now: datetime,
) -> list[str]:
    descriptor, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
    os.close(descriptor)
    draft = Path(name)
    aside = f".before-{now.astimezone(UTC):%Y%m%dT%H%M%SZ}"
    try:
        backup_file.read_database(path, draft)
        try:
            set_aside = _prepare(draft, now)
        except StoreError as error:
            raise StoreError(str(error).replace(str(draft), f"the database in {path}")) from error
        lines = [
            f"{path}: made {contents.made_at} by windowcast {contents.program},"
            f" tables of version {contents.version}"
        ]
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        for file, text in changed.items():
            file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            lines += _put_file(file, text, aside)
        if target.exists():
            _keep_aside(target, aside)
            lines.append(f"{target}: the old one is {target.name}{aside}")
        _own(draft, target if target.exists() else target.parent)
        draft.replace(target)
        backup_file.sync_folder(target.parent)
    finally:
        for ending in ("", "-wal", "-shm"):
            Path(f"{draft}{ending}").unlink(missing_ok=True)
    lines.append(f"{target}: put back")
    if set_aside:
        lines.append(f"{set_aside} notice(s) that waited for more than a day are not sent any more")
    return lines


def _prepare(draft: Path, now: datetime) -> int:
    """Check the database that is to be put back and bring it to this version."""
    with closing(SqliteStore(draft, create=False)) as store:
        store.migrate()
        store.check()
        set_aside = store.after_restore(now, too_old=now - SENT_STILL)
    if Path(f"{draft}-wal").exists():
        raise StoreError(f"{draft} could not be closed; try again")
    with draft.open("rb") as file:
        os.fsync(file.fileno())
    return set_aside


def _keep_aside(target: Path, aside: str) -> None:
    """Give the old database a second name. It keeps its own until the new one takes that, so that
    at no instant there is none."""
    log = Path(f"{target}-wal")
    try:
        # What its log holds is written into it, and the log goes with the last who has it open.
        SqliteStore(target, create=False).close()
    except StoreError:
        # It may be damaged: that is why a backup is put back. Its log belongs beside it.
        for ending in ("-wal", "-shm"):
            with suppress(FileNotFoundError):
                Path(f"{target}{ending}").rename(f"{target}{aside}{ending}")
    if log.exists():
        raise StoreError(f"{target} is in use by another process; end it, and try again")
    os.link(target, f"{target}{aside}")


def _put_file(file: Path, text: bytes, aside: str) -> list[str]:
    existed = file.exists()
    if not file.parent.exists():
        file.parent.mkdir(mode=0o700)
        _own(file.parent, file.parent.parent)
    descriptor, name = tempfile.mkstemp(dir=file.parent, prefix=f".{file.name}.")
    try:
        with os.fdopen(descriptor, "wb") as opened:
            opened.write(text)
            opened.flush()
            os.fsync(opened.fileno())
        if existed:
            Path(name).chmod(file.stat().st_mode & 0o777)
            os.link(file, f"{file}{aside}")
        _own(Path(name), file if existed else file.parent)
        Path(name).replace(file)
    finally:
        Path(name).unlink(missing_ok=True)
    backup_file.sync_folder(file.parent)
    return [f"{file}: put back" + (f"; the old one is {file.name}{aside}" if existed else "")]


def _own(path: Path, like: Path) -> None:
    """What the superuser puts back is the place's owner's, who could not use it otherwise."""
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        found = like.stat()
        os.chown(path, found.st_uid, found.st_gid)


def _differs(file: Path, text: bytes) -> bool:
    try:
        return file.read_bytes() != text
    except FileNotFoundError:
        return True
