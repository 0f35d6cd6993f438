"""From what the program chose to days that can be driven: crews and routes on the real roads, then
made better by taking some yards out and putting them in again.

Large neighbourhood search (Shaw 1998; Pisinger & Ropke 2007): yards near each other are taken out
together, so that what one day loses another can take; only what is worth more is kept.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence

from windowcast.crew import route
from windowcast.crew.board import Board, Rates
from windowcast.crew.instance import Chosen, Instance, Placed
from windowcast.crew.model import Column, Kind

TAKEN_OUT, WAITING = 10, 12
"""So many yards are taken out at once, at most, and so many that wait are tried besides."""
LEAST_GAIN = 1e-9
SHARES = (0.5, 1.0, 1.5)
"""Of what a minute is worth to others, how much it is taken to cost, in turn: nobody knows it
well."""
FEW = (1, 2, 3)
"""So many of one crew's day are exchanged for any that wait."""


def settle(instance: Instance, columns: Iterable[Column], kinds: Sequence[Kind]) -> Board:
    """The program's choice with crews and routes; what no crew can fit into its day is left out."""
    stops: dict[tuple[int, int], list[tuple[int, int]]] = {}
    chosen = {one.need: one for one in columns}
    for one in chosen.values():
        for number, (day, kind) in enumerate(one.stops):
            stops.setdefault((kind, day), []).append((one.need, number))
    crew_of: dict[tuple[int, int], int] = {}
    for (kind, day), mine in sorted(stops.items()):
        crew_of |= _shared_out(instance, chosen, kinds[kind].crews, day, mine)
    board = Board(instance)
    for need, one in sorted(
        chosen.items(),
        key=lambda item: -instance.needs[item[0]].options[item[1].option].value,
    ):
        placed = [
            Placed(day, crew_of[need, number])
            for number, (day, _) in enumerate(one.stops)
            if (need, number) in crew_of
        ]
        if len(placed) == len(one.stops):
            board.put(need, Chosen(one.option, tuple(placed)))
    return board


def _shared_out(
    instance: Instance,
    chosen: Mapping[int, Column],
    crews: Sequence[int],
    day: int,
    stops: Sequence[tuple[int, int]],
) -> dict[tuple[int, int], int]:
    """Which crew of one kind does each stop of one day; those that fit into no crew's day are left
    out. Each crew begins with the yard farthest from all others begun with; then whatever would
    lose most by waiting goes where it costs least (regret insertion)."""
    roads = instance.roads
    crews = [one for one in crews if instance.crews[one].minutes[day] > 0]
    if not crews:
        return {}
    home, people = instance.crews[crews[0]].place, instance.crews[crews[0]].people
    work = {
        (need, number): instance.needs[need]
        .options[chosen[need].option]
        .stops[number]
        .minutes(people)
        for need, number in stops
    }
    place = {stop: instance.needs[stop[0]].place for stop in stops}
    routes: dict[int, list[int]] = {}
    used: dict[int, float] = {}
    found: dict[tuple[int, int], int] = {}
    left = list(stops)
    cost: dict[tuple[tuple[int, int], int], float] = {}

    def measure(crew: int, those: Iterable[tuple[int, int]]) -> None:
        for stop in those:
            more = route.cheapest(roads, home, routes[crew], place[stop])[0] + work[stop]
            fits = used[crew] + more <= instance.crews[crew].minutes[day]
            cost[stop, crew] = more if fits else float("inf")

    def give(stop: tuple[int, int], crew: int) -> None:
        more, position = route.cheapest(roads, home, routes[crew], place[stop])
        routes[crew].insert(position, place[stop])
        used[crew] += more + work[stop]
        found[stop] = crew
        left.remove(stop)
        measure(crew, left)

    def begin(crew: int) -> None:
        routes[crew], used[crew] = [], 0.0
        seeds = [home, *(one for mine in routes.values() for one in mine)]
        seed = max(left, key=lambda stop: min(roads[one][place[stop]] for one in seeds))
        measure(crew, [seed])
        if cost[seed, crew] < float("inf"):
            give(seed, crew)
        else:
            measure(crew, left)

    room = instance.crews[crews[0]].minutes[day]
    wanted = sum(work.values()) / room
    for crew in crews:
        if left and len(routes) <= wanted:
            begin(crew)
    while left:
        best: tuple[float, tuple[int, int], int] | None = None
        for stop in left:
            ways = sorted((cost[stop, crew], crew) for crew in routes)
            if ways[0][0] == float("inf"):
                continue
            second = ways[1][0] if len(ways) > 1 else float("inf")
            regret = min(second, 10_000.0) - ways[0][0]
            if best is None or regret > best[0]:
                best = (regret, stop, ways[0][1])
        if best is not None:
            give(best[1], best[2])
            continue
        idle = next((one for one in crews if one not in routes), None)
        if idle is None:
            break
        begin(idle)
    return found


