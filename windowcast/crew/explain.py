"""Why a yard has its day and what the next best would cost; why another has none, and what would
free one. All else in the plan stays as it is."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from enum import Enum
from typing import NamedTuple

from windowcast.crew.board import Board
from windowcast.crew.instance import Chosen, Instance, Plan, Stop, option_value

Allowed = Callable[[int, int], bool]
"""Whether a crew may come on a day."""
NOTHING: Mapping[int, Allowed] = {}

AS_LIKELY = 0.005
"""Chances that differ by no more are as good as each other."""


class Bound(Enum):
    """What keeps an option out of a plan."""

    SKILL = "no crew may handle it"
    LENGTH = "no crew's day is long enough for it"
    DAY = "no crew works on a day on which it could be done"
    HOURS = "the crews have no hours left"
    STRIPS = "there are not enough strips"
    COST = "it costs more than it is worth"


class Shortage(NamedTuple):
    """Minutes that one crew lacks on one day.

    hand:  one person more in the crew on that day would make up for them
    dark:  daylight ends that day, not the crew's hours
    longer: there would be light for as many minutes more, were its hours longer
    """

    crew: int
    day: int
    minutes: float
    hand: bool
    dark: bool = False
    longer: bool = True


class Missing(NamedTuple):
    """What an option lacks.

    hours:   by stop, the crew that lacks least; empty: none lacks any
    strips:  of its treatment
    dark:    daylight is what binds, not the crews' hours
    loses:   what it would take from the plan's worth, in colonies, had it all that it lacks; below
             0: it would add so much
    visit:   the task of the visit that no crew works for; "": none is
    on:      the first day on which that visit could be
    """

    option: int
    bound: Bound
    hours: tuple[Shortage, ...] = ()
    strips: int = 0
    loses: float = 0.0
    dark: bool = False
    visit: str = ""
    on: int = 0


class Off(NamedTuple):
    """Why one day of the plan is none for a need, by what that lacks least.

    later:  the first visit could be on that day, one that follows it could not
    dark:   as of `Missing`
    """

    day: int
    bound: Bound
    later: bool = False
    dark: bool = False


class Waits(NamedTuple):
    """A start that strips would let come sooner.

    option:  the best of those that lack them
    strips:  that it lacks, by its start
    gains:   what it would add to the plan, in colonies, all else as it is; None: it would not fit
    delivery: the day and the number of strips of the delivery that the start as planned hangs on;
              None: on none
    sooner:  that delivery would do for it, did it come by its start
    """

    option: int
    strips: int
    gains: float | None
    delivery: tuple[int, int] | None = None
    sooner: bool = False


class Peers(NamedTuple):
    """Needs that one more hand, or the hands of the same crews on the same days, are named for.

    needs:  all of them
    frees:  so many of them have a place with it at once
    alone:  the remedy is one need's own, of minutes or strips that others lack too
    shared: other needs lack some of the same hours, so that these may serve them instead
    """

    needs: tuple[int, ...]
    frees: int
    alone: bool = False
    shared: bool = False


class NextBest(NamedTuple):
    """Another start of a yard that is in the plan.

    option:   None: no other fits
    loses:    what it takes from the plan, in colonies; below 0: it would add so much, were what was
              promised worth no more than another way
    """

    option: int | None
    loses: float


class WhyThis(NamedTuple):
    """Why a yard has its start.

    likeliest:  its window has the best chance of all that could be had, or one as good
    better:     the likeliest option, where that is another one, with what it lacks
    next_best:  on another day
    off:        where no other day fits, why, by day
    waits:      strips would let it start sooner; None: it hangs on none
    ways:       what other regimens of its treatment lack that could be begun on its day, and that
                ask for fewer visits or have a better chance
    """

    likeliest: bool
    better: Missing | None
    next_best: NextBest
    off: tuple[Off, ...] = ()
    waits: Waits | None = None
    ways: tuple[Missing, ...] = ()


class WhyNone(NamedTuple):
    """Why a need has no place.

    missing:  what the option lacks that lacks least; None: the need has no options at all
    off:      why each of its days is none
    """

    missing: Missing | None
    off: tuple[Off, ...]


def board_of(instance: Instance, plan: Plan) -> Board:
    """A plan to try things on."""
    board = Board(instance)
    for (crew, day), route in plan.routes.items():
        for leg in route:
            board.append(crew, day, leg, plan.chosen[leg.need])
    for need, chosen in plan.chosen.items():
        board.count(need, chosen)
    return board


def why_this(board: Board, need: int) -> WhyThis:
    """Why a placed need has its option."""
    instance = board.instance
    options = instance.needs[need].options
    mine = board.chosen[need].option
    board.mark()
    before = board.worth
    held = held_worth(instance, need, board.chosen[need])
    board.take(need)
    alone = board.worth + held
    other_days = [number for number, one in enumerate(options) if one.start != options[mine].start]
    found = NextBest(None, before - alone)
    for fit in board.fits(need, other_days):
        loses = before - alone - fit.gain
        if found.option is None or loses < found.loses:
            found = NextBest(fit.chosen.option, loses)
    most = max(range(len(options)), key=lambda one: (options[one].chance, options[one].value))
    off: tuple[Off, ...] = ()
    if found.option is None:
        off = _off_days(board, need, [missing(board, need, number) for number in other_days])
    waits = _waits(board, need, mine, before - alone)
    better = None
    if options[most].chance > options[mine].chance + AS_LIKELY:
        better = missing(board, need, most)
    ways = tuple(
        missing(board, need, number)
        for number, one in enumerate(options)
        if (one.start, one.treatment) == (options[mine].start, options[mine].treatment)
        and (
            len(one.stops) < len(options[mine].stops)
            or one.chance > options[mine].chance + AS_LIKELY
        )
    )
    board.back()
    return WhyThis(
        likeliest=options[mine].chance >= options[most].chance - AS_LIKELY,
        better=better,
        next_best=found,
        off=off,
        waits=waits,
        ways=ways,
    )


def _waits(board: Board, need: int, mine: int, gain: float) -> Waits | None:
    """What strips would gain for a need that is taken out, and that adds `gain` as it is planned;
    None: no start before that lacks any."""
    instance = board.instance
    options = instance.needs[need].options
    if not instance.stock:
        return None
    before = [
        (number, board.short(need, number))
        for number, one in enumerate(options)
        if one.start < options[mine].start and instance.stock_of(one.treatment) is not None
    ]
    lacking = [(number, short) for number, short in before if short > 0]
    if not lacking:
        return None
    best, strips, most = lacking[0][0], lacking[0][1], None
    for number, short in lacking:
        fit = board.fit(need, number, least=-1e9, stocked=False)
        if fit is not None and (most is None or fit.gain > most):
            best, strips, most = number, short, fit.gain
    delivery, sooner = _delivery(board, need, mine, best)
    gains = None if most is None else most - gain
    return Waits(best, strips, gains, delivery, sooner)


def _delivery(
    board: Board, need: int, mine: int, sooner: int
) -> tuple[tuple[int, int] | None, bool]:
    """The last delivery without which a need that is taken out could not be as it is planned; and
    whether it would do for another option, did it come by that one's start."""
    options = board.instance.needs[need].options
    stock = board.instance.stock_of(options[mine].treatment)
    if stock is None:
        return None, False
    for one in reversed(stock.arrivals):
        if not 0 < one[0] <= options[mine].start:
            continue
        rest = tuple(each for each in stock.arrivals if each != one)
        if board.short(need, mine, stock=stock._replace(arrivals=rest)) <= 0:
            continue
        moved = tuple(sorted((*rest, (options[sooner].start, one[1]))))
        same = options[sooner].treatment == stock.treatment
        enough = board.short(need, sooner, stock=stock._replace(arrivals=moved)) <= 0
        return one, same and enough
    return None, False


