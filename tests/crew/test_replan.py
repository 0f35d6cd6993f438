"""What was promised stays unless a move gains enough; each move says why."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from support.crew_instances import instance
from windowcast.crew import planner, replan
from windowcast.crew.explain import board_of
from windowcast.crew.instance import Instance, Plan, Stop, faults, worth
from windowcast.crew.replan import Move, Promise, Why

FIRST = date(2026, 8, 31)


def ample() -> float:
    return 60.0


def promises_of(task: Instance, plan: Plan) -> list[Promise]:
    found = []
    for need, chosen in plan.chosen.items():
        option = task.needs[need].options[chosen.option]
        found.append(
            Promise(
                task.needs[need].key,
                task.needs[need].yard,
                option.treatment,
                option.regimen,
                FIRST + timedelta(days=option.start),
                tuple(
                    (stop.task, FIRST + timedelta(days=placed.day), task.crews[placed.crew].name)
                    for stop, placed in zip(option.stops, chosen.stops, strict=True)
                ),
            )
        )
    return found


def again(task: Instance, promises: list[Promise], *, keep: float = 2.0) -> Instance:
    names = [crew.name for crew in task.crews]
    needs = replan.with_promises(task.needs, promises, first=FIRST, crews=names)
    return task._replace(needs=needs, keep=keep)


def moves(
    task: Instance, plan: Plan, promises: list[Promise], *, today: date = FIRST
) -> tuple[Move, ...]:
    return replan.moves(board_of(task, plan), promises, first=FIRST, today=today, begun=())


def changed(task: Instance, need: int, chance: float, *, only: int | None = None) -> Instance:
    """The same with the chance of one yard's options changed by a factor."""
    needs = list(task.needs)
    needs[need] = needs[need]._replace(
        options=tuple(
            one._replace(value=one.value * chance) if only in (None, number) else one
            for number, one in enumerate(needs[need].options)
        )
    )
    return task._replace(needs=tuple(needs))


@pytest.mark.parametrize("seed", range(3))
def test_the_same_morning_again_moves_nothing(seed: int):
    task = instance(seed, yards=15, crews=2)
    plan = planner.make(task, left_s=ample, rounds=200)
    promises = promises_of(task, plan)

    held = again(task, promises)
    second = planner.make(held, left_s=ample, rounds=200)

    assert faults(held, second) == []
    assert moves(held, second, promises) == ()
    assert second.chosen == plan.chosen


@pytest.mark.parametrize("seed", range(3))
def test_little_changes_move_nothing_and_would_without_a_promise(seed: int):
    task = instance(seed, yards=15, crews=2)
    plan = planner.make(task, left_s=ample, rounds=200)
    promises = promises_of(task, plan)
    other = task
    for need, chosen in plan.chosen.items():
        other = changed(other, need, 0.97, only=chosen.option)

    held = planner.make(again(other, promises, keep=5.0), left_s=ample, rounds=200)
    free = planner.make(other, left_s=ample, rounds=200)

    assert not any(move.why is not Why.VISIT
                   for move in moves(again(other, promises, keep=5.0), held, promises))  # fmt: skip
    starts = [one.option for _, one in sorted(plan.chosen.items())]
    assert [one.option for _, one in sorted(free.chosen.items())] != starts


def test_a_start_that_loses_most_of_its_chance_moves_and_says_what_that_gains():
    task = instance(3, yards=6, crews=2)
    plan = planner.make(task, left_s=ample)
    promises = promises_of(task, plan)
    need = max(plan.chosen, key=lambda one: task.needs[one].options[plan.chosen[one].option].value)
    other = again(changed(task, need, 0.3, only=plan.chosen[need].option), promises)

    second = planner.make(other, left_s=ample)
    found = [one for one in moves(other, second, promises) if one.need == need]

    assert [one.why for one in found] == [Why.GAIN]
    assert found[0].gain is not None and found[0].gain > other.keep
    options = other.needs[need].options
    assert found[0].gain == pytest.approx(
        options[second.chosen[need].option].value - options[plan.chosen[need].option].value
    )


