"""The crew's plan: equal to trying everything on small tasks, better than the rule of thumb on
larger ones, and within every rule."""

from __future__ import annotations

from itertools import permutations, product

import pytest

from support.crew_instances import expected, instance
from windowcast.crew import exact, greedy, model, planner, settle
from windowcast.crew.board import Board
from windowcast.crew.instance import (
    Chosen,
    Crew,
    Instance,
    Need,
    Option,
    Placed,
    Plan,
    Stock,
    Stop,
    driving,
    faults,
    legs,
    option_value,
    placed_value,
    stop_of,
    working,
    worth,
)
from windowcast.crew.sheet import sheets
from windowcast.crew.travel import with_calls


def ample() -> float:
    """Seconds left: always enough."""
    return 60.0


def small(
    seed: int, *, crews: int, yards: int = 3, load: float = 3.0, hour: float = 2.0
) -> Instance:
    """A task so small that everything can be tried, and so tight that not everything fits."""
    made = instance(
        seed, yards=yards, crews=crews, days=6, load=load, hour=hour, exposures=(4,), near_km=15.0,
        least=0.05,
    )  # fmt: skip
    needs = [need._replace(options=need.options[:3]) for need in made.needs]
    needs = [
        need._replace(
            options=tuple(
                option._replace(
                    stops=tuple(stop._replace(days=stop.days[:2]) for stop in option.stops)
                )
                for option in need.options
            )
        )
        for need in needs
    ]
    return made._replace(needs=tuple(needs))


@pytest.mark.parametrize(("away", "days"), [(2.0, [0, 10, 21]), (0.5, [0, 11, 21])])
def test_whichever_visit_weighs_more_is_on_its_day(away: float, days: list[int]):
    """Somebody works on days 10, 11 and 21: either the swap is a day late or the removal is."""
    stops = (
        Stop("apply", (0,), 30.0, 0.0),
        Stop("swap", (10, 11), 30.0, 0.0, after=9, right=10, follows=10, within=13, away=away),
        Stop("remove", (21,), 30.0, 0.0, after=10, right=20, follows=10, within=14),
    )
    need = Need("a", "A", 1, 20, 30, (Option(0, "formic-strips", "one", stops, 20.0),))
    works = [60.0 if day in (0, 10, 11, 21) else 0.0 for day in range(30)]
    crew = Crew("North", 1, 0, tuple(works))
    task = Instance((crew,), (need,), [[0.0, 5.0], [5.0, 0.0]], 30, hour=0.25, away=0.01)

    plan = planner.make(task, left_s=ample)

    assert [one.day for one in plan.chosen[0].stops] == days
    assert faults(task, plan) == []
    assert worth(task, plan) == pytest.approx(by_trying_everything(task), abs=1e-6)


def test_a_swap_waits_where_its_right_day_would_leave_the_removal_none():
    """The removal follows ten days after the swap, and only on day 22 does anybody work: the swap
    is right on day 10, and has to be on day 12."""
    stops = (
        Stop("apply", (0,), 30.0, 0.0),
        Stop("swap", (10, 12), 30.0, 0.0, after=9, right=10, follows=10, within=13),
        Stop("remove", (20, 21, 22), 30.0, 0.0, after=10, right=20, follows=10, within=10),
    )
    need = Need("a", "A", 1, 20, 30, (Option(0, "formic-strips", "one", stops, 20.0),))
    works = [60.0 if day in (0, 10, 12, 22) else 0.0 for day in range(30)]
    crew = Crew("North", 1, 0, tuple(works))
    task = Instance((crew,), (need,), [[0.0, 5.0], [5.0, 0.0]], 30, hour=0.25)

    for plan in (
        planner.make(task, left_s=ample),
        greedy.most_urgent_first(task),
        settle.settle(task, model.solve(task, {1: 10.0}, gap=0.0, left_s=ample).columns,
                      model.kinds(task)).plan(),
    ):  # fmt: skip
        assert [one.day for one in plan.chosen[0].stops] == [0, 12, 22]
        assert faults(task, plan) == []
    late = Plan({0: Chosen(0, (Placed(0, 0), Placed(10, 0), Placed(22, 0)))}, {})
    assert "need 0 has visits on [0, 10, 22]" in faults(task, late)


