"""The user's cache folder: what lies there may be deleted at any time, and is believed only where
nobody else can have written it."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path

PRIVATE = 0o600
"""Where yards are and who is told is nobody else's business."""
OTHERS_CAN_WRITE = 0o022


def folder_in(environ: Mapping[str, str]) -> Path | None:
    """The user's own for windowcast, or None where the environment names no place for it."""
    home = environ.get("HOME")
    if sys.platform == "win32":
        base = environ.get("LOCALAPPDATA")
    elif sys.platform == "darwin":
        base = f"{home}/Library/Caches" if home else None
    else:
        base = environ.get("XDG_CACHE_HOME") or (f"{home}/.cache" if home else None)
    return Path(base) / "windowcast" if base and Path(base).is_absolute() else None


def read(file: Path) -> bytes | None:
    """What a file holds; None: it cannot be read, or somebody else can have written it."""
    try:
        with file.open("rb") as opened:
            return opened.read() if _is_own(os.fstat(opened.fileno())) else None
    except OSError:
        return None


def replace(file: Path, parts: Iterable[bytes]) -> None:
    """Put these octets in place of the file's, all at once; nothing changes if that cannot be."""
    draft = file.with_name(f"{file.name}.{os.getpid()}")
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        draft.unlink(missing_ok=True)
        # Nobody's link is followed, and no file of somebody else is written to.
        descriptor = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, PRIVATE)
        with os.fdopen(descriptor, "wb") as opened:
            opened.writelines(parts)
        draft.replace(file)
    except OSError:
        with contextlib.suppress(OSError):
            draft.unlink(missing_ok=True)


def _is_own(status: os.stat_result) -> bool:
    """Nobody else can have written it."""
    if sys.platform == "win32":
        return True
    return status.st_uid == os.geteuid() and not status.st_mode & OTHERS_CAN_WRITE
