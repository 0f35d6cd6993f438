"""A yard: where it is and how its hives stand."""

from __future__ import annotations

from datetime import date
from typing import NamedTuple


class Hive(NamedTuple):
    """How the colonies of a yard are set up, alike for all of them.

    brood_chambers:  1 or 2
    supers:          honey supers on now
    floor:           "screened" or "solid"
    queen_excluder:  one lies on the brood chamber
    brood:           brood present now
    looked:          the day of the look that found no capped brood, where `brood` rests on one
    look_until:      the last day for which that counts
    """

    brood_chambers: int = 1
    supers: int = 0
    floor: str = "solid"
    queen_excluder: bool = False
    brood: bool = True
    looked: date | None = None
    look_until: date | None = None


class Yard(NamedTuple):
    """One place with colonies.

    latitude, longitude:  degrees, north and east positive
    elevation_m:          metres above sea level; None: the weather service's own terrain height
    timezone:             IANA name; the yard's days are calendar days of this zone
    colonies:             number of colonies, at least 1
    treatments:           ids of the treatments considered here, best first
    recipients:           addresses told of this yard besides those told of all yards
    """

    name: str
    latitude: float
    longitude: float
    elevation_m: float | None
    timezone: str
    colonies: int
    hive: Hive
    treatments: tuple[str, ...]
    recipients: tuple[str, ...] = ()