def improve(
    board: Board,
    *,
    rounds: int,
    enough: Callable[[], bool],
    seed: int = 1,
    warmth: float = 0.0,
    scarce: Rates | None = None,
) -> None:
    """Make a plan better, in place; it never gets worse.

    Where the crews have too few hours, what a yard adds says little: of two yards that add the same
    the one that leaves more of a full day to others is better. So yards are put in again at the
    prices of hours, more or less; then, with hours at what they cost, whatever still fits.

    rounds:  how often yards are taken out and put in again
    enough:  asked before each round: whether to stop
    warmth:  how much a plan may lose on the way to a better one at first, about, as a share of what
             one need adds; ever less (simulated annealing: Kirkpatrick, Gelatt & Vecchi 1983)
    scarce:  by crew and day, in colonies, what a minute is worth beyond its cost; None: nothing
    """
    instance = board.instance
    chance = random.Random(seed)  # noqa: S311
    needs = [number for number, need in enumerate(instance.needs) if need.options]
    if not needs:
        return
    rates = [] if scarce is None else [_dearer(board, scarce, share) for share in SHARES]
    fill(board)
    near = _Near(instance, needs)
    most = {need: _most(instance, need) for need in needs}
    best, kept = board.worth, None
    loses = warmth * abs(best) / len(needs)
    for number in range(rounds):
        if enough():
            break
        board.mark()
        before = board.worth
        middle = chance.choice(needs)
        count = chance.randint(2, min(TAKEN_OUT, max(2, len(needs))))
        some = near.of(middle)[: 2 * count]
        group = [middle, *chance.sample(some, min(count - 1, len(some)))]
        if number % 3:
            group = _of_one_day(board, chance) or group
            middle = group[0]
        if number % 3 == 2:
            group = group[: chance.choice(FEW)]
        touched = {
            (placed.crew, placed.day)
            for need in group
            if need in board.chosen
            for placed in board.chosen[need].stops
        }
        for need in group:
            if need in board.chosen:
                board.take(need)
        for key in touched:
            board.reorder(key, thorough=False)
        waiting = [one for one in near.of(middle) if one not in board.chosen]
        if number % 3 == 2:
            waiting = [one for one in chance.sample(needs, min(40, len(needs)))
                       if one not in board.chosen]  # fmt: skip
        back = list(dict.fromkeys([*group, *waiting[:WAITING]]))
        chance.shuffle(back)
        if number % 2:
            back.sort(key=lambda one: -most[one] * chance.uniform(0.7, 1.3))
        if rates:
            board.a_minute = rates[number % len(rates)]
            for need in back:
                _put_best(board, need)
            board.a_minute = board.plain
        for need in back:
            if need not in board.chosen:
                _put_best(board, need)
        gain = board.worth - before
        if gain > LEAST_GAIN:
            if board.worth > best + LEAST_GAIN:
                best, kept = board.worth, None
            continue
        most_lost = loses * (1 - number / rounds) * -math.log(1.0 - chance.random())
        if gain >= -most_lost and loses:
            if kept is not None:
                continue
            # The best so far is left for the first time: it is kept, and this step let be.
            board.back()
            kept = board.state()
            continue
        board.back()
    if kept is not None and board.worth < best:
        board.restore(kept)
    fill(board)


def fill(board: Board, *, but: Collection[int] = ()) -> None:
    """Put in what still fits, the most valuable first, save some needs."""
    for key in list(board.days):
        board.reorder(key, thorough=False)
    needs = [number for number, need in enumerate(board.instance.needs) if need.options]
    for need in sorted(needs, key=lambda one: -_most(board.instance, one)):
        if need not in board.chosen and need not in but:
            _put_best(board, need)


def _dearer(board: Board, scarce: Rates, share: float) -> Rates:
    """What a minute costs with a share of what it is worth to others."""
    return [
        [cost + share * more for cost, more in zip(costs, mores, strict=True)]
        for costs, mores in zip(board.plain, scarce, strict=True)
    ]


def _put_best(board: Board, need: int) -> bool:
    found = board.best(need)
    return found is not None and board.put(need, found.chosen)


def _most(instance: Instance, need: int) -> float:
    return max(one.value for one in instance.needs[need].options)


def _of_one_day(board: Board, chance: random.Random) -> list[int]:
    """The yards of one crew's day."""
    keys = [key for key, day in board.days.items() if day.legs]
    if not keys:
        return []
    mine = list({leg.need for leg in board.days[chance.choice(keys)].legs})
    chance.shuffle(mine)
    return mine[:TAKEN_OUT]


class _Near:
    """The needs by how near they are to one, nearest first; worked out when first asked."""

    def __init__(self, instance: Instance, needs: Sequence[int]) -> None:
        self.instance, self.needs = instance, needs
        self.known: dict[int, list[int]] = {}

    def of(self, need: int) -> list[int]:
        if need not in self.known:
            line = self.instance.roads[self.instance.needs[need].place]
            others = (one for one in self.needs if one != need)
            self.known[need] = sorted(others, key=lambda one: line[self.instance.needs[one].place])[
                :40
            ]
        return self.known[need]