def _off_days(
    board: Board, need: int, every: Sequence[Missing], allowed: Allowed | None = None
) -> tuple[Off, ...]:
    """Why each day of a need is none, as the plan stands, by day: of a start the days of its
    options, of a job in hand those of its visits.

    every:  what its options lack
    """
    one = board.instance.needs[need]
    if one.starts:
        by_start: dict[int, Missing] = {}
        for lack in sorted(every, key=_lack):
            by_start.setdefault(one.options[lack.option].start, lack)
        found = []
        for start, least in sorted(by_start.items()):
            # A start has a crew on its day, or it would be no option.
            later = least.bound is Bound.DAY or (
                bool(least.hours) and all(short.day > start for short in least.hours)
            )
            found.append(Off(start, least.bound, later, least.dark))
        return tuple(found)
    crews = range(len(board.instance.crews))
    off: dict[int, Off] = {}
    for stop in one.options[0].stops:
        for day in sorted(stop.days):
            if allowed is not None and not any(allowed(crew, day) for crew in crews):
                continue
            alone = _missing_of(board, need, 0, (stop._replace(days=(day,)),), allowed)
            if alone.bound is not Bound.COST:
                off.setdefault(day, Off(day, alone.bound, False, alone.dark))
    return tuple(off[day] for day in sorted(off))


