"""Mite counts: what they say of a yard, how fast it goes on, and when a threshold is passed.

Infestation is in mites per 100 adult bees. A wash finds what is on adult bees; a sugar roll finds
part of it and is corrected; a board counts what falls and says something of the population only
where brood is present.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from itertools import pairwise
from typing import NamedTuple

from windowcast.trade.intervals import NORMAL_975 as Z
from windowcast.trade.intervals import clopper_pearson, student_quantile
from windowcast.trade.journal import Entry, in_force
from windowcast.trade.rules import SeasonRules

ROLL_RECOVERY = 0.929
"""Share of the mites that a sugar roll finds, and its standard deviation over colonies: Macedo, Wu
& Ellis 2002, J. Apic. Res. 41:3-7."""
ROLL_RECOVERY_SD = 0.055
_WORST_RECOVERY = ROLL_RECOVERY - 2 * ROLL_RECOVERY_SD
COLONIES_TO_SAMPLE = 8
"""Whatever the size of the yard: Lee, Moon, Burkness, Hutchison & Spivak 2010."""
ROUND_DAYS = 7
"""Counts within a week are one round: infestation grows by a sixth in that time at most."""
THETA = 1.0
"""Negative binomial size of mites over colonies of one yard: 0.89 to 1.05 in the splits trial at
Auburn (Aurell 2024-25, 117 colonies)."""
THETA_DEGREES = 10.0
"""How much that counts beside the colonies counted, in degrees of freedom."""
GROWTH_SD = 0.004
"""Standard deviation of the daily rate over seasons and places. Published rates of single seasons
with brood go from 0.0137 (Auburn, splits) to 0.0273 (Baton Rouge 2001: de Guzman, Rinderer & Frake
2007)."""
BROODLESS_PER_DAY = -0.002
"""Mites that die in a day of winter: Fries et al. 1994 and Martin 1998, as given by Torres & Torres
2020; 0.0028 follows from Korpela et al. 1993."""
BROOD_MONTHS = range(3, 11)
"""March to October in the north. Common practice, no source."""
LOOK_AHEAD_DAYS = 365
FEWEST_DAYS_OF_GROWTH, MOST_DAYS_OF_GROWTH = 7, 150
SETTLING_DAYS = 14
"""So long after a treatment mites that sat in cells still come out, which looks like growth: COLOSS
BEEBOOK varroa 4.5.4.2.6.1 (Dietemann et al. 2013)."""
SHARE_ON_ADULTS = 0.5
"""Of the mites of a colony with brood: all are twice those on adult bees, Lee, Moon, Burkness,
Hutchison & Spivak 2010."""

# Mites in a colony for each that falls in a day, January to December in the north: Martin & Kemp
# 1997, Martin 1998, "Managing Varroa" (National Bee Unit); from memory.
_BOARD_FACTOR = (400, 400, 100, 100, 30, 30, 30, 30, 100, 100, 400, 400)
# Fall in a day at which to act, by month: "Managing Varroa"; from memory.
_BOARD_LIMIT = (0.5, 0.5, 0.5, 2, 6, 10, 16, 33, 20, 20, 0.5, 0.5)


class Round(NamedTuple):
    """The washes and rolls of one yard within a week.

    day, first_day:  the last and the first day of the round
    percent:         mites per 100 adult bees over the yard, as a wash would find them
    low, high:       95 % interval of the same, with the spread between colonies in it
    colonies:        counted
    bees, mites:     as counted
    worst:           the named colony with most mites per 100 bees, and how many; None: none named
    """

    day: date
    first_day: date
    percent: float
    low: float
    high: float
    colonies: int
    bees: int
    mites: int
    worst: tuple[str, float] | None


class Growth(NamedTuple):
    """The rate a day at which infestation grows while brood is raised, with its 95 % interval.

    learned:  the yard's own rounds are in it
    """

    per_day: float
    low: float
    high: float
    learned: bool


class Passing(NamedTuple):
    """When a yard passes the threshold of the month.

    percent:      the threshold on that day, or today's where it is not passed
    day:          the first day on which it is passed; None: not within a year
    early, late:  the range of that day; None: not within a year
    counted:      the threshold on the day of the count
    early_percent, late_percent:  the threshold on the early and on the late day
    """

    percent: float
    day: date | None
    early: date | None
    late: date | None
    counted: float
    early_percent: float
    late_percent: float


class Efficacy(NamedTuple):
    """How much a treatment has done, per cent; None: not known in this way.

    fall:             fewer mites on 100 bees than before, nothing allowed for growth meanwhile
    against_control:  the same against untreated colonies
    killed:           of the mites that it and a follow-up killed, those that it killed
    """

    fall: float | None
    against_control: float | None
    killed: float | None


def percent(mites: float, bees: float) -> float:
    """Mites per 100 bees."""
    return 100 * mites / bees


def interval(method: str, mites: int, bees: int) -> tuple[float, float]:
    """The exact 95 % interval of one colony's infestation, per cent, as a wash would find it.

    method:  "wash", or "roll", whose own uncertain recovery widens it
    """
    low, high = (100 * end for end in clopper_pearson(mites, bees))
    if method != "roll":
        return low, high
    best = ROLL_RECOVERY + 2 * ROLL_RECOVERY_SD
    return low / min(best, 1.0), min(high / _WORST_RECOVERY, 100.0)


def as_wash(method: str, mites: float) -> float:
    """The mites that a wash of the same bees would have found."""
    return mites / ROLL_RECOVERY if method == "roll" else mites


def colonies_to_sample(colonies: int) -> int:
    """How many of a yard's colonies a round should count."""
    return min(COLONIES_TO_SAMPLE, colonies)


