"""One service to a database. The kernel lets go of the lock when its process ends, however it ends,
so that what it says of a running service is true after a crash too."""

from __future__ import annotations

import os
import time
from pathlib import Path

try:
    import fcntl
except ImportError:  # no such locks on this platform: nothing is known, nothing refused
    fcntl = None  # type: ignore[assignment]

PATIENCE_S = 1.0
"""Who only asks holds the lock for an instant; that must not look like a service."""


def path_of(database: Path) -> Path:
    """The lock's file, beside the database."""
    return Path(f"{database}.lock")


class ServiceLock:
    """The right to be the service of a database, or to put another database in its place."""

    def __init__(self, database: Path) -> None:
        self._path = path_of(database)
        self._descriptor: int | None = None

    def take(self) -> bool:
        """Whether nobody else holds it. Raises OSError where the file cannot be made."""
        if fcntl is None:
            return True
        descriptor = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        until = time.monotonic() + PATIENCE_S
        while True:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                if time.monotonic() < until:
                    time.sleep(0.05)
                    continue
                os.close(descriptor)
                return False
            except BaseException:
                os.close(descriptor)
                raise
            self._descriptor = descriptor
            if hasattr(os, "geteuid") and os.geteuid() == 0:
                # The superuser must not leave a lock that the service's own user cannot open.
                owner = self._path.parent.stat()
                os.chown(descriptor, owner.st_uid, owner.st_gid)
            return True

    def release(self) -> None:
        """Let go; the file stays, since somebody may just be opening it."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None


def held(database: Path) -> bool | None:
    """Whether a service holds the lock now; None where that cannot be known."""
    if fcntl is None:
        return None
    try:
        descriptor = os.open(path_of(database), os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return False
    except OSError:
        return None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return None
    finally:
        os.close(descriptor)
    return False
