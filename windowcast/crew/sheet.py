"""One crew's day in the order it is driven: when it is where, and what it does there."""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

from windowcast.crew.instance import Instance, Leg, Plan, stop_of

BREAK_AFTER_MINUTES = 360.0
"""Nobody works longer without a break: Directive 2003/88/EC, article 4 (European Union)."""
BREAK_MINUTES = 30.0
"""How long it is, at least, up to nine hours: Arbeitszeitgesetz, section 4 (Germany). Local law
decides."""
LONG_DAY_MINUTES, LONG_BREAK_MINUTES = 540.0, 45.0
"""And on a longer day, by the same section."""


class Call(NamedTuple):
    """A stay at one yard: one or more stops there. Minutes are counted from the crew's start."""

    place: int
    legs: tuple[Leg, ...]
    drive: float
    arrive: float
    leave: float


class Sheet(NamedTuple):
    """One crew's day.

    calls:     in the order of driving
    rest:      minutes after the start at which the break begins; None: the day is too short for one
    back:      minutes after the start at which the crew is back, the break among them
    driving:   minutes
    working:   minutes at the yards
    """

    crew: int
    day: int
    calls: tuple[Call, ...]
    rest: float | None
    break_minutes: float
    back: float
    driving: float
    working: float


def break_of(minutes: float) -> float:
    """Minutes of the break that work and driving of so many minutes take."""
    if minutes <= BREAK_AFTER_MINUTES:
        return 0.0
    return LONG_BREAK_MINUTES if minutes > LONG_DAY_MINUTES else BREAK_MINUTES


def work_within(minutes: float) -> float:
    """The most minutes of work and driving that end within so many minutes, the break among
    them."""
    if minutes <= BREAK_AFTER_MINUTES + BREAK_MINUTES:
        return max(0.0, min(minutes, BREAK_AFTER_MINUTES))
    long = minutes - LONG_BREAK_MINUTES
    return long if long > LONG_DAY_MINUTES else min(minutes - BREAK_MINUTES, LONG_DAY_MINUTES)


def sheets(instance: Instance, plan: Plan) -> tuple[Sheet, ...]:
    """The days of all crews, by day and then by crew."""
    return tuple(
        _sheet(instance, plan, crew, day)
        for crew, day in sorted(plan.routes, key=lambda key: (key[1], key[0]))
    )


def _sheet(instance: Instance, plan: Plan, crew: int, day: int) -> Sheet:
    people, home = instance.crews[crew].people, instance.crews[crew].place
    grouped: list[tuple[int, list[Leg]]] = []
    for leg in plan.routes[crew, day]:
        place = instance.needs[leg.need].place
        if grouped and grouped[-1][0] == place:
            grouped[-1][1].append(leg)
        else:
            grouped.append((place, [leg]))
    works = [
        instance.call(place)
        + sum(stop_of(instance, plan.chosen, leg).minutes(people) for leg in legs)
        for place, legs in grouped
    ]
    places = [home, *(place for place, _ in grouped), home]
    drives = [instance.drive(a, b) for a, b in pairwise(places)]
    whole = sum(works) + sum(drives)
    pause = break_of(whole)
    calls = []
    clock, rest = 0.0, None
    for number, (place, legs) in enumerate(grouped):
        # Before what would carry the work past six hours, and not before the first yard.
        ends = clock + drives[number] + works[number]
        if pause and rest is None and number and ends > BREAK_AFTER_MINUTES:
            rest = clock
            clock += pause
        arrive = clock + drives[number]
        clock = arrive + works[number]
        calls.append(Call(place, tuple(legs), drives[number], arrive, clock))
    if pause and rest is None:
        rest = clock
        clock += pause
    return Sheet(
        crew=crew,
        day=day,
        calls=tuple(calls),
        rest=rest,
        break_minutes=pause,
        back=clock + drives[-1],
        driving=sum(drives),
        working=sum(works),
    )