def bees_to_find(share: float, confidence: float) -> int:
    """The fewest bees of which at least one carries a mite with this confidence (0 to 1), where
    `share` of all do. COLOSS BEEBOOK, statistical guidelines 2.2 (Pirk et al. 2013)."""
    return math.ceil(math.log(1 - confidence) / math.log(1 - share) - 1e-9)


def found_share(method: str, share: float) -> float:
    """Of bees of which `share` carry a mite, the share whose mite is found: a roll misses some."""
    return share * ROLL_RECOVERY if method == "roll" else share


def chance_of_none(share: float, bees: int) -> float:
    """The chance that a sample finds no mite although of all bees `share` carry one that it would
    find."""
    return (1 - share) ** bees


def board_population(fall_per_day: float, day: date, *, south: bool, brood: bool) -> float | None:
    """Mites in the colony for what falls on a board in a day; None without brood.

    Valid where brood is present and the colony is not collapsing (Branco, Kidd & Pickard 2006):
    without brood the same fall may be anything.
    """
    return fall_per_day * _BOARD_FACTOR[_month(day, south=south)] if brood else None


def board_infestation(population: float, adult_bees: int) -> float:
    """Mites per 100 adult bees, roughly, of a colony with brood, so many mites and so many bees."""
    return percent(SHARE_ON_ADULTS * population, adult_bees)


def board_limit(day: date, *, south: bool) -> float:
    """The fall in a day at which to act."""
    return _BOARD_LIMIT[_month(day, south=south)]


class Board(NamedTuple):
    """What fell on a board, beside the fall of its month at which to act.

    day:      on which it was counted
    colony:   "": not named
    per_day,  mites that fall in a day
    limit:
    """

    day: date
    colony: str
    per_day: float
    limit: float


BOARD_LASTS_DAYS = 28
"""So long a board asks for a sample: counting once a month is common practice, no source."""


def board_over(
    entries: Iterable[Entry], *, treated: Iterable[tuple[date, date]], today: date, south: bool
) -> Board | None:
    """The board most above its limit of which nothing has become since; None: there is none.

    treated:  first day of each treatment, and the day after its last. What falls until then, and
              what a later sample has answered, asks for nothing.
    """
    counted = [one for one in in_force(entries) if one.kind == "count"]
    sampled = max((one.day for one in counted if one.body["method"] != "board"), default=date.min)
    over = max((end for _, end in treated), default=date.min)
    found = [
        Board(
            day=one.day,
            colony=one.body.get("colony") or "",
            per_day=one.body["mites"] / one.body["days"],
            limit=board_limit(one.day, south=south),
        )
        for one in counted
        if one.body["method"] == "board"
        and sampled < one.day <= today < one.day + timedelta(days=BOARD_LASTS_DAYS)
        and one.day - timedelta(days=one.body["days"]) >= over
    ]
    return max(
        (one for one in found if one.per_day >= one.limit),
        key=lambda one: (one.per_day / one.limit, one.day),
        default=None,
    )


def threshold(day: date, rules: SeasonRules, *, south: bool) -> float:
    """Mites per 100 bees at which treatment is due at once, on a day."""
    return rules.threshold_percent[_month(day, south=south)]


def _month(day: date, *, south: bool) -> int:
    """0 to 11, as in the north."""
    return (day.month - 1 + (6 if south else 0)) % 12


class _Colony(NamedTuple):
    """All samples of one colony in a round. found: as a wash would have; rolled: bees of rolls."""

    name: str | None
    found: float
    bees: int
    rolled: int


