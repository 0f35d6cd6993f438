"""What is named as next best and as freeing a place is tried."""

from __future__ import annotations

import pytest

from support.crew_instances import instance
from windowcast.crew import planner
from windowcast.crew.explain import Bound, Off, Peers, board_of, peers, why_none, why_this
from windowcast.crew.instance import (
    Chosen,
    Crew,
    Instance,
    Leg,
    Need,
    Option,
    Placed,
    Plan,
    Stock,
    Stop,
    worth,
)


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


def by_hand(
    yards: list[tuple[float, ...]],
    *,
    minutes: tuple[float, ...],
    done: tuple[int, ...] = (),
    **others,
) -> tuple[Instance, Plan]:
    """Yards at no distance and one crew of one. Each has a value for its start on each day, minus
    one for none, and an hour of work there; those `done` are served on their first day."""
    needs = []
    for number, values in enumerate(yards):
        options = tuple(
            Option(day, "strips", "once", (Stop("apply", (day,), 60.0, 0.0, "", 10),), value)
            for day, value in enumerate(values)
            if value >= 0
        )
        needs.append(Need(f"{number}", f"Yard {number}", number + 1, 10, 9, options))
    size = len(yards) + 1
    crew = Crew("North", 1, 0, minutes, **others)
    task = Instance((crew,), tuple(needs), [[0.0] * size] * size, len(minutes), hour=0.1)
    days = {need: needs[need].options[0].start for need in done}
    chosen = {need: Chosen(0, (Placed(day, 0),)) for need, day in days.items()}
    routes = {
        (0, day): tuple(Leg(need, 0) for need in done if days[need] == day)
        for day in set(days.values())
    }
    return task, Plan(chosen, routes)


def test_a_start_that_waits_for_a_delivery_says_what_strips_would_gain_sooner():
    """Worth 9, 8 and 7 on days 0, 1 and 2; nothing is there until 15 strips come on day 2."""
    task, _ = by_hand([(9.0, 8.0, 7.0)], minutes=(60.0,) * 3)
    task = task._replace(stock=(Stock("strips", ((0, 0), (2, 15))),))
    plan = planner.make(task, left_s=lambda: 60.0)

    found = why_this(board_of(task, plan), 0).waits

    assert plan.chosen[0].stops == (Placed(2, 0),)
    assert found is not None
    assert (found.option, found.strips, found.delivery, found.sooner) == (0, 10, (2, 15), True)
    for stock in (((0, 10), (2, 15)), ((0, 15),)):
        more = task._replace(stock=(Stock("strips", stock),))
        again = planner.make(more, left_s=lambda: 60.0)
        assert worth(more, again) - worth(task, plan) == pytest.approx(found.gains)
    fewer = task._replace(stock=(Stock("strips", ((0, 9), (2, 15))),))
    assert planner.make(fewer, left_s=lambda: 60.0).chosen == plan.chosen


@pytest.mark.parametrize(("strips", "lacks"), [(10, 10), (19, 1), (20, 0)])
def test_a_way_with_fewer_visits_says_how_many_strips_it_lacks(strips, lacks):
    """Ten strips on day 0 and ten on day 1, or all twenty on day 0; none comes before day 1."""
    task, _ = by_hand([()], minutes=(180.0,) * 2)
    two = (Stop("apply", (0,), 60.0, 0.0, "", 10), Stop("swap", (1,), 60.0, 0.0, "", 10))
    once = (Stop("apply", (0,), 60.0, 0.0, "", 20),)
    options = (Option(0, "strips", "swap", two, 9.0), Option(0, "strips", "once", once, 9.0))
    need = task.needs[0]._replace(options=options)
    stock = (Stock("strips", ((0, strips), (1, 20))),)
    task = task._replace(needs=(need,), stock=stock)
    plan = planner.make(task, left_s=lambda: 60.0)

    ways = why_this(board_of(task, plan), 0).ways

    if not lacks:
        assert (plan.chosen[0].option, ways) == (1, ())
        return
    assert plan.chosen[0].option == 0
    assert [(one.option, one.bound, one.strips) for one in ways] == [(1, Bound.STRIPS, lacks)]


def test_strips_that_come_sooner_gain_nothing_where_the_earlier_days_are_worth_less():
    task, _ = by_hand([(2.0, 7.0)], minutes=(60.0,) * 2)
    task = task._replace(stock=(Stock("strips", ((0, 0), (1, 15))),))
    plan = planner.make(task, left_s=lambda: 60.0)

    found = why_this(board_of(task, plan), 0).waits
    enough = task._replace(stock=(Stock("strips", ((0, 15),)),))

    assert found is not None and found.gains is not None and found.gains < 0
    assert planner.make(enough, left_s=lambda: 60.0).chosen == plan.chosen
    assert why_this(board_of(enough, plan), 0).waits is None


