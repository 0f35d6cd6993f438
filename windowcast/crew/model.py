"""The plan as a mixed-integer program: which option of each need, on which days, by which kind of
crew; solved with HiGHS.

A column is one option with its days and kinds of crew. Driving is a part of each visit's minutes,
as last seen on the roads (`settle`), or estimated. There are far more columns than are ever worth
looking at, so that they are made as the prices of the crews' hours ask for them (column generation:
Dantzig & Wolfe 1960), and the program is solved over those that the prices leave near enough to the
best: what is left out cannot be part of a plan that is worth more than the bound says.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

from windowcast.crew.exchange import Exchange
from windowcast.crew.instance import Instance, Stop, away_cost, days_away, option_value
from windowcast.crew.route import length, tour

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Whole = NDArray[np.int64]

MOST_DAYS = 3
"""So many days of each visit's are looked at, the nearest to the right one first."""
ROUNDS = 40
"""So often new columns are looked for at most."""
DIVES = (10, 5, 20, 7, 15, 3, 2)
"""One in so many parts is made whole at each step of a dive; which does best no rule tells."""
EXCHANGES_A_NEED = 20
NEAR_WAYS = 15
"""So many ways of each need go into the last program besides those that the prices asked for."""


class Kind(NamedTuple):
    """Crews that are alike for the plan."""

    people: int
    place: int
    skills: frozenset[str] | None
    crews: tuple[int, ...]


class Column(NamedTuple):
    """An option with the day and the kind of crew of each of its stops."""

    need: int
    option: int
    stops: tuple[tuple[int, int], ...]


class Solution(NamedTuple):
    """What the program found: columns, and how far they may be from the best.

    bound:  no plan is worth more, driving as estimated
    value:  what this one is, by the same measure
    minute: by kind of crew and day, in colonies, what one more minute of work would add
    """

    columns: tuple[Column, ...]
    bound: float
    value: float
    minute: tuple[tuple[float, ...], ...]

    @property
    def gap(self) -> float:
        return max(0.0, (self.bound - self.value) / max(abs(self.value), 1e-9))


def _ways(stops: Sequence[Stop], before: int | None = None) -> Iterator[tuple[int, ...]]:
    """The days of stops that follow each other, each of the nearest to its right one."""
    if not stops:
        yield ()
        return
    days = [day for day in stops[0].days if stops[0].may_follow(before, day)]
    right = stops[0].right_after(before)
    if right is not None:
        days.sort(key=lambda day: (abs(day - right), -day))
    for day in days[:MOST_DAYS]:
        for later in _ways(stops[1:], day):
            yield (day, *later)


def kinds(instance: Instance) -> tuple[Kind, ...]:
    """The crews by what tells them apart."""
    found: dict[Kind, list[int]] = {}
    for number, crew in enumerate(instance.crews):
        found.setdefault(Kind(crew.people, crew.place, crew.skills, ()), []).append(number)
    return tuple(kind._replace(crews=tuple(crews)) for kind, crews in found.items())


def neighbourhoods(instance: Instance, size: int) -> list[list[int]]:
    """Places that one trip can serve, at most `size` in each: from the outside in, each with those
    nearest to it."""
    home = instance.crews[0].place
    roads = instance.roads
    left = sorted({need.place for need in instance.needs}, key=lambda one: -roads[home][one])
    found = []
    while left:
        far = left[0]
        mine = sorted(left, key=lambda one: roads[far][one] + roads[one][far])[:size]
        found.append(mine)
        taken = set(mine)
        left = [one for one in left if one not in taken]
    return found


def estimated_drive(instance: Instance, size: int | None = None) -> dict[int, float]:
    """By place, what one visit there costs in driving where each trip serves a neighbourhood:
    the shares of all its places are its shortest tour."""
    roads, home = instance.roads, instance.crews[0].place
    found = {}
    for places in neighbourhoods(instance, size or trip_size(instance)):
        whole = length(roads, home, [places[one] for one in tour(roads, home, places)])
        near = {}
        for one in places:
            others = sorted(roads[one][other] for other in places if other != one)[:2]
            near[one] = sum(others) / len(others) if others else 0.0
        stem = min(roads[home][one] + roads[one][home] for one in places)
        within = max(0.0, whole - stem)
        total = sum(near.values())
        for one in places:
            share = near[one] / total if total else 1 / len(places)
            found[one] = stem / len(places) + within * share
    return found