def rounds(entries: Iterable[Entry]) -> tuple[Round, ...]:
    """The rounds of one yard, the oldest first, from its journal: washes and rolls in force.

    A treatment that begins ends a round: counts before and after it are two. A count of the day on
    which it begins is one before it, in whatever order the two were entered.
    """
    found: list[list[Entry]] = []
    counted = in_force(entries)
    starts = [one.day for one in counted if one.kind == "start"]
    for entry in counted:
        if entry.kind != "count" or entry.body["method"] == "board":
            continue
        if (
            not found
            or (entry.day - found[-1][0].day).days > ROUND_DAYS
            or any(found[-1][-1].day <= start < entry.day for start in starts)
        ):
            found.append([])
        found[-1].append(entry)
    return tuple(_round(group) for group in found)


def _round(group: Sequence[Entry]) -> Round:
    colonies = _colonies(group)
    bees = sum(one.bees for one in colonies)
    share, low, high = pooled(
        [(one.found, one.bees) for one in colonies],
        rolls=sum(one.rolled for one in colonies) / bees,
    )
    named = [
        (one.name, min(percent(one.found, one.bees), 100.0))
        for one in colonies
        if one.name is not None
    ]
    return Round(
        day=group[-1].day,
        first_day=group[0].day,
        percent=100 * share,
        low=100 * low,
        high=100 * high,
        colonies=len(colonies),
        bees=bees,
        mites=sum(entry.body["mites"] for entry in group),
        worst=max(named, key=lambda one: one[1], default=None),
    )


def _colonies(group: Sequence[Entry]) -> list[_Colony]:
    """Samples of the same named colony as one: taken twice, it is no second colony."""
    found: dict[str | int, _Colony] = {}
    for entry in group:
        name, method, bees = entry.body.get("colony"), entry.body["method"], entry.body["bees"]
        one = _Colony(
            name,
            as_wash(method, entry.body["mites"]),
            bees,
            bees if method == "roll" else 0,
        )
        key = entry.id if name is None else same_colony(name)
        if key in found:
            old = found[key]
            one = _Colony(old.name, old.found + one.found, old.bees + bees, old.rolled + one.rolled)
        found[key] = one
    return list(found.values())


def same_colony(name: str) -> str:
    """What two ways of writing the name of one colony have in common."""
    return " ".join(name.split()).casefold()


def pooled(
    counts: Sequence[tuple[float, int]], *, rolls: float = 0.0
) -> tuple[float, float, float]:
    """The share of a yard's bees that carry a mite, and its 95 % interval.

    counts:  (mites, bees) of each colony, at least one; mites need not be whole
    rolls:   the share of the bees that were rolled and not washed

    Colonies differ more than chance, so that all bees taken together are too sure. The variance of
    the ratio between colonies is estimated from the colonies, shrunk towards that of a negative
    binomial of size THETA, and turned into the number of independent bees that would be as sure.
    The exact interval of so many is given (Korn & Graubard 1998, with Student's t for the few
    colonies), and never one that is narrower than that of all bees.
    """
    mites, bees = sum(one for one, _ in counts), sum(of for _, of in counts)
    share = min(mites / bees, 1.0)
    number = len(counts)
    tail = 0.025
    if mites <= 0:
        # P(none in a colony of n bees) = (1 + n p / theta)^-theta.
        size = bees / number
        high = THETA / size * (tail ** (-1 / (THETA * number)) - 1)
        high = max(high, clopper_pearson(0, bees)[1])
        # A roll may have missed what was there.
        return 0.0, 0.0, min(high / (1 - rolls * (1 - _WORST_RECOVERY)), 1.0)
    expected = share * (1 - share) / bees
    expected += share**2 * sum(of**2 for _, of in counts) / (THETA * bees**2)
    seen = 0.0
    if number > 1:
        seen = number / (number - 1) * sum((one - share * of) ** 2 for one, of in counts) / bees**2
    degrees = number - 1 + THETA_DEGREES
    variance = ((number - 1) * seen + THETA_DEGREES * expected) / degrees
    variance += (share * rolls * ROLL_RECOVERY_SD / ROLL_RECOVERY) ** 2
    wide = (student_quantile(degrees, 1 - tail) / Z) ** 2
    alike = share * (1 - share) / (variance * wide) if share < 1 else float(bees)
    alike = min(alike, float(bees))
    low, high = clopper_pearson(share * alike, alike)
    return share, low, high


