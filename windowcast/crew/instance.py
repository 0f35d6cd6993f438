"""What a crew's plan is made from: crews, yards, what each could get and when, stock and roads.

Days are counted from 0, the first day of the plan; places are rows of a table of minutes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from datetime import time
from itertools import groupby, pairwise
from typing import NamedTuple

Roads = Sequence[Sequence[float]]
"""Minutes of driving from one place to another."""


class Crew(NamedTuple):
    """Some people with one truck.

    people:  who work at the hives at once
    place:   where the day begins and ends, a row of the roads
    minutes: that each day of the plan has for work and driving; 0: nobody works
    skills:  actives that it may handle; None: all
    begins:  when it leaves, local time
    dark:    by day, minutes of its hours that daylight does not leave it; () for none
    light:   by day, the most minutes from sunrise, or from now, to sunset; () for no end
    """

    name: str
    people: int
    place: int
    minutes: tuple[float, ...]
    skills: frozenset[str] | None = None
    begins: time = time(8, 0)
    dark: tuple[float, ...] = ()
    light: tuple[float, ...] = ()

    def can(self, skill: str) -> bool:
        """Whether it may do what asks for this active; "" asks for none."""
        return not skill or self.skills is None or skill in self.skills

    def darkened(self, day: int) -> bool:
        """Whether it is daylight that ends this day of its, not its hours."""
        return bool(self.dark) and self.dark[day] > 0

    def could_work(self, day: int) -> float:
        """The most minutes of a day, were its hours longer."""
        return self.light[day] if self.light else math.inf


ANY = 10**6
"""More days than any plan has."""


class Stop(NamedTuple):
    """One visit to one yard.

    task:     as `trade.work.Kind` calls it
    days:     on which it can be done, the right day first, then by how far they are from it
    hands:    minutes for one person at the hives; a crew shares them
    set_up:   minutes at the yard besides, for this stop alone; what each call at a yard takes once
              is in `Instance.calls`
    skill:    the active that is handled; "": none
    strips:   put in, of the option's treatment
    after, within: days from the stop before to this one, at least and at most: what went in late
              works later, and comes out later
    right:    the day that is right for it, the stop before on its own; None: all of its days are as
              good
    follows:  days from the stop before to the right one, on whatever day that is; None: `right`
              holds
    away:     what a day away from the right one counts beside a day of other stops
    """

    task: str
    days: tuple[int, ...]
    hands: float
    set_up: float
    skill: str = ""
    strips: int = 0
    after: int = 1
    right: int | None = None
    follows: int | None = None
    within: int = ANY
    away: float = 1.0

    def minutes(self, people: int) -> float:
        return self.set_up + self.hands / people

    def may_follow(self, before: int | None, day: int) -> bool:
        """Whether it can be on a day with the stop before on another; None: it has none."""
        return before is None or self.after <= day - before <= self.within

    def right_after(self, before: int | None) -> int | None:
        """The right day with the stop before on a day; None: all are as good."""
        return self.right if before is None or self.follows is None else before + self.follows


class Option(NamedTuple):
    """One way to serve a need: a start of one regimen with all the visits that it binds, or one
    job that is in hand.

    start:      its first day
    value:      colonies expected to be treated in a window that holds, weighted
    chance:     that the window holds
    held, of:   the scenarios in which it does, a bit each, and how many there are; 0 of 0: nobody
                knows
    below:      that is less than what is asked of a start: it is kept because it was promised
    """

    start: int
    treatment: str
    regimen: str
    stops: tuple[Stop, ...]
    value: float
    chance: float = 1.0
    held: int = 0
    of: int = 0
    below: bool = False


class Placed(NamedTuple):
    """Who does one stop of an option on which day."""

    day: int
    crew: int


class Need(NamedTuple):
    """What one yard needs once: a treatment, or a job that is in hand.

    place:    a row of the roads
    last:     the last day to start that is in time
    weight:   of one of its colonies
    promised: the option (number) that was promised; None: none was, or it is no longer there
    kept:     who was to do which of its stops when; None for a stop that can no longer be so
    begun:    it belongs to a treatment that is in the hives
    starts:   it begins a treatment; else it is a job that is in hand
    away:     what a day away from the right one costs beside one of a treatment of as many colonies
    barred:   the days of the plan on which no option starts, with the reason in a few words
    """

    key: str
    yard: str
    place: int
    colonies: int
    last: int
    options: tuple[Option, ...]
    weight: float = 1.0
    promised: int | None = None
    kept: tuple[Placed | None, ...] = ()
    begun: bool = False
    starts: bool = True
    away: float = 1.0
    barred: tuple[tuple[int, str], ...] = ()


class Stock(NamedTuple):
    """Strips of one treatment: (day, how many come), ascending by day; day 0 is what is there."""

    treatment: str
    arrivals: tuple[tuple[int, int], ...]

    def by(self, day: int) -> int:
        """How many have come by a day, that day's delivery among them."""
        return sum(count for when, count in self.arrivals if when <= day)


