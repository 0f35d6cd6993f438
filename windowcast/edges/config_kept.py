"""Many yards as they were read last, so that a question about one need not read them all again.

To read and judge the tables of a thousand yards takes as long as to answer for one of them. What
they came to is kept in the user's cache folder beside the very octets that it was made from, and
counts only for these. The file may be deleted at any time; where it cannot be read, is not the
user's own, or cannot be written, the tables are read again.
"""

from __future__ import annotations

import contextlib
import marshal
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from zlib import crc32

from windowcast import __version__
from windowcast.edges import cache
from windowcast.edges.config_records import Places
from windowcast.edges.config_values import Recipient, zone_exists
from windowcast.trade.yard import Hive, Yard

Octets = Sequence[bytes | None]

HIVE = Yard._fields.index("hive")
SUM = 4
JUDGES = (
    "edges/config.py",
    "edges/config_checks.py",
    "edges/config_kept.py",
    "edges/config_records.py",
    "edges/config_schema.py",
    "edges/config_values.py",
    "edges/zones.py",
    "trade/yard.py",
)
"""What makes yards of the tables."""


def file_for(folder: Path, environ: Mapping[str, str]) -> Path | None:
    """Where what `folder` holds is remembered; None where the environment names no place for it."""
    place = cache.folder_in(environ)
    if place is None:
        return None
    name = str(folder.resolve()).encode(errors="surrogateescape")
    return place / f"yards.{crc32(name):08x}{len(name):04x}"


def recall(file: Path | None, source: Octets) -> Places | None:
    """What was remembered of exactly these contents of the files; None: nothing."""
    head = _head(source)
    kept = None if file is None or head is None else cache.read(file)
    if head is None or kept is None:
        return None
    body = memoryview(kept)[:-SUM]
    if not kept.startswith(head) or crc32(body) != int.from_bytes(kept[-SUM:]):
        return None
    found = unpack(body[len(head) :])
    # Python's time zones may have been taken away since.
    zones_here = all(map(zone_exists, {yard.timezone for yard in found.yards}))
    return found if zones_here else None


def remember(file: Path | None, packed: bytes, source: Octets) -> None:
    """Keep what `pack` gave, in place of what was kept; nowhere if that cannot be."""
    head = _head(source)
    if file is None or head is None:
        return
    cache.replace(file, (head, packed, crc32(packed, crc32(head)).to_bytes(SUM)))


def forget(file: Path | None) -> None:
    """Of few yards nothing is kept: what was kept of more of them goes."""
    if file is not None:
        with contextlib.suppress(OSError):
            file.unlink(missing_ok=True)


def pack(places: Places) -> bytes:
    """All of `places` in one piece, which holds nothing of it."""
    hives: dict[Hive, tuple[Any, ...]] = {}
    rows = [
        (*yard[:HIVE], hives.setdefault(yard.hive, tuple(yard.hive)), *yard[HIVE + 1 :])
        for yard in places.yards
    ]
    wishes = [(yard, which, tuple(one)) for yard, which, one in places.wishes]
    return marshal.dumps((rows, wishes))


def unpack(packed: bytes | memoryview) -> Places:
    """What `pack` made it from."""
    # As Python's own of a module: written by this user's windowcast alone, and whole.
    rows, wishes = marshal.loads(packed)  # noqa: S302
    hives: dict[tuple[Any, ...], Hive] = {}
    return Places(
        yards=tuple(
            Yard._make(
                (*row[:HIVE], hives.setdefault(row[HIVE], Hive._make(row[HIVE])), *row[HIVE + 1 :])
            )
            for row in rows
        ),
        wishes=tuple((yard, which, Recipient(*one)) for yard, which, one in wishes),
    )


def _looks() -> tuple[tuple[int, int], ...]:
    found = []
    for one in JUDGES:
        with contextlib.suppress(OSError):
            status = (Path(__file__).parents[1] / one).stat()
            found.append((status.st_mtime_ns, status.st_size))
    return tuple(found)


MADE_BY = (__version__, sys.implementation.cache_tag, Yard._fields, Hive._fields, _looks())
"""The program that reads the tables, for another may make something else of them: as it was loaded,
whatever lies on the disk since."""


def _head(source: Octets) -> bytes | None:
    """What a file begins with that holds what these contents come to: the program that made it, and
    they themselves."""
    whole = [one for one in source if one is not None]
    if len(whole) < len(source):
        return None
    sizes = tuple(map(len, whole))
    return b"".join([repr((MADE_BY, sizes)).encode(), b"\n", *whole])