def _scarce(board: Board, need: int, lack: Missing) -> set[object]:
    """What an option lacks: crews on days, strips of a treatment."""
    found: set[object] = {(short.crew, short.day) for short in lack.hours}
    if lack.strips:
        found.add(board.instance.needs[need].options[lack.option].treatment)
    return found


def room_for(
    board: Board,
    lacks: Mapping[int, Missing],
    keys: Collection[tuple[int, int]],
    allowed: Mapping[int, Allowed] = NOTHING,
) -> int:
    """How many needs have a place at once where crews have one more hand on some days; tried by
    putting in first what lacks least.

    lacks:    by need, what it lacks; it is put in as that option
    keys:     crews and days
    allowed:  as of `peers`
    """
    kept = board.instance
    board.mark()
    for crew, day in keys:
        hands = sum(one.hands for one in board.stops_on(crew, day))
        board.lengthen(crew, day, _spared(kept, crew, hands))
    placed = 0
    for need, lack in sorted(lacks.items(), key=lambda one: _lack(one[1])):
        stops = kept.needs[need].options[lack.option].stops
        spared = {}
        for crew, day in keys:
            hands = max((stop.hands for stop in stops if day in stop.days), default=0.0)
            spared[crew, day] = _spared(kept, crew, hands)
            board.lengthen(crew, day, spared[crew, day])
        fit = board.fit(need, lack.option, least=-1e9)
        may = allowed.get(need)
        if (
            fit is not None
            and (may is None or all(may(one.crew, one.day) for one in fit.chosen.stops))
            and board.put(need, fit.chosen)
        ):
            placed += 1
            there = {(one.crew, one.day) for one in fit.chosen.stops}
            spared = {key: minutes for key, minutes in spared.items() if key not in there}
        for (crew, day), minutes in spared.items():
            board.lengthen(crew, day, -minutes)
    board.back()
    board.restore_hours(kept)
    return placed


def _spared(instance: Instance, crew: int, hands: float) -> float:
    """Minutes that one more hand spares of so many for one person."""
    people = instance.crews[crew].people
    return hands / people - hands / (people + 1)


def peers(
    board: Board, lacks: Mapping[int, Missing], allowed: Mapping[int, Allowed] = NOTHING
) -> dict[int, Peers]:
    """Of each need that one more hand would free, with whom it shares that remedy, where it does:
    starts with starts, jobs in hand with such.

    lacks:    by need without a place, what it lacks
    allowed:  by need, where not every crew may come on every day
    """
    groups: dict[tuple[bool, tuple[tuple[int, int], ...]], list[int]] = {}
    for need, lack in lacks.items():
        if lack.hours and not lack.strips and all(short.hand for short in lack.hours):
            keys = tuple(sorted((short.crew, short.day) for short in lack.hours))
            starts = board.instance.needs[need].starts
            groups.setdefault((starts, keys), []).append(need)
    found = {}
    short_of = Counter(one for need, lack in lacks.items() for one in _scarce(board, need, lack))
    for need, lack in lacks.items():
        own = lack.strips or any(not short.hand for short in lack.hours)
        if own and any(short_of[one] > 1 for one in _scarce(board, need, lack)):
            found[need] = Peers((need,), 1, alone=True)
    for (_, keys), mine in groups.items():
        shared = any(short_of[one] > len(mine) for one in keys)
        if len(mine) > 1 or shared:
            frees = max(1, room_for(board, {need: lacks[need] for need in mine}, keys, allowed))
            found.update(dict.fromkeys(mine, Peers(tuple(mine), frees, shared=shared)))
    return found


def held_worth(instance: Instance, need: int, chosen: Chosen) -> float:
    """How much more a need is worth for being as it was promised, in colonies."""
    one = instance.needs[need]
    if chosen.option != one.promised:
        return 0.0
    same = sum(kept == placed for kept, placed in zip(one.kept, chosen.stops, strict=False))
    return instance.keep / 2 * (1 + (same / len(one.kept) if one.kept else 0.0))