class Program:
    """The program of one instance: its rows, the columns made so far, and their prices.

    drive:  minutes of driving of a visit, by place, or by (place, day) where that is known better
    """

    def __init__(self, instance: Instance, drive: Mapping[int | tuple[int, int], float]) -> None:
        import numpy as np

        self.np = np
        self.instance = instance
        self.drive = drive
        self.kinds = kinds(instance)
        self.days = instance.days
        of_kind = [
            np.array([instance.crews[one].minutes for one in kind.crews]).reshape(-1, self.days)
            for kind in self.kinds
        ]
        self.capacity = np.array([one.sum(axis=0) for one in of_kind])
        self.longest = np.array([one.max(axis=0) for one in of_kind])
        self._ends = [
            (number, day)
            for number, stock in enumerate(instance.stock)
            for day in sorted(
                {when - 1 for when, _ in stock.arrivals if when > 0} | {self.days - 1}
            )
        ]
        self._visits()
        self.columns: list[tuple[int, ...]] = []
        """(way, kind of each stop) of those made so far."""
        self._known: set[tuple[int, ...]] = set()

    def _visits(self) -> None:
        """Every stop on every day, and every way to combine them to an option, as arrays."""
        np, instance = self.np, self.instance
        index: dict[tuple[Any, ...], int] = {}
        day_of: list[int] = []
        minutes: list[list[float]] = []
        strips: list[int] = []
        stock_of: list[int] = []
        stocks = {one.treatment: number for number, one in enumerate(instance.stock)}

        def visit(number: int, treatment: str, stop: Stop, day: int) -> int:
            stock = stocks.get(treatment, -1) if stop.strips else -1
            key = (number, day, stop.hands, stop.set_up, stop.skill, stop.strips, stock)
            if key not in index:
                index[key] = len(day_of)
                place = instance.needs[number].place
                drive = self.drive.get((place, day), self.drive[place])
                day_of.append(day)
                minutes.append(
                    [
                        stop.minutes(kind.people) + drive
                        if not stop.skill or kind.skills is None or stop.skill in kind.skills
                        else math.inf
                        for kind in self.kinds
                    ]
                )
                strips.append(stop.strips if stock >= 0 else 0)
                stock_of.append(max(stock, 0))
            return index[key]

        ways: list[list[int]] = []
        need_of, option_of, value = [], [], []
        for number, need in enumerate(instance.needs):
            for place, option in enumerate(need.options):
                for chosen in _ways(option.stops):
                    ways.append(
                        [
                            visit(number, option.treatment, stop, day)
                            for stop, day in zip(option.stops, chosen, strict=True)
                        ]
                    )
                    need_of.append(number)
                    option_of.append(place)
                    away = days_away(option.stops, chosen)
                    value.append(
                        option_value(instance, number, place) - away_cost(instance, number) * away
                    )
        widest = max(map(len, ways), default=1)
        none = len(day_of)
        self.ways = np.array(
            [way + [none] * (widest - len(way)) for way in ways], dtype=np.int64
        ).reshape(len(ways), widest)
        self.need_of = np.array(need_of, dtype=np.int64)
        self.option_of = np.array(option_of, dtype=np.int64)
        self.value = np.array(value)
        self.day_of = np.array(day_of, dtype=np.int64)
        self.minutes = np.array(minutes).reshape(len(day_of), len(self.kinds))
        # A stop that is longer than any crew's day fits nowhere.
        self.minutes[self.minutes > self.longest.T[self.day_of]] = math.inf
        self.strips = np.array(strips, dtype=np.int64)
        self.stock_of = np.array(stock_of, dtype=np.int64)

    def reduced(self, prices: Prices) -> tuple[Floats, Whole]:
        """For every way what it would add at these prices; by stop its cheapest kind of crew."""
        np = self.np
        an_hour = self.instance.hour / 60 + prices.minute[:, self.day_of]
        cost = an_hour.T * self.minutes
        cheapest = cost.argmin(axis=1)
        least = cost.min(axis=1)
        if self._ends:
            dear = np.zeros((len(self.instance.stock), self.days))
            for (stock, end), price in zip(self._ends, prices.strip, strict=True):
                dear[stock, : end + 1] += price
            least = least + dear[self.stock_of, self.day_of] * self.strips
        least = np.append(least, 0.0)
        return self.value - least[self.ways].sum(axis=1) - prices.need[self.need_of], cheapest

    def add(self, ways: Whole, cheapest: Whole) -> int:
        """Make these columns, each stop by its kind of crew; how many were new."""
        none, new = len(self.day_of), 0
        for way in ways.tolist():
            key = (way, *(int(cheapest[one]) for one in self.ways[way] if one != none))
            if key not in self._known:
                self._known.add(key)
                self.columns.append(key)
                new += 1
        return new

    def best_of_each(
        self, reduced: Floats, *, most: int, above: float, of_option: int = 1
    ) -> Whole:
        """Of each need the ways that add most at the present prices, at most so many in all and of
        one option."""
        import numpy as np

        good = np.flatnonzero(reduced > above)
        order = good[np.lexsort((-reduced[good], self.need_of[good]))]
        taken: list[int] = []
        seen: dict[tuple[int, int], int] = {}
        count: dict[int, int] = {}
        for way, need, option in zip(
            order.tolist(),
            self.need_of[order].tolist(),
            self.option_of[order].tolist(),
            strict=True,
        ):
            if count.get(need, 0) < most and seen.get((need, option), 0) < of_option:
                seen[need, option] = seen.get((need, option), 0) + 1
                count[need] = count.get(need, 0) + 1
                taken.append(way)
        return np.array(taken, dtype=np.int64)

    def matrix(self) -> tuple[Floats, Any, Floats]:
        """Worth of the columns made so far, the rows over them, and the rows' upper bounds: one row
        a need, one a kind and day, one an end of stock."""
        import scipy.sparse as sparse

        np = self.np
        needs, k, d = len(self.instance.needs), len(self.kinds), self.days
        own = np.array([key[0] for key in self.columns], dtype=np.int64)
        column, visit, kind = [], [], []
        for number, key in enumerate(self.columns):
            for one, by in zip(self.ways[key[0]].tolist(), key[1:], strict=False):
                column.append(number)
                visit.append(one)
                kind.append(by)
        c, v, g = (np.array(one, dtype=np.int64) for one in (column, visit, kind))
        minutes = self.minutes[v, g]
        worth = self.value[own].copy()
        np.subtract.at(worth, c, self.instance.hour / 60 * minutes)
        rows = [self.need_of[own], needs + g * d + self.day_of[v]]
        cols = [np.arange(len(own)), c]
        data = [np.ones(len(own)), minutes]
        for number, (stock, end) in enumerate(self._ends):
            mine = (self.stock_of[v] == stock) & (self.day_of[v] <= end) & (self.strips[v] > 0)
            rows.append(np.full(int(mine.sum()), needs + k * d + number))
            cols.append(c[mine])
            data.append(self.strips[v[mine]].astype(float))
        shape = (needs + k * d + len(self._ends), len(own))
        matrix = sparse.csr_array(
            (np.concatenate(data), (np.concatenate(rows), np.concatenate(cols))), shape=shape
        )
        limit = np.concatenate(
            [
                np.ones(needs),
                self.capacity.reshape(-1),
                [float(self.instance.stock[stock].by(end)) for stock, end in self._ends],
            ]
        )
        return worth, matrix, limit

    def relax(self) -> tuple[float, Prices]:
        """The best of the columns made so far with parts of columns allowed, and its prices."""
        from scipy.optimize import linprog

        np = self.np
        worth, matrix, limit = self.matrix()
        found = linprog(-worth, A_ub=matrix, b_ub=limit, bounds=(0, None), method="highs")
        if found.x is None:
            raise ArithmeticError(f"the relaxation was not solved: {found.message}")
        prices = np.maximum(0.0, -found.ineqlin.marginals)
        needs, k, d = len(self.instance.needs), len(self.kinds), self.days
        return -float(found.fun), Prices(
            need=prices[:needs],
            minute=prices[needs : needs + k * d].reshape(k, d),
            strip=prices[needs + k * d :],
        )

    def bound(self, relaxed: float, reduced: Floats) -> float:
        """What no whole plan can exceed, by these prices: each need adds its best way at most."""
        best = self.np.zeros(len(self.instance.needs))
        self.np.maximum.at(best, self.need_of, reduced)
        return relaxed + float(best.sum())