class Instance(NamedTuple):
    """One task for the planner.

    roads:   minutes from one place to another; half of what a call takes at either end is in them
    calls:   by place, minutes that a call there takes once, whatever is done; () for none
    hour:    what an hour of one crew is held to be worth, in colonies; above 0
    away:    what each day that a visit is away from its right day costs, in colonies for each
             colony
    keep:    what a promise is worth more than another way, in colonies: a move must gain it. Half
             of it hangs on the start and the regimen, half on the days and crews of its stops
    """

    crews: tuple[Crew, ...]
    needs: tuple[Need, ...]
    roads: Roads
    days: int
    stock: tuple[Stock, ...] = ()
    hour: float = 0.1
    away: float = 0.0
    keep: float = 1.0
    calls: tuple[float, ...] = ()

    def call(self, place: int) -> float:
        """Minutes that a call at a place takes once, whatever is done there."""
        return self.calls[place] if self.calls else 0.0

    def drive(self, one: int, other: int) -> float:
        """Minutes on the road alone."""
        both = 0.0 if one == other else (self.call(one) + self.call(other)) / 2
        return self.roads[one][other] - both

    def stock_of(self, treatment: str) -> Stock | None:
        return next((one for one in self.stock if one.treatment == treatment), None)


class Chosen(NamedTuple):
    """The option of one need, and who does each of its stops when."""

    option: int
    stops: tuple[Placed, ...]


class Leg(NamedTuple):
    """One stop on a route: the need and which of the option's stops it is."""

    need: int
    stop: int


Routes = Mapping[tuple[int, int], tuple[Leg, ...]]
"""By crew and day, the stops in the order in which they are driven to."""


class Plan(NamedTuple):
    """What is done when and by whom.

    chosen:  by need; a need that found no place is absent
    bound:   no plan that can be driven is worth more; None: none is known
    gap:     how far this one may be from that, as a share of what it is worth itself; 0: it is the
             best there is; None: not known
    choice:  the same of the choice of days that it began with, in which driving is estimated
    seconds: taken, filled in by whoever has a clock; 0 before
    how:     what found it
    """

    chosen: Mapping[int, Chosen]
    routes: Routes
    bound: float | None = None
    gap: float | None = None
    choice: float | None = None
    seconds: float = 0.0
    how: str = ""


def option_value(instance: Instance, need: int, option: int) -> float:
    """What an option is worth in the plan, a promise with what its start is worth more."""
    one = instance.needs[need]
    bonus = instance.keep / 2 if option == one.promised else 0.0
    return one.options[option].value + bonus


def away_cost(instance: Instance, need: int) -> float:
    """What each day that a visit is away from its right day costs, in colonies."""
    one = instance.needs[need]
    return instance.away * one.colonies * one.away


def placed_value(instance: Instance, need: int, chosen: Chosen) -> float:
    """What the stops of a need are worth more for being done as they were promised, less what it
    costs that they are away from their right days."""
    one = instance.needs[need]
    stops = one.options[chosen.option].stops
    found = -away_cost(instance, need) * days_away(stops, [each.day for each in chosen.stops])
    if chosen.option == one.promised and one.kept:
        same = sum(kept == placed for kept, placed in zip(one.kept, chosen.stops, strict=False))
        found += instance.keep / 2 / len(one.kept) * same
    return found


def follow_each_other(stops: Sequence[Stop], days: Sequence[int]) -> bool:
    """Whether the stops of an option are so far apart as they must be and may be."""
    pairs = zip(stops[1:], days, days[1:], strict=False)
    return all(stop.may_follow(before, day) for stop, before, day in pairs)


def days_away(stops: Sequence[Stop], days: Sequence[int]) -> float:
    """How far the stops of an option are from their right days in all, as each one's days count."""
    found, before = 0.0, None
    for stop, day in zip(stops, days, strict=True):
        right = stop.right_after(before)
        found += 0.0 if right is None else stop.away * abs(day - right)
        before = day
    return found


