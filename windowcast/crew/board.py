"""A plan in the making, with the roads as they are: what still fits where, and at what cost."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import NamedTuple

from windowcast.crew import route
from windowcast.crew.instance import (
    Chosen,
    Instance,
    Leg,
    Placed,
    Plan,
    Stock,
    Stop,
    away_cost,
    option_value,
    placed_value,
    stop_of,
)
from windowcast.trade.work import Kind

COUNT = Kind.COUNT.value
SLACK = 1e-7
LEAST = 1e-9
"""So much less, in colonies, is cheaper."""
Key = tuple[int, int]
"""A crew and a day."""
Rates = Sequence[Sequence[float]]
"""By crew and day, in colonies, what a minute costs."""


class Fit(NamedTuple):
    """An option that fits: what it adds to the plan's worth, and who does its stops when."""

    gain: float
    chosen: Chosen


class _Day:
    """One crew's day: its legs with their places in the order of driving, and the minutes used."""

    __slots__ = ("legs", "minutes", "places")

    def __init__(self, legs: list[Leg], places: list[int], minutes: float) -> None:
        self.legs, self.places, self.minutes = legs, places, minutes

    def copy(self) -> _Day:
        return _Day(list(self.legs), list(self.places), self.minutes)


class State(NamedTuple):
    """What a board holds."""

    chosen: dict[int, Chosen]
    days: dict[Key, _Day]
    strips: dict[str, dict[int, int]]
    value: float
    minutes: float