class Prices(NamedTuple):
    """What a little more would be worth, in colonies: of a need's service, of a minute by kind and
    day, of a strip up to each end of stock."""

    need: Floats
    minute: Floats
    strip: Floats


def solve(
    instance: Instance,
    drive: Mapping[int | tuple[int, int], float],
    *,
    gap: float,
    left_s: Callable[[], float],
) -> Solution | None:
    """The best plan of the program, to a share of `gap`; None: no column was of any worth, or the
    time was over before any plan was found.

    left_s:  seconds that are left, asked again at each step
    """
    import numpy as np

    program = Program(instance, drive)
    if not len(program.ways):
        return None
    nothing = Prices(
        np.zeros(len(instance.needs)),
        np.zeros((len(program.kinds), program.days)),
        np.zeros(len(program._ends)),
    )
    reduced, cheapest = program.reduced(nothing)
    if not program.add(program.best_of_each(reduced, most=3, above=0.0), cheapest):
        return None
    bound = math.inf
    for _ in range(ROUNDS):
        relaxed, prices = program.relax()
        reduced, cheapest = program.reduced(prices)
        bound = min(bound, program.bound(relaxed, reduced))
        fresh = program.add(program.best_of_each(reduced, most=4, above=1e-6), cheapest)
        if not fresh or bound - relaxed < gap / 10 * abs(relaxed) or left_s() < 0:
            break
    program.add(
        program.best_of_each(
            reduced, most=NEAR_WAYS, above=-gap * max(abs(relaxed), 1.0), of_option=3
        ),
        cheapest,
    )
    found, value = _whole(program, gap=gap, bound=bound, left_s=left_s)
    if found is None:
        return None
    columns = []
    for number in np.flatnonzero(found > 0.5).tolist():
        way, *by = program.columns[number]
        days = program.day_of[program.ways[way][: len(by)]].tolist()
        columns.append(
            Column(
                int(program.need_of[way]),
                int(program.option_of[way]),
                tuple(zip(days, by, strict=True)),
            )
        )
    minute = tuple(tuple(row) for row in prices.minute.tolist())
    return Solution(tuple(columns), bound, value, minute)