def test_each_day_that_does_not_count_has_its_own_reason():
    """Day 0 is taken; day 1 is too short for an hour's work; day 2 has its hour, but no strips."""
    task, plan = by_hand(
        [(5.0, -1.0, -1.0), (1.0, 1.0, 1.0)], minutes=(60.0, 30.0, 60.0), done=(0,)
    )
    scarce = task._replace(stock=(Stock("strips", ((0, 10),)),))

    plenty = why_none(board_of(task, plan), 1)
    none = why_none(board_of(scarce, plan), 1)

    assert plenty.off == (Off(0, Bound.HOURS), Off(1, Bound.HOURS), Off(2, Bound.COST))
    assert {one.bound for one in none.off} == {Bound.STRIPS}
    assert none.missing is not None and (none.missing.option, none.missing.strips) == (2, 10)


def test_where_no_other_day_fits_each_has_its_reason():
    task, plan = by_hand([(5.0, 1.0), (-1.0, 4.0)], minutes=(60.0, 60.0), done=(0, 1))

    first, second = (why_this(board_of(task, plan), need) for need in (0, 1))

    assert first.next_best.option is None
    assert first.off == (Off(1, Bound.HOURS),)
    assert (second.next_best.option, second.off) == (None, ())


@pytest.mark.parametrize(
    ("done", "minutes", "frees"), [(1, 60.0, 1), (1, 119.0, 2), (2, 150.0, 3), (3, 180.0, 3)]
)
def test_one_more_hand_frees_as_many_as_its_minutes_are_enough_for(done, minutes, frees):
    """A yard takes one person an hour and two half an hour: with two, half the minutes' worth of
    what is done already, then half an hour each."""
    task, plan = by_hand([(5.0,)] * 8, minutes=(minutes,), done=tuple(range(done)))
    waiting = tuple(range(done, 8))
    lacks = {need: why_none(board_of(task, plan), need).missing for need in waiting}
    board = board_of(task, plan)
    before = board.left(0, 0), board.worth

    found = peers(board, lacks)

    assert frees == (minutes - 30.0 * done) // 30.0
    assert set(found.values()) == {Peers(waiting, frees)}
    assert (board.left(0, 0), board.worth, board.instance) == (*before, task)


def test_a_hand_that_a_start_and_a_job_lack_is_told_of_both_as_shared():
    task, plan = by_hand([(5.0,)] * 3, minutes=(60.0,), done=(0,))
    job = task.needs[2]._replace(starts=False)
    task = task._replace(needs=(*task.needs[:2], job))
    lacks = {need: why_none(board_of(task, plan), need).missing for need in (1, 2)}

    found = peers(board_of(task, plan), lacks)

    assert found == {1: Peers((1,), 1, shared=True), 2: Peers((2,), 1, shared=True)}


def test_minutes_that_others_lack_too_free_one_alone():
    task, plan = by_hand([(5.0,), (5.0,), (5.0,)], minutes=(65.0,), done=(0,))
    short = {need: why_none(board_of(task, plan), need).missing for need in (1, 2)}
    lacks = {
        need: lack._replace(hours=tuple(one._replace(hand=False) for one in lack.hours))
        for need, lack in short.items()
    }

    found = peers(board_of(task, plan), lacks)

    assert {need: one.alone for need, one in found.items()} == {1: True, 2: True}
    more = task._replace(crews=(task.crews[0]._replace(minutes=(120.0,)),))
    board = board_of(more, plan)
    assert board.put(1, Chosen(0, (Placed(0, 0),)))
    assert board.fit(2, 0, least=-1e9) is None


def test_daylight_is_what_binds_where_it_ends_the_day():
    """Two hours, of which it is light for 90 minutes; an hour of work is there already."""
    task, plan = by_hand([(5.0,), (5.0,)], minutes=(90.0,), done=(0,), dark=(30.0,), light=(100.0,))

    missing, off = why_none(board_of(task, plan), 1)

    assert missing is not None and missing.dark
    (lack,) = missing.hours
    assert (lack.minutes, lack.hand, lack.dark, lack.longer) == (30.0, True, True, False)
    assert off == (Off(0, Bound.HOURS, False, True),)