def growth(
    found: Sequence[Round],
    rules: SeasonRules,
    *,
    treated: Sequence[tuple[date, date]],
    south: bool,
) -> Growth:
    """The rate of growth: the configured one, moved by rounds of the yard's own.

    treated:  the day on which each treatment began, after the count of that day, and the day after
              its exposure; rounds with one between them, or too soon before them, tell nothing of
              growth

    Each pair of rounds that follow one another, a week to five months apart, is a measurement whose
    error is that of its two intervals; it is weighed against the spread of published rates.
    """
    weight, value = GROWTH_SD**-2, rules.growth_per_day * GROWTH_SD**-2
    learned = False
    for first, second in pairwise(found):
        days = _brood_days(first.day, second.day, south=south)
        apart = (second.day - first.day).days
        if (
            first.percent <= 0
            or second.percent <= 0
            or days < FEWEST_DAYS_OF_GROWTH
            or apart > MOST_DAYS_OF_GROWTH
            or any(
                start < second.day and end + timedelta(days=SETTLING_DAYS) > first.first_day
                for start, end in treated
            )
        ):
            continue
        error = math.hypot(*(_log_error(one) for one in (first, second))) / days
        rate = (
            math.log(second.percent / first.percent) - BROODLESS_PER_DAY * (apart - days)
        ) / days
        weight += error**-2
        value += rate * error**-2
        learned = True
    rate, spread = value / weight, weight**-0.5
    return Growth(rate, rate - Z * spread, rate + Z * spread, learned)


def _log_error(one: Round) -> float:
    """Standard error of the logarithm; a low end below a tenth of the estimate tells no more."""
    low = max(one.low, one.percent / 10)
    return math.log(max(one.high, one.percent * 1.01) / low) / (2 * Z)


def _brood(day: date, *, south: bool) -> bool:
    return _month(day, south=south) + 1 in BROOD_MONTHS


def _brood_days(first: date, last: date, *, south: bool) -> int:
    return sum(
        _brood(first + timedelta(days=ahead), south=south) for ahead in range((last - first).days)
    )


def passing(last: Round, rate: Growth, rules: SeasonRules, *, south: bool) -> Passing:
    """The first day on which the threshold of its month is passed, from the round's day on.

    The early and the late day are where the interval of the round and that of the growth both go
    one way. Without brood infestation falls slowly.
    """
    day, at = _passes(last.day, last.percent, rate.per_day, rules, south=south)
    early, early_at = _passes(last.day, last.high, rate.high, rules, south=south)
    late, late_at = _passes(last.day, last.low, rate.low, rules, south=south)
    counted = threshold(last.day, rules, south=south)
    return Passing(
        percent=at,
        day=day,
        early=early,
        late=late,
        counted=counted,
        early_percent=early_at,
        late_percent=late_at,
    )


def _passes(
    first: date, start: float, rate: float, rules: SeasonRules, *, south: bool
) -> tuple[date | None, float]:
    value = start
    for ahead in range(LOOK_AHEAD_DAYS + 1):
        day = first + timedelta(days=ahead)
        limit = threshold(day, rules, south=south)
        if value >= limit:
            return day, limit
        value *= math.exp(rate if _brood(day, south=south) else BROODLESS_PER_DAY)
    return None, threshold(first, rules, south=south)


def projected(last: Round, rate: Growth, day: date, *, south: bool) -> float:
    """The infestation expected on a later day, per cent."""
    days = (day - last.day).days
    brood = _brood_days(last.day, day, south=south)
    return last.percent * math.exp(rate.per_day * brood + BROODLESS_PER_DAY * (days - brood))


def killed_share(killed: float | None, killed_by_follow_up: float | None) -> float | None:
    """Efficacy in per cent from dead mites: killed / (killed + killed by a follow-up with another
    active), COLOSS BEEBOOK varroa 4.5.4.2.6.1; None without both, or where nothing was killed."""
    if killed is None or killed_by_follow_up is None or killed + killed_by_follow_up <= 0:
        return None
    return 100 * killed / (killed + killed_by_follow_up)


def henderson_tilton(
    treated_after: float | None,
    treated_before: float | None,
    control_after: float | None,
    control_before: float | None,
) -> float | None:
    """Efficacy in per cent against untreated colonies, Henderson & Tilton 1955; None where one of
    the four is missing or a divisor is 0."""
    if (
        treated_after is None
        or treated_before is None
        or control_after is None
        or control_before is None
        or treated_before <= 0
        or control_after <= 0
    ):
        return None
    return 100 * (1 - treated_after * control_before / (treated_before * control_after))


def simple_fall(before: float | None, after: float | None) -> float | None:
    """By how many per cent the mites on 100 bees are fewer than before, with nothing allowed for
    growth meanwhile; negative where they are more. None without both, or where none were before."""
    return henderson_tilton(after, before, 1, 1)


def fall_after(
    before: Round | None, after: Round | None, rate: Growth, *, south: bool
) -> float | None:
    """Efficacy in per cent from the rounds before and after, as if the yard had grown meanwhile at
    `rate` without the treatment (Henderson & Tilton with an expected control); None without both,
    or where nothing was found before."""
    if before is None or after is None or before.percent <= 0:
        return None
    without = projected(before, rate, after.day, south=south)
    return henderson_tilton(after.percent, before.percent, without, before.percent)
