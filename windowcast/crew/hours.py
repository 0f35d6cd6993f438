"""The hours of crews: how long each works on which day, and until when somebody does."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable
from datetime import date, datetime, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

from windowcast.crew.instance import Crew
from windowcast.crew.settings import CrewRow, CrewSettings
from windowcast.crew.sheet import break_of, work_within
from windowcast.crew.travel import Point
from windowcast.trade.daylight import sun


class Leave(NamedTuple):
    """When a crew leaves on a day of the plan.

    minute:  after midnight, local time
    waits:   for the sun to rise: it would leave sooner
    dark:    it would work, but there is no light left
    over:    it works today, but its hours are over
    """

    minute: int
    waits: bool = False
    dark: bool = False
    over: bool = False


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


def crew_of(
    settings: CrewSettings,
    number: int,
    base: Point,
    first: date,
    whole: int,
    place: int,
    zone: ZoneInfo,
    clock: datetime | None,
) -> tuple[Crew, tuple[Leave, ...]]:
    """A crew with the minutes of each of its days, and when it leaves: not before sunrise, so that
    it is back by sunset, and today not before now.

    zone:   of the clock that the whole plan goes by
    clock:  now, in that time zone; None: no day has begun
    """
    row = settings.crews[number]
    minutes, leaves = [], []
    dark, most = [], []
    for ahead in range(whole):
        day = first + timedelta(days=ahead)
        works = row.works(day, settings.holidays)
        light = sun(base.latitude, base.longitude, day, zone)
        begins = 60 * row.begins.hour + row.begins.minute
        leave = math.ceil(light.rises) if light.rises > begins else begins
        late = 0
        if clock is not None and day == clock.date():
            late = max(0, 60 * clock.hour + clock.minute + (clock.second > 0) - leave)
        left = max(0, 60 * row.hours - late)
        sets = math.floor(light.sets) if math.isfinite(light.sets) else math.inf
        able = min(left, work_within(sets - leave - late))
        minutes.append(float(able) if works else 0.0)
        dark.append(float(left - able) if works else 0.0)
        sunrise = math.ceil(light.rises) if math.isfinite(light.rises) else 0
        if clock is not None and day == clock.date():
            sunrise = max(sunrise, 60 * clock.hour + clock.minute + (clock.second > 0))
        most.append(work_within(sets - sunrise) if light.up else 0.0)
        leaves.append(
            Leave(
                minute=leave + late,
                waits=leave > begins and not late and light.up,
                dark=works and not able and left > 0,
                over=works and not able and late > 0,
            )
        )
    crew = Crew(
        row.name, row.people, place, tuple(minutes), row.actives, row.begins, tuple(dark),
        tuple(most),
    )  # fmt: skip
    return crew, tuple(leaves)