def legs(chosen: Mapping[int, Chosen]) -> Iterator[tuple[tuple[int, int], Leg]]:
    """Every stop of a plan with its crew and day."""
    for need, one in chosen.items():
        for stop, placed in enumerate(one.stops):
            yield (placed.crew, placed.day), Leg(need, stop)


def stop_of(instance: Instance, chosen: Mapping[int, Chosen], leg: Leg) -> Stop:
    return instance.needs[leg.need].options[chosen[leg.need].option].stops[leg.stop]


def working(
    instance: Instance, chosen: Mapping[int, Chosen], crew: int, route: Sequence[Leg]
) -> float:
    """Minutes at the yards of one route, without the drive."""
    people = instance.crews[crew].people
    places = [instance.needs[leg.need].place for leg in route]
    calls = sum(instance.call(place) for place, _ in groupby(places))
    return calls + sum(stop_of(instance, chosen, leg).minutes(people) for leg in route)


def driving(instance: Instance, crew: int, route: Sequence[Leg]) -> float:
    """Minutes of driving on one route, from the crew's place and back."""
    if not route:
        return 0.0
    home = instance.crews[crew].place
    places = [home, *(instance.needs[leg.need].place for leg in route), home]
    return sum(instance.drive(a, b) for a, b in pairwise(places))


def worth(instance: Instance, plan: Plan) -> float:
    """What a plan is worth: what its options are, less the hours that they take."""
    gained = sum(option_value(instance, need, one.option) for need, one in plan.chosen.items())
    gained += sum(placed_value(instance, need, one) for need, one in plan.chosen.items())
    minutes = sum(
        working(instance, plan.chosen, crew, route) + driving(instance, crew, route)
        for (crew, _), route in plan.routes.items()
    )
    return gained - instance.hour * minutes / 60


def measured(instance: Instance, plan: Plan, bound: float | None) -> Plan:
    """A plan with how far it may be from the best, which is worth no more than `bound`."""
    own = worth(instance, plan)
    gap = None
    if bound is not None and bound <= own + 1e-9:
        gap = 0.0
    elif bound is not None and own > 0:
        gap = bound / own - 1
    return plan._replace(bound=bound, gap=gap)


def faults(instance: Instance, plan: Plan) -> list[str]:
    """What is wrong with a plan; empty where it can be driven. Every rule is looked at anew."""
    found = []
    seen = sorted(each for each in legs(plan.chosen))
    driven = sorted((where, leg) for where, route in plan.routes.items() for leg in route)
    if seen != driven:
        found.append("the routes do not serve what was chosen")
    for (crew, day), route in plan.routes.items():
        minutes = working(instance, plan.chosen, crew, route) + driving(instance, crew, route)
        if minutes > instance.crews[crew].minutes[day] + 1e-6:
            found.append(f"{instance.crews[crew].name} needs {minutes:.1f} minutes on day {day}")
        for leg in route:
            stop = stop_of(instance, plan.chosen, leg)
            if day not in stop.days:
                found.append(f"need {leg.need}, stop {leg.stop} is on day {day}")
            if not instance.crews[crew].can(stop.skill):
                found.append(f"need {leg.need}, stop {leg.stop}: {instance.crews[crew].name}")
    for need, one in plan.chosen.items():
        days = [placed.day for placed in one.stops]
        stops = instance.needs[need].options[one.option].stops
        if len(days) != len(stops) or not follow_each_other(stops, days):
            found.append(f"need {need} has visits on {days}")
    for stock in instance.stock:
        for day, used in strips_used(instance, plan.chosen, stock.treatment).items():
            if used > stock.by(day):
                found.append(f"{used} strips of {stock.treatment} are used by day {day}")
    return found


def strips_used(instance: Instance, chosen: Mapping[int, Chosen], treatment: str) -> dict[int, int]:
    """Strips of a treatment put in by each day on which any are, that day's among them."""
    by_day: dict[int, int] = {}
    for (_, day), leg in legs(chosen):
        option = instance.needs[leg.need].options[chosen[leg.need].option]
        strips = option.stops[leg.stop].strips
        if option.treatment == treatment and strips:
            by_day[day] = by_day.get(day, 0) + strips
    total, found = 0, {}
    for day in sorted(by_day):
        total += by_day[day]
        found[day] = total
    return found
