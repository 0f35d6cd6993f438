"""What no plan that can be driven is worth more than.

Driving is replaced by what it costs at least. Of a trip nothing is known but that it gets to each
of its yards and back, between them from one to the next, within the crew's day. A yard has

    hop   half a road to each neighbour on a trip: for any two yards, the halves of both together
          are no longer than the road between them;
    stem  what is left of the way there and back once the halves of every yard on it are off.

So a trip takes the hops of its yards and the longest of their stems, at least. That stem is shared
by all the work there is room for beside it, so that each minute of work and hop has its part of it;
the shares of any trip that fits into the day are together no longer than the trip. With them each
visit has minutes of its own, the days can be chosen without any roads, and what the relaxation of
that choice bounds, bounds every real plan.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from windowcast.crew.instance import Instance, Plan, away_cost, option_value, stop_of
from windowcast.crew.model import Prices, Program, kinds

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Whole = NDArray[np.int64]

NEAR = 0.001
"""So near to what its relaxation is worth, as a share, the bound is brought down."""
ROUNDS = 60
"""So often prices are looked for at most."""
SHARES = (0.0, 0.25, 0.5, 0.75, 1.0)
"""Of the hops that may be counted, how much: the more, the shorter the stems."""


class Least:
    """What driving to each place costs at least, for crews of one base.

    hop, stem:  minutes by place; both 0 where nothing is to be done
    """

    def __init__(self, instance: Instance, home: int, share: float) -> None:
        import numpy as np

        places = sorted({need.place for need in instance.needs if need.options})
        roads = np.array([[instance.roads[a][b] for b in (home, *places)] for a in (home, *places)])
        roads = np.minimum(roads, roads.T)
        out, between = roads[0, 1:], roads[1:, 1:].copy()
        np.fill_diagonal(between, np.inf)
        half = np.minimum(out, between.min(axis=1, initial=np.inf) / 2)
        for one in np.argsort(half, kind="stable").tolist():
            half[one] = min(out[one], (between[one] - half).min(initial=np.inf))
        half = share * half
        rest = np.maximum(between - half[:, None] - half[None, :], 0.0)
        stem = out - half
        done = np.zeros(len(places), dtype=bool)
        for _ in places:  # the shortest ways from home over what is left of the roads (Dijkstra)
            one = int(np.where(done, np.inf, stem).argmin())
            done[one] = True
            stem = np.minimum(stem, stem[one] + rest[one])
        self.hop, self.stem = np.zeros(len(instance.roads)), np.zeros(len(instance.roads))
        many = dict.fromkeys(places, 0)
        for need in instance.needs:
            if need.options:
                many[need.place] += 1
        # One call at a place can serve all of its needs.
        self.hop[places] = 2 * half / np.array([many[place] for place in places])
        self.stem[places] = 2 * stem

    def minutes(self, place: Whole, work: Floats, day: Floats) -> Floats:
        """Work and the share of driving of visits; inf where they fit into no day.

        day:  minutes of the longest day of any crew
        """
        import numpy as np

        hop, stem = self.hop[place], self.stem[place]
        room = day - stem
        with np.errstate(divide="ignore", invalid="ignore"):
            shared = np.where(room > 0, stem / room, np.inf)
            found = (work + hop) * (1 + shared)
        return np.where((room > 0) & (found <= day + 1e-6), found, np.inf)


class Choice(Program):
    """The choice of days and crews without roads: each stop on whichever of its days is cheapest,
    also where that leaves too little between two of them. It can only be worth more by that."""

    def __init__(self, instance: Instance, least: Sequence[Least]) -> None:
        self.least = least
        super().__init__(instance, {})

    def _visits(self) -> None:
        np, instance = self.np, self.instance
        stocks = {one.treatment: number for number, one in enumerate(instance.stock)}
        index: dict[tuple[Any, ...], int] = {}
        day_of: list[int] = []
        place_of: list[int] = []
        work: list[list[float]] = []
        strips: list[int] = []
        stock_of: list[int] = []
        visit: list[int] = []
        bonus: list[float] = []
        stop_at: list[int] = []
        option_at: list[int] = []
        need_of: list[int] = []
        option_of: list[int] = []
        value: list[float] = []
        for number, need in enumerate(instance.needs):
            away = away_cost(instance, number)
            for place, option in enumerate(need.options):
                kept = need.kept if place == need.promised else ()
                if not option.stops or not all(stop.days for stop in option.stops):
                    continue
                need_of.append(number)
                option_of.append(place)
                value.append(option_value(instance, number, place))
                option_at.append(len(stop_at))
                for at, stop in enumerate(option.stops):
                    stop_at.append(len(visit))
                    stock = stocks.get(option.treatment, -1) if stop.strips else -1
                    promise = kept[at] if at < len(kept) else None
                    same = (number, stop.hands, stop.set_up, stop.skill, stop.strips, stock)
                    for day in stop.days:
                        key = (day, *same)
                        known = index.get(key)
                        if known is None:
                            known = index[key] = len(day_of)
                            day_of.append(day)
                            place_of.append(need.place)
                            work.append(
                                [
                                    stop.minutes(kind.people)
                                    if not stop.skill
                                    or kind.skills is None
                                    or stop.skill in kind.skills
                                    else math.inf
                                    for kind in self.kinds
                                ]
                            )
                            strips.append(stop.strips if stock >= 0 else 0)
                            stock_of.append(max(stock, 0))
                        visit.append(known)
                        # What follows another stop has its right day by that one's: never dearer.
                        known = stop.right is not None and stop.follows is None
                        more = -away * stop.away * abs(day - (stop.right or 0)) if known else 0.0
                        if promise is not None and promise.day == day:
                            more += instance.keep / 2 / len(kept)
                        bonus.append(more)
        self.day_of = np.array(day_of, dtype=np.int64)
        at_place = np.array(place_of, dtype=np.int64)
        worked = np.array(work).reshape(len(day_of), len(self.kinds))
        self.minutes = np.column_stack(
            [
                one.minutes(at_place, worked[:, kind], self.longest[kind, self.day_of])
                for kind, one in enumerate(self.least)
            ]
        ).reshape(len(day_of), len(self.kinds))
        self.strips = np.array(strips, dtype=np.int64)
        self.stock_of = np.array(stock_of, dtype=np.int64)
        self._visit = np.array(visit, dtype=np.int64)
        self._bonus = np.array(bonus)
        self._stop_at = np.array(stop_at, dtype=np.int64)
        self._option_at = np.array(option_at, dtype=np.int64)
        self._need = np.array(need_of, dtype=np.int64)
        self._option = np.array(option_of, dtype=np.int64)
        self._worth = np.array(value)
        self._ways: list[list[int]] = []
        self._way_need: list[int] = []
        self._way_value: list[float] = []

    def priced(self, prices: Prices) -> tuple[Floats, Floats, Whole]:
        """What each option would add at these prices, each visit's worth by stop and day, and by
        visit its cheapest kind of crew."""
        np = self.np
        an_hour = self.instance.hour / 60 + prices.minute[:, self.day_of]
        cost = an_hour.T * self.minutes
        cheapest, least = cost.argmin(axis=1), cost.min(axis=1)
        if self._ends:
            dear = np.zeros((len(self.instance.stock), self.days))
            for (stock, end), price in zip(self._ends, prices.strip, strict=True):
                dear[stock, : end + 1] += price
            least = least + dear[self.stock_of, self.day_of] * self.strips
        each = self._bonus - least[self._visit]
        best = np.maximum.reduceat(each, self._stop_at)
        return self._worth + np.add.reduceat(best, self._option_at), each, cheapest

    def least_bound(self, prices: Prices, adds: Floats) -> float:
        """What nothing exceeds at these prices, whatever they are."""
        np = self.np
        best = np.zeros(len(self.instance.needs))
        np.maximum.at(best, self._need, adds)
        of_stock = sum(
            price * self.instance.stock[stock].by(end)
            for (stock, end), price in zip(self._ends, prices.strip, strict=True)
        )
        return float(best.sum() + (prices.minute * self.capacity).sum() + of_stock)

    def take(self, above: Floats, each: Floats, cheapest: Whole, *, most: int) -> int:
        """Make columns of the options that add most for each need; how many were new."""
        np = self.np
        good = np.flatnonzero(above > 1e-6)
        order = good[np.lexsort((-above[good], self._need[good]))]
        need = self._need[order]
        first = np.searchsorted(need, need)
        before = len(self.columns)
        ends = [*self._stop_at[1:].tolist(), len(self._visit)]
        stops_end = [*self._option_at[1:].tolist(), len(self._stop_at)]
        for option in order[np.arange(len(order)) - first < most].tolist():
            way, kind_of, value = [], [], float(self._worth[option])
            for stop in range(int(self._option_at[option]), stops_end[option]):
                start = int(self._stop_at[stop])
                entry = start + int(each[start : ends[stop]].argmax())
                visit = int(self._visit[entry])
                way.append(visit)
                kind_of.append(int(cheapest[visit]))
                value += float(self._bonus[entry])
            key = (int(option), *way, *kind_of)
            if key not in self._known:
                self._known.add(key)
                self.columns.append((len(self._ways), *kind_of))
                self._ways.append(way)
                self._way_need.append(int(self._need[option]))
                self._way_value.append(value)
        widest, none = max(map(len, self._ways), default=1), len(self.day_of)
        self.ways = np.array(
            [way + [none] * (widest - len(way)) for way in self._ways], dtype=np.int64
        ).reshape(len(self._ways), widest)
        self.need_of = np.array(self._way_need, dtype=np.int64)
        self.value = np.array(self._way_value)
        return len(self.columns) - before


def upper(instance: Instance, like: Plan, *, left_s: Callable[[], float]) -> float:
    """What no plan that can be driven is worth more than, as near as it is found in the time.

    like:    a plan whose trips say how much of the hops is best counted
    left_s:  seconds that are left, asked again at each step
    """
    import numpy as np

    bases = [kind.place for kind in kinds(instance)]
    of_base = {base: _nearest(instance, base, like) for base in dict.fromkeys(bases)}
    choice = Choice(instance, [of_base[base] for base in bases])
    if not len(choice._worth):
        return 0.0
    prices = Prices(
        np.zeros(len(instance.needs)),
        np.zeros((len(choice.kinds), choice.days)),
        np.zeros(len(choice._ends)),
    )
    adds, each, cheapest = choice.priced(prices)
    bound = choice.least_bound(prices, adds)
    fresh = choice.take(adds, each, cheapest, most=3)
    for _ in range(ROUNDS):
        if not fresh or left_s() < 0:
            break
        relaxed, prices = choice.relax()
        adds, each, cheapest = choice.priced(prices)
        bound = min(bound, choice.least_bound(prices, adds))
        if bound - relaxed < NEAR * abs(relaxed):
            break
        fresh = choice.take(adds - prices.need[choice._need], each, cheapest, most=4)
    return bound


def _nearest(instance: Instance, base: int, like: Plan) -> Least:
    """Of all shares of the hops the one that takes most driving for the trips of a plan."""
    import numpy as np

    place, work, day = [], [], []
    for (crew, on), route in like.routes.items():
        one = instance.crews[crew]
        if one.place == base:
            place += [instance.needs[leg.need].place for leg in route]
            work += [stop_of(instance, like.chosen, leg).minutes(one.people) for leg in route]
            day += [max(each.minutes[on] for each in instance.crews)] * len(route)
    places = np.array(place, dtype=np.int64)

    def taken(least: Least) -> float:
        found = least.minutes(places, np.array(work), np.array(day))
        return float(found[np.isfinite(found)].sum())

    return max((Least(instance, base, share) for share in SHARES), key=taken)