def _whole(
    program: Program, *, gap: float, bound: float, left_s: Callable[[], float]
) -> tuple[Floats | None, float]:
    """The best whole columns, to a share of `gap` of the bound, and their worth.

    First by diving and exchanges; where that is not near enough, by branching over what the
    relaxation does not take whole already, then over all but the half of that which is worth most,
    then over all.
    """
    import numpy as np
    from scipy.optimize import Bounds, LinearConstraint, linprog, milp

    worth, matrix, limit = program.matrix()
    own = program.need_of[np.array([key[0] for key in program.columns])]
    best: Floats | None = None
    value = 0.0

    def near() -> bool:
        return best is not None and (bound - value <= gap * abs(value) or left_s() < 0)

    for share in DIVES:
        if near():
            return best, value
        dived = _dived(worth, matrix, limit, own, share, left_s)
        dived = _exchanged(worth, matrix, limit, own, dived)
        if best is None or float(worth @ dived) > value:
            best, value = dived, float(worth @ dived)
    relaxed = linprog(-worth, A_ub=matrix, b_ub=limit, bounds=(0, None), method="highs")
    none = np.zeros(len(worth))
    kept = sure = none
    if relaxed.x is not None:
        kept = (relaxed.x > 1 - 1e-6).astype(float)
        price = -relaxed.ineqlin.marginals[: len(program.instance.needs)]
        whole = kept > 0
        if whole.any():
            sure = kept * (price[own] > np.median(price[own[whole]]))
    for least, part in ((kept, 0.1), (sure, 0.2), (none, 0.4)):
        if near():
            break
        found = milp(
            -worth,
            constraints=LinearConstraint(matrix, ub=limit),
            bounds=Bounds(least, 1),
            integrality=np.ones(len(worth)),
            options={"time_limit": max(left_s() / 2, 0.2), "mip_rel_gap": part * gap},
        )
        if found.x is not None and -found.fun > value:
            best, value = np.round(found.x), -float(found.fun)
    return best, value