def by_trying_everything(task: Instance) -> float:
    """The worth of the best plan: every option, day, crew and order of yards is tried."""
    ways: list[list[tuple[int, Chosen] | None]] = []
    for number, need in enumerate(task.needs):
        mine: list[tuple[int, Chosen] | None] = [None]
        for place, option in enumerate(need.options):
            each = [
                [Placed(day, crew) for day in stop.days for crew in range(len(task.crews))]
                for stop in option.stops
            ]
            mine += [
                (number, Chosen(place, stops))
                for stops in product(*each)
                if all(
                    stop.after <= later.day - before.day <= stop.within
                    for before, later, stop in zip(stops, stops[1:], option.stops[1:], strict=False)
                )
            ]
        ways.append(mine)
    best = 0.0
    shortest: dict[tuple[int, frozenset[int]], float] = {}
    for chosen in product(*ways):
        plan = {one[0]: one[1] for one in chosen if one is not None}
        if any(
            sum(
                stop.strips
                for need, one in plan.items()
                for stop, placed in zip(
                    task.needs[need].options[one.option].stops, one.stops, strict=True
                )
                if placed.day <= day
            )
            > stock.by(day)
            for stock in task.stock
            for day in range(task.days)
        ):
            continue
        days: dict[tuple[int, int], list[int]] = {}
        minutes: dict[tuple[int, int], float] = {}
        for key, leg in legs(plan):
            days.setdefault(key, []).append(leg.need)
            stop = task.needs[leg.need].options[plan[leg.need].option].stops[leg.stop]
            minutes[key] = minutes.get(key, 0.0) + stop.minutes(task.crews[key[0]].people)
        total = 0.0
        for key, needs in days.items():
            home = task.crews[key[0]].place
            places = frozenset(task.needs[one].place for one in needs)
            if (home, places) not in shortest:
                shortest[home, places] = min(
                    sum(
                        task.roads[a][b]
                        for a, b in zip((home, *order), (*order, home), strict=True)
                    )
                    for order in permutations(places)
                )
            minutes[key] += shortest[home, places]
            if minutes[key] > task.crews[key[0]].minutes[key[1]] + 1e-9:
                break
            total += minutes[key]
        else:
            value = sum(
                option_value(task, need, one.option) + placed_value(task, need, one)
                for need, one in plan.items()
            )
            best = max(best, value - task.hour * total / 60)
    return best


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("crews", [1, 2])
def test_a_small_task_is_planned_as_well_as_by_trying_everything(seed: int, crews: int):
    task = small(seed, crews=crews, yards=4 if crews == 1 else 3)

    plan = planner.make(task, left_s=ample)

    assert faults(task, plan) == []
    assert worth(task, plan) == pytest.approx(by_trying_everything(task), abs=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_small_stock_is_shared_out_as_well_as_by_trying_everything(seed: int):
    task = small(seed, crews=1, yards=4)
    task = task._replace(stock=(Stock("formic-strips", ((0, 150), (2, 120))),))

    plan = planner.make(task, left_s=ample)

    assert faults(task, plan) == []
    assert worth(task, plan) == pytest.approx(by_trying_everything(task), abs=1e-6)


@pytest.mark.parametrize("seed", range(6))
def test_the_search_alone_finds_what_trying_everything_finds(seed: int):
    task = small(seed, crews=1, yards=4)
    board = Board(task)

    settle.improve(board, rounds=300, enough=lambda: False)

    assert worth(task, board.plan()) == pytest.approx(by_trying_everything(task), rel=0.02)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("warmth", [0.0, 1e-4, 0.05])
def test_a_search_that_may_lose_on_its_way_ends_with_the_best_that_it_saw(seed: int, warmth: float):
    """However warm it was; and the board's sums are still those of its plan."""
    task = instance(seed, yards=25, crews=1, stock=True)
    board = Board(task)
    settle.fill(board)
    before = board.worth

    settle.improve(board, rounds=150, enough=lambda: False, warmth=warmth)

    assert board.worth > before
    assert faults(task, board.plan()) == []
    assert board.worth == pytest.approx(worth(task, board.plan()))
    settle.improve(board, rounds=1, enough=lambda: True, warmth=warmth)
    assert worth(task, board.plan()) >= before


def test_where_hours_are_short_a_search_at_their_prices_finds_more():
    """Over some tasks, for a single search may have luck; and each plan keeps every rule."""
    worths = {True: 0.0, False: 0.0}
    for seed in range(4):
        task = instance(seed, yards=60, crews=1)
        found = model.solve(task, model.estimated_drive(task), gap=0.2, left_s=ample)
        assert found is not None
        scarce = planner._by_crew(task, found.minute)
        assert scarce is not None
        for prices in (None, scarce):
            board = Board(task)
            settle.improve(board, rounds=600, enough=lambda: False, scarce=prices)
            assert faults(task, board.plan()) == []
            assert board.worth == pytest.approx(worth(task, board.plan()))
            worths[prices is not None] += board.worth

    assert worths[True] > 1.005 * worths[False]


def test_the_price_of_an_hour_is_that_of_the_kind_of_crew():
    """Crews one and three are alike and stand on both sides of another kind."""
    task = instance(1, yards=6, crews=3)
    one, two, three = task.crews
    task = task._replace(crews=(one, two._replace(people=1), three))
    days = task.days
    prices = ([0.25] * days, [0.5] * days)

    found = planner._by_crew(task, prices)

    assert [kind.crews for kind in model.kinds(task)] == [(0, 2), (1,)]
    assert found == [prices[0], prices[1], prices[0]]
    assert planner._by_crew(task, ([0.0] * days, [0.0] * days)) is None


def test_a_plan_of_short_hours_is_made_at_their_prices():
    """Together worth more than a longer search without them finds."""
    ours = others = 0.0
    for seed in range(3):
        task = instance(seed, yards=60, crews=1)
        board = Board(task)
        settle.improve(board, rounds=1200, enough=lambda: False)
        others += board.worth

        ours += worth(task, planner.make(task, left_s=lambda: 4.0, rounds=600))

        settle.improve(board, rounds=5, enough=lambda: False, scarce=[[0.1] * task.days])
        assert board.a_minute is board.plain
    assert ours > others


def test_a_call_takes_its_minutes_once_whatever_is_done_there():
    """Two jobs at one yard, one at another: two calls; by hand 30 + 30 + 60 of work, 2 x 12 of
    calls, and 10 + 5 + 10 of road."""

    def job(name: str, place: int, minutes: float, task: str) -> Need:
        stop = Stop(task, (0,), hands=minutes, set_up=0.0)
        return Need(name, name, place, 20, 5, (Option(0, "", "", (stop,), 50.0),), starts=False)

    calls = (0.0, 12.0, 12.0)
    roads = with_calls([[0.0, 10.0, 10.0], [10.0, 0.0, 5.0], [10.0, 5.0, 0.0]], calls)
    needs = (
        job("a", 1, 30.0, "remove"), job("b", 2, 60.0, "remove"), job("c", 1, 30.0, "count")
    )  # fmt: skip
    task = Instance((Crew("One", 1, 0, (169.0,)),), needs, roads, days=1, calls=calls)

    plan = planner.make(task, left_s=ample)

    ((key, route),) = plan.routes.items()
    assert len(plan.chosen) == 3
    assert working(task, plan.chosen, key[0], route) == pytest.approx(144.0)
    assert driving(task, key[0], route) == pytest.approx(25.0)
    assert faults(task, plan) == []
    (sheet,) = sheets(task, plan)
    assert (sheet.working, sheet.driving, sheet.back) == pytest.approx((144.0, 25.0, 169.0))
    assert [call.leave - call.arrive for call in sheet.calls if call.place == 1] == [72.0]
    # A minute less and one of them has no place.
    less = task._replace(crews=(Crew("One", 1, 0, (168.0,)),))
    assert len(planner.make(less, left_s=ample).chosen) == 2


@pytest.mark.parametrize("seed", range(4))
def test_what_is_counted_is_counted_first_on_a_call(seed: int):
    task = instance(seed, yards=10, crews=2)
    counts = tuple(
        Need(f"count-{one.yard}", one.yard, one.place, one.colonies, 30,
             (Option(0, "", "", (Stop("count", tuple(range(40)), 10.0, 0.0),), 5.0),), starts=False)
        for one in task.needs[:6]
    )  # fmt: skip
    board = Board(task._replace(needs=(*task.needs, *counts)))
    settle.improve(board, rounds=200, enough=lambda: False)

    routes = board.plan().routes

    both = 0
    for route in routes.values():
        tasks: dict[int, list[str]] = {}
        for leg in route:
            stop = stop_of(board.instance, board.chosen, leg)
            tasks.setdefault(board.instance.needs[leg.need].place, []).append(stop.task)
        for mine in tasks.values():
            assert mine == sorted(mine, key=lambda one: one != "count")
            both += len(mine) > 1
    assert both


def test_a_dear_hour_sends_a_visit_to_another_day():
    stop = Stop("remove", (0, 1), hands=60.0, set_up=0.0)
    need = Need("a", "A", 1, 20, 5, (Option(0, "", "", (stop,), 5.0),))
    roads = [[0.0, 10.0], [10.0, 0.0]]
    task = Instance(
        crews=(Crew("One", 1, 0, (480.0, 480.0)),), needs=(need,), roads=roads, days=2, hour=0.6
    )
    board = Board(task)

    plain = board.best(0)
    board.a_minute = [[0.05, 0.01]]
    dear = board.best(0)
    board.a_minute = [[1.0, 1.0]]

    assert plain is not None and dear is not None
    assert plain.chosen.stops == (Placed(0, 0),)
    assert plain.gain == pytest.approx(5 - 80 * 0.01)  # 60 of work, 20 there and back
    assert dear.chosen.stops == (Placed(1, 0),)
    assert dear.gain == pytest.approx(5 - 80 * 0.01)
    assert board.best(0) is None


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("stock", [False, True])
def test_a_larger_plan_keeps_every_rule_and_beats_the_rule_of_thumb(seed: int, stock: bool):
    task = instance(seed, yards=40, crews=2, stock=stock)

    plan = planner.make(task, left_s=ample)
    rule = greedy.most_urgent_first(task)

    assert faults(task, plan) == []
    assert faults(task, rule) == []
    assert expected(task, plan.chosen) > expected(task, rule.chosen)
    assert plan.gap is not None and plan.gap <= 0.01


def test_the_same_task_gives_the_same_plan():
    task = instance(5, yards=25, crews=2)

    assert planner.make(task, left_s=ample) == planner.make(task, left_s=ample)


def test_with_no_time_left_the_rule_of_thumb_is_given_at_least():
    task = instance(6, yards=60, crews=2)

    plan = planner.make(task, left_s=lambda: -1.0)

    assert faults(task, plan) == []
    assert worth(task, plan) >= worth(task, greedy.most_urgent_first(task))


def test_the_bound_of_the_program_holds_for_every_whole_solution():
    """The relaxation bounds it from above; and with driving left out the real optimum too."""
    for seed in range(5):
        task = small(seed, crews=1, yards=4)
        free = [[0.0] * len(task.roads) for _ in task.roads]
        task = task._replace(roads=free)

        found = model.solve(task, dict.fromkeys(range(5), 0.0), gap=0.01, left_s=ample)

        assert found is not None
        assert found.value <= found.bound + 1e-6
        assert by_trying_everything(task) <= found.bound + 1e-6


def test_a_skill_that_a_crew_lacks_keeps_it_from_the_work():
    task = instance(7, yards=12, crews=2)
    first, second = task.crews
    task = task._replace(crews=(first._replace(skills=frozenset({"amitraz"})), second))

    plan = planner.make(task, left_s=ample)

    assert plan.chosen
    assert {crew for crew, _ in plan.routes} == {1}


def test_unlike_crews_are_planned_each_by_its_own_hours_and_people():
    task = instance(8, yards=30, crews=2)
    first, second = task.crews
    alone = second._replace(
        name="One", people=1, minutes=tuple(min(one, 240.0) for one in second.minutes)
    )
    task = task._replace(crews=(first, alone))

    plan = planner.make(task, left_s=ample)

    assert faults(task, plan) == []
    for (crew, day), route in plan.routes.items():
        used = working(task, plan.chosen, crew, route) + driving(task, crew, route)
        assert used <= task.crews[crew].minutes[day] + 1e-6
    assert {crew for crew, _ in plan.routes} == {0, 1}


def test_a_board_goes_back_to_its_mark():
    task = instance(9, yards=20, crews=2, stock=True)
    board = Board(task)
    settle.fill(board)
    before: Plan = board.plan()
    board.mark()
    for need in list(board.chosen)[:7]:
        board.take(need)
    settle.fill(board)
    board.back()

    assert board.plan() == before
    assert board.worth == pytest.approx(worth(task, before))


def test_what_the_board_counts_is_what_the_plan_is_worth():
    task = instance(10, yards=30, crews=2)
    board = Board(task)

    settle.improve(board, rounds=200, enough=lambda: False)
    counted = board.worth

    assert worth(task, board.plan()) >= counted - 1e-6
    assert board.worth == pytest.approx(worth(task, board.plan()))


def test_a_task_too_large_to_try_everything_is_left_to_the_search():
    assert exact.exactly(instance(1, yards=20, crews=2), left_s=ample) is None


def test_nothing_to_do_is_a_plan_of_nothing():
    task = instance(1, yards=5, crews=2)
    task = task._replace(needs=tuple(need._replace(options=()) for need in task.needs))

    plan = planner.make(task, left_s=ample)

    assert (plan.chosen, plan.routes, plan.gap, plan.how) == ({}, {}, 0.0, planner.NOTHING)


def test_yards_that_are_worth_a_trip_only_together_get_one():
    """Each alone costs more in driving than it is worth; the two are neighbours."""
    stop = Stop("apply", (0,), 20.0, 0.0)
    option = Option(0, "t", "r", (stop,), 10.0)
    task = Instance(
        crews=(Crew("A", 1, 0, (480.0,)),),
        needs=(Need("a", "a", 1, 1, 0, (option,)), Need("b", "b", 2, 1, 0, (option,))),
        roads=[[0.0, 60.0, 60.0], [60.0, 0.0, 1.0], [60.0, 1.0, 0.0]],
        days=1,
        hour=6.0,  # a trip to one costs 140 minutes, 14 colonies, to both 161 minutes, 16.1
    )

    plan = planner.make(task, left_s=ample)

    assert sorted(plan.chosen) == [0, 1]
    assert worth(task, plan) == pytest.approx(20.0 - 16.1)
