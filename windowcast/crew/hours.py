"""Until when somebody works on a day."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from datetime import date
from zoneinfo import ZoneInfo

from windowcast.crew.settings import CrewRow
from windowcast.crew.sheet import break_of
from windowcast.crew.travel import Point
from windowcast.trade.daylight import sun


def last_back(
    crews: Iterable[CrewRow],
    *,
    holidays: Collection[date],
    actives: Collection[str],
    place: Point,
    day: date,
    zone: ZoneInfo,
) -> float:
    """Minutes after midnight at which the last crew is back that may handle one of `actives`; minus
    infinity where none works on that day.

    place:  where the sun sets, by when all are back
    """
    light = sun(place.latitude, place.longitude, day, zone)
    found = -math.inf
    for one in crews:
        able = one.actives is None or not one.actives.isdisjoint(actives)
        leaves = max(60 * one.begins.hour + one.begins.minute, light.rises)
        if one.works(day, holidays) and able and leaves < light.sets:
            minutes = 60 * float(one.hours)
            found = max(found, min(leaves + minutes + break_of(minutes), light.sets))
    return found