def _dived(
    worth: Floats,
    matrix: Any,
    limit: Floats,
    own: Whole,
    share: int,
    left_s: Callable[[], float],
) -> Floats:
    """Whole columns by relaxing again and again, each time with what came out whole kept, and with
    the largest one in `share` of the parts; those so far where the time is over.

    own:  the need of each column
    """
    import numpy as np
    from scipy.optimize import linprog

    by_column = matrix.tocsc()
    column_of = np.repeat(np.arange(len(worth)), np.diff(by_column.indptr))
    taken = np.zeros(len(worth))
    live = np.ones(len(worth), dtype=bool)
    room = limit.copy()
    while True:
        # What fits no more by itself is out.
        over = by_column.data > room[by_column.indices] + 1e-9
        live[column_of[over]] = False
        left = np.flatnonzero(live)
        if not len(left) or left_s() < 0:
            return taken
        found = linprog(
            -worth[left],
            A_ub=by_column[:, left].tocsr(),
            b_ub=room,
            bounds=(0, None),
            method="highs",
        )
        if found.x is None:
            return taken
        whole = left[found.x > 1 - 1e-6].tolist()
        parts = np.flatnonzero((found.x > 1e-6) & (found.x <= 1 - 1e-6))
        parts = left[parts[np.argsort(-found.x[parts], kind="stable")]]
        some = parts[: max(1, len(parts) // share)].tolist() if len(parts) else []
        before = taken.sum()
        for column in [*whole, *some]:
            rows = slice(by_column.indptr[column], by_column.indptr[column + 1])
            wants = by_column.data[rows]
            if live[column] and (wants <= room[by_column.indices[rows]] + 1e-9).all():
                room[by_column.indices[rows]] -= wants
                taken[column] = 1.0
                live[own == own[column]] = False
        if taken.sum() == before:
            return taken


def _exchanged(worth: Floats, matrix: Any, limit: Floats, own: Whole, taken: Floats) -> Floats:
    """A whole solution made better by exchanges."""
    import numpy as np

    by_column = matrix.tocsc()
    starts = by_column.indptr.tolist()
    rows, amounts = by_column.indices.tolist(), by_column.data.tolist()
    search = Exchange(
        worth.tolist(),
        [
            list(zip(rows[first:last], amounts[first:last], strict=True))
            for first, last in pairwise(starts)
        ],
        own.tolist(),
        (limit - matrix @ taken).tolist(),
        {int(own[column]): column for column in np.flatnonzero(taken > 0.5).tolist()},
    )
    search.improve(EXCHANGES_A_NEED * len(search.ways), seed=1)
    found = np.zeros(len(worth))
    found[list(search.taken.values())] = 1.0
    return found


def trip_size(instance: Instance) -> int:
    """How many yards a crew serves on one trip, about."""
    minutes = [
        stop.minutes(instance.crews[0].people)
        for need in instance.needs
        for option in need.options[:1]
        for stop in option.stops
    ]
    day = max((max(crew.minutes, default=0.0) for crew in instance.crews), default=0.0)
    if not minutes or not day:
        return 1
    call = sum(instance.calls) / max(1, len(instance.calls))
    return max(2, round(0.8 * day / (sum(minutes) / len(minutes) + call + 8)))