class Board:
    """The days of every crew; changed in place, and changed back from a mark."""

    def __init__(self, instance: Instance) -> None:
        self.instance = instance
        self.chosen: dict[int, Chosen] = {}
        self.days: dict[Key, _Day] = {}
        self.strips: dict[str, dict[int, int]] = {}
        self.value = 0.0
        self.minutes = 0.0
        self.plain: Rates = [[instance.hour / 60] * instance.days] * len(instance.crews)
        """What a minute costs, whoever works it."""
        self.a_minute: Rates = self.plain
        """What `fit` and `best` take a minute to cost."""
        skills = {
            stop.skill for need in instance.needs for each in need.options for stop in each.stops
        }
        self._works = {
            skill: [
                [
                    (number, crew.people, crew.minutes[day])
                    for number, crew in enumerate(instance.crews)
                    if crew.can(skill) and crew.minutes[day] > 0
                ]
                for day in range(instance.days)
            ]
            for skill in skills
        }
        """By active and day the crews that work and may handle it, their people and minutes."""
        self._order: dict[int, list[tuple[int, float, int, float]]] = {}
        """By need its options, the best first: number, value, day of its start, or -1 where that is
        not one day alone, and the least minutes that the start takes."""
        self._most_left: dict[int, float] = {}
        """By day the minutes that the crew has left which has most, as far as they were asked."""
        self._stocks = {one.treatment: one for one in instance.stock}
        self._before: dict[Key, _Day | None] | None = None
        self._chosen_before: dict[int, Chosen | None] = {}
        self._sums_before = (0.0, 0.0)

    @property
    def worth(self) -> float:
        """As `instance.worth` says of the plan."""
        return self.value - self.instance.hour * self.minutes / 60

    def plan(self, how: str = "") -> Plan:
        """The plan as it stands, each day in the best order."""
        for key in list(self.days):
            self.reorder(key)
        routes = {
            key: tuple(
                leg
                for _, legs in groupby(
                    day.legs, key=lambda leg: self.instance.needs[leg.need].place
                )
                for leg in sorted(legs, key=self._comes_later)
            )
            for key, day in sorted(self.days.items())
            if day.legs
        }
        return Plan(chosen=dict(self.chosen), routes=routes, how=how)

    def _comes_later(self, leg: Leg) -> bool:
        """In one call: what is counted is counted before anything is put in or taken out."""
        return stop_of(self.instance, self.chosen, leg).task != COUNT

    def left(self, crew: int, day: int) -> float:
        """Minutes that a crew has left on a day."""
        used = self.days.get((crew, day))
        return self.instance.crews[crew].minutes[day] - (0.0 if used is None else used.minutes)

    def more(self, crew: int, day: int, place: int) -> float:
        """Minutes of driving more for one more place on a day, put in where it costs least."""
        used = self.days.get((crew, day))
        home = self.instance.crews[crew].place
        return route.cheapest(
            self.instance.roads, home, [] if used is None else used.places, place
        )[0]

    def stops_on(self, crew: int, day: int) -> list[Stop]:
        """What a crew does on a day."""
        used = self.days.get((crew, day))
        needs = self.instance.needs
        return [
            needs[leg.need].options[self.chosen[leg.need].option].stops[leg.stop]
            for leg in ([] if used is None else used.legs)
        ]

    def fit(
        self, need: int, number: int, *, least: float = 0.0, stocked: bool = True
    ) -> Fit | None:
        """The cheapest way to serve a need by one of its options, all else as it is and minutes at
        what `a_minute` says; None: none that adds more than `least`.

        stocked:  only where there are strips for it
        """
        instance = self.instance
        option = instance.needs[need].options[number]
        value = option_value(instance, need, number)
        kept = instance.needs[need].kept if number == instance.needs[need].promised else ()
        spend = value + (instance.keep / 2 if kept else 0.0) - least
        bonus = instance.keep / 2 / len(kept) if kept else 0.0
        if stocked and not self.in_stock(need, number):
            return None
        place = instance.needs[need].place
        away = away_cost(instance, need)
        placed: list[Placed] = []
        costs: list[float] = []
        spent = 0.0
        tried: dict[int, set[int]] = {}
        while len(placed) < len(option.stops):
            place_in = len(placed)
            stop = option.stops[place_in]
            last = placed[-1].day if placed else None
            right = stop.right_after(last)
            best, best_day, best_crew = spend - spent, -1, -1
            promise = kept[place_in] if kept else None
            works = self._works[stop.skill]
            no_time = True
            for day in stop.days:
                if day in tried.get(place_in, ()) or not stop.may_follow(last, day):
                    continue
                off = 0.0 if right is None else away * stop.away * abs(day - right)
                for crew, people, room in works[day]:
                    used = self.days.get((crew, day))
                    left = room if used is None else room - used.minutes
                    work = stop.set_up + stop.hands / people
                    a_minute = self.a_minute[crew][day]
                    more = off
                    if promise is not None and promise == (day, crew):
                        more -= bonus
                    if left < work:
                        continue
                    if work * a_minute + more >= best:
                        no_time = False
                        continue
                    minutes = work + self.more(crew, day, place)
                    cost = minutes * a_minute + more
                    if minutes <= left:
                        no_time = False
                        if cost < best - LEAST:
                            best, best_day, best_crew = cost, day, crew
            if best_crew >= 0:
                spent += best
                costs.append(best)
                placed.append(Placed(best_day, best_crew))
            elif no_time and placed:
                # The day of the stop before may be what leaves this one none: the next best.
                tried.pop(place_in, None)
                tried.setdefault(place_in - 1, set()).add(placed.pop().day)
                spent -= costs.pop()
            else:
                return None
        return Fit(value - spent, Chosen(number, tuple(placed)))

    def fits(self, need: int, options: Iterable[int]) -> Iterator[Fit]:
        """Of these options those that fit, in their order, whatever they add."""
        for number in options:
            found = self.fit(need, number, least=-1e9)
            if found is not None:
                yield found

    def best(self, need: int) -> Fit | None:
        """The option that adds most, all else as it is; None: none adds anything."""
        promised = self.instance.needs[need].promised
        if need not in self._order:
            options = self.instance.needs[need].options
            values = [option_value(self.instance, need, one) for one in range(len(options))]
            order = sorted(range(len(options)), key=lambda one: (one != promised, -values[one]))
            people = max(crew.people for crew in self.instance.crews)
            self._order[need] = []
            for number in order:
                first = options[number].stops[0]
                day = first.days[0] if len(first.days) == 1 else -1
                self._order[need].append((number, values[number], day, first.minutes(people)))
        found: Fit | None = None
        least, most_left = 0.0, self._most_left
        for number, value, day, work in self._order[need]:
            if number != promised and value <= least:
                break
            if day >= 0:
                left = most_left.get(day)
                if left is None:
                    left = most_left[day] = self._left_on(day)
                if work > left:
                    continue
            one = self.fit(need, number, least=least)
            if one is not None:
                found, least = one, one.gain
        return found

    def lengthen(self, crew: int, day: int, minutes: float) -> None:
        """So many minutes more for a crew on a day; `restore_hours` takes them back."""
        one = self.instance.crews[crew]
        longer = list(one.minutes)
        longer[day] += minutes
        crews = list(self.instance.crews)
        crews[crew] = one._replace(minutes=tuple(longer))
        self._give(self.instance._replace(crews=tuple(crews)), [day])

    def restore_hours(self, instance: Instance) -> None:
        """The crews' minutes as they were."""
        self._give(instance, range(instance.days))

    def _give(self, instance: Instance, days: Iterable[int]) -> None:
        self.instance = instance
        self._most_left.clear()
        for day in days:
            for skill, works in self._works.items():
                works[day] = [
                    (number, crew.people, crew.minutes[day])
                    for number, crew in enumerate(instance.crews)
                    if crew.can(skill) and crew.minutes[day] > 0
                ]

    def _left_on(self, day: int) -> float:
        """Minutes that the crew has left on a day which has most."""
        return max(self.left(crew, day) for crew in range(len(self.instance.crews)))

    def in_stock(self, need: int, number: int) -> bool:
        """Whether there are strips for an option."""
        return (
            self.instance.needs[need].options[number].treatment not in self._stocks
            or self.short(need, number) <= 0
        )

    def short(self, need: int, number: int, stock: Stock | None = None) -> int:
        """Strips that an option lacks on the day on which it lacks most, each put in on the first
        of its days; 0 or below: none.

        stock:  instead of that of its treatment
        """
        option = self.instance.needs[need].options[number]
        stock = self._stocks.get(option.treatment) if stock is None else stock
        mine = [(min(one.days, default=0), one.strips) for one in option.stops if one.strips]
        if stock is None or not mine:
            return 0
        used = self.strips.get(option.treatment, {})
        most = -(10**9)
        first = min(day for day, _ in mine)
        for day in sorted({day for day in used if day >= first} | {day for day, _ in mine}):
            total = sum(count for when, count in used.items() if when <= day)
            total += sum(count for when, count in mine if when <= day)
            most = max(most, total - stock.by(day))
        return most

    def put(self, need: int, chosen: Chosen) -> bool:
        """Serve a need so, each stop where it costs least on its day; False, and nothing is done,
        where a day has not so many minutes."""
        instance = self.instance
        place = instance.needs[need].place
        option = instance.needs[need].options[chosen.option]
        for number, (placed, stop) in enumerate(zip(chosen.stops, option.stops, strict=True)):
            key = (placed.crew, placed.day)
            crew = instance.crews[placed.crew]
            day = self.days.get(key) or _Day([], [], 0.0)
            more, position = route.cheapest(instance.roads, crew.place, day.places, place)
            minutes = stop.minutes(crew.people) + more
            if day.minutes + minutes > crew.minutes[placed.day] + SLACK:
                for undone in range(number):
                    self._remove(need, undone, chosen)
                return False
            self._remember(key)
            day.legs.insert(position, Leg(need, number))
            day.places.insert(position, place)
            day.minutes += minutes
            self.minutes += minutes
            self.days[key] = day
        self._remember_need(need)
        self.chosen[need] = chosen
        self.value += self._value(need, chosen)
        self._use(need, chosen, 1)
        return True

    def take(self, need: int) -> Chosen:
        """Take a need out again; what it was served by."""
        self._remember_need(need)
        chosen = self.chosen.pop(need)
        self.value -= self._value(need, chosen)
        self._use(need, chosen, -1)
        for number in range(len(chosen.stops)):
            self._remove(need, number, chosen)
        return chosen

    def append(self, crew: int, day: int, leg: Leg, chosen: Chosen) -> None:
        """One more stop at the end of a day, as a finished plan has it; `count` adds the rest."""
        instance = self.instance
        self._most_left.pop(day, None)
        one = self.days.setdefault((crew, day), _Day([], [], 0.0))
        roads, home = instance.roads, instance.crews[crew].place
        place = instance.needs[leg.need].place
        before = route.length(roads, home, one.places)
        one.legs.append(leg)
        one.places.append(place)
        stop = instance.needs[leg.need].options[chosen.option].stops[leg.stop]
        more = route.length(roads, home, one.places) - before
        minutes = stop.minutes(instance.crews[crew].people) + more
        one.minutes += minutes
        self.minutes += minutes

    def count(self, need: int, chosen: Chosen) -> None:
        """A need whose stops are all there."""
        self.chosen[need] = chosen
        self.value += self._value(need, chosen)
        self._use(need, chosen, 1)

    def _value(self, need: int, chosen: Chosen) -> float:
        return option_value(self.instance, need, chosen.option) + placed_value(
            self.instance, need, chosen
        )

    def _use(self, need: int, chosen: Chosen, sign: int) -> None:
        option = self.instance.needs[need].options[chosen.option]
        if option.treatment in self._stocks:
            used = self.strips.setdefault(option.treatment, {})
            for placed, stop in zip(chosen.stops, option.stops, strict=True):
                if stop.strips:
                    used[placed.day] = used.get(placed.day, 0) + sign * stop.strips

    def _remove(self, need: int, number: int, chosen: Chosen) -> None:
        placed = chosen.stops[number]
        key = (placed.crew, placed.day)
        self._remember(key)
        day, crew = self.days[key], self.instance.crews[placed.crew]
        roads, home = self.instance.roads, crew.place
        position = day.legs.index(Leg(need, number))
        here = day.places[position]
        before = day.places[position - 1] if position else home
        after = day.places[position + 1] if position + 1 < len(day.places) else home
        minutes = roads[before][here] + roads[here][after] - roads[before][after]
        if len(day.places) == 1:
            minutes = roads[home][here] + roads[here][home]
        stop = self.instance.needs[need].options[chosen.option].stops[number]
        minutes += stop.minutes(crew.people)
        del day.legs[position], day.places[position]
        day.minutes -= minutes
        self.minutes -= minutes

    def _remember(self, key: Key) -> None:
        """What a day was is kept for `back`; asked before each change of one."""
        self._most_left.pop(key[1], None)
        if self._before is not None and key not in self._before:
            day = self.days.get(key)
            self._before[key] = None if day is None else day.copy()

    def _remember_need(self, need: int) -> None:
        if self._before is not None:
            self._chosen_before.setdefault(need, self.chosen.get(need))

    def mark(self) -> None:
        """From here on every change can be taken back."""
        self._before, self._chosen_before = {}, {}
        self._sums_before = (self.value, self.minutes)

    def back(self) -> None:
        """All as it was at the mark."""
        assert self._before is not None
        for need, chosen in self._chosen_before.items():
            if need in self.chosen:
                self._use(need, self.chosen.pop(need), -1)
            if chosen is not None:
                self.chosen[need] = chosen
                self._use(need, chosen, 1)
        for key, day in self._before.items():
            if day is None:
                self.days.pop(key, None)
            else:
                self.days[key] = day
        self.value, self.minutes = self._sums_before
        self._before = None
        self._most_left.clear()

    def state(self) -> State:
        """All as it is now, for `restore`."""
        return State(
            dict(self.chosen),
            {key: day.copy() for key, day in self.days.items()},
            {treatment: dict(used) for treatment, used in self.strips.items()},
            self.value,
            self.minutes,
        )

    def restore(self, state: State) -> None:
        """All as it was; the state is of no use afterwards."""
        self.chosen, self.days, self.strips, self.value, self.minutes = state
        self._before = None
        self._most_left.clear()

    def reorder(self, key: Key, *, thorough: bool = True) -> None:
        """One day in a better order; thorough: in the best, where that can be known."""
        day = self.days[key]
        home = self.instance.crews[key[0]].place
        find = route.tour if thorough else route.quick_tour
        order = find(self.instance.roads, home, day.places)
        places = [day.places[number] for number in order]
        saved = route.length(self.instance.roads, home, day.places) - route.length(
            self.instance.roads, home, places
        )
        if saved > SLACK:
            self._remember(key)
            day.legs[:] = [day.legs[number] for number in order]
            day.places[:] = places
            day.minutes -= saved
            self.minutes -= saved
