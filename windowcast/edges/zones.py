"""The time zone at a place, where the configuration leaves it out.

The table of the world's zones takes longer to load than all the rest of a short command, so what it
said once is remembered in the user's cache folder. The file may be deleted at any time; where it
cannot be read or written, the table is asked again.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path

Place = tuple[float, float]

FIRST_LINE = "windowcast zones 1"
AT_SEA = "Etc/"
PRIVATE = 0o600
"""Where yards are is nobody else's business."""
OTHERS_CAN_WRITE = 0o022


def find_zones(places: Iterable[Place], environ: Mapping[str, str]) -> dict[Place, str | None]:
    """The IANA name for each (latitude, longitude), degrees; None at sea."""
    folder = cache_folder(environ)
    file = None if folder is None else folder / "zones"
    known = _recall(file)
    wanted = list(dict.fromkeys(places))
    new = [place for place in wanted if place not in known]
    if new:
        import tzfpy

        for latitude, longitude in new:
            known[latitude, longitude] = tzfpy.get_tz(longitude, latitude) or AT_SEA
        _remember(file, known)
    return {place: None if known[place].startswith(AT_SEA) else known[place] for place in wanted}


def cache_folder(environ: Mapping[str, str]) -> Path | None:
    """The user's own for windowcast, or None where the environment names no place for it."""
    home = environ.get("HOME")
    if sys.platform == "win32":
        base = environ.get("LOCALAPPDATA")
    elif sys.platform == "darwin":
        base = f"{home}/Library/Caches" if home else None
    else:
        base = environ.get("XDG_CACHE_HOME") or (f"{home}/.cache" if home else None)
    return Path(base) / "windowcast" if base and Path(base).is_absolute() else None


def is_own(status: os.stat_result) -> bool:
    """Nobody else can have written it."""
    if sys.platform == "win32":
        return True
    return status.st_uid == os.geteuid() and not status.st_mode & OTHERS_CAN_WRITE


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


def _recall(file: Path | None) -> dict[Place, str]:
    known: dict[Place, str] = {}
    if file is None:
        return known
    with contextlib.suppress(OSError, ValueError):
        with file.open("rb") as opened:
            lines = opened.read().decode().splitlines() if is_own(os.fstat(opened.fileno())) else []
        if lines and lines[0] == FIRST_LINE:
            for line in lines[1:]:
                latitude, longitude, zone = line.split(" ")
                known[float(latitude), float(longitude)] = zone
    return known


def _remember(file: Path | None, known: Mapping[Place, str]) -> None:
    if file is None:
        return
    lines = [FIRST_LINE, *(f"{place[0]!r} {place[1]!r} {zone}" for place, zone in known.items())]
    replace(file, [("\n".join(lines) + "\n").encode()])
