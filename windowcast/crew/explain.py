"""Why a yard has its day and what the next best would cost; why another has none, and what would
free one. All else in the plan stays as it is."""

from __future__ import annotations

from enum import Enum
from typing import NamedTuple

from windowcast.crew.board import Board
from windowcast.crew.instance import Chosen, Instance, Plan, option_value

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
    """

    crew: int
    day: int
    minutes: float
    hand: bool


class Missing(NamedTuple):
    """What an option lacks.

    hours:   by stop, the crew that lacks least; empty: none lacks any
    strips:  of its treatment
    loses:   what it would take from the plan's worth, in colonies, had it all that it lacks; below
             0: it would add so much
    """

    option: int
    bound: Bound
    hours: tuple[Shortage, ...] = ()
    strips: int = 0
    loses: float = 0.0


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
    """

    likeliest: bool
    better: Missing | None
    next_best: NextBest


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
    held = _held(instance, need, board.chosen[need])
    board.take(need)
    alone = board.worth + held
    other_days = [number for number, one in enumerate(options) if one.start != options[mine].start]
    found = NextBest(None, before - alone)
    for fit in board.fits(need, other_days):
        loses = before - alone - fit.gain
        if found.option is None or loses < found.loses:
            found = NextBest(fit.chosen.option, loses)
    most = max(range(len(options)), key=lambda one: (options[one].chance, options[one].value))
    better = None
    if options[most].chance > options[mine].chance + AS_LIKELY:
        better = missing(board, need, most)
    board.back()
    return WhyThis(
        likeliest=options[mine].chance >= options[most].chance - AS_LIKELY,
        better=better,
        next_best=found,
    )


def _held(instance: Instance, need: int, chosen: Chosen) -> float:
    """How much more a need is worth for being as it was promised, in colonies."""
    one = instance.needs[need]
    if chosen.option != one.promised:
        return 0.0
    same = sum(kept == placed for kept, placed in zip(one.kept, chosen.stops, strict=False))
    return instance.keep / 2 * (1 + (same / len(one.kept) if one.kept else 0.0))


def why_none(board: Board, need: int) -> Missing | None:
    """What the option lacks that lacks least; None: the need has no options at all."""
    options = board.instance.needs[need].options
    order = list(Bound)

    def least(one: Missing) -> tuple[int, float, float]:
        soft = one.bound in (Bound.HOURS, Bound.STRIPS, Bound.COST)
        minutes = sum(short.minutes for short in one.hours)
        return (0 if soft else 1 + order.index(one.bound), minutes + 5.0 * one.strips, one.loses)

    return min((missing(board, need, number) for number in range(len(options))), key=least,
               default=None)  # fmt: skip


def missing(board: Board, need: int, number: int) -> Missing:
    """What keeps one option out, as the plan stands; of a placed need with that taken out."""
    instance = board.instance
    option = instance.needs[need].options[number]
    place = instance.needs[need].place
    strips = max(0, board.short(need, number))
    hours: list[Shortage] = []
    spent = 0.0
    too_long = False
    last = -(10**6)
    for stop in option.stops:
        able = [crew for crew, one in enumerate(instance.crews) if one.can(stop.skill)]
        if not able:
            return Missing(number, Bound.SKILL)
        days = [day for day in stop.days if day >= last + stop.after]
        works = [
            (crew, day) for day in days for crew in able if instance.crews[crew].minutes[day] > 0
        ]
        if not works:
            return Missing(number, Bound.DAY)
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
        if short > 0 and alone > max(instance.crews[crew].minutes):
            too_long = True
        if short > 1e-7:
            people = instance.crews[crew].people
            hands = stop.hands + sum(one.hands for one in board.stops_on(crew, day))
            spared = hands / people - hands / (people + 1)
            hours.append(Shortage(crew, day, short, spared >= short))
        spent += minutes
        last = day
    loses = instance.hour * spent / 60 - option_value(instance, need, number)
    bound = Bound.STRIPS if strips else Bound.HOURS if hours else Bound.COST
    if too_long:
        bound = Bound.LENGTH
    return Missing(number, bound, tuple(hours), strips, loses)