def test_a_start_that_is_gone_says_so():
    task = instance(4, yards=6, crews=2)
    plan = planner.make(task, left_s=ample)
    promises = promises_of(task, plan)
    need = next(iter(plan.chosen))
    needs = list(task.needs)
    needs[need] = needs[need]._replace(
        options=tuple(
            one for number, one in enumerate(needs[need].options)
            if number != plan.chosen[need].option
        )
    )  # fmt: skip
    other = again(task._replace(needs=tuple(needs)), promises)

    second = planner.make(other, left_s=ample)

    found = [one for one in moves(other, second, promises) if one.was.key == needs[need].key]
    assert [one.why for one in found] == [Why.GONE]


def test_a_day_that_has_passed_says_so_and_what_has_begun_is_no_move():
    task = instance(5, yards=6, crews=2)
    plan = planner.make(task, left_s=ample)
    promises = promises_of(task, plan)
    gone = task._replace(needs=())
    nothing = Plan({}, {})
    later = FIRST + timedelta(days=60)

    passed = moves(gone, nothing, promises, today=later)
    begun = replan.moves(
        board_of(gone, nothing), promises, first=FIRST, today=later,
        begun=[one.key for one in promises],
    )  # fmt: skip

    assert {one.why for one in passed} == {Why.MISSED}
    assert begun == ()


def test_a_crew_that_is_gone_moves_its_visits_and_keeps_the_starts():
    task = instance(6, yards=10, crews=2)
    plan = planner.make(task, left_s=ample, rounds=200)
    promises = promises_of(task, plan)
    assert {crew for crew, _ in plan.routes} == {0, 1} or len(plan.routes) > 0
    other = task._replace(crews=(task.crews[0]._replace(name="Others"), task.crews[1]))

    held = again(other, promises)
    second = planner.make(held, left_s=ample, rounds=200)

    found = moves(held, second, promises)
    assert {one.why for one in found} <= {Why.VISIT, Why.ROOM}
    hit = {one.key for one in promises if any(crew == "Crew 1" for _, _, crew in one.stops)}
    assert hit <= {one.was.key for one in found}


def test_holding_gives_back_a_promise_that_costs_nothing():
    task = instance(7, yards=5, crews=2)
    plan = planner.make(task, left_s=ample)
    promises = promises_of(task, plan)
    held = again(task, promises, keep=0.0)
    board = board_of(held, plan)
    need = next(number for number in plan.chosen if len(task.needs[number].options) > 1)
    other = next(
        number
        for number in range(len(task.needs[need].options))
        if number != plan.chosen[need].option
    )
    board.take(need)
    fit = board.fit(need, other, least=-1e9)
    assert fit is not None
    board.put(need, fit.chosen)
    before = board.worth

    replan.hold(board)

    assert board.worth >= before
    assert board.chosen[need].option == plan.chosen[need].option


def test_a_promise_makes_no_plan_worth_less_than_what_was_promised():
    task = instance(8, yards=20, crews=1, load=1.5)
    plan = planner.make(task, left_s=ample, rounds=50)
    promises = promises_of(task, plan)
    held = again(task, promises)

    second = planner.make(held, left_s=ample, rounds=200)

    assert worth(held, second) >= worth(held, plan) - 1e-6


def test_what_is_left_of_a_promise_is_told_by_its_tasks_from_the_last_back():
    """A removal that has no day leaves the swap that was promised."""
    swap, late = ("swap", FIRST, "Crew 1"), ("swap", FIRST + timedelta(days=10), "Crew 2")
    out = ("remove", FIRST + timedelta(days=20), "Crew 1")
    promise = Promise("a\n1\ndoses", "a", "t", "r", FIRST, (swap, late, out))

    def told(*tasks: str) -> tuple:
        return replan.promised_stops([Stop(task, (0,), 1.0, 0.0) for task in tasks], promise)

    assert told("swap", "swap", "remove") == (swap, late, out)
    assert told("swap", "remove") == (late, out)
    assert told("swap") == (late,)
    assert told("swap", "swap") == (swap, late)
    assert told("count", "remove") == (None, out)
