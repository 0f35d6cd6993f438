"""In which order to drive to some yards: the shortest tour, exact where it is small.

Roads need not be the same both ways.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from windowcast.crew.instance import Roads

EXACT_PLACES = 8
"""Up to so many different places the tour is the shortest there is (Held & Karp 1962): the work
doubles with each."""


def length(roads: Roads, home: int, places: Sequence[int]) -> float:
    """Minutes from home through the places, in their order, and back."""
    if not places:
        return 0.0
    total = roads[home][places[0]] + roads[places[-1]][home]
    return total + sum(roads[a][b] for a, b in pairwise(places))


def tour(roads: Roads, home: int, places: Sequence[int]) -> list[int]:
    """The order, as numbers of `places`, of a short tour from home and back.

    The same place more than once is one stop of the tour, its visits one after the other.
    """
    distinct = list(dict.fromkeys(places))
    if len(distinct) <= EXACT_PLACES:
        ordered = _shortest(roads, home, distinct)
    else:
        ordered = improved(roads, home, _inserted(roads, home, distinct))
    return _numbers(places, ordered)


def quick_tour(roads: Roads, home: int, places: Sequence[int]) -> list[int]:
    """As `tour`, only made better from the order given: for what is asked very often."""
    return _numbers(places, improved(roads, home, list(dict.fromkeys(places))))


def _numbers(places: Sequence[int], ordered: Sequence[int]) -> list[int]:
    rank = {place: number for number, place in enumerate(ordered)}
    return sorted(range(len(places)), key=lambda number: (rank[places[number]], number))


def _shortest(roads: Roads, home: int, places: list[int]) -> list[int]:
    """The shortest tour, by dynamic programming over subsets (Held & Karp 1962)."""
    count = len(places)
    if count < 2:
        return places
    best: dict[tuple[int, int], tuple[float, int]] = {
        (1 << last, last): (roads[home][place], -1) for last, place in enumerate(places)
    }
    for subset in range(1, 1 << count):
        for last in range(count):
            here = best.get((subset, last))
            if here is None:
                continue
            line = roads[places[last]]
            for following in range(count):
                if subset >> following & 1:
                    continue
                key = (subset | 1 << following, following)
                minutes = here[0] + line[places[following]]
                if key not in best or minutes < best[key][0]:
                    best[key] = (minutes, last)
    whole = (1 << count) - 1
    last = min(
        range(count), key=lambda number: best[whole, number][0] + roads[places[number]][home]
    )
    ordered, subset = [], whole
    while last >= 0:
        ordered.append(places[last])
        before = best[subset, last][1]
        subset, last = subset & ~(1 << last), before
    return ordered[::-1]


def _inserted(roads: Roads, home: int, places: list[int]) -> list[int]:
    """A tour by cheapest insertion."""
    ordered: list[int] = []
    left = list(places)
    while left:
        (_, position), place = min((cheapest(roads, home, ordered, one), one) for one in left)
        ordered.insert(position, place)
        left.remove(place)
    return ordered


def cheapest(roads: Roads, home: int, ordered: Sequence[int], place: int) -> tuple[float, int]:
    """The fewest minutes more that a place costs on a tour, and before which of its stops."""
    line = roads[place]
    row = roads[home]
    if not ordered:
        return row[place] + line[home], 0
    best, position = float("inf"), 0
    for number, after in enumerate(ordered):
        more = row[place] + line[after] - row[after]
        if more < best:
            best, position = more, number
        row = roads[after]
    more = row[place] + line[home] - row[home]
    if more < best:
        return more, len(ordered)
    return best, position


def improved(roads: Roads, home: int, ordered: list[int]) -> list[int]:
    """A tour from which turning a stretch round (2-opt) or moving up to three stops (Or 1976) takes
    nothing any more."""
    best = list(ordered)
    while len(best) > 1:
        found = _moved(roads, home, best) or _turned(roads, home, best)
        if found is None:
            break
        best = found
    return best


def _moved(roads: Roads, home: int, ordered: list[int]) -> list[int] | None:
    """The tour with up to three stops in a row moved to where they cost less; None: none is."""
    count = len(ordered)
    for size in (1, 2, 3):
        if size >= count:
            break
        for first in range(count - size + 1):
            head, tail = ordered[first], ordered[first + size - 1]
            before = ordered[first - 1] if first else home
            after = ordered[first + size] if first + size < count else home
            saved = roads[before][head] + roads[tail][after] - roads[before][after] - 1e-9
            rest = ordered[:first] + ordered[first + size :]
            row, line = roads[home], roads[tail]
            for position, other in enumerate((*rest, home)):
                if row[head] + line[other] - row[other] < saved and position != first:
                    return rest[:position] + ordered[first : first + size] + rest[position:]
                row = roads[other]
    return None


def _turned(roads: Roads, home: int, ordered: list[int]) -> list[int] | None:
    """The tour with a stretch driven the other way round where that is shorter; None: none is."""
    count = len(ordered)
    for first in range(count - 1):
        before = ordered[first - 1] if first else home
        forth = back = 0.0
        for last in range(first + 1, count):
            forth += roads[ordered[last - 1]][ordered[last]]
            back += roads[ordered[last]][ordered[last - 1]]
            after = ordered[last + 1] if last + 1 < count else home
            now = roads[before][ordered[first]] + forth + roads[ordered[last]][after]
            turned = roads[before][ordered[last]] + back + roads[ordered[first]][after]
            if turned < now - 1e-9:
                stretch = ordered[first : last + 1][::-1]
                return ordered[:first] + stretch + ordered[last + 1 :]
    return None