def why_none(board: Board, need: int, allowed: Allowed | None = None) -> WhyNone:
    """Why a need has no place, as the plan stands."""
    options = board.instance.needs[need].options
    every = [missing(board, need, number, allowed) for number in range(len(options))]
    off = _off_days(board, need, every, allowed)
    return WhyNone(min(every, key=_lack, default=None), off)


def _lack(one: Missing) -> tuple[int, float, float]:
    """How far an option is from a place: what can be had counts less than what cannot."""
    soft = one.bound in (Bound.HOURS, Bound.STRIPS, Bound.COST)
    minutes = sum(short.minutes for short in one.hours)
    rank = 0 if soft else 1 + list(Bound).index(one.bound)
    return (rank, minutes + 5.0 * one.strips, one.loses)


def missing(board: Board, need: int, number: int, allowed: Allowed | None = None) -> Missing:
    """What keeps one option out, as the plan stands; of a placed need with that taken out.

    allowed:  whether a crew may come on a day; None: always
    """
    stops = board.instance.needs[need].options[number].stops
    return _missing_of(board, need, number, stops, allowed)


def _usable(stops: Sequence[Stop]) -> list[list[int]]:
    """The days of each visit that leave one for each that follows."""
    found: list[list[int]] = []
    following: Stop | None = None
    for stop in reversed(stops):
        later = found[0] if found else []
        found.insert(
            0,
            [
                day
                for day in stop.days
                if following is None or any(following.may_follow(day, one) for one in later)
            ],
        )
        following = stop
    return found


def _missing_of(
    board: Board, need: int, number: int, stops: Sequence[Stop], allowed: Allowed | None = None
) -> Missing:
    """The same of some visits of an option, or of some of their days."""
    instance = board.instance
    place = instance.needs[need].place
    strips = max(0, board.short(need, number))
    hours: list[Shortage] = []
    spent = 0.0
    too_long = False
    last: int | None = None
    dark = False
    for stop, usable in zip(stops, _usable(stops), strict=True):
        able = [crew for crew, one in enumerate(instance.crews) if one.can(stop.skill)]
        if not able:
            return Missing(number, Bound.SKILL)
        days = [day for day in usable if stop.may_follow(last, day)]
        works = [
            (crew, day)
            for day in days
            for crew in able
            if instance.crews[crew].minutes[day] > 0 and (allowed is None or allowed(crew, day))
        ]
        if not works:
            no_light = any(instance.crews[crew].darkened(day) for day in days for crew in able)
            on = min(days, default=max((last or 0) + stop.after, 0))
            return Missing(number, Bound.DAY, dark=no_light, visit=stop.task, on=on)
        best: tuple[float, float, int, int] | None = None
        for crew, day in works:
            minutes = stop.minutes(instance.crews[crew].people) + board.more(crew, day, place)
            short = max(0.0, minutes - board.left(crew, day))
            if best is None or (short, minutes) < best[:2]:
                best = (short, minutes, crew, day)
        assert best is not None
        short, minutes, crew, day = best
        home = instance.crews[crew].place
        there = instance.roads[home][place] + instance.roads[place][home]
        alone = stop.minutes(instance.crews[crew].people) + there
        ends = instance.crews[crew]
        if short > 0 and alone > max(ends.minutes):
            too_long = True
            by_hours = [
                minutes + (ends.dark[on] if ends.dark else 0.0)
                for on, minutes in enumerate(ends.minutes)
            ]
            dark = dark or alone <= max(by_hours)
        if short > 1e-7:
            hands = stop.hands + sum(one.hands for one in board.stops_on(crew, day))
            spared = _spared(instance, crew, hands)
            dark = dark or ends.darkened(day)
            longer = ends.minutes[day] + short <= ends.could_work(day)
            hours.append(Shortage(crew, day, short, spared >= short, ends.darkened(day), longer))
        spent += minutes
        last = day
    loses = instance.hour * spent / 60 - option_value(instance, need, number)
    bound = Bound.STRIPS if strips else Bound.HOURS if hours else Bound.COST
    if too_long:
        bound = Bound.LENGTH
    return Missing(number, bound, tuple(hours), strips, loses, dark)
