"""What is named as next best and as freeing a place is tried."""

from __future__ import annotations

import pytest

from support.crew_instances import instance
from windowcast.crew import planner
from windowcast.crew.explain import Bound, board_of, why_none, why_this
from windowcast.crew.instance import Crew, Instance, Plan, Stock, worth


def crowded(seed: int) -> tuple[Instance, Plan]:
    """More yards than one crew can serve."""
    task = instance(seed, yards=45, crews=1, days=20, load=1.5)
    return task, planner.make(task, left_s=lambda: 60.0, rounds=300)


def with_minutes(task: Instance, crew: int, day: int, minutes: float) -> Instance:
    crews = list(task.crews)
    one: Crew = crews[crew]
    longer = list(one.minutes)
    longer[day] += minutes
    crews[crew] = one._replace(minutes=tuple(longer))
    return task._replace(crews=tuple(crews))


@pytest.mark.parametrize("seed", range(3))
def test_the_hours_named_free_a_place_and_less_do_not(seed: int):
    task, plan = crowded(seed)
    board = board_of(task, plan)
    waiting = [
        number
        for number, need in enumerate(task.needs)
        if need.options and number not in plan.chosen
    ]
    assert waiting
    tried = 0
    for need in waiting:
        found = why_none(board, need).missing
        if found is None or found.bound is not Bound.HOURS:
            continue
        tried += 1
        more = task
        for short in found.hours:
            more = with_minutes(more, short.crew, short.day, short.minutes + 0.01)
        fit = board_of(more, plan).fit(need, found.option, least=-1e9)
        assert fit is not None
        less = task
        for short in found.hours:
            less = with_minutes(less, short.crew, short.day, short.minutes * 0.9)
        fit = board_of(less, plan).fit(need, found.option, least=-1e9)
        assert fit is None
        for short in found.hours:
            crew = task.crews[short.crew]
            legs = plan.routes.get((short.crew, short.day), ())
            stops = [task.needs[leg.need].options[plan.chosen[leg.need].option].stops[leg.stop]
                     for leg in legs]  # fmt: skip
            mine = next(
                stop for stop in task.needs[need].options[found.option].stops
                if short.day in stop.days
            )  # fmt: skip
            used = crew.minutes[short.day] - board.left(short.crew, short.day)
            drive = used - sum(stop.minutes(crew.people) for stop in stops)
            more = board.more(short.crew, short.day, task.needs[need].place)
            with_one_more = (
                drive + more + sum(stop.minutes(crew.people + 1) for stop in [*stops, mine])
            )
            assert short.hand is (with_one_more <= crew.minutes[short.day] + 1e-9)
    assert tried


def test_the_strips_named_free_a_place_and_one_less_does_not():
    task = instance(4, yards=14, crews=3, days=25)
    task = task._replace(stock=(Stock("formic-strips", ((0, 150),)),))
    plan = planner.make(task, left_s=lambda: 60.0, rounds=200)
    board = board_of(task, plan)
    waiting = [
        number
        for number, need in enumerate(task.needs)
        if need.options and number not in plan.chosen
    ]
    assert waiting

    for need in waiting:
        found = why_none(board, need).missing
        assert found is not None and found.bound is Bound.STRIPS
        for count, fits in ((found.strips, True), (found.strips - 1, False)):
            more = task._replace(stock=(Stock("formic-strips", ((0, 150 + count),)),))
            again = board_of(more, plan)
            assert again.in_stock(need, found.option) is fits


def test_a_crew_that_may_not_and_one_whose_day_is_too_short_are_named():
    task = instance(5, yards=3, crews=1, days=30)
    need = next(number for number, one in enumerate(task.needs) if one.options)
    unskilled = task._replace(crews=(task.crews[0]._replace(skills=frozenset({"thymol"})),))
    short = task._replace(
        crews=tuple(
            crew._replace(minutes=tuple(min(one, 20.0) for one in crew.minutes))
            for crew in task.crews
        )
    )

    for made, bound in ((unskilled, Bound.SKILL), (short, Bound.LENGTH)):
        plan = planner.make(made, left_s=lambda: 60.0)
        assert plan.chosen == {}
        found = why_none(board_of(made, plan), need).missing
        assert found is not None
        assert found.bound is bound

    more = made
    for lack in found.hours:
        more = with_minutes(more, lack.crew, lack.day, lack.minutes + 0.01)
    assert board_of(made, plan).fit(need, found.option, least=-1e9) is None
    assert board_of(more, plan).fit(need, found.option, least=-1e9) is not None


def test_hours_that_cost_more_than_a_yard_is_worth_are_said():
    task = instance(6, yards=3, crews=1, days=30, hour=500.0)
    need = next(number for number, one in enumerate(task.needs) if one.options)
    plan = planner.make(task, left_s=lambda: 60.0)

    found = why_none(board_of(task, plan), need).missing

    assert plan.chosen == {}
    assert found is not None
    assert (found.bound, found.hours, found.strips) == (Bound.COST, (), 0)
    assert found.loses > 0


@pytest.mark.parametrize("seed", range(3))
def test_the_next_best_day_costs_what_is_said(seed: int):
    task = instance(seed, yards=8, crews=2, days=15)
    plan = planner.make(task, left_s=lambda: 60.0, rounds=300)
    board = board_of(task, plan)
    before = board.worth
    assert before == pytest.approx(worth(task, plan))

    for need in plan.chosen:
        found = why_this(board, need)
        assert board.worth == pytest.approx(before)
        other = found.next_best.option
        if other is None:
            continue
        again = board_of(task, plan)
        again.take(need)
        fit = again.fit(need, other, least=-1e9)
        assert fit is not None
        assert again.put(need, fit.chosen)
        assert before - again.worth == pytest.approx(found.next_best.loses, abs=1e-6)
        assert found.next_best.loses >= -1e-6
        mine = task.needs[need].options[plan.chosen[need].option]
        assert task.needs[need].options[other].start != mine.start


@pytest.mark.parametrize("seed", range(3))
def test_the_next_best_of_a_promised_start_costs_what_it_would_without_the_promise(seed: int):
    """What a promise is worth more is no cost of another day."""
    task = instance(seed, yards=8, crews=2)
    plan = planner.make(task, left_s=lambda: 60.0)
    needs = tuple(
        need._replace(promised=plan.chosen[number].option, kept=plan.chosen[number].stops)
        if number in plan.chosen
        else need
        for number, need in enumerate(task.needs)
    )
    promised = task._replace(needs=needs, keep=2.0)

    for need in plan.chosen:
        free = why_this(board_of(task, plan), need).next_best
        held = why_this(board_of(promised, plan), need).next_best
        assert (held.option, held.loses) == (free.option, pytest.approx(free.loses))
