"""The time zone at a place, where the configuration leaves it out.

The table of the world's zones takes longer to load than all the rest of a short command, so what it
said once is remembered in the user's cache folder. The file may be deleted at any time; where it
cannot be read or written, the table is asked again.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Mapping
from pathlib import Path

from windowcast.edges import cache

Place = tuple[float, float]

FIRST_LINE = "windowcast zones 1"
AT_SEA = "Etc/"


def find_zones(places: Iterable[Place], environ: Mapping[str, str]) -> dict[Place, str | None]:
    """The IANA name for each (latitude, longitude), degrees; None at sea."""
    folder = cache.folder_in(environ)
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


def _recall(file: Path | None) -> dict[Place, str]:
    known: dict[Place, str] = {}
    if file is None:
        return known
    with contextlib.suppress(ValueError):
        lines = (cache.read(file) or b"").decode().splitlines()
        if lines and lines[0] == FIRST_LINE:
            for line in lines[1:]:
                latitude, longitude, zone = line.split(" ")
                known[float(latitude), float(longitude)] = zone
    return known


def _remember(file: Path | None, known: Mapping[Place, str]) -> None:
    if file is None:
        return
    lines = [FIRST_LINE, *(f"{place[0]!r} {place[1]!r} {zone}" for place, zone in known.items())]
    cache.replace(file, [("\n".join(lines) + "\n").encode()])
