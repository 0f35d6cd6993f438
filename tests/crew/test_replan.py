"""What was promised stays unless a move gains enough; each move says why."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from support.crew_instances import instance
from windowcast.crew import planner, replan
from windowcast.crew.board import Board
from windowcast.crew.explain import board_of
from windowcast.crew.instance import (
    Chosen,
    Crew,
    Instance,
    Need,
    Option,
    Placed,
    Plan,
    Stop,
    driving,
    faults,
    working,
    worth,
)
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


def test_a_visit_goes_back_where_its_move_gains_less_than_a_move_must():
    task = instance(7, yards=5, crews=2)
    plan = planner.make(task, left_s=ample)
    held = again(task, promises_of(task, plan))
    board = board_of(held, plan)
    need, chosen = next((need, one) for need, one in plan.chosen.items() if len(one.stops) > 1)
    board.take(need)
    last = chosen.stops[-1]
    stops = (*chosen.stops[:-1], last._replace(crew=1 - last.crew))
    assert board.put(need, chosen._replace(stops=stops))

    replan.hold(board)

    assert board.chosen == plan.chosen


def two_yards(value: float) -> tuple[Instance, list[Promise]]:
    """A crew with an hour a day. One yard is promised for the first day and as well off on the
    second; another, of a value, can only be on the first. Each takes the hour, of no worth."""
    promised = Need(
        "A\ntreatment-1", "A", 1, 10, 1,
        tuple(Option(day, "t", "r", (Stop("apply", (day,), 60.0, 0.0),), 8.0) for day in (0, 1)),
    )  # fmt: skip
    new = Need(
        "B\ntreatment-1", "B", 2, 10, 0,
        (Option(0, "t", "r", (Stop("apply", (0,), 60.0, 0.0),), value),),
    )  # fmt: skip
    crew = Crew("Crew 1", 1, 0, (60.0, 60.0))
    task = Instance((crew,), (promised, new), [[0.0] * 3] * 3, 2, hour=0.0)
    promise = Promise("A\ntreatment-1", "A", "t", "r", FIRST, (("apply", FIRST, "Crew 1"),))
    return again(task, [promise]), [promise]


@pytest.mark.parametrize(("value", "moves_on"), [(1.5, False), (5.0, True)])
def test_a_promise_gives_its_hours_to_another_yard_only_for_more_than_a_move_must_gain(
    value: float, moves_on: bool
):
    """Worked out by hand: with A on the second day both are served, which gains B's value."""
    task, promises = two_yards(value)
    board = Board(task)
    assert board.put(0, Chosen(1, (Placed(1, 0),)))
    assert board.put(1, Chosen(0, (Placed(0, 0),)))

    replan.hold(board)

    found = moves(task, board.plan(), promises)
    if not moves_on:
        assert board.chosen == {0: Chosen(0, (Placed(0, 0),))}
        assert found == ()
        return
    assert set(board.chosen) == {0, 1}
    (move,) = found
    assert (move.why, move.serves) == (Why.ROOM, (1,))
    assert move.gain == pytest.approx(value)
    kept = replan.promised_board(task)
    assert kept is not None
    assert replan.better(board, kept)


def test_a_day_that_is_full_is_promised_again_whatever_the_order_in_which_it_is_put_together():
    """Nothing is left out of a promised board for being put in where it costs least at first."""
    for seed in range(4):
        task = instance(seed, yards=25, crews=2, load=1.5)
        plan = planner.make(task, left_s=ample, rounds=100)
        crews = list(task.crews)
        for number, crew in enumerate(crews):
            minutes = list(crew.minutes)
            for day in range(task.days):
                route = plan.routes.get((number, day), ())
                if route:
                    minutes[day] = working(task, plan.chosen, number, route) + driving(
                        task, number, route
                    )
            crews[number] = crew._replace(minutes=tuple(minutes))
        full = again(task._replace(crews=tuple(crews)), promises_of(task, plan))

        board = replan.promised_board(full)

        assert board is not None
        assert {need: board.chosen.get(need) for need in plan.chosen} == plan.chosen
